"""The tile pool: steps applied to whole frames, tile by tile, on a number of threads with memory of their own.

`workbench.engine.cluster.ClusterPool` is the same over processes.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from workbench import pixels
from workbench.engine.chain import BoundStep
from workbench.engine.groups import Workspace, grouped, make_tile
from workbench.engine.progress import Cancel
from workbench.engine.state import State, in_memory
from workbench.engine.tiles import POINTWISE_TILE, cut, even_rects, tile_rects
from workbench.engine.trace import Trace
from workbench.io.scratch import Scratch, stored
from workbench.memory import give_back
from workbench.operations.base import Frame, FrameOperation, Planes, Rect
from workbench.recipe.model import Step
from workbench.threads import default_threads, in_order, use_threads

__all__ = ["OnTile", "TilePool", "Traces", "as_pixels", "watched"]

#: Traces by place of the step in the recipe; None where no record is wanted.
Traces = Mapping[int, Trace] | None
#: Called with a group of steps and the share of its pass that was just done.
OnTile = Callable[[Sequence[BoundStep], float], None]
#: Rows that a thread turns between layouts at a time.
_STRIP = 256
#: Tiles of their full size from which on some threads do not long wait for the last. A view of fewer is cut finer and
#: evenly: it takes a tenth more work and, on two threads, half the time.
_MANY = 4


def watched(traces: Traces, rect: Rect) -> Callable[[BoundStep, Planes], None] | None:
    """What sees each step's result in one tile, and tells its trace.

    Parameters
    ----------
    traces : mapping of int to Trace, or None
    rect : Rect

    Returns
    -------
    callable or None
    """
    if traces is None:
        return None
    began = perf_counter()

    def watch(bound: BoundStep, tile: Planes) -> None:
        nonlocal began
        traces[bound.index].see(rect, tile, perf_counter() - began)
        began = perf_counter()

    return watch


def as_pixels(planes: Planes) -> NDArray[np.float32]:
    """Planes (C, H, W) seen as pixels (H, W, C): a view.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32

    Returns
    -------
    ndarray, shape (H, W, C), float32
    """
    return np.moveaxis(planes, 0, 2)


def _lay(tile: Planes, target: Planes, rect: Rect, top: int = 0) -> None:
    """Lay a tile into planes whose first row is row ``top`` of the frame."""
    target[: len(tile), rect.y0 - top : rect.y1 - top, rect.x0 : rect.x1] = tile


class TilePool:
    """Threads with a workspace each, and one spare frame that is handed on from pass to pass.

    Parameters
    ----------
    threads : int, optional
        Default: all cores.
    cancel : Cancel, optional
        Heeded between two tiles.
    scratch : Scratch, optional
        Where frames lie; default: in memory.
    """

    #: Whether a pass may write into the frame that it reads.
    in_place = True

    def __init__(
        self, threads: int | None = None, cancel: Cancel | None = None, scratch: Scratch | None = None
    ) -> None:
        self.cancel = cancel or Cancel()
        self.make = in_memory if scratch is None else scratch.array
        self._spaces = [Workspace() for _ in range(threads or default_threads())]
        self._spare: Planes | None = None

    @property
    def threads(self) -> int:
        """How many threads work."""
        return len(self._spaces)

    def working(self) -> AbstractContextManager[None]:
        """Keep the threads alive, and other libraries' threads quiet, for the work inside. Nests."""
        return use_threads(self.threads)

    @contextmanager
    def heeding(self, cancel: Cancel) -> Iterator[None]:
        """Heed ``cancel`` in the work inside.

        Parameters
        ----------
        cancel : Cancel

        Yields
        ------
        None
        """
        before, self.cancel = self.cancel, cancel
        try:
            yield
        finally:
            self.cancel = before

    def each(self, rects: Iterable[Rect], work: Callable[[Rect, Workspace], None]) -> None:
        """Call ``work`` for every rectangle, on all threads; the order is left open.

        The first error, an interrupt, or a wish to cancel stops the threads at their next rectangle.

        Parameters
        ----------
        rects : iterable of Rect
        work : callable
            Gets a rectangle and the `Workspace` of its thread.
        """
        queue, lock, failed = iter(rects), threading.Lock(), threading.Event()

        def pull(own: Workspace) -> None:
            while not (self.cancel.wanted or failed.is_set()):
                with lock:
                    rect = next(queue, None)
                if rect is None:
                    return
                try:
                    work(rect, own)
                except BaseException:
                    failed.set()
                    raise

        with self.working():
            try:
                in_order(pull, self._spaces)
            except BaseException:
                failed.set()
                raise
        self.cancel.check()

    def apply(
        self,
        state: State,
        steps: Sequence[BoundStep],
        *,
        keep: bool = False,
        traces: Traces = None,
        on_tile: OnTile | None = None,
    ) -> State:
        """Apply bound steps and return the frame after them.

        Parameters
        ----------
        state : State
        steps : sequence of BoundStep
        keep : bool
            Whether the pixels of ``state`` must stay as they are; otherwise their memory is used.
        traces : mapping of int to Trace, optional
            See each step's result in each tile.
        on_tile : callable, optional
            Called after each tile with the group and the tile's share of its pass, one call at a time.

        Returns
        -------
        State
        """
        mine = not keep
        for group in grouped(steps):
            after = group[-1].after
            shape = after.planes, after.height, after.width
            bands = self._bands(group, state.planes) if mine else []
            if bands:
                target = self._with_room(state, shape)
                self._pass_in_bands(group, state.planes, target, bands, traces, on_tile)
            else:
                source = state.planes
                target = source if mine and self.in_place and not group[0].is_head else self.frame(shape)
                self._pass(group, source, target, traces, on_tile)
                if mine and target is not source:
                    self._spare = source
            state, mine = state.carried(group, target), True
        return state

    def _with_room(self, state: State, shape: tuple[int, int, int]) -> Planes:
        """A frame of this shape whose last planes are those of ``state``, which then lie nowhere else."""
        self._spare = None  # one frame less: what it is good for comes at the very end
        if state.planes.shape == shape:
            return state.planes
        target = self.make(shape)
        state.move(target[-len(state.planes) :])
        return target

    def rows_for(self, step: Step, state: State, steps: Sequence[BoundStep]) -> Frame | None:
        """Those rows of the frame after ``steps`` that ``step`` measures; None where it takes all of them.

        Parameters
        ----------
        step : Step
            To be measured.
        state : State
            The frame before the steps, which stays as it is.
        steps : sequence of BoundStep

        Returns
        -------
        Frame or None
        """
        if not steps or step.mask_kinds or state.layers > 1 or any(bound.is_head for bound in steps):
            return None
        after = steps[-1].after
        apart = step.operation.rows_apart(after)
        if apart == 1:
            return None
        planes = np.empty((after.planes, -(-after.height // apart), after.width), np.float32)

        def fill(rect: Rect, out: Planes) -> None:
            cut(state.planes, rect, out)

        def work(row: Rect, own: Workspace) -> None:
            planes[:, row.y0 // apart, None] = make_tile(steps, row, fill, own)

        self.each([Rect(y, 0, y + 1, after.width) for y in range(0, after.height, apart)], work)
        frame = state.carried(steps, planes).frame
        return replace(frame, coverage=None if state.coverage is None else state.coverage[::apart], rows_apart=apart)

    def _pass(
        self,
        group: Sequence[BoundStep],
        source: Planes,
        target: Planes,
        traces: Traces,
        on_tile: OnTile | None,
    ) -> None:
        # Each tile depends on the source alone, so the order in which threads take them does not matter.
        after, size = group[-1].after, group[0].size
        area = after.height * after.width
        if traces is None and area < _MANY * size * size:
            rects = even_rects(after.height, after.width, -(-area // POINTWISE_TILE**2))
        else:
            rects = tile_rects(after.height, after.width, size)
        self._fill(group, source, rects, lambda rect, tile: _lay(tile, target, rect), traces, on_tile)

    def _bands(self, group: Sequence[BoundStep], source: Planes) -> list[list[Rect]]:
        """Tiles of a pass in bands of rows that can be made one after the other within the frame; else none.

        A band has two tiles for each thread at least, so that none waits for long, and is less than half of the frame.
        Where stars are taken off, the layer of stars takes the place of the frame, and the starless one lies beside it.
        """
        head, after = group[0], group[-1].after
        same = source.shape[1:] == (after.height, after.width) and len(source) <= after.planes
        if not (self.in_place and head.is_head and same and stored(source) is None):
            return []
        if isinstance(head.step.operation, FrameOperation):
            return []
        rects = tile_rects(after.height, after.width, head.size)
        across = -(-after.width // head.size)
        tall = max(-(-2 * self.threads // across), -(-head.reach // head.size))
        if 2 * tall * head.size > after.height:
            return []
        return [rects[k : k + tall * across] for k in range(0, len(rects), tall * across)]

    def _pass_in_bands(
        self,
        group: Sequence[BoundStep],
        source: Planes,
        target: Planes,
        bands: list[list[Rect]],
        traces: Traces,
        on_tile: OnTile | None,
    ) -> None:
        """Make tiles within the frame that they are made of: rows go back once no other tile looks at them.

        ``source`` is the last planes of ``target``, or all of it; planes before them are written at once.
        """
        height, reach = source.shape[1], group[0].reach
        beside = len(target) - len(source)
        waiting = np.empty((len(source), 0, source.shape[2]), np.float32)
        most = max(rects[-1].y1 - rects[0].y0 for rects in bands)
        room = np.empty(len(source) * most * source.shape[2], np.float32)  # fresh memory for each band costs as a copy
        with self.working():  # one set of threads for all bands: what steps keep for a thread's next tile goes with it
            for rects in bands:
                top, bottom = rects[0].y0, rects[-1].y1
                shape = len(source), bottom - top, source.shape[2]
                made = room[: math.prod(shape)].reshape(shape)

                def lay(rect: Rect, tile: Planes, top: int = top, made: Planes = made) -> None:
                    if beside:
                        _lay(tile[:beside], target, rect)
                    _lay(tile[beside:], made, rect, top)

                self._fill(group, source, rects, lay, traces, on_tile)
                free = bottom if bottom == height else bottom - reach
                source[:, top - waiting.shape[1] : top] = waiting
                self._copy(made[:, : free - top], source[:, top:free])
                waiting = made[:, free - top :].copy()

    def _copy(self, planes: Planes, target: Planes) -> None:
        self._strips(planes.shape[1], lambda rows: np.copyto(target[:, rows], planes[:, rows]))

    def _fill(
        self,
        group: Sequence[BoundStep],
        source: Planes,
        rects: list[Rect],
        lay: Callable[[Rect, Planes], None],
        traces: Traces,
        on_tile: OnTile | None,
    ) -> None:
        """Make tiles of ``source`` and hand each to ``lay``, which must not keep it."""
        lock = threading.Lock()
        after = group[-1].after

        def fill(rect: Rect, out: Planes) -> None:
            cut(source, rect, out)

        def work(rect: Rect, own: Workspace) -> None:
            lay(rect, make_tile(group, rect, fill, own, watched(traces, rect)))
            if on_tile:
                with lock:
                    on_tile(group, rect.height * rect.width / (after.height * after.width))

        self.each(rects, work)

    def frame(self, shape: tuple[int, int, int]) -> Planes:
        """An array of a shape (C, H, W), its values left open: the spare frame where that has the size.

        Parameters
        ----------
        shape : tuple of (int, int, int)

        Returns
        -------
        ndarray, shape (C, H, W), float32
        """
        spare, self._spare = self._spare, None
        if spare is None or spare.size < math.prod(shape):
            return self.make(shape)
        return spare.reshape(-1)[: math.prod(shape)].reshape(shape)

    def planar(self, interleaved: NDArray[np.float32]) -> tuple[Planes, bool]:
        """Planes (C, H, W) of pixels (H, W, C), and whether they are a copy: what lies on disk as planes is none.

        Parameters
        ----------
        interleaved : ndarray, shape (H, W, C), float32

        Returns
        -------
        tuple of (ndarray of shape (C, H, W), bool)
        """
        planes = np.moveaxis(interleaved, 2, 0)
        if stored(planes) is not None:
            return planes, False
        h, w, c = interleaved.shape
        out = self.frame((c, h, w))
        self._strips(h, lambda rows: pixels.deinterleave(interleaved[rows], out[:, rows]))
        return out, True

    def interleaved(self, planes: Planes) -> NDArray[np.float32]:
        """Pixels (H, W, C) of planes (C, H, W): laid into the spare frame where that has the size; on disk a view.

        Parameters
        ----------
        planes : ndarray, shape (C, H, W), float32

        Returns
        -------
        ndarray, shape (H, W, C), float32
        """
        if stored(planes) is not None:
            return as_pixels(planes)
        c, h, w = planes.shape
        self._spaces = [Workspace() for _ in self._spaces]  # no tile is made now: their memory goes first
        give_back()
        out = self.frame((c, h, w)).reshape(h, w, c)
        self._strips(h, lambda rows: pixels.interleave(planes[:, rows], out[rows]))
        return out

    def _strips(self, height: int, work: Callable[[slice], None]) -> None:
        with self.working():
            in_order(work, [slice(y, min(y + _STRIP, height)) for y in range(0, height, _STRIP)])

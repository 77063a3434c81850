"""The tile pool: steps applied to whole frames, tile by tile, on a number of threads with memory of their own."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager

import numpy as np
from numpy.typing import NDArray

from workbench import pixels
from workbench.engine.chain import BoundStep
from workbench.engine.groups import Workspace, grouped, make_tile
from workbench.engine.progress import Cancel
from workbench.engine.state import State
from workbench.engine.tiles import cut, tile_rects
from workbench.operations.base import Geometry, Planes, Rect
from workbench.threads import default_threads, in_order, use_threads

__all__ = ["TilePool"]

#: Makes the function that sees each step's result in one tile.
Watcher = Callable[[Rect], Callable[[BoundStep, Planes], None]]
#: Rows that a thread turns between layouts at a time.
_STRIP = 256


class TilePool:
    """Threads with a workspace each, and one spare frame that is handed on from pass to pass.

    Parameters
    ----------
    threads : int, optional
        Default: all cores.
    cancel : Cancel, optional
        Heeded between two tiles.
    """

    def __init__(self, threads: int | None = None, cancel: Cancel | None = None) -> None:
        self.cancel = cancel or Cancel()
        self._spaces = [Workspace() for _ in range(threads or default_threads())]
        self._spare: Planes | None = None

    @property
    def threads(self) -> int:
        """How many threads work."""
        return len(self._spaces)

    def working(self) -> AbstractContextManager[None]:
        """Keep the threads alive, and other libraries' threads quiet, for the work inside. Nests."""
        return use_threads(self.threads)

    def each(self, rects: Iterable[Rect], work: Callable[[Rect, Workspace], None]) -> None:
        """Call ``work`` for every rectangle, on all threads; the order is left open.

        The first error, an interrupt, or a wish to cancel stops the threads at their next rectangle.
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
        watcher: Watcher | None = None,
        on_tile: Callable[[Sequence[BoundStep], float], None] | None = None,
    ) -> State:
        """Apply bound steps and return the frame after them.

        Parameters
        ----------
        keep : bool
            Whether the pixels of ``state`` must stay as they are; otherwise their memory is used.
        watcher : callable, optional
            Sees each step's result in each tile.
        on_tile : callable, optional
            Called after each tile with the group and the tile's share of its pass, one call at a time.
        """
        mine = not keep
        for group in grouped(steps):
            source, after = state.planes, group[-1].after
            target = source if mine and not group[0].is_head else self._frame(after)
            self._pass(group, source, target, watcher, on_tile)
            if mine and target is not source:
                self._spare = source
            state, mine = state.carried(group, target), True
        return state

    def _pass(
        self,
        group: Sequence[BoundStep],
        source: Planes,
        target: Planes,
        watcher: Watcher | None,
        on_tile: Callable[[Sequence[BoundStep], float], None] | None,
    ) -> None:
        # Each tile depends on the source alone, so the order in which threads take them does not matter.
        rects = tile_rects(group[-1].after.height, group[-1].after.width, group[0].size)
        lock = threading.Lock()

        def fill(rect: Rect, out: Planes) -> None:
            cut(source, rect, out)

        def work(rect: Rect, own: Workspace) -> None:
            tile = make_tile(group, rect, fill, own, watcher(rect) if watcher else None)
            target[:, rect.y0 : rect.y1, rect.x0 : rect.x1] = tile
            if on_tile:
                with lock:
                    on_tile(group, 1.0 / len(rects))

        self.each(rects, work)

    def _frame(self, geometry: Geometry) -> Planes:
        shape = (geometry.planes, geometry.height, geometry.width)
        need = geometry.planes * geometry.height * geometry.width
        spare, self._spare = self._spare, None
        if spare is None or spare.size < need:
            return np.empty(shape, np.float32)
        return spare.reshape(-1)[:need].reshape(shape)

    def planar(self, interleaved: NDArray[np.float32]) -> Planes:
        """A planar copy (C, H, W) of pixels (H, W, C)."""
        h, w, c = interleaved.shape
        out = self._frame(Geometry(h, w, c))
        self._strips(h, lambda rows: pixels.deinterleave(interleaved[rows], out[:, rows]))
        return out

    def interleaved(self, planes: Planes) -> NDArray[np.float32]:
        """A copy (H, W, C) of planes (C, H, W), laid into the spare frame where that has the size."""
        c, h, w = planes.shape
        out = self._frame(Geometry(h, w, c)).reshape(h, w, c)
        self._strips(h, lambda rows: pixels.interleave(planes[:, rows], out[rows]))
        return out

    def _strips(self, height: int, work: Callable[[slice], None]) -> None:
        with self.working():
            in_order(work, [slice(y, min(y + _STRIP, height)) for y in range(0, height, _STRIP)])

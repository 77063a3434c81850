"""Views of the session, made on threads of their own: drafts at once, exact when at rest; 1:1 views as asked for."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.bench.events import (
    Busy,
    Event,
    Failed,
    Pictured,
    RecipeChanged,
    SelectionChanged,
    Settled,
    Tell,
    VariantPictured,
    VariantsChanged,
    ViewChanged,
)
from workbench.bench.model import Session
from workbench.bench.sides import Comparison, Side, same_size
from workbench.bench.snapshot import Snapshot
from workbench.bench.tools import Tools
from workbench.bench.worker import LatestWins
from workbench.engine import Cancel, CloseUp, Preview, View
from workbench.engine.transform import Transform
from workbench.errors import Cancelled, WorkbenchError
from workbench.operations.base import Facts
from workbench.outputs import Printer, out_of_gamut
from workbench.recipe.model import Layer

__all__ = ["Feed", "Viewed", "Views", "encoded"]

#: Quality of the picture's JPEG frames: while something moves, and at rest.
_DRAFT_QUALITY, _REST_QUALITY = 85, 92
#: Width of a card's small picture, and of a variant's.
_THUMB, _VARIANT = 96, 240
#: How many times as many pixels the view of a larger frame on the other side may have: moving, and at rest.
_DRAFT_AREA, _REST_AREA = 1.2, 4.0
#: Seconds between two looks at whether the draft is out.
_LOOK = 0.02


@dataclass(frozen=True, slots=True)
class Viewed(Event):
    """A view was made.

    Attributes
    ----------
    name : str
        "now" or "before".
    side : Side
    view : View
    generation : int
        Of what was asked for.
    width : int
        How wide views of the near side are asked for.
    moving : bool
        Whether a control is still in motion.
    lost : float or None
        Share of it that is out of gamut, in a soft proof.
    """

    name: str
    side: Side
    view: View
    generation: int
    width: int
    moving: bool
    lost: float | None = None


def encoded(pixels: NDArray[np.uint8], *, draft: bool) -> bytes:
    """A view (h, w, 3) uint8 sRGB as JPEG, full color resolution at rest.

    Parameters
    ----------
    pixels : ndarray, shape (h, w, 3), uint8
    draft : bool
        Whether it is soon replaced: smaller, color at half resolution.

    Returns
    -------
    bytes

    Raises
    ------
    WorkbenchError
        When the library cannot encode it.
    """
    options = [cv2.IMWRITE_JPEG_QUALITY, _DRAFT_QUALITY if draft else _REST_QUALITY]
    if not draft:
        options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    done, data = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), options)
    if not done:
        raise WorkbenchError("the view could not be encoded for the screen")
    return data.tobytes()


class Feed:
    """Makes views on two threads: quick drafts of the reduced frame, and slow settling of facts on the full one.

    Parameters
    ----------
    tell : callable
        Takes events: `Busy`, `Viewed` for each view, `Settled` or `Failed` as work goes on.
    pictured : callable
        Takes the generation and a small JPEG of the frame after each step, when the screen is at rest; fewer where a
        step cannot be drawn yet.
    """

    def __init__(self, tell: Tell, pictured: Callable[[int, list[bytes]], None]) -> None:
        self._tell, self._pictured = tell, pictured
        self._quick = LatestWins("bench views", self._failed, interrupt=False)
        self._slow = LatestWins("bench settling", self._failed, interrupt=True)
        self._lock = threading.Lock()
        self._generation = self._settled = 0
        self._now: Side | None = None
        self._before: Side | None = None
        self._moving = False
        self._exact = Cancel()  # set when something else is to be shown than what is made exactly close up
        self._measured = 0
        self._variants: Mapping[str, Snapshot] = {}
        self.width = 1200
        self._drafted_before: float = self.width  # width of the other side's last draft

    def show(
        self,
        now: Side,
        before: Side | None,
        *,
        moving: bool = False,
        measured: int = 0,
        variants: Mapping[str, Snapshot] | None = None,
    ) -> int:
        """Show this, and return the generation that its frames carry.

        Once it is shown, the first ``measured`` steps of the near side are measured, too, though the frame shown may
        be an earlier one: what a step being drawn finds is laid over it.
        ``moving`` says that a control is still in motion: then the full frame is left alone. Small pictures are made of
        the ``variants`` when all else is done.

        Parameters
        ----------
        now : Side
        before : Side or None
        moving : bool
        measured : int
        variants : mapping of str to Snapshot, optional
            By their names.

        Returns
        -------
        int
        """
        with self._lock:
            self._generation += 1
            generation = self._generation
            self._give_up_exact()
            self._now, self._before, self._moving, self._measured = now, before, moving, measured
            self._variants = variants or {}
        self._tell(Busy())
        self._quick.give(lambda _cancel: self._drafts(generation))
        if moving:
            self._slow.stop()
        else:
            self._slow.give(lambda cancel: self._settle(generation, cancel))
        return generation

    def resize(self, width: int) -> None:
        """Make views this wide from now on. What is being measured goes on: it does not hang on the width.

        Parameters
        ----------
        width : int
            In pixels of the screen.
        """
        with self._lock:
            generation, known, self.width = self._generation, self._now is not None, width
        if known:
            self._quick.give(lambda _cancel: self._resized(generation))

    def wait_drafts(self, timeout: float | None = 60) -> bool:
        """Wait until every draft asked for is on its way to the page.

        Parameters
        ----------
        timeout : float or None
            In seconds; None: as long as it takes.

        Returns
        -------
        bool
            False when the time passed before.
        """
        return self._quick.wait(timeout)

    def wait(self, timeout: float | None = 60) -> bool:
        """Wait until everything asked for is on its way to the page.

        Parameters
        ----------
        timeout : float or None
            In seconds; None: as long as it takes.

        Returns
        -------
        bool
            False when the time passed before.
        """
        return self._quick.wait(timeout) and self._slow.wait(timeout) and self._quick.wait(timeout)

    def close(self) -> None:
        """End both threads."""
        self._slow.close()
        self._quick.close()

    def stop(self) -> None:
        """Drop what is being made."""
        with self._lock:
            self._generation += 1
            self._give_up_exact()
        self._slow.stop()
        self._quick.stop()

    def loupe(
        self,
        y0: int,
        x0: int,
        height: int,
        width: int,
        *,
        before: bool = False,
        draft: bool = False,
        block: int = 1,
    ) -> tuple[int, CloseUp | None]:
        """The generation shown, and the display pixels of a region, cut to the frame.

        With ``draft``, and while a control is in motion, nothing waits for measuring: the pixels are those that go with
        the drafted view, or None where they cannot be had. Exact ones are given up, None, when something else is to be
        shown. Of blocks of ``block`` x ``block`` pixels, which the screen shows as one, the means are
        given, and an incomplete one is left out.

        Parameters
        ----------
        y0, x0 : int
            First row and column.
        height, width : int
            In pixels.
        before : bool
            Whether of the other side of the divider.
        draft : bool
        block : int

        Returns
        -------
        tuple of (int, CloseUp or None)

        Raises
        ------
        WorkbenchError
            When nothing is shown yet.
        """
        with self._lock:
            generation, exact = self._generation, self._exact
            side = self._before if before and self._before is not None else self._now
            draft |= self._moving
        if side is None:
            raise WorkbenchError("there is nothing to show yet")
        seen: CloseUp | None = None
        if draft:
            with suppress(WorkbenchError):
                place = y0, x0, *_whole_blocks(height, width, block)
                view_width = self._drafted_before if side is self._before else self.width
                seen = side.draft_loupe(*place, view_width)
        else:
            with suppress(Cancelled):
                side.settle(exact)
                full_h, full_w, _ = side.preview.shape(side.upto)
                y0, x0 = max(0, min(y0, full_h - 1)), max(0, min(x0, full_w - 1))
                place = y0, x0, *_whole_blocks(min(height, full_h - y0), min(width, full_w - x0), block)
                seen = CloseUp(side.loupe(*place, exact), draft=False)
        if seen is not None:
            seen = seen._replace(pixels=side.on_paper(seen.pixels))
        if seen is not None and block > 1:
            h, w, _ = seen.pixels.shape
            size = max(w // block, 1), max(h // block, 1)
            means = cv2.resize(seen.pixels, size, interpolation=cv2.INTER_AREA)
            seen = seen._replace(pixels=np.asarray(means, np.uint8))
        return generation, seen

    def _give_up_exact(self) -> None:
        self._exact.set()
        self._exact = Cancel()

    def _current(self, generation: int) -> bool:
        return generation == self._generation

    def _resized(self, generation: int) -> None:
        if generation == self._settled:
            self._views(generation, draft=False)
        else:
            self._drafts(generation)

    def _drafts(self, generation: int) -> None:
        # What cannot be measured on the reduced frame (too few stars, say) may well be on the full one, whose own
        # verdict follows: nobody is alarmed by a draft.
        with suppress(WorkbenchError):
            self._views(generation, draft=True)

    def _views(self, generation: int, *, draft: bool) -> None:
        if not self._current(generation) or self._now is None:
            return
        width: float = self.width
        sides = [("now", self._now)] + ([("before", self._before)] if self._before else [])
        for name, side in sides:
            if name == "before":
                width = same_size(self._now, side, width, _DRAFT_AREA if draft else _REST_AREA)
                if draft:
                    self._drafted_before = width
            view = side.view(width, draft=draft)
            if not (self._moving or self._current(generation)):
                return  # let go meanwhile: the picture of that value follows at once
            lost = None
            if side.printer is not None and not side.linear:
                printed = side.on_paper(view.pixels)
                lost = float(out_of_gamut(view.pixels, printed).mean())
                view = replace(view, pixels=printed)
            self._tell(Viewed(name, side, view, generation, self.width, self._moving, lost))
        if not draft:
            self._thumbnails(generation, self._now.preview)

    def _thumbnails(self, generation: int, preview: Preview) -> None:
        """Small pictures after each step, from a tiny frame of their own; given up as soon as something changes.

        A step beyond what is shown may not be measured yet, nor be measurable on a tiny frame: they end before it.
        """
        made = []
        for count in range(1, len(preview.recipe) + 1):
            if not self._current(generation):
                return
            # Linear frames are shown through a stretch measured on the tiny frame: good enough to tell steps apart.
            try:
                view = preview.view(_THUMB, upto=count, draft=True)
            except WorkbenchError:
                break
            made.append(encoded(view.pixels, draft=True))
        self._pictured(generation, made)
        for name, steps in self._variants.items():
            if not self._current(generation):
                return
            with suppress(WorkbenchError):
                view = preview.showing(steps.recipe, steps.frozen).view(_VARIANT, draft=True)
                self._tell(VariantPictured(name, encoded(view.pixels, draft=True), steps))

    def _settle(self, generation: int, cancel: Cancel) -> None:
        # The draft comes first: sharing the cores, both would be late.
        while not self._quick.wait(_LOOK):
            cancel.check()
        now, before = self._now, self._before
        for side in (now, before):
            if side is not None:
                side.settle(cancel)
        if self._current(generation):
            self._settled = generation
            self._quick.give(lambda _cancel: self._views(generation, draft=False))
            if now is not None and now.upto is not None and now.upto < self._measured:
                now.preview.settle(upto=self._measured, cancel=cancel)
        if self._current(generation):
            self._tell(Settled())

    def _failed(self, error: BaseException) -> None:
        self._tell(Failed(error))


def _whole_blocks(height: int, width: int, block: int) -> tuple[int, int]:
    return max(height - height % block, 1), max(width - width % block, 1)


class Views:
    """What is shown of a session: its preview, the other side of the divider, the frame of the tool in hand.

    Parameters
    ----------
    session : Session
    tools : Tools
        A tool in hand wants the frame before its step.
    tell : callable
        Takes events.
    """

    def __init__(self, session: Session, tools: Tools, tell: Tell) -> None:
        self._session, self._tools, self._tell = session, tools, tell
        self._lock = threading.RLock()
        self._shown: tuple[Side | None, Side | None] = (None, None)
        self._keys: tuple[int, list[int]] = (0, [])
        self._pictured: dict[str, Snapshot] = {}  # variants of which there is a small picture
        self.preview: Preview | None = None
        self.comparison = Comparison()
        self.brightened = True  #: whether linear light is brightened for the screen
        self.layer: Layer = "both"  #: what is seen where stars lie apart
        self.printer: Printer | None = None  #: whose soft proof is shown
        self.feed = Feed(tell, self._on_pictures)
        session.to_stack = lambda index: self.way(index, 0)

    def open(self, preview: Preview) -> None:
        """Show another stack.

        Parameters
        ----------
        preview : Preview
        """
        self.feed.stop()
        with self._lock:
            self.preview, self.comparison, self._shown = preview, Comparison(), (None, None)
            self.layer = "both"
            self._pictured = {}

    def way(self, start: int, end: int | None) -> Transform | None:
        """From the frame after ``start`` steps to that after ``end``; None while that is not known.

        Parameters
        ----------
        start : int
        end : int or None
            None: all.

        Returns
        -------
        Transform or None
        """
        preview = self.preview
        if preview is None:
            return None
        return Transform.between(preview.stack, preview.recipe, preview.known_facts, start, end)

    def compare(self, comparison: Comparison) -> None:
        """Show something else on the other side.

        Parameters
        ----------
        comparison : Comparison
        """
        self.comparison = comparison
        self._tell(ViewChanged())

    def brighten(self, on: bool) -> None:
        """Brighten linear light for the screen, or show it as it is.

        Parameters
        ----------
        on : bool
        """
        self.brightened = on
        self._tell(ViewChanged())

    def see(self, layer: Layer) -> None:
        """Show this layer where stars lie apart; alone it is shown as it is before the stars are joined again.

        Parameters
        ----------
        layer : {"starless", "stars", "both"}
        """
        self.layer = layer
        self._tell(ViewChanged())

    def proof(self, printer: Printer | None) -> None:
        """Show finished pictures as this printer will print them.

        Parameters
        ----------
        printer : Printer or None
            None: as they are.
        """
        self.printer = printer
        self._tell(ViewChanged())

    def follow(self) -> None:
        """Take the session's recipe over; nothing is drawn yet."""
        if self.preview is not None:
            self.preview = self.preview.showing(self._session.recipe, self._session.now.frozen)

    def draw(self, event: Event) -> None:
        """Have drawn what an event changed.

        Parameters
        ----------
        event : Event
        """
        if isinstance(event, VariantPictured):
            self._pictured[event.name] = event.steps
        drawn = RecipeChanged | SelectionChanged | ViewChanged | VariantsChanged
        if self.preview is None or not isinstance(event, drawn):
            return
        with self._lock:
            shown = (self.now(), self.before())
            if isinstance(event, SelectionChanged) and shown == self._shown:
                return
            self._shown = shown
            moving = isinstance(event, RecipeChanged) and event.moving
            edited = self._tools.shown_before
            measured = 0 if edited is None else min(edited + 1, len(self._session.steps))
            missing = {n: v for n, v in self._session.variants.items() if self._pictured.get(n) != v}
            generation = self.feed.show(*shown, moving=moving, measured=measured, variants=missing)
            self._keys = (generation, [step.key for step in self._session.steps])

    @property
    def upto(self) -> int | None:
        """How many steps the frame shown has gone through; None: all."""
        edited = self._tools.shown_before
        return self._where_apart(self.comparison.near_upto(self._session)) if edited is None else edited

    def _where_apart(self, upto: int | None) -> int | None:
        """For a layer that is seen alone, the last place up to this one at which stars lie apart, if any."""
        if self.layer == "both":
            return upto
        recipe = self._session.recipe if upto is None else self._session.recipe.upto(upto)
        apart = recipe.apart
        return upto if apart is None or apart == len(recipe) else apart

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts known by now, by place."""
        return {} if self.preview is None else self.preview.known_facts

    def now(self) -> Side:
        """The near side; a stack must be open."""
        assert self.preview is not None
        return Side(self.preview, self.upto, self.brightened, self.layer, self.printer)

    def before(self) -> Side | None:
        """The other side, if there is one."""
        side = None if self.preview is None else self.comparison.far(self.preview, self._session)
        if side is None:
            return None
        return replace(side, brightened=self.brightened, layer=self.layer, printer=self.printer)

    def close(self) -> None:
        """End the threads and free the memory."""
        self.feed.close()
        self.preview = None
        self._shown = (None, None)

    def _on_pictures(self, generation: int, pictures: list[bytes]) -> None:
        with self._lock:
            shown, keys = self._keys
        if shown == generation and len(keys) >= len(pictures):
            self._tell(Pictured(dict(zip(keys, pictures, strict=False))))

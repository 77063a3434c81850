"""What the bench shows, made beside the screen: fit views, loupes, histograms. Drafts at once, exact when at rest."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.bench.counts import Counting
from workbench.bench.showing import Showing, same_size
from workbench.bench.worker import LatestWins
from workbench.engine import Cancel, CloseUp, Preview, View
from workbench.errors import WorkbenchError

__all__ = ["Feed", "encoded"]

#: Quality of the picture's JPEG frames: while something moves, and at rest.
_DRAFT_QUALITY, _REST_QUALITY = 85, 92
#: Width of a card's small picture.
_THUMB = 96
#: How many times as many pixels the view of a larger frame on the other side may have: moving, and at rest.
_DRAFT_AREA, _REST_AREA = 1.2, 4.0
#: Seconds between two looks at whether the draft is out.
_LOOK = 0.02

#: Sends a message with buffers to the page.
Send = Callable[[dict[str, Any], list[bytes]], None]


def encoded(pixels: NDArray[np.uint8], *, draft: bool) -> bytes:
    """A view (h, w, 3) uint8 sRGB as JPEG, full color resolution at rest."""
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
    send : callable
        Takes (message, buffers) for the picture: kind ``fit`` with one JPEG.
    counted : callable
        Takes the histograms of the view just sent.
    pictured : callable
        Takes the generation and a small JPEG of the frame after each step, when the screen is at rest; fewer where a
        step cannot be drawn yet.
    told : callable
        Called with "busy", "settled" or "failed: ..." as work goes on.
    """

    def __init__(
        self,
        send: Send,
        counted: Callable[[dict[str, Any]], None],
        pictured: Callable[[int, list[bytes]], None],
        told: Callable[[str], None],
    ) -> None:
        self._send, self._counted, self._pictured, self._told = send, counted, pictured, told
        self._quick = LatestWins("bench views", self._failed, interrupt=False)
        self._slow = LatestWins("bench settling", self._failed, interrupt=True)
        self._lock = threading.Lock()
        self._generation = self._settled = 0
        self._now: Showing | None = None
        self._before: Showing | None = None
        self._moving = False
        self._counting = Counting()
        self.width = 1200
        self._drafted_before: float = self.width  # width of the other side's last draft

    def show(self, now: Showing, before: Showing | None, *, moving: bool = False) -> int:
        """Show this, and return the generation that its frames carry.

        ``moving`` says that a control is still in motion: then the full frame is left alone.
        """
        with self._lock:
            self._generation += 1
            generation = self._generation
            self._now, self._before, self._moving = now, before, moving
        self._told("busy")
        self._quick.give(lambda _cancel: self._drafts(generation))
        if moving:
            self._slow.stop()
        else:
            self._slow.give(lambda cancel: self._settle(generation, cancel))
        return generation

    def resize(self, width: int) -> None:
        """Make views this wide from now on. What is being measured goes on: it does not hang on the width."""
        with self._lock:
            generation, known, self.width = self._generation, self._now is not None, width
        if known:
            self._quick.give(lambda _cancel: self._resized(generation))

    def wait(self, timeout: float | None = 60) -> bool:
        """Wait until everything asked for is on its way to the page."""
        return self._quick.wait(timeout) and self._slow.wait(timeout) and self._quick.wait(timeout)

    def close(self) -> None:
        """End both threads."""
        self._slow.close()
        self._quick.close()

    def stop(self) -> None:
        """Drop what is being made, and what is known of the frame shown."""
        with self._lock:
            self._generation += 1
            self._counting.forget()
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

        With ``draft`` nothing waits for measuring: the pixels are those that go with the drafted view, or None where
        they cannot be had. Of blocks of ``block`` x ``block`` pixels, which the screen shows as one, the means are
        given, and an incomplete one is left out.
        """
        generation = self._generation
        side = self._before if before and self._before is not None else self._now
        if side is None:
            raise WorkbenchError("there is nothing to show yet")
        seen: CloseUp | None = None
        if draft:
            with suppress(WorkbenchError):
                place = y0, x0, *_whole_blocks(height, width, block)
                view_width = self._drafted_before if side is self._before else self.width
                seen = side.preview.draft_loupe(*place, view_width=view_width, upto=side.upto)
        else:
            full_h, full_w, _ = side.preview.shape(side.upto)
            y0, x0 = max(0, min(y0, full_h - 1)), max(0, min(x0, full_w - 1))
            place = y0, x0, *_whole_blocks(min(height, full_h - y0), min(width, full_w - x0), block)
            seen = CloseUp(side.preview.loupe(*place, upto=side.upto), draft=False)
        if seen is not None and block > 1:
            h, w, _ = seen.pixels.shape
            size = max(w // block, 1), max(h // block, 1)
            means = cv2.resize(seen.pixels, size, interpolation=cv2.INTER_AREA)
            seen = seen._replace(pixels=np.asarray(means, np.uint8))
        return generation, seen

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
            view = side.preview.view(width, upto=side.upto, draft=draft)
            if not (self._moving or self._current(generation)):
                return  # let go meanwhile: the picture of that value follows at once
            self._send_view(name, generation, view)
            if name == "now":
                counts = self._counting.of(side, view, self.width, moving=self._moving)
                self._counted({"kind": "histogram", "generation": generation, **counts})
        if not draft:
            self._thumbnails(generation, self._now.preview)

    def _send_view(self, side: str, generation: int, view: View) -> None:
        height, width, _ = view.pixels.shape
        message = {
            "kind": "fit",
            "side": side,
            "generation": generation,
            "draft": view.draft,
            "stretched": view.stretched,
            "scale": view.scale,
            "frame": list(view.shape),
            "size": [height, width],
            **_places(view),
        }
        self._send(message, [encoded(view.pixels, draft=view.draft)])

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

    def _settle(self, generation: int, cancel: Cancel) -> None:
        # The draft comes first: sharing the cores, both would be late.
        while not self._quick.wait(_LOOK):
            cancel.check()
        now, before = self._now, self._before
        for side in (now, before):
            if side is not None:
                side.preview.settle(upto=side.upto, cancel=cancel)
        if self._current(generation):
            self._settled = generation
            self._quick.give(lambda _cancel: self._views(generation, draft=False))
            self._told("settled")

    def _failed(self, error: BaseException) -> None:
        says = str(error) if isinstance(error, WorkbenchError) else f"{type(error).__name__}: {error}"
        self._told(f"failed: {says}")


def _whole_blocks(height: int, width: int, block: int) -> tuple[int, int]:
    return max(height - height % block, 1), max(width - width % block, 1)


def _places(view: View) -> dict[str, list[float] | None]:
    """Where the full frame and the view lie on the stack, each as the six numbers of a canvas's transform.

    A draft whose frame is not settled fills it from edge to edge, as far as can be told.
    """
    if view.place is None:
        return {"place": None, "image_place": None}
    place = _edges(view.place)
    if view.full_place is not None:
        return {"place": _edges(view.full_place), "image_place": place}
    across, down = view.pixels.shape[1] / view.shape[1], view.pixels.shape[0] / view.shape[0]
    a, b, c, d, x, y = place
    return {"place": [a * across, b * across, c * down, d * down, x, y], "image_place": place}


def _edges(place: NDArray[np.float64]) -> list[float]:
    """A place for coordinates in which pixel i covers i .. i + 1, column by column."""
    first = place[:, 2] + 0.5 - 0.5 * place[:, :2].sum(axis=1)
    return [*place[:, 0].tolist(), *place[:, 1].tolist(), *first.tolist()]

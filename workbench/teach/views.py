"""Views of a recipe at work: the frame after each step, reduced and at 1:1, every pair shown in the same light."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench import pixels
from workbench.acquisition import Tone
from workbench.engine import Preview, Recipe
from workbench.engine.chain import Bound
from workbench.engine.passes import Crew
from workbench.engine.reducing import reduced, reduced_geometry
from workbench.engine.run import safe_bind
from workbench.engine.state import State
from workbench.engine.tiles import POINTWISE_TILE
from workbench.measure.sky import sky_levels
from workbench.operations.base import Facts, Frame, FrameOperation, Geometry, Operation, Planes, Rect, Tile
from workbench.operations.stretch import Stretch
from workbench.stack import Stack
from workbench.teach.places import places_of_interest

__all__ = ["Pair", "Views"]

Picture = NDArray[np.uint8]

#: Families that change nothing that a 1:1 view would show.
_WHOLE_FRAME = {"frame", "gradient"}


@dataclass(frozen=True, slots=True)
class Pair:
    """A step's before and after: the whole frame, and a place at 1:1 where it matters (else None).

    ``outlined`` says that a line in the before picture shows what the step keeps of the frame.
    """

    index: int
    before: Picture
    after: Picture
    close_before: Picture | None
    close_after: Picture | None
    place: str
    outlined: bool = False


class Views:
    """Before and after of every step of a run that was made.

    Parameters
    ----------
    stack : Stack
    recipe : Recipe
    facts : mapping of int to dict
        Of every step that is on: nothing is measured again.
    width : int
        Width of the reduced views in pixels.
    close : (int, int)
        Height and width of the 1:1 views.

    Notes
    -----
    Linear frames are shown through the recipe's own stretch (or a default one where it has none). Both pictures of a
    pair use the same black and curve, set for the sky that the step left, so that what differs between them is the
    step's work alone. Before the stretch itself stand the numbers as they are.
    """

    def __init__(
        self,
        stack: Stack,
        recipe: Recipe,
        facts: Mapping[int, Facts],
        *,
        width: int = 760,
        close: tuple[int, int] = (260, 380),
    ) -> None:
        self.stack, self.recipe, self.facts, self.width, self._close = stack, recipe, dict(facts), width, close
        self._crew = Crew()
        self._preview = Preview(stack, recipe, facts=facts)
        self._bound = self._chain()
        self._last = self._bound[-1].after if self._bound else _geometry(stack)
        self._small = self._reduced_frames()
        self._stretch, self._light = self._one_stretch()
        self._places = places_of_interest(
            self._shown(self._small[-1], self._tones()[-1], self._light), self._last, close
        )

    def finished(self, width: int) -> Picture:
        """The finished picture, reduced to ``width``."""
        return self._preview.fit(width)

    def pairs(self) -> Iterator[Pair]:
        """Before and after of each step that is on, in order."""
        tones = self._tones()
        for n, bound in enumerate(self._bound):
            before, after = self._small[n], self._small[n + 1]
            op, light = bound.step.operation, self._light_for(after, tones[n + 1])
            # A change of tone starts from numbers in proportion to light, which are shown as they are.
            plain = tones[n] != tones[n + 1]
            close_before = close_after = None
            place = _place_for(op)
            if place is not None:
                rect = self._mapped(self._places[place], n + 1)
                close_before = self._close_up(rect, bound.index, tones[n], light, plain=plain)
                close_after = self._close_up(rect, bound.index + 1, tones[n + 1], light)
            shown = self._shown(before, tones[n], light, plain=plain)
            kept = _kept(bound)
            if kept is not None:
                _outline(shown, kept, bound.before)
            yield Pair(
                bound.index,
                shown,
                self._shown(after, tones[n + 1], light),
                close_before,
                close_after,
                place or "",
                kept is not None,
            )

    # -- frames ------------------------------------------------------------------------------------------------

    def _chain(self) -> list[Bound]:
        geometry, size, chain = _geometry(self.stack), POINTWISE_TILE, []
        for index, step in self.recipe.active:
            chain.append(safe_bind(index, step, self.facts.get(index, {}), geometry, size, frozen=True))
            geometry, size = chain[-1].after, chain[-1].size
        return chain

    def _reduced_frames(self) -> list[Planes]:
        """The reduced frame before the first step and after each."""
        scale = max(1.0, self._last.width / self.width)
        planes = reduced(self.stack.planes, scale)
        geometry, size, frames = reduced_geometry(_geometry(self.stack), scale), POINTWISE_TILE, [planes]
        for bound in self._bound:
            small = safe_bind(bound.index, bound.step, bound.facts, geometry, size, frozen=True)
            planes = self._crew.flush(State.of(self.stack, planes), [small], keep=True).planes
            frames.append(planes)
            geometry, size = small.after, small.size
        return frames

    def _tones(self) -> list[Tone]:
        """Tone before the first step that is on, and after each."""
        tones, tone = [self.stack.tone], self.stack.tone
        for bound in self._bound:
            op = bound.step.operation
            tone = tone if isinstance(op, FrameOperation) else op.gives
            tones.append(tone)
        return tones

    # -- showing -----------------------------------------------------------------------------------------------

    def _one_stretch(self) -> tuple[Stretch, Facts]:
        """The stretch through which linear frames are shown, and its facts."""
        for bound in self._bound:
            if isinstance(bound.step.operation, Stretch):
                return bound.step.operation, bound.facts
        stretch = Stretch()
        return stretch, stretch.measure(Frame(self._small[-1]))

    def _light_for(self, planes: Planes, tone: Tone) -> Facts:
        """The stretch's facts with black moved to where the sky of these linear planes is."""
        if tone == Tone.DISPLAY:
            return self._light
        sky = [float(s.level) for s in sky_levels(planes)]
        depth = [s - b for s, b in zip(self._light["sky"], self._light["black"], strict=True)]
        return self._light | {"sky": sky, "black": [s - d for s, d in zip(sky, depth, strict=True)]}

    def _shown(self, planes: Planes, tone: Tone, light: Facts, *, plain: bool = False) -> Picture:
        channels, height, width = planes.shape
        if plain:
            black = np.array(light["black"], np.float32)[:, None, None]
            planes = np.clip((planes - black) / np.float32(light["span"]), 0, 1)
        elif tone == Tone.LINEAR:
            geometry = Geometry(height, width, channels)
            source, planes = np.ascontiguousarray(planes), np.empty_like(planes, order="C")
            tile = Tile(source.copy(), Rect(0, 0, height, width), 0, geometry)
            self._stretch.apply(tile, self._stretch.prepare(light, geometry), planes)
        out = np.empty((height, width, channels), np.uint8)
        pixels.quantise8_planes(planes, out)
        return out if channels > 1 else np.repeat(out, 3, axis=2)

    def _close_up(self, rect: Rect, upto: int, tone: Tone, light: Facts, *, plain: bool = False) -> Picture:
        region = self._preview.region(rect.y0, rect.x0, rect.height, rect.width, upto=upto)
        return self._shown(np.moveaxis(region, 2, 0), tone, light, plain=plain)

    # -- places ------------------------------------------------------------------------------------------------

    def _mapped(self, rect: Rect, count: int) -> Rect:
        """A rectangle of the finished frame as it lies in the frame after the first ``count`` steps that are on."""
        for bound in reversed(self._bound[count:]):
            op = bound.step.operation
            if isinstance(op, FrameOperation):
                rect = op.source_rect(bound.facts, bound.before, rect)
                rect = rect.clipped(bound.before.height, bound.before.width)
        return rect


def _place_for(operation: Operation) -> str | None:
    """Which place shows the operation's work at 1:1."""
    if operation.purpose in _WHOLE_FRAME:
        return None
    return {"stars": "stars", "noise": "faint"}.get(operation.purpose, "bright")


def _kept(bound: Bound) -> Rect | None:
    """The part of the frame that a crop keeps; None for every other step."""
    op, before, after = bound.step.operation, bound.before, bound.after
    if not isinstance(op, FrameOperation):
        return None
    rect = op.source_rect(bound.facts, before, Rect(0, 0, after.height, after.width))
    whole = Rect(0, 0, before.height, before.width)
    return rect if rect != whole and rect.clipped(before.height, before.width) == rect else None


def _outline(picture: Picture, rect: Rect, frame: Geometry) -> None:
    """Draw the outline of a rectangle of ``frame`` into a reduced picture of it."""
    scale = picture.shape[1] / frame.width
    first = (round(rect.x0 * scale), round(rect.y0 * scale))
    last = (round(rect.x1 * scale) - 1, round(rect.y1 * scale) - 1)
    cv2.rectangle(picture, first, last, (255, 255, 255), 1)


def _geometry(stack: Stack) -> Geometry:
    h, w, c = stack.shape
    return Geometry(h, w, c)

"""Views of a recipe at work: the frame after each step, reduced and at 1:1, every pair shown in the same light."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench import pixels
from workbench.acquisition import Tone
from workbench.engine import Preview, Recipe
from workbench.engine.chain import BoundStep, Chain
from workbench.engine.reduction import reduced
from workbench.operations.base import Facts, FrameOperation, Geometry, Operation, Planes, Rect
from workbench.operations.scatter_plot import ScatterPlot
from workbench.operations.viewing import LinearLight
from workbench.recipe.model import Layer
from workbench.stack import Stack
from workbench.teach.places import around, places_of_interest

__all__ = ["Pair", "StepViews", "place_for"]

Picture = NDArray[np.uint8]

#: How many times as large the pixels of a single place are shown, which would be hard to find otherwise.
_ENLARGED = 4
#: What is shown while stars lie apart: the layer that steps work on.
_LAYER: Layer = "starless"
#: Families that change nothing that a 1:1 view would show.
_WHOLE_FRAME = {"frame", "gradient"}


@dataclass(frozen=True, slots=True)
class Pair:
    """A step's before and after: the whole frame, and a place at 1:1 where it matters (else None).

    ``outlined`` says that a line in the before picture shows what the step keeps of the frame; ``plots`` are those of
    what it measured.
    """

    index: int
    before: Picture
    after: Picture
    close_before: Picture | None
    close_after: Picture | None
    place: str
    outlined: bool = False
    plots: tuple[ScatterPlot, ...] = ()


class _Walk(NamedTuple):
    """Steps that are on, the reduced frame before the first and after each, and the tone of each frame."""

    preview: Preview
    bound: tuple[BoundStep, ...]
    frames: list[Planes]
    tones: list[Tone]


class StepViews:
    """Before and after of every step of a run that was made, and of steps that differ from it.

    Parameters
    ----------
    stack : Stack
    recipe : Recipe
    facts : mapping of int to Facts
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
        self.stack, self.recipe, self.facts, self.width = stack, recipe, dict(facts), width
        last = Chain.frozen(stack, recipe.active, self.facts).after
        self._scale = max(1.0, last.width / width)
        self._run = self._walk(Preview(stack, recipe, facts=facts))
        self._light = self._own_light()
        self._close, self._places = close, places_of_interest(self._last(self._run), last, close)

    def finished(self, width: int) -> Picture:
        """The finished picture, reduced to ``width``.

        Parameters
        ----------
        width : int
            In pixels.

        Returns
        -------
        ndarray, shape (h, w, 3), uint8
        """
        return self._run.preview.fit(width)

    def pairs(self) -> Iterator[Pair]:
        """Before and after of each step that is on, in order."""
        for n in range(len(self._run.bound)):
            yield self._pair(self._run, n)

    def facts_for(self, recipe: Recipe) -> dict[int, Facts]:
        """Facts of another recipe's steps: the run's as far as the steps are the same, measured from there on.

        Parameters
        ----------
        recipe : Recipe

        Returns
        -------
        dict of int to Facts
        """
        same = 0
        for mine, other in zip(self.recipe, recipe, strict=False):
            if replace(mine, note="") != replace(other, note=""):
                break
            same += 1
        kept = {i: f for i, f in self.facts.items() if i < same}
        return self._run.preview.showing(recipe, kept).facts

    def pair(self, recipe: Recipe, facts: Mapping[int, Facts]) -> Pair | None:
        """Before and after of the last step that is on of another recipe, in the same light; None where none is on.

        Parameters
        ----------
        recipe : Recipe
        facts : mapping of int to Facts

        Returns
        -------
        Pair or None
        """
        chain = self._other(recipe, facts)
        return self._pair(chain, len(chain.bound) - 1) if chain.bound else None

    def against(self, recipe: Recipe, facts: Mapping[int, Facts], place: str | None) -> Pair:
        """What this recipe makes of the stack, and what another makes of it; ``place`` is also shown at 1:1.

        Parameters
        ----------
        recipe : Recipe
        facts : mapping of int to Facts
        place : str or None

        Returns
        -------
        Pair
        """
        chain, run = self._other(recipe, facts), self._run
        close: list[Picture | None] = [None, None]
        if place is not None:
            rect = self._places[place]
            close = [self._close_up(c, len(c.bound), rect, self._light_after(c)) for c in (run, chain)]
        return Pair(len(recipe) - 1, self._last(run), self._last(chain), close[0], close[1], place or "")

    def image(self, image: Stack, width: int) -> Picture:
        """An image that a run made, reduced to ``width``.

        Parameters
        ----------
        image : Stack
        width : int
            In pixels.

        Returns
        -------
        ndarray, shape (h, w, 3), uint8
        """
        planes = reduced(image.planes, max(1.0, image.shape[1] / width))
        return self._shown(planes, image.tone, self._light_for(planes, image.tone))

    def _pair(self, chain: _Walk, n: int) -> Pair:
        bound, before, after = chain.bound[n], chain.frames[n], chain.frames[n + 1]
        light = self._light_for(after, chain.tones[n + 1])
        # A change of tone starts from numbers in proportion to light, which are shown as they are.
        plain = chain.tones[n] != chain.tones[n + 1]
        close_before = close_after = None
        place, rect = self._place_of(bound)
        if rect is not None:
            larger = _ENLARGED if place == "own" else 1
            close_before = _enlarged(self._close_up(chain, n, rect, light, plain=plain), larger)
            close_after = _enlarged(self._close_up(chain, n + 1, rect, light), larger)
        shown = self._shown(before, chain.tones[n], light, plain=plain)
        kept = _kept(bound)
        if kept is not None:
            _outline(shown, kept, bound.before)
        whole = self._shown(after, chain.tones[n + 1], light)
        plots = _plots(bound)
        return Pair(bound.index, shown, whole, close_before, close_after, place or "", kept is not None, plots)

    # -- frames ------------------------------------------------------------------------------------------------

    def _other(self, recipe: Recipe, facts: Mapping[int, Facts]) -> _Walk:
        Chain.frozen(self.stack, recipe.active, facts)  # refuses facts that are missing: nothing is measured here
        return self._walk(self._run.preview.showing(recipe, facts))

    def _walk(self, preview: Preview) -> _Walk:
        bound = preview.chain.steps
        tones = [preview.tone(0), *(preview.tone(step.index + 1) for step in bound)]
        return _Walk(preview, bound, preview.reduced_frames(self._scale, layer=_LAYER), tones)

    # -- showing -----------------------------------------------------------------------------------------------

    def _own_light(self) -> LinearLight:
        """The light of this run, in which all its linear frames are shown."""
        frames = zip(self._run.frames, self._run.tones, strict=True)
        linear = [planes for planes, tone in frames if tone == Tone.LINEAR]
        steps = ((bound.step.operation, bound.facts) for bound in self._run.bound)
        return LinearLight.of(steps, linear[-1] if linear else self._run.frames[-1])

    def _light_for(self, planes: Planes, tone: Tone) -> LinearLight:
        return self._light if tone == Tone.DISPLAY else self._light.on_sky_of(planes)

    def _shown(self, planes: Planes, tone: Tone, light: LinearLight, *, plain: bool = False) -> Picture:
        channels, height, width = planes.shape
        if plain:
            planes = light.plain(planes)
        elif tone == Tone.LINEAR:
            planes = light.shown(planes)
        out = np.empty((height, width, channels), np.uint8)
        pixels.quantise8_planes(planes, out)
        return out if channels > 1 else np.repeat(out, 3, axis=2)

    def _last(self, chain: _Walk) -> Picture:
        return self._shown(chain.frames[-1], chain.tones[-1], self._light_after(chain))

    def _light_after(self, chain: _Walk) -> LinearLight:
        return self._light_for(chain.frames[-1], chain.tones[-1])

    def _close_up(self, chain: _Walk, count: int, rect: Rect, light: LinearLight, *, plain: bool = False) -> Picture:
        """A place after the first ``count`` steps that are on, moved into the frame where it lies outside."""
        after = chain.bound[count - 1].after if count else _geometry(self.stack)
        upto = chain.bound[count - 1].index + 1 if count else 0
        height, width = min(rect.height, after.height), min(rect.width, after.width)
        y0, x0 = min(max(rect.y0, 0), after.height - height), min(max(rect.x0, 0), after.width - width)
        region = chain.preview.region(y0, x0, height, width, upto=upto, layer=_LAYER)
        return self._shown(np.moveaxis(region, 2, 0), chain.tones[count], light, plain=plain)

    # -- places ------------------------------------------------------------------------------------------------

    def _place_of(self, bound: BoundStep) -> tuple[str | None, Rect | None]:
        """Where to look at a step's work at 1:1, in the frame after it; a step that says so itself knows best."""
        operation = bound.step.operation
        at = operation.seen_at(bound.facts)
        if at is not None:
            return "own", around(at, bound.after, (self._close[0] // _ENLARGED, self._close[1] // _ENLARGED))
        place = place_for(operation)
        return place, None if place is None else self._mapped(self._places[place], bound.index + 1)

    def _mapped(self, rect: Rect, count: int) -> Rect:
        """A rectangle of the finished frame as it lies in the frame after the first ``count`` steps of the run."""
        for bound in reversed(self._run.bound):
            op = bound.step.operation
            if bound.index >= count and isinstance(op, FrameOperation):
                rect = op.source_rect(bound.facts, bound.before, rect)
                rect = rect.clipped(bound.before.height, bound.before.width)
        return rect


def place_for(operation: Operation) -> str | None:
    """Which place shows the operation's work at 1:1.

    Parameters
    ----------
    operation : Operation

    Returns
    -------
    str or None
    """
    if operation.purpose in _WHOLE_FRAME:
        return None
    return {"stars": "stars", "noise": "faint"}.get(operation.purpose, "bright")


def _enlarged(picture: Picture, times: int) -> Picture:
    return picture if times == 1 else picture.repeat(times, axis=0).repeat(times, axis=1)


def _plots(bound: BoundStep) -> tuple[ScatterPlot, ...]:
    operation = bound.step.operation
    shown = operation.shown(bound.facts, bound.before) if operation.plots else ()
    return tuple(each for each in shown if isinstance(each, ScatterPlot))


def _kept(bound: BoundStep) -> Rect | None:
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

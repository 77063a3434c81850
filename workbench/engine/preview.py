"""Seeing a recipe's result before it is made: any region exactly, the whole frame reduced to the screen."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from time import perf_counter

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

from workbench import pixels
from workbench.acquisition import Tone
from workbench.engine.cache import Recent, facts_key, step_key
from workbench.engine.chain import Bound, bind, fuse
from workbench.engine.drafts import Drafts
from workbench.engine.passes import Crew
from workbench.engine.progress import Cancel
from workbench.engine.reducing import reduced, reduced_geometry
from workbench.engine.regions import TileStore
from workbench.engine.run import measures
from workbench.engine.settling import Link, Settling, Steps
from workbench.engine.state import State
from workbench.engine.tiles import POINTWISE_TILE
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, FrameOperation, Planes, Rect
from workbench.operations.stretch import Stretch
from workbench.recipe.model import RecipeData, Step
from workbench.stack import Stack

__all__ = ["Preview", "View"]

#: Frames up to this width are thumbnails, whose times say nothing about a step.
_SMALL = 128
#: Steps bound to reduced frames that are kept.
_BOUND = 64


@dataclass(frozen=True, slots=True)
class View:
    """The whole frame reduced to the screen.

    Attributes
    ----------
    pixels : ndarray, shape (h, w, 3), uint8
        Ready for display, sRGB.
    planes : ndarray, shape (C, h, w), float32
        The same before it became 8-bit; must not be changed.
    scale : float
        Pixels of the full frame across one of the view.
    draft : bool
        Whether some facts were not measured on this full frame; the settled view may differ.
    shape : tuple of int
        (height, width, channels) of the full frame shown.
    stretched : bool
        Whether the frame is linear and shown through a stretch that is not part of the recipe.
    """

    pixels: NDArray[np.uint8]
    planes: Planes
    scale: float
    draft: bool
    shape: tuple[int, int, int]
    stretched: bool


class Preview:
    """Views of what a recipe makes of a stack.

    Facts are measured on the full frame when first needed and kept by content, so a view after a change to the
    last step measures nothing again that came before it. Safe to use from several threads.

    Parameters
    ----------
    stack : Stack
    recipe : RecipeData
        May be set anew at any time.
    facts : mapping of int to dict, optional
        Frozen facts by place in the recipe (from 0), used in place of measuring.
    threads : int, optional
    cache_bytes : int
        Memory for tiles, and as much again for reduced frames.
    frames : int
        How many full frames to keep between measuring steps.

    Notes
    -----
    Where the recipe (or the part shown) ends linear, `fit` and `loupe` show it through a `Stretch` with its default
    settings; `region` never does.
    """

    def __init__(
        self,
        stack: Stack,
        recipe: RecipeData,
        *,
        facts: Mapping[int, Facts] | None = None,
        threads: int | None = None,
        cache_bytes: int = 192 * 2**20,
        frames: int = 2,
    ) -> None:
        self.stack = stack
        # Views must not wait for facts being settled, so each kind of work has threads of its own.
        self._settling = Settling(stack, threads, frames)
        self.frozen: dict[int, Facts] = dict(facts or {})
        self._crew, self._lock = Crew(threads), threading.RLock()
        self._reduced: Recent[Planes] = Recent(cache_bytes)
        # A link stands for all that came before it too, so its step is bound to the same reduced frame each time.
        self._small: Recent[tuple[Link, Bound]] = Recent(_BOUND)
        self._drawn: Recent[float] = Recent(1000)  # seconds that a step took on a reduced frame, by content key
        self._drafts = Drafts()
        self._tiles = TileStore(cache_bytes)
        self.recipe = recipe

    @property
    def recipe(self) -> RecipeData:
        """The recipe shown."""
        return self._recipe

    @recipe.setter
    def recipe(self, recipe: RecipeData) -> None:
        recipe.tones(self.stack.tone)
        self._recipe = recipe

    def showing(self, recipe: RecipeData, facts: Mapping[int, Facts] | None = None) -> Preview:
        """Another preview of the same stack, for another recipe, sharing everything that is known already."""
        other = copy(self)
        other.frozen = dict(facts or {})
        other.recipe = recipe
        return other

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts of every step that is on, measured on the full frame where they are not known yet."""
        return _facts_of(self._settling.settled(self._recipe.active, self.frozen))

    def settle(self, *, upto: int | None = None, cancel: Cancel | None = None) -> dict[int, Facts]:
        """Measure all facts that a view needs on the full frame, and return them.

        Raises
        ------
        Cancelled
            When ``cancel`` is set meanwhile; what was measured until then is kept.
        """
        return _facts_of(self._settling.settled(self._shown_steps(upto), self.frozen, cancel))

    @property
    def known_facts(self) -> dict[int, Facts]:
        """Facts of the first steps, as far as they are known; measures nothing."""
        return _facts_of(self._settling.known(self._recipe.active, self.frozen))

    @property
    def seconds(self) -> dict[int, tuple[float | None, float | None]]:
        """Seconds that measuring each step's facts and then changing a reduced frame took, as far as it was done."""
        chain = self._settling.known(self._recipe.active, self.frozen)
        befores = [self._settling.key(chain[:i]) for i in range(len(chain))]
        return {
            link.bound.index: (
                self._settling.seconds.get(facts_key(before, link.bound.step)),
                self._drawn.get(link.key),
            )
            for before, link in zip(befores, chain, strict=True)
        }

    def shape(self, upto: int | None = None) -> tuple[int, int, int]:
        """(height, width, channels) after the first ``upto`` steps (default: all)."""
        after = self._settling.after(self._settling.settled(self._part(upto).active, self.frozen))
        return after.height, after.width, after.channels

    def tone(self, upto: int | None = None) -> Tone:
        """Tone after the first ``upto`` steps."""
        return self._part(upto).tones(self.stack.tone)[-1]

    def sky_solution(self, upto: int | None = None) -> WCS | None:
        """The sky solution of the frame after the first ``upto`` steps, where the stack has one."""
        chain = self._settling.settled(self._part(upto).active, self.frozen)
        start = replace(State.of(self.stack, self.stack.planes), coverage=None)
        return start.carried([link.bound for link in chain], start.planes).wcs

    def region(self, y0: int, x0: int, height: int, width: int, *, upto: int | None = None) -> NDArray[np.float32]:
        """Pixels (height, width, C) float32 of the result: bit for bit those of the finished image."""
        planes = self._region(
            self._settling.settled(self._part(upto).active, self.frozen), Rect(y0, x0, y0 + height, x0 + width)
        )
        return np.ascontiguousarray(np.moveaxis(planes, 0, 2))

    def loupe(self, y0: int, x0: int, height: int, width: int, *, upto: int | None = None) -> NDArray[np.uint8]:
        """A region at 1:1 ready for display: (height, width, 3) uint8, sRGB."""
        chain = self._settling.settled(self._shown_steps(upto), self.frozen)
        return _display(self._region(chain, Rect(y0, x0, y0 + height, x0 + width)))

    def fit(self, width: int, *, upto: int | None = None) -> NDArray[np.uint8]:
        """The whole frame reduced to ``width`` pixels (never enlarged), ready for display: (h, w, 3) uint8, sRGB.

        The stack is averaged down first and every step then works on the reduced frame with full-resolution facts,
        so neighbourhood steps are shown approximately; `loupe` is exact.
        """
        return self.view(width, upto=upto).pixels

    def view(self, width: int, *, upto: int | None = None, draft: bool = False) -> View:
        """`fit` with what belongs to it.

        Parameters
        ----------
        draft : bool
            Whether facts that are not known yet may be those of a moment ago, where the frame is still much like it
            was, or measured on a reduced frame, which takes milliseconds where the full frame takes tenths of a second.
        """
        if width < 1:
            raise WorkbenchError(f"a view needs a width of at least 1 pixel, not {width}")
        steps = self._shown_steps(upto)
        of = self._settling.soon_known if draft else self._settling.settled
        chain = of(steps, self.frozen)
        # The width refers to the frame shown; while its crop is not known, to that of the last known frame.
        after = self._settling.after(chain)
        scale = max(1.0, after.width * after.scale / width)
        with self._lock, self._crew.at_work():
            planes, drafted = self._fit(chain, steps[len(chain) :], scale)
        shape = (round(planes.shape[1] * scale), round(planes.shape[2] * scale), planes.shape[0])
        if not drafted:
            shape = (after.height, after.width, after.channels)
        return View(_display(planes), planes, scale, drafted, shape, self.tone(upto) == Tone.LINEAR)

    def linear_planes(self, width: int, *, upto: int | None = None) -> Planes | None:
        """The reduced frame (C, h, w) float32 after ``upto`` steps behind a view of this width, if it is at hand."""
        chain = self._settling.known(self._shown_steps(None), self.frozen)
        scale = max(1.0, self._settling.after(chain).width * self._settling.after(chain).scale / width)
        part = [link for link in chain if upto is None or link.bound.index < upto]
        return self._reduced.get((self._settling.key(part), scale))

    def full_planes(self, upto: int | None = None) -> Planes:
        """The full frame (C, H, W) float32 after the first ``upto`` steps, for measuring; must not be changed."""
        return self._settling.frame(self._part(upto).active, self.frozen)

    # -- facts and chains ------------------------------------------------------------------------------------

    def _part(self, upto: int | None) -> RecipeData:
        return self._recipe if upto is None else self._recipe.upto(upto)

    def _shown_steps(self, upto: int | None) -> list[tuple[int, Step]]:
        """The steps for display: where they end linear, with a stretch that is not part of the recipe."""
        steps = list(self._part(upto).active)
        if self.tone(upto) == Tone.LINEAR:
            steps.append((len(self._recipe), Step(Stretch())))
        return steps

    # -- pixels ----------------------------------------------------------------------------------------------

    def _region(self, chain: Sequence[Link], rect: Rect) -> Planes:
        after = self._settling.after(chain)
        if rect.height < 1 or rect.width < 1 or rect.clipped(after.height, after.width) != rect:
            raise WorkbenchError(
                f"the region {rect.height} x {rect.width} at row {rect.y0}, column {rect.x0} does not lie inside "
                f"the frame of {after.height} x {after.width}"
            )
        count, source = self._settling.latest(chain)
        keys = {link.bound.index: link.key for link in chain}
        groups = fuse([link.bound for link in chain[count:]])
        with self._lock:
            return self._tiles.region(self._crew, source, groups, keys, rect)

    def _fit(self, chain: Sequence[Link], unknown: Steps, scale: float) -> tuple[Planes, bool]:
        """The reduced frame after ``chain`` (facts known) and ``unknown`` (facts measured on the reduced frame)."""
        small = self._rebound(chain, scale)
        start, planes = self._latest(chain, scale)
        state = State.of(self.stack, planes)
        # One step at a time: a view after a change to one step then starts from the frame before it.
        for link, bound in zip(chain[start:], small[start:], strict=True):
            if measures(link.bound.step.operation):
                self._drafts.remember(link.bound.step, link.bound.facts, link.key, state.planes)
            began = perf_counter()
            state = self._crew.flush(state, [bound], keep=True)
            if state.planes.shape[-1] > _SMALL:
                self._drawn.put(link.key, perf_counter() - began, 1)
            self._reduced.put((link.key, scale), state.planes, state.planes.nbytes)
        key = self._settling.key(chain)
        for index, step in unknown:
            state, key = self._drafted(state, key, index, step, scale)
        return state.planes, any(measures(step.operation) for _, step in unknown)

    def _drafted(self, state: State, key: str, index: int, step: Step, scale: float) -> tuple[State, str]:
        draft = self._drafts.find(index, step, state, key, scale)
        after_key = step_key(key, step, {"draft": draft.name, "scale": scale})
        planes = self._reduced.get((after_key, scale))
        if planes is None:
            geometry = replace(state.geometry, scale=draft.scale)
            bound = bind(index, draft.step, draft.facts, geometry, POINTWISE_TILE)
            state = self._crew.flush(state, [bound], keep=True)
            self._reduced.put((after_key, scale), state.planes, state.planes.nbytes)
            return state, after_key
        tone = state.tone if isinstance(step.operation, FrameOperation) else step.operation.gives
        return replace(state, planes=planes, tone=tone), after_key

    def _latest(self, chain: Sequence[Link], scale: float) -> tuple[int, Planes]:
        """How many steps the latest kept reduced frame has behind it, and the frame."""
        for count in range(len(chain), 0, -1):
            planes = self._reduced.get((chain[count - 1].key, scale))
            if planes is not None:
                return count, planes
        planes = self._reduced.get((self._settling.key([]), scale))
        if planes is None:
            planes = reduced(self.stack.planes, scale)
            self._reduced.put((self._settling.key([]), scale), planes, planes.nbytes)
        return 0, planes

    def _rebound(self, chain: Sequence[Link], scale: float) -> list[Bound]:
        geometry = reduced_geometry(self._settling.geometry, scale)
        small: list[Bound] = []
        for link in chain:
            key = (id(link), scale)
            kept = self._small.get(key)
            if kept is None or kept[0] is not link:
                b = link.bound
                size = small[-1].size if small else POINTWISE_TILE
                kept = link, bind(b.index, b.step, b.facts, geometry, size)
                self._small.put(key, kept, 1)
            small.append(kept[1])
            geometry = small[-1].after
        return small


def _facts_of(chain: Sequence[Link]) -> dict[int, Facts]:
    return {link.bound.index: link.bound.facts for link in chain}


def _display(planes: Planes) -> NDArray[np.uint8]:
    channels, height, width = planes.shape
    out = np.empty((height, width, channels), np.uint8)
    pixels.quantise8_planes(planes, out)
    return out if channels == 3 else np.repeat(out, 3, axis=2)

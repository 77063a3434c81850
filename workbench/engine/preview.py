"""Seeing a recipe's result before it is made: any region exactly, the whole frame reduced to the screen."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench import pixels
from workbench.acquisition import Tone
from workbench.engine.cache import Recent, facts_key, stack_key, step_key
from workbench.engine.chain import Bound, bind, fuse
from workbench.engine.passes import Crew
from workbench.engine.regions import TileStore
from workbench.engine.run import measures, safe_bind, safe_measure
from workbench.engine.state import State
from workbench.engine.tiles import POINTWISE_TILE
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Geometry, Planes, Rect
from workbench.operations.stretch import Stretch
from workbench.recipe.model import RecipeData, Step
from workbench.stack import Stack

__all__ = ["Preview"]


class Preview:
    """Views of what a recipe makes of a stack.

    Facts are measured on the full frame when first needed and kept by content, so a view after a change to the
    last step measures nothing again that came before it.

    Parameters
    ----------
    stack : Stack
    recipe : RecipeData
        May be set anew at any time.
    facts : mapping of int to dict, optional
        Frozen facts by place in the recipe (from 0).
    threads : int, optional
    cache_bytes : int
        Memory for tiles and reduced frames; full frames kept between measuring steps are counted apart (``frames``).
    frames : int
        How many full frames to keep.

    Notes
    -----
    Where the recipe (or the part shown) ends linear, `fit` and `loupe` show it through a `Stretch` with its default
    settings, measured on the full frame; `region` never does.
    """

    def __init__(
        self,
        stack: Stack,
        recipe: RecipeData,
        *,
        facts: Mapping[int, Facts] | None = None,
        threads: int | None = None,
        cache_bytes: int = 256 * 2**20,
        frames: int = 2,
    ) -> None:
        self.stack = stack
        self._given = dict(facts or {})
        self._crew = Crew(threads)
        self._lock = threading.RLock()
        self._facts: Recent[Facts] = Recent(1000)
        self._states: Recent[State] = Recent(frames)
        self._tiles = TileStore(cache_bytes)
        self._reduced: Recent[Planes] = Recent(cache_bytes)
        self._stack_key = stack_key(stack)
        self.recipe = recipe

    @property
    def recipe(self) -> RecipeData:
        return self._recipe

    @recipe.setter
    def recipe(self, recipe: RecipeData) -> None:
        recipe.tones(self.stack.tone)
        self._recipe = recipe

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts of every step that is on, measured where they are not known yet."""
        with self._lock:
            return {b.index: b.facts for b in self._chain(None)[0]}

    def shape(self, upto: int | None = None) -> tuple[int, int, int]:
        """(height, width, channels) after the first ``upto`` steps (default: all)."""
        with self._lock:
            chain, _ = self._chain(upto)
            after = chain[-1].after if chain else State.of(self.stack, self.stack.planes).geometry
            return after.height, after.width, after.channels

    def tone(self, upto: int | None = None) -> Tone:
        """Tone after the first ``upto`` steps."""
        return self._part(upto).tones(self.stack.tone)[-1]

    def region(self, y0: int, x0: int, height: int, width: int, *, upto: int | None = None) -> NDArray[np.float32]:
        """Pixels (height, width, C) float32 of the result: bit for bit those of the finished image."""
        with self._lock:
            chain, keys = self._chain(upto)
            planes = self._region(chain, keys, self._checked(y0, x0, height, width, chain))
        return np.ascontiguousarray(np.moveaxis(planes, 0, 2))

    def loupe(self, y0: int, x0: int, height: int, width: int, *, upto: int | None = None) -> NDArray[np.uint8]:
        """A region at 1:1 ready for display: (height, width, 3) uint8, sRGB."""
        with self._lock:
            chain, keys = self._shown(upto)
            return _display(self._region(chain, keys, self._checked(y0, x0, height, width, chain)))

    def fit(self, width: int, *, upto: int | None = None) -> NDArray[np.uint8]:
        """The whole frame reduced to ``width`` pixels (never enlarged), ready for display: (h, w, 3) uint8, sRGB.

        The stack is averaged down first and every step then works on the reduced frame with full-resolution facts,
        so neighbourhood steps are shown approximately; `loupe` is exact.
        """
        if width < 1:
            raise WorkbenchError(f"a view needs a width of at least 1 pixel, not {width}")
        with self._lock:
            chain, keys = self._shown(upto)
            _, full_width, _ = self.shape(upto)
            scale = max(1.0, full_width / width)
            return _display(self._fit(chain, keys, scale))

    # -- facts and chains ------------------------------------------------------------------------------------

    def _part(self, upto: int | None) -> RecipeData:
        return self._recipe if upto is None else self._recipe.upto(upto)

    def _chain(self, upto: int | None) -> tuple[list[Bound], list[str]]:
        """Bound steps at full resolution, and the key of the frame after each."""
        return self._extend([], [], self._part(upto).active, self._given)

    def _shown(self, upto: int | None) -> tuple[list[Bound], list[str]]:
        """The chain for display: where it ends linear, with a stretch that is not part of the recipe."""
        chain, keys = self._chain(upto)
        if self.tone(upto) == Tone.DISPLAY:
            return chain, keys
        return self._extend(chain, keys, ((len(self._recipe), Step(Stretch())),), {})

    def _extend(
        self,
        chain: list[Bound],
        keys: list[str],
        steps: Sequence[tuple[int, Step]],
        given: Mapping[int, Facts],
    ) -> tuple[list[Bound], list[str]]:
        for index, step in steps:
            before = keys[-1] if keys else self._stack_key
            geometry = chain[-1].after if chain else State.of(self.stack, self.stack.planes).geometry
            size = chain[-1].size if chain else POINTWISE_TILE
            facts = given[index] if index in given else self._measured(index, step, chain, keys, before)
            chain.append(safe_bind(index, step, facts, geometry, size, frozen=index in given))
            keys.append(step_key(before, step, facts))
        return chain, keys

    def _measured(self, index: int, step: Step, chain: list[Bound], keys: list[str], before: str) -> Facts:
        if not measures(step.operation):
            return {}
        key = facts_key(before, step)
        facts = self._facts.get(key)
        if facts is None:
            facts = safe_measure(index, step, self._state(chain, keys).frame)
            self._facts.put(key, facts, 1)
        return facts

    def _state(self, chain: list[Bound], keys: list[str]) -> State:
        """The full frame after the chain, from the latest frame that is kept."""
        state, start = None, len(chain)
        while start > 0 and (state := self._states.get(keys[start - 1])) is None:
            start -= 1
        if state is None:
            state = self._states.get(self._stack_key)
        if state is None:
            state = State.of(self.stack, self._crew.planar(self.stack.pixels))
            self._states.put(self._stack_key, state, 1)
        if start < len(chain):
            state = self._crew.flush(state, chain[start:], keep=True)
            self._states.put(keys[-1], state, 1)
        return state

    # -- pixels ----------------------------------------------------------------------------------------------

    def _checked(self, y0: int, x0: int, height: int, width: int, chain: list[Bound]) -> Rect:
        after = chain[-1].after if chain else State.of(self.stack, self.stack.planes).geometry
        rect = Rect(y0, x0, y0 + height, x0 + width)
        if height < 1 or width < 1 or rect.clipped(after.height, after.width) != rect:
            raise WorkbenchError(
                f"the region {height} x {width} at row {y0}, column {x0} does not lie inside the frame of "
                f"{after.height} x {after.width}"
            )
        return rect

    def _region(self, chain: list[Bound], keys: list[str], rect: Rect) -> Planes:
        start = len(chain)
        source = self.stack.planes
        while start > 0:
            state = self._states.get(keys[start - 1])
            if state is not None:
                source = state.planes
                break
            start -= 1
        places = {b.index: k for b, k in zip(chain, keys, strict=True)}
        return self._tiles.region(self._crew, source, fuse(chain[start:]), places, rect)

    def _fit(self, chain: list[Bound], keys: list[str], scale: float) -> Planes:
        base_key = (self._stack_key, scale)
        planes = self._reduced.get(base_key)
        if planes is None:
            planes = reduced(self.stack.planes, scale)
            self._reduced.put(base_key, planes, planes.nbytes)
        start = len(chain)
        while start > 0 and (known := self._reduced.get((keys[start - 1], scale))) is None:
            start -= 1
        if start > 0 and known is not None:
            planes = known
        small = self._rebound(chain, scale)
        for group in fuse(small[start:]):
            state = self._crew.flush(State.of(self.stack, planes), group, keep=True)
            planes = state.planes
            last = chain.index(next(b for b in chain if b.index == group[-1].index))
            self._reduced.put((keys[last], scale), planes, planes.nbytes)
        return planes

    def _rebound(self, chain: list[Bound], scale: float) -> list[Bound]:
        geometry = reduced_geometry(State.of(self.stack, self.stack.planes).geometry, scale)
        small: list[Bound] = []
        size = POINTWISE_TILE
        for b in chain:
            small.append(bind(b.index, b.step, b.facts, geometry, size))
            geometry, size = small[-1].after, small[-1].size
        return small


def reduced_geometry(full: Geometry, scale: float) -> Geometry:
    """The frame that the fit view works on."""
    height, width = max(1, round(full.height / scale)), max(1, round(full.width / scale))
    return replace(full, height=height, width=width, scale=full.scale * scale)


def reduced(planes: Planes, scale: float) -> Planes:
    """Planes (C, H, W) averaged down by ``scale`` over areas; linear light stays linear."""
    channels, height, width = planes.shape
    if scale <= 1:
        return np.ascontiguousarray(planes)
    small = reduced_geometry(Geometry(height, width, channels), scale)
    out = np.empty((channels, small.height, small.width), np.float32)
    for c in range(channels):
        cv2.resize(planes[c], (small.width, small.height), dst=out[c], interpolation=cv2.INTER_AREA)
    return out


def _display(planes: Planes) -> NDArray[np.uint8]:
    channels, height, width = planes.shape
    out = np.empty((height, width, channels), np.uint8)
    pixels.quantise8_planes(planes, out)
    return out if channels == 3 else np.repeat(out, 3, axis=2)

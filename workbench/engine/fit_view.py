"""The fit view: the whole frame reduced to the screen; each step works on the reduced frame with full-size facts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from time import perf_counter
from typing import NamedTuple

import numpy as np

from workbench.acquisition import Tone
from workbench.engine.approximation import Approximate, Approximations
from workbench.engine.chain import BoundStep, Chain
from workbench.engine.full_frame import FullFrame, Unknown
from workbench.engine.grain import grained, grained_after
from workbench.engine.reduction import reduced
from workbench.engine.sample import Sample
from workbench.engine.state import State
from workbench.engine.tile_pool import TilePool
from workbench.engine.transform import Array, Transform, place_of, plain_grid
from workbench.operations._frames import share_sky
from workbench.operations.base import FrameOperation, Geometry, Planes
from workbench.recipe.model import Step

__all__ = ["FitViews", "ReducedFrame"]

#: Frames up to this width are thumbnails, whose times say nothing about a step.
_THUMBNAIL = 128


class ReducedFrame(NamedTuple):
    """A reduced frame, and the full one behind it.

    Attributes
    ----------
    planes : ndarray, shape (C, h, w), float32
        Of all layers, one after the other.
    approximate : bool
        Whether any facts in it were not measured on the full frame.
    place : ndarray, shape (2, 3), or None
        Where its pixels lie on the stack, see `place_of`.
    full : Geometry
        The full frame.
    full_place : ndarray, shape (2, 3), or None
        Where its pixels lie on the stack.
    """

    planes: Planes
    approximate: bool
    place: Array | None
    full: Geometry
    full_place: Array | None


@dataclass(frozen=True, slots=True)
class _Approached:
    """The frame after a step whose facts are approximate."""

    state: State
    index: int
    found: Approximate


class _Added(NamedTuple):
    """A step with approximate facts, bound to the reduced frame, and that frame around it."""

    found: Approximate
    small: BoundStep
    before: State
    after: State


class _Sampling:
    """Takes a sample of the full frame once somebody asks for it, and brings it behind the steps that were added."""

    def __init__(self, full: FullFrame, chain: Chain, first: State, pool: TilePool, scale: float) -> None:
        self._full, self._chain, self._first, self._pool, self._scale = full, chain, first, pool, scale
        self._added: list[_Added] = []
        self._grain: State | None = None
        self._sample: Sample | None = None
        # Where stars lie apart a sample would cost as much as the frame; facts then come from the reduced one.
        self._possible = not any(bound.step.operation.layers for bound in chain.steps)

    def add(self, found: Approximate, bound: BoundStep, before: State, after: State) -> None:
        """One more step, with its facts, bound to the reduced frame; and that frame before and after it."""
        if isinstance(found.step.operation, FrameOperation) or found.step.operation.layers:
            self._possible = False
        if self._possible:
            self._added.append(_Added(found, bound, before, after))

    def taken(self) -> Sample | None:
        """The sample behind all steps; None where one of them changes the frame."""
        if not self._possible:
            return None
        if self._sample is None:
            made, source = self._full.latest(self._chain)
            stack = self._full.stack
            self._sample = Sample.of(stack, self._chain, made, source, self._pool, self._full.cache)
            self._grain = grained(self._first, self._chain, made, source, stack.planes, self._scale, self._pool)
        while self._added:
            step = self._added.pop(0)
            found = step.found
            facts_scale = None if found.scale is None else found.scale / self._scale
            self._chain = self._chain.then(
                step.small.index, found.step, found.facts, source=found.source, facts_scale=facts_scale
            )
            sample = self._sample.then(self._chain.steps[-1], self._pool)
            if self._grain is not None:
                still = np.ones(len(step.before.planes), np.float32)
                shares = sample.noise_left(self._sample) if step.small.is_head else still
                self._grain = grained_after(self._grain, step.before, step.after, step.small, shares, self._pool)
            self._sample = sample
        return self._sample

    def grain(self) -> State | None:
        """The reduced frame with the grain of the full one; None where there is none."""
        return None if self.taken() is None else self._grain


class FitViews:
    """Makes reduced frames of one stack and keeps them by content. One thread at a time.

    Parameters
    ----------
    full : FullFrame
        Knows the facts of the full frame.
    pool : TilePool
        Does the work.
    """

    def __init__(self, full: FullFrame, pool: TilePool) -> None:
        self._full, self._pool, self._cache = full, pool, full.cache
        self._approximations = Approximations(full.cache)

    def frame(self, chain: Chain, unknown: Sequence[Unknown], scale: float) -> ReducedFrame:
        """The frame after ``chain``, whose facts are known, and ``unknown``, whose are approximate.

        Parameters
        ----------
        chain : Chain
        unknown : sequence of Unknown
            The steps after them.
        scale : float
            How many pixels of the full frame become one.

        Returns
        -------
        ReducedFrame
        """
        state = self.settled_state(chain, scale)
        changes = [(bound.step, bound.facts) for bound in chain.steps]
        for reached in self._approached(state, chain, unknown, scale):
            state = reached.state
            changes.append((reached.found.step, reached.found.facts))
        approximate = any(waiting.step.measures() for waiting in unknown)
        full, whole = chain.start, Transform.to_stack(chain.start, changes)
        for step, facts in changes:
            if isinstance(step.operation, FrameOperation):
                full = step.operation.out_geometry(facts, full)
        full = replace(full, layers=state.layers)
        full_place = None if whole is None else whole.place
        return ReducedFrame(state.planes, approximate, place_of(state.wcs), full, full_place)

    def at_hand(self, chain: Chain, scale: float) -> Planes | None:
        """The frame after ``chain`` if it was made already.

        Parameters
        ----------
        chain : Chain
        scale : float

        Returns
        -------
        ndarray, shape (C, h, w), float32, or None
        """
        planes: Planes | None = self._cache.get(("reduced frame", chain.key, scale))
        return planes

    def on_full_frame(self, chain: Chain, unknown: Sequence[Unknown], scale: float) -> Chain | None:
        """``chain`` and ``unknown``, all bound to the full frame, with the facts that `frame` uses.

        None where some of those are not in pixels of the full frame, such as those measured on a smaller one.

        Parameters
        ----------
        chain : Chain
        unknown : sequence of Unknown
            The steps after them.
        scale : float
            How many pixels of the full frame become one.

        Returns
        -------
        Chain or None
        """
        for reached in self._approached(self.settled_state(chain, scale), chain, unknown, scale, last_frame=False):
            if reached.found.scale is not None:
                return None
            found = reached.found
            chain = chain.then(reached.index, found.step, found.facts, source=found.source)
        return chain

    def settled_state(self, chain: Chain, scale: float) -> State:
        """The frame after ``chain``, reduced, with what travels along; made from the latest that is at hand.

        Parameters
        ----------
        chain : Chain
        scale : float

        Returns
        -------
        State
        """
        small = chain.reduced(scale)
        start, planes = self._latest(chain, scale)
        whole, geometry = chain.start, small.start
        grid = plain_grid(whole.width / geometry.width, whole.height / geometry.height)
        state = replace(State.of(self._full.stack, planes), coverage=None, wcs=grid).carried(
            small.steps[:start], planes
        )
        # One step at a time: a view after a change to one step then starts from the frame before it.
        for bound, full in zip(small.steps[start:], chain.steps[start:], strict=True):
            if bound.step.measures():
                self._approximations.remember(Approximate(full.facts, full.step, full.key), state)
            state = self._after(state, bound, scale)
        return state

    def _after(self, state: State, bound: BoundStep, scale: float) -> State:
        began = perf_counter()
        state = self._pool.apply(state, [bound], keep=True)
        if state.planes.shape[-1] > _THUMBNAIL:
            self._cache.put(("seconds", bound.key), perf_counter() - began)
        self._cache.put(("reduced frame", bound.key, scale), state.planes, state.planes.nbytes)
        return state

    def _approached(
        self, state: State, chain: Chain, unknown: Sequence[Unknown], scale: float, *, last_frame: bool = True
    ) -> Iterator[_Approached]:
        """Each unknown step with its approximate facts, and the reduced frame after it; after the last one if wanted.

        Else the frame before it stands in its place.
        """
        small, sample = chain.reduced(scale), _Sampling(self._full, chain, state, self._pool, scale)
        for waiting in unknown:
            index = waiting.place
            found = self._found(waiting, state, small.key, scale, sample)
            if waiting is unknown[-1] and not last_frame:
                yield _Approached(state, index, found)
                return
            small = small.then(index, found.step, found.facts, source=found.source, facts_scale=found.scale)
            bound = small.steps[-1]
            planes, before = self.at_hand(small, scale), state
            state = self._after(state, bound, scale) if planes is None else state.carried([bound], planes)
            sample.add(found, bound, before, state)
            yield _Approached(state, index, found)

    def _found(self, waiting: Unknown, state: State, key: str, scale: float, sample: _Sampling) -> Approximate:
        index, step = waiting.place, waiting.step
        if waiting.facts is not None:
            return Approximate(waiting.facts, step, waiting.source)
        known = ("approximation", key, index, step, scale)
        found: Approximate | None = self._cache.get(known)
        if found is None:
            seen = self._approximations
            found = seen.at_hand(step, state)
            if found is None and not seen.known_kind(step):
                found = self._sampled(index, step, sample, key, scale)
            if found is None:
                found = seen.measured(index, step, state, key, scale)
            self._cache.put(known, found)
            if found.scale is None:
                seen.remember(found, state)
        return found

    def _sampled(self, index: int, step: Step, sample: _Sampling, key: str, scale: float) -> Approximate | None:
        """Facts measured on pixels of the full frame; None where they cannot be."""
        windows = sample.taken() if step.operation.sampled and not step.mask_kinds else None
        if windows is None:
            return None
        grain, frame = sample.grain(), windows.state.frame
        if grain is not None and step.operation.sampled == "levels":
            frame = replace(grain.frame, scale=scale)
        elif grain is not None and grain.tone == Tone.LINEAR:
            share_sky(grain.frame, frame)  # windows do not see all of the sky
        return self._approximations.sampled(index, step, frame, key)

    def _latest(self, chain: Chain, scale: float) -> tuple[int, Planes]:
        """How many steps the latest kept frame has behind it, and the frame."""
        for count in range(len(chain), 0, -1):
            planes = self.at_hand(chain.first(count), scale)
            if planes is not None:
                return count, planes
        planes = self.at_hand(chain.first(0), scale)
        if planes is None:
            planes = reduced(self._full.stack.planes, scale)
            self._cache.put(("reduced frame", chain.start_key, scale), planes, planes.nbytes)
        return 0, planes

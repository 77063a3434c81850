"""The full frame: facts are measured on it when first needed, and kept by content like the frames between the steps."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from time import perf_counter
from typing import NamedTuple

from workbench.engine.cache import Cache, facts_key
from workbench.engine.chain import MEASURED, Chain, frozen_source, measure_facts
from workbench.engine.progress import Cancel
from workbench.engine.state import State
from workbench.engine.tile_pool import TilePool
from workbench.operations.base import Facts, Frame, FrameOperation, Geometry, Planes
from workbench.recipe.model import Step
from workbench.stack import Stack

__all__ = ["Frozen", "FrozenFacts", "FullFrame", "Steps", "Unknown", "changed_frame", "with_sources"]

#: With an operation's id, what `Frame.seen` says of a frame that it was measured on.
_WAS_MEASURED = "measured for "

#: Steps with their places in the recipe.
Steps = Sequence[tuple[int, Step]]


class FrozenFacts(NamedTuple):
    """Facts that are used in place of measuring, and how content keys name them."""

    facts: Facts
    source: str


class Unknown(NamedTuple):
    """A step that is not bound to the full frame yet.

    Attributes
    ----------
    place : int
        In the recipe, from 0.
    step : Step
    facts : Facts or None
        Those it will have, as far as can be told; None: it is to be measured.
    source : str
        Where they come from.
    """

    place: int
    step: Step
    facts: Facts | None
    source: str

    @property
    def frame_is_open(self) -> bool:
        """Whether nobody knows yet where the frame ends after this step."""
        return self.facts is None and isinstance(self.step.operation, FrameOperation)


#: Frozen facts by place in the recipe.
Frozen = Mapping[int, FrozenFacts]


def with_sources(given: Mapping[int, Facts] | None, known: Frozen | None = None) -> dict[int, FrozenFacts]:
    """Facts with their sources; those that are ``known`` already are not looked through again.

    Parameters
    ----------
    given : mapping of int to Facts, or None
    known : mapping of int to FrozenFacts, optional

    Returns
    -------
    dict of int to FrozenFacts
    """
    frozen: dict[int, FrozenFacts] = {}
    for index, facts in (given or {}).items():
        old = (known or {}).get(index)
        same = old is not None and old.facts is facts
        frozen[index] = old if old is not None and same else FrozenFacts(facts, frozen_source(facts))
    return frozen


class _Made(NamedTuple):
    """A full frame: how many steps lie behind it, and whether nobody else sees its memory."""

    steps: int
    state: State
    mine: bool


class FullFrame:
    """Binds steps to a stack's full frame, measuring what is not known yet. Safe to use from several threads.

    Parameters
    ----------
    stack : Stack
    threads : int, optional
        Default: all cores.
    cache : Cache
        Keeps facts, bound steps, full frames and the seconds that measuring took.
    """

    def __init__(self, stack: Stack, threads: int | None, cache: Cache) -> None:
        self.stack, self.cache = stack, cache
        self.start = Chain.of(stack, cache)
        self._pool, self._lock = TilePool(threads), threading.RLock()

    def known(self, steps: Steps, frozen: Frozen) -> Chain:
        """The first steps bound, as far as their facts are known or frozen; measures nothing.

        Parameters
        ----------
        steps : sequence of (int, Step)
            Those that are on, with their places.
        frozen : mapping of int to FrozenFacts

        Returns
        -------
        Chain
        """
        chain = self.start
        for index, step in steps:
            facts = self._lookup(chain, index, step, frozen)
            if facts is None:
                break
            chain = self._then(chain, index, step, facts, frozen)
        return chain

    def known_soon(self, steps: Steps, frozen: Frozen) -> tuple[Chain, list[Unknown]]:
        """The first steps bound, as far as their facts take only moments, and those after them.

        That is what is known, and what was measured before with other settings on a full frame that is at hand. Where
        the frame ends is always known: a change of it that was never measured is measured now, with all before it.
        At first sight, so are the steps behind it that a first picture waits for.

        Parameters
        ----------
        steps : sequence of (int, Step)
            Those that are on, with their places.
        frozen : mapping of int to FrozenFacts

        Returns
        -------
        tuple of (Chain, list of Unknown)
        """
        chain = self.known(steps, frozen)
        while len(chain) < len(steps) and self._measured_again(chain, *steps[len(chain)]):
            chain = self.known(steps, frozen)
        unknown = self._unknown(chain, steps, frozen)
        while unknown and unknown[-1].frame_is_open:
            chain = self.settled(steps[: len(chain) + len(unknown)], frozen)
            unknown = self._unknown(chain, steps, frozen)
        while unknown and self._is_waited_for(unknown[0]):
            chain = self.settled(steps[: len(chain) + 1], frozen)
            unknown = self._unknown(chain, steps, frozen)
        return chain, unknown

    def _is_waited_for(self, waiting: Unknown) -> bool:
        """Whether a view waits for a step to be measured; not where such a step was seen before: a slider moves."""
        op = waiting.step.operation
        return op.waited_for and waiting.facts is None and self.cache.get(("last facts", op.id)) is None

    def _unknown(self, chain: Chain, steps: Steps, frozen: Frozen) -> list[Unknown]:
        """The steps after the chain; changes of the frame with the facts that they had in such a frame."""
        unknown: list[Unknown] = []
        geometry = chain.after
        for index, step in steps[len(chain) :]:
            op, facts, source = step.operation, None, MEASURED
            if index in frozen:
                facts, source = frozen[index]
            elif not step.measures():
                facts = op.facts_type()
            elif isinstance(op, FrameOperation):
                facts, source = self.cache.get(_change_key(self.start, step, geometry)) or (None, "")
            if isinstance(op, FrameOperation):
                if facts is None:
                    return [*unknown, Unknown(index, step, None, "")]
                geometry = op.out_geometry(facts, geometry)
            unknown.append(Unknown(index, step, facts, source))
        return unknown

    def settled(self, steps: Steps, frozen: Frozen, cancel: Cancel | None = None) -> Chain:
        """All steps bound, facts measured where they are not known.

        Parameters
        ----------
        steps : sequence of (int, Step)
            Those that are on, with their places.
        frozen : mapping of int to FrozenFacts
        cancel : Cancel, optional

        Returns
        -------
        Chain

        Raises
        ------
        Cancelled
            When ``cancel`` is set meanwhile; what was measured until then is kept.
        """
        cancel = cancel or Cancel()
        chain, made = self.start, None
        for index, step in steps:
            facts = self._lookup(chain, index, step, frozen)
            if facts is None:
                with self._lock:
                    facts = self._lookup(chain, index, step, frozen)  # another thread may have measured meanwhile
                    if facts is None:
                        made, frame = self._made(chain, step, made, cancel)
                        facts = self._measured(chain, index, step, frame, cancel)
            cancel.check()
            chain = self._then(chain, index, step, facts, frozen)
        return chain

    def latest(self, chain: Chain) -> tuple[int, Planes]:
        """The latest full frame at hand: how many steps lie behind it, and its planes, of all layers (maybe a view).

        Parameters
        ----------
        chain : Chain

        Returns
        -------
        tuple of (int, ndarray of shape (C, H, W), float32)
        """
        for count in range(len(chain), 0, -1):
            state = self._kept(chain.first(count))
            if state is not None:
                return count, state.planes
        return 0, self.stack.planes

    def _lookup(self, chain: Chain, index: int, step: Step, frozen: Frozen) -> Facts | None:
        if index in frozen:
            return frozen[index].facts
        if not step.measures():
            return step.operation.facts_type()
        found: Facts | None = self.cache.get(("facts", chain.facts_key(step)))
        return found

    @staticmethod
    def _then(chain: Chain, index: int, step: Step, facts: Facts, frozen: Frozen) -> Chain:
        source = frozen[index].source if index in frozen else MEASURED
        return chain.then(index, step, facts, source=source, frozen=index in frozen)

    def _measured(self, chain: Chain, index: int, step: Step, frame: Frame, cancel: Cancel | None = None) -> Facts:
        began, key = perf_counter(), chain.facts_key(step)
        with self._pool.working():
            facts = measure_facts(index, step, frame, cancel)
        self.cache.put(("facts", key), facts)
        if isinstance(step.operation, FrameOperation):
            self.cache.put(_change_key(self.start, step, chain.after), (facts, f"{MEASURED} on {chain.key}"))
        self.cache.put(("seconds", key), perf_counter() - began)
        frame.seen[_WAS_MEASURED + step.operation.id] = True
        return facts

    def _measured_again(self, chain: Chain, index: int, step: Step) -> bool:
        """Measure at once where that takes only moments; False where it does not."""
        state = self._kept(chain)
        if state is None or not step.operation.quick_again:
            return False
        frame = state.frame_for(step)
        if _WAS_MEASURED + step.operation.id not in frame.seen:
            return False
        if not self._lock.acquire(blocking=False):  # the full frame is being worked on
            return False
        try:
            self._measured(chain, index, step, frame)
        finally:
            self._lock.release()
        return True

    def _kept(self, chain: Chain) -> State | None:
        state: State | None = self.cache.get(("full frame", chain.key))
        return state

    def _made(self, chain: Chain, step: Step, made: _Made | None, cancel: Cancel) -> tuple[_Made, Frame]:
        """The full frame that ``step`` measures after the chain, from the latest one kept or ``made`` so far.

        Kept for others are the stack's own frame, what took a look around each pixel to make or will take one next, and
        what is quickly measured again: any other is made anew in one pass, and the next step may be made within it.
        """
        for count in range(len(chain), -1 if made is None else made.steps, -1):
            kept = self._kept(chain.first(count))
            if kept is not None:
                made = _Made(count, kept, mine=False)
                break
        if made is None:
            planes, mine = self._pool.planar(self.stack.pixels)
            made = _Made(0, State.of(self.stack, planes), mine)
        missing = chain.steps[made.steps :]
        with self._pool.heeding(cancel):
            rows = self._pool.rows_for(step, made.state, missing)
            if rows is not None:
                return made, rows
            if missing and missing[0].is_head:
                made = self._keep(chain, made)
            if missing:
                made = _Made(len(chain), self._pool.apply(made.state, missing, keep=not made.mine), mine=True)
        if len(chain) == 0 or step.operation.quick_again or any(bound.is_head for bound in missing):
            made = self._keep(chain, made)
        return made, made.state.frame_for(step)

    def _keep(self, chain: Chain, made: _Made) -> _Made:
        """A frame of the chain kept for others, who must not see it change."""
        self.cache.put(("full frame", chain.first(made.steps).key), made.state, made.state.planes.nbytes)
        return made._replace(mine=False)


def _change_key(start: Chain, step: Step, before: Geometry) -> tuple[str, str, Geometry]:
    """Where the last change of such a frame of this stack is kept, whatever its pixels were."""
    return ("change of the frame", facts_key(start.key, step), before)


def changed_frame(geometry: Geometry, unknown: Sequence[Unknown]) -> Geometry:
    """The frame after the unknown steps, whose changes of it are known.

    Parameters
    ----------
    geometry : Geometry
    unknown : sequence of Unknown

    Returns
    -------
    Geometry
    """
    for waiting in unknown:
        op = waiting.step.operation
        if isinstance(op, FrameOperation) and waiting.facts is not None:
            geometry = op.out_geometry(waiting.facts, geometry)
    return geometry

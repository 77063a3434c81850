"""Facts of a recipe's steps on one stack: measured on the full frame when first needed, kept by content."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from time import perf_counter
from typing import NamedTuple

from workbench.engine.cache import Recent, facts_key, facts_weight, stack_key, step_key
from workbench.engine.chain import Bound
from workbench.engine.passes import Crew
from workbench.engine.progress import Cancel
from workbench.engine.run import measures, safe_bind, safe_measure
from workbench.engine.state import State
from workbench.engine.tiles import POINTWISE_TILE
from workbench.operations.base import Facts, Geometry, Planes
from workbench.recipe.model import Step
from workbench.stack import Stack

__all__ = ["Frozen", "Link", "Settling", "Steps"]

#: Facts that are kept, by their length as text.
_FACTS_BYTES = 48 * 2**20
#: Bound steps that are kept.
_LINKS = 64
#: Facts of a step that measures nothing.
_NOTHING = Facts()

#: With an operation's id, what `Frame.seen` says of a frame that it was measured on.
_MEASURED = "measured for "

#: Steps with their places in the recipe.
Steps = Sequence[tuple[int, Step]]
#: Facts by place in the recipe that are used in place of measuring.
Frozen = Mapping[int, Facts]


class Link(NamedTuple):
    """A bound step and the content key of the frame after it."""

    bound: Bound
    key: str


class Settling:
    """Binds steps to a stack's full frame, measuring what is not known yet. Safe to use from several threads.

    Parameters
    ----------
    stack : Stack
    threads : int, optional
    frames : int
        How many full frames to keep between measuring steps.
    """

    def __init__(self, stack: Stack, threads: int | None, frames: int) -> None:
        self.stack = stack
        h, w, c = stack.shape
        self.geometry = Geometry(h, w, c)
        self.facts: Recent[Facts] = Recent(_FACTS_BYTES)
        self.seconds: Recent[float] = Recent(1000)  # that measuring took, by the key of the facts
        self._key = stack_key(stack)
        self._states: Recent[State] = Recent(frames)
        # Preparing a step can take a tenth of a second, and a moving slider asks for the same chain again and again.
        self._links: Recent[Link] = Recent(_LINKS)
        self._crew, self._lock = Crew(threads), threading.RLock()

    def key(self, chain: Sequence[Link]) -> str:
        """Content key of the frame after the chain."""
        return chain[-1].key if chain else self._key

    def after(self, chain: Sequence[Link]) -> Geometry:
        """The frame after the chain."""
        return chain[-1].bound.after if chain else self.geometry

    def known(self, steps: Steps, frozen: Frozen) -> list[Link]:
        """The first steps bound, as far as their facts are known or frozen; measures nothing."""
        chain: list[Link] = []
        for index, step in steps:
            facts = self._lookup(chain, index, step, frozen)
            if facts is None:
                break
            chain.append(self._link(chain, index, step, facts, frozen=index in frozen))
        return chain

    def soon_known(self, steps: Steps, frozen: Frozen) -> list[Link]:
        """`known`, and steps whose facts take only moments because the full frame is at hand and was measured."""
        chain = self.known(steps, frozen)
        while len(chain) < len(steps) and self._measured_again(chain, *steps[len(chain)]):
            chain = self.known(steps, frozen)
        return chain

    def settled(self, steps: Steps, frozen: Frozen, cancel: Cancel | None = None) -> list[Link]:
        """All steps bound, facts measured where they are not known.

        Raises
        ------
        Cancelled
            When ``cancel`` is set meanwhile; what was measured until then is kept.
        """
        cancel = cancel or Cancel()
        chain: list[Link] = []
        for index, step in steps:
            facts = self._lookup(chain, index, step, frozen)
            if facts is None:
                with self._lock:
                    facts = self._lookup(chain, index, step, frozen)  # another thread may have measured meanwhile
                    if facts is None:
                        facts = self._measured(chain, index, step, self._state(chain, cancel))
            cancel.check()
            chain.append(self._link(chain, index, step, facts, frozen=index in frozen))
        return chain

    def frame(self, steps: Steps, frozen: Frozen, cancel: Cancel | None = None) -> Planes:
        """The full frame after the steps; kept like those that facts are measured on."""
        chain = self.settled(steps, frozen, cancel)
        with self._lock:
            return self._state(chain, cancel or Cancel()).planes

    def latest(self, chain: Sequence[Link]) -> tuple[int, Planes]:
        """The latest full frame at hand: how many steps lie behind it, and its planes (C, H, W; maybe a view)."""
        for count in range(len(chain), 0, -1):
            state = self._states.get(chain[count - 1].key)
            if state is not None:
                return count, state.planes
        return 0, self.stack.planes

    def _lookup(self, chain: Sequence[Link], index: int, step: Step, frozen: Frozen) -> Facts | None:
        if index in frozen:
            return frozen[index]
        if not measures(step.operation):
            return _NOTHING
        return self.facts.get(facts_key(self.key(chain), step))

    def _measured(self, chain: Sequence[Link], index: int, step: Step, state: State) -> Facts:
        began, key = perf_counter(), facts_key(self.key(chain), step)
        with self._crew.at_work():
            facts = safe_measure(index, step, state.frame)
        self.facts.put(key, facts, facts_weight(facts))
        self.seconds.put(key, perf_counter() - began, 1)
        state.frame.seen[_MEASURED + step.operation.id] = True
        return facts

    def _measured_again(self, chain: Sequence[Link], index: int, step: Step) -> bool:
        """Measure at once where that takes only moments; False where it does not."""
        state = self._states.get(self.key(chain))
        if state is None or not step.operation.quick_again or _MEASURED + step.operation.id not in state.frame.seen:
            return False
        if not self._lock.acquire(blocking=False):  # the full frame is being worked on
            return False
        try:
            self._measured(chain, index, step, state)
        finally:
            self._lock.release()
        return True

    def _link(self, chain: Sequence[Link], index: int, step: Step, facts: Facts, *, frozen: bool) -> Link:
        key = (self.key(chain), index, step, id(facts))
        link = self._links.get(key)
        # A kept link holds its facts, so no other facts can have their id.
        if link is None or link.bound.facts is not facts:
            size = chain[-1].bound.size if chain else POINTWISE_TILE
            bound = safe_bind(index, step, facts, self.after(chain), size, frozen=frozen)
            link = Link(bound, step_key(self.key(chain), step, facts))
            self._links.put(key, link, 1)
        return link

    def _state(self, chain: Sequence[Link], cancel: Cancel) -> State:
        """The full frame after the chain, made from the latest one that is kept."""
        start, state = len(chain), self._states.get(self.key(chain))
        while state is None and start > 0:
            start -= 1
            state = self._states.get(self.key(chain[:start]))
        fresh = state is None
        if state is None:
            state = State.of(self.stack, self._crew.planar(self.stack.pixels))
        if start < len(chain):
            self._crew.cancel = cancel
            state = self._crew.flush(state, [link.bound for link in chain[start:]], keep=not fresh)
        self._states.put(self.key(chain), state, 1)
        return state

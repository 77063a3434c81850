"""Running a recipe over a whole stack: facts measured as they are needed, tiles on all cores, a record kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from time import perf_counter

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from workbench.engine.chain import Bound, bind
from workbench.engine.passes import Crew
from workbench.engine.progress import Cancel, Progress
from workbench.engine.record import StepRecord
from workbench.engine.state import State
from workbench.engine.tiles import POINTWISE_TILE
from workbench.engine.trace import Trace
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Rect
from workbench.recipe.facts import Given, frozen_facts, require_fit
from workbench.recipe.faults import impossible_values
from workbench.recipe.model import RecipeData, Step
from workbench.stack import Stack
from workbench.threads import one_thread_libraries

__all__ = ["Run", "measures", "safe_bind", "safe_measure"]


class Run:
    """One pass of a recipe over a stack.

    Parameters
    ----------
    stack : Stack
    recipe : RecipeData
    facts : mapping of int to Facts or dict, optional
        Facts by place in the recipe (from 0), used in place of measuring.
    progress : Progress, optional
    cancel : Cancel, optional
    threads : int, optional
        Default: all cores. The result does not depend on it.
    trace : bool
        Whether to keep digests and probes for a record.

    Notes
    -----
    Beside the stack a run holds at most two float32 frames and a few tiles.
    """

    def __init__(
        self,
        stack: Stack,
        recipe: RecipeData,
        *,
        facts: Mapping[int, Given] | None = None,
        progress: Progress | None = None,
        cancel: Cancel | None = None,
        threads: int | None = None,
        trace: bool = True,
    ) -> None:
        recipe.tones(stack.tone)
        self.stack = stack
        self.recipe = recipe
        height, width, channels = stack.pixels.shape
        self.given = frozen_facts(recipe.active, facts, Geometry(height, width, channels))
        self.bound: dict[int, Bound] = {}
        self.measuring: dict[int, float] = {}
        self.traces: dict[int, Trace] | None = {} if trace else None
        self._progress = progress
        self._parts, self._done = 2 * max(1, len(recipe.active)), 0.0
        self._crew = Crew(threads, cancel)

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts by place in the recipe, as measured or given."""
        return {i: b.facts for i, b in self.bound.items()}

    def execute(self) -> State:
        """Run all steps and return the last frame."""
        # The threads end with each pass and each measurement, and the memory that steps keep for a thread's next tile
        # with them: as much as a third of a frame, not to be held while the next step measures.
        with one_thread_libraries():
            state = State.of(self.stack, self._crew.planar(self.stack.pixels))
            chain: list[Bound] = []
            geometry, size = state.geometry, POINTWISE_TILE
            for index, step in self.recipe.active:
                self._crew.cancel.check()
                if index in self.given:
                    facts = self.given[index]
                elif measures(step.operation):
                    state, chain = self._flush(state, chain), []
                    facts = self._measure(index, step, state)
                else:
                    facts = step.operation.facts_type()
                bound = safe_bind(index, step, facts, geometry, size, frozen=index in self.given)
                self.bound[index] = bound
                if self.traces is not None:
                    self.traces[index] = Trace()
                chain.append(bound)
                geometry, size = bound.after, bound.size
                self._advance(1.0)
            return self._flush(state, chain)

    def interleaved(self, state: State) -> NDArray[np.float32]:
        """The frame as (H, W, C), in memory that the run no longer needs where possible."""
        return self._crew.interleaved(state.planes)

    def _measure(self, index: int, step: Step, state: State) -> Facts:
        self._tell(f"measuring for {step.operation.id}")
        began = perf_counter()
        with self._crew.at_work():
            facts = safe_measure(index, step, state.frame)
        self.measuring[index] = perf_counter() - began
        return facts

    def _flush(self, state: State, chain: Sequence[Bound]) -> State:
        watcher = self._watcher if self.traces is not None else None
        return self._crew.flush(state, chain, watcher=watcher, on_tile=self._on_tile)

    def _on_tile(self, group: Sequence[Bound], share: float) -> None:
        self._advance(share * len(group))
        self._tell(", ".join(b.step.operation.id for b in group))

    def _watcher(self, rect: Rect) -> Callable[[Bound, Planes], None]:
        traces, began = self.traces or {}, perf_counter()

        def watch(bound: Bound, tile: Planes) -> None:
            nonlocal began
            traces[bound.index].see(rect, tile, perf_counter() - began)
            began = perf_counter()

        return watch

    def step_records(self) -> tuple[StepRecord, ...]:
        """What each step found and made; needs a traced run."""
        records = []
        for index, bound in sorted(self.bound.items()):
            trace, op, after = (self.traces or {})[index], bound.step.operation, bound.after
            records.append(
                StepRecord(
                    index=index,
                    do=op.id,
                    facts=bound.facts,
                    frozen=index in self.given,
                    found=op.explain(bound.facts),
                    seconds_measuring=round(self.measuring.get(index, 0.0), 4),
                    seconds_applying=round(trace.seconds, 4),
                    shape=(after.height, after.width, after.channels),
                    digest=trace.digest(),
                    probe=trace.probe(),
                )
            )
        return tuple(records)

    def _advance(self, parts: float) -> None:
        self._done = min(self._done + parts, self._parts)

    def _tell(self, doing: str) -> None:
        if self._progress is not None:
            self._progress(self._done / self._parts, doing)


def measures(operation: Operation) -> bool:
    """Whether the operation looks at the frame before it acts."""
    return operation.measures()


def safe_measure(index: int, step: Step, frame: Frame) -> Facts:
    """Measure a step's facts, a refusal naming the step."""
    op = step.operation
    try:
        found = op.measure(frame)
    except WorkbenchError as error:
        raise error.at_step(index, op.id) from None
    except ValidationError as error:
        if not impossible_values(error, op.facts_type):
            raise
        raise WorkbenchError(
            "measured something that is not a number or cannot be; look at the frame for pixels without a value or "
            "of extreme size, crop them away, or leave the step out"
        ).at_step(index, op.id) from None
    if not isinstance(found, op.facts_type):
        raise TypeError(f"{type(op).__name__}.measure must return {op.facts_type.__name__}, not {type(found).__name__}")
    return found


def safe_bind(index: int, step: Step, facts: Facts, geometry: Geometry, size: int, *, frozen: bool) -> Bound:
    """`bind`, a refusal naming the step; frozen facts that cannot belong to the frame are refused in a sentence."""
    try:
        if frozen:
            require_fit(facts, geometry)
        return bind(index, step, facts, geometry, size)
    except WorkbenchError as error:
        raise error.at_step(index, step.operation.id) from None

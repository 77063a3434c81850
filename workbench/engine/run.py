"""Running a recipe over a whole stack: facts measured as they are needed, tiles on all cores, a record kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from time import perf_counter
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.engine.chain import BoundStep, Chain, measure_facts
from workbench.engine.fingerprint import COARSE, Fingerprint
from workbench.engine.progress import Progress
from workbench.engine.record import StepRecord
from workbench.engine.state import State, layer_of
from workbench.engine.tile_pool import TilePool, as_pixels
from workbench.engine.trace import Trace
from workbench.memory import give_back
from workbench.operations.base import Facts, Frame
from workbench.recipe.facts import Given, frozen_facts
from workbench.recipe.model import RecipeData, Step
from workbench.stack import Stack
from workbench.threads import one_thread_libraries

__all__ = ["Finished", "Run"]


class Finished(NamedTuple):
    """What a run made, as pixels (H, W, C), float32, in the tone of the last frame.

    Attributes
    ----------
    image : ndarray, shape (H, W, C), float32
        With layers joined.
    layers : tuple of ndarray, or None
        The starless layer and the stars, where the recipe ends with stars apart.
    fingerprint : Fingerprint
        Of the image.
    """

    image: NDArray[np.float32]
    layers: tuple[NDArray[np.float32], ...] | None
    fingerprint: Fingerprint


class Run:
    """One pass of a recipe over a stack.

    Parameters
    ----------
    stack : Stack
    recipe : RecipeData
    pool : TilePool
        Makes tiles. The result does not depend on which.
    facts : mapping of int to Facts or dict, optional
        Facts by place in the recipe (from 0), used in place of measuring.
    progress : Progress, optional

    Notes
    -----
    Beside the stack a run holds at most two float32 frames and a few tiles, and one frame where that stays as large as
    it is; while stars lie apart, each of them has a second layer.
    """

    def __init__(
        self,
        stack: Stack,
        recipe: RecipeData,
        pool: TilePool,
        *,
        facts: Mapping[int, Given] | None = None,
        progress: Progress | None = None,
    ) -> None:
        recipe.tones(stack.tone)
        self.stack = stack
        self.recipe = recipe
        self.chain = Chain.of(stack)
        self.given = frozen_facts(recipe.active, facts, self.chain.start)
        self.measuring: dict[int, float] = {}
        self.traces: dict[int, Trace] = {}
        self._progress = progress
        self._parts, self._done = 2 * max(1, len(recipe.active)), 0.0
        self._pool = pool
        self._borrowed = False

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts by place in the recipe, as measured or given."""
        return self.chain.facts

    def execute(self) -> State:
        """Run all steps and return the last frame."""
        # The threads end with each pass and each measurement, and the memory that steps keep for a thread's next tile
        # with them: as much as a third of a frame, not to be held while the next step measures.
        with one_thread_libraries():
            planes, copied = self._pool.planar(self.stack.pixels)
            self._borrowed = not copied
            state = State.of(self.stack, planes, self._pool.make)
            del planes  # whoever changes the frame decides how long it is kept
            made = 0
            for index, step in self.recipe.active:
                self._pool.cancel.check()
                if index in self.given:
                    facts = self.given[index]
                elif step.measures():
                    frame = self._pool.rows_for(step, state, self.chain.steps[made:])
                    if frame is None:
                        state, made = self._apply(state, made), len(self.chain)
                        frame = state.frame_for(step)
                    facts = self._measure(index, step, frame)
                    del frame
                else:
                    facts = step.operation.facts_type()
                self.chain = self.chain.then(index, step, facts, frozen=index in self.given)
                self.traces[index] = Trace(self.chain.after)
                self._advance(1.0)
            return self._apply(state, made)

    def finished(self, last: State) -> Finished:
        """What the run made, laid out as pixels in memory that it no longer needs where possible.

        Parameters
        ----------
        last : State
            The last frame.

        Returns
        -------
        Finished
        """
        if last.layers == 1:
            steps = self.chain.steps
            told = self.traces[steps[-1].index].fingerprint() if steps else Fingerprint.of(last.planes)
            return Finished(self._pool.interleaved(last.planes), None, told)
        # Layers stay as the planes that they are: laid out anew they would need two frames more.
        joined = layer_of(last.planes, "both", last.layers, self._pool.frame)
        layers = tuple(as_pixels(last.layer(name)) for name in ("starless", "stars"))
        return Finished(as_pixels(joined), layers, Fingerprint.of(joined))

    def _measure(self, index: int, step: Step, frame: Frame) -> Facts:
        self._tell(f"measuring for {step.operation.id}")
        began = perf_counter()
        with self._pool.working():
            facts = measure_facts(index, step, frame, self._pool.cancel)
        give_back()
        self.measuring[index] = perf_counter() - began
        return facts

    def _apply(self, state: State, made: int) -> State:
        """The frame after all bound steps, of which ``state`` has the first ``made`` behind it."""
        steps, keep = self.chain.steps[made:], self._borrowed
        self._borrowed = keep and not steps
        return self._pool.apply(state, steps, keep=keep, traces=self.traces, on_tile=self._on_tile)

    def _on_tile(self, group: Sequence[BoundStep], share: float) -> None:
        self._advance(share * len(group))
        self._tell(", ".join(b.step.operation.id for b in group))

    def step_records(self) -> tuple[StepRecord, ...]:
        """What each step found and made."""
        records = []
        for bound in self.chain.steps:
            index, op, after = bound.index, bound.step.operation, bound.after
            trace = self.traces[index]
            records.append(
                StepRecord(
                    index=index,
                    do=op.id,
                    facts=bound.facts,
                    frozen=index in self.given,
                    found=bound.step.report(bound.facts),
                    seconds_measuring=round(self.measuring.get(index, 0.0), 4),
                    seconds_applying=round(trace.seconds, 4),
                    shape=(after.height, after.width, after.channels),
                    digest=trace.digest(),
                    fingerprint=trace.fingerprint(COARSE).encoded(),
                )
            )
        return tuple(records)

    def _advance(self, parts: float) -> None:
        self._done = min(self._done + parts, self._parts)

    def _tell(self, doing: str) -> None:
        if self._progress is not None:
            self._progress(self._done / self._parts, doing)

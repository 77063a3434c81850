"""The chain: steps bound one after the other to the frame of a stack.

A step is bound to the frame that the steps before it leave. Its facts are then known, so its reach, its plan, the side
of its tiles, the frame after it and that frame's content key are known too. Runs, previews, lessons and the bench all
walk a recipe as a `Chain`; nothing else binds a step.

    chain = Chain.of(stack)                                  the stack's own frame
    chain = chain.then(index, step, facts)                   one step longer, the earlier chain is left as it is
    chain.after, chain.key, chain.facts                      the frame after it, that frame's content, what was found
    chain.reduced(4.0)                                       the same steps on a frame four times smaller
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from workbench.engine.cache import Cache, facts_key, stack_key, step_key, weight
from workbench.engine.digest import digest
from workbench.engine.progress import Cancel
from workbench.engine.reduction import reduced_geometry
from workbench.engine.tiles import POINTWISE_TILE, tile_size
from workbench.engine.transform import carried, plain_grid
from workbench.errors import WorkbenchError
from workbench.masks import Affine, Site
from workbench.operations.base import Facts, Frame, FrameOperation, Geometry
from workbench.operations.mask_facts import MaskFacts
from workbench.recipe.facts import require_fit
from workbench.recipe.faults import impossible_values
from workbench.recipe.model import Step
from workbench.stack import Stack

__all__ = ["MEASURED", "BoundStep", "Chain", "frozen_source", "measure_facts"]

#: Where facts come from, as content keys name it: measured on the full frame that the step sees, or none needed.
MEASURED = "measured"


@dataclass(frozen=True, slots=True)
class BoundStep:
    """A step with its facts, ready for the tiles of one frame.

    Attributes
    ----------
    index : int
        Place in the recipe, from 0.
    step : Step
    facts : Facts
    source : str
        Where the facts come from, in words that tell them from others of this step on this frame.
    before, after : Geometry
        The frame the step sees and the one it leaves.
    reach : int
        Margin in pixels of ``before``, for operation and mask.
    plan : object
        What the operation prepared from the facts.
    size : int
        Side of the grid's tiles in pixels; inherited by the pointwise steps that follow.
    key : str
        Content key of the frame after the step, whatever its scale.
    own_reach : int
        Margin that the operation itself needs.
    mask : object
        What the step's mask prepared; None where there is no mask.
    """

    index: int
    step: Step
    facts: Facts
    source: str
    before: Geometry
    after: Geometry
    reach: int
    plan: Any
    size: int
    key: str
    own_reach: int = 0
    mask: Any = None

    @property
    def is_head(self) -> bool:
        """Whether the step needs more of its input than the pixels of the tile itself."""
        op = self.step.operation
        return self.reach > 0 or isinstance(op, FrameOperation) or op.layers != ""


@dataclass(frozen=True)
class Chain:
    """Steps bound one after the other, from the frame of a stack on. Immutable.

    Attributes
    ----------
    start : Geometry
        The frame before the first step.
    start_key : str
        Its content key; empty where nothing is kept by content, as in a run.
    steps : tuple of BoundStep
    cache : Cache or None
        Keeps bound steps: preparing one can take a tenth of a second, and a moving slider asks for the same again.
    """

    start: Geometry
    start_key: str = ""
    steps: tuple[BoundStep, ...] = ()
    cache: Cache | None = None

    @classmethod
    def of(cls, stack: Stack, cache: Cache | None = None) -> Chain:
        """The chain of a stack before any step; keys tell its content where there is a cache.

        Parameters
        ----------
        stack : Stack
        cache : Cache, optional

        Returns
        -------
        Chain
        """
        height, width, channels = stack.shape
        return cls(Geometry(height, width, channels), "" if cache is None else stack_key(stack), cache=cache)

    @classmethod
    def frozen(cls, stack: Stack, steps: Iterable[tuple[int, Step]], facts: Mapping[int, Facts]) -> Chain:
        """The chain of ``steps`` whose facts are all given, by place in the recipe (from 0).

        Parameters
        ----------
        stack : Stack
        steps : iterable of (int, Step)
        facts : mapping of int to Facts

        Returns
        -------
        Chain

        Raises
        ------
        WorkbenchError
            When those of a step are missing, or do not fit the frame; it names the step.
        """
        chain = cls.of(stack)
        for index, step in steps:
            if index not in facts and step.measures():
                raise WorkbenchError("it has no facts: run the recipe and use the record of that run").at_step(
                    index, step.operation.id
                )
            chain = chain.then(index, step, facts.get(index) or step.operation.facts_type(), frozen=True)
        return chain

    @property
    def after(self) -> Geometry:
        """The frame after the last step."""
        return self.steps[-1].after if self.steps else self.start

    @property
    def key(self) -> str:
        """Content key of the frame after the last step."""
        return self.steps[-1].key if self.steps else self.start_key

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts by place in the recipe."""
        return {bound.index: bound.facts for bound in self.steps}

    def __len__(self) -> int:
        return len(self.steps)

    def first(self, count: int) -> Chain:
        """The first ``count`` steps.

        Parameters
        ----------
        count : int

        Returns
        -------
        Chain
        """
        return replace(self, steps=self.steps[:count])

    def facts_key(self, step: Step) -> str:
        """Content key of what a step would measure on the frame after the chain.

        Parameters
        ----------
        step : Step

        Returns
        -------
        str
        """
        return facts_key(self.key, step)

    def then(
        self,
        index: int,
        step: Step,
        facts: Facts,
        *,
        source: str = MEASURED,
        facts_scale: float | None = None,
        frozen: bool = False,
    ) -> Chain:
        """The chain with one more step.

        Parameters
        ----------
        index : int
            Place in the recipe, from 0.
        step : Step
        facts : Facts
        source : str
            Tells the facts from others that the step may have on this frame, see `BoundStep`.
        facts_scale : float, optional
            Pixels that facts and settings are in, across one of this frame's. Default: those of the full frame.
        frozen : bool
            Whether the facts were given by a person or a file, and so may not fit the frame.

        Returns
        -------
        Chain

        Raises
        ------
        WorkbenchError
            When the step cannot work on the frame, or frozen facts cannot belong to it; it names the step.
        """
        key = step_key(self.key, step, source)
        kept = ("bound step", key, index, self.after, facts_scale)
        bound = None if self.cache is None else self.cache.get(kept)
        if bound is None:
            bound = self._bound(index, step, facts, source, key, facts_scale, frozen=frozen)
            if self.cache is not None:
                self.cache.put(kept, bound, weight(bound.plan))
        return replace(self, steps=(*self.steps, bound))

    def reduced(self, scale: float) -> Chain:
        """The same steps with the same facts, bound to the frame averaged down ``scale`` times; keys stay.

        Parameters
        ----------
        scale : float
            How many pixels of the frame become one; 1 or more.

        Returns
        -------
        Chain
        """
        small = replace(self, start=reduced_geometry(self.start, scale), steps=())
        for bound in self.steps:
            small = small.then(bound.index, bound.step, bound.facts, source=bound.source)
        return small

    def _bound(
        self, index: int, step: Step, facts: Facts, source: str, key: str, facts_scale: float | None, *, frozen: bool
    ) -> BoundStep:
        op, before = step.operation, self.after
        seen = before if facts_scale is None else replace(before, scale=facts_scale)
        try:
            if frozen:
                require_fit(facts, before)
            changes = isinstance(op, FrameOperation)
            own = 0 if changes else op.reach(facts, seen)
            reach, mask = self._masked(step, facts, seen.scale, own)
            after = op.out_geometry(facts, seen) if isinstance(op, FrameOperation) else before
            if op.layers:
                after = replace(after, layers=2 if op.layers == "split" else 1)
            plan = op.prepare(facts, seen)
        except WorkbenchError as error:
            raise error.at_step(index, op.id) from None
        inherited = self.steps[-1].size if self.steps else POINTWISE_TILE
        size = tile_size(reach) if reach or changes else inherited
        return BoundStep(index, step, facts, source, seen, after, reach, plan, size, key, own, mask)

    def _masked(self, step: Step, facts: Facts, facts_scale: float, reach: int) -> tuple[int, Any]:
        """The reach of a step with its mask, and the mask laid out for the frame after the chain."""
        if step.where is None:
            return reach, None
        found: dict[str, MaskFacts] = {part.kind: part for part in facts.mask}
        missing = [kind for kind in step.mask_kinds if kind not in found]
        if missing:
            raise WorkbenchError(f"its facts say nothing of its mask by {missing[0]}: measure again")
        place = self._on_stack()
        if place is None:
            raise WorkbenchError("its mask cannot be laid out: a step before it does not say where the stack lies")
        site = Site(self.after, place, facts_scale)
        return max(reach, step.where.reach(site)), step.where.prepare(found, site)

    def _on_stack(self) -> Affine | None:
        """Where pixels of the frame after the chain lie on the stack; None where a step does not tell."""
        grid = plain_grid(self.start.scale, self.start.scale)
        return carried(grid, ((bound.step, bound.facts, bound.before) for bound in self.steps))


def measure_facts(index: int, step: Step, frame: Frame, cancel: Cancel | None = None) -> Facts:
    """Measure a step's facts, a refusal naming the step.

    Parameters
    ----------
    index : int
        Place in the recipe, from 0.
    step : Step
    frame : Frame
        The full frame before the step.
    cancel : Cancel, optional
        Heeded between two parts of the measurement.

    Returns
    -------
    Facts
        Those of the operation, and what the step's mask goes by.

    Raises
    ------
    WorkbenchError
        When the frame cannot serve, or ``cancel`` is set meanwhile; it names the step.
    """
    op = step.operation
    try:
        with (cancel or Cancel()).heeded():
            found = op.measure(frame)
            masks = {part.kind: part for part in (() if step.where is None else step.where.parts()) if part.measures()}
            measured = tuple(part.measure(frame) for part in masks.values())
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
    return found.model_copy(update={"mask": measured}) if measured else found


def frozen_source(facts: Facts) -> str:
    """The source of facts that were given, by their content.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    str
    """
    return digest("frozen", facts.model_dump_json())

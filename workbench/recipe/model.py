"""A recipe as data: an ordered list of steps, each an operation with settings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Self, get_args

from pydantic import ValidationError

import workbench.operations  # noqa: F401 - defining the operations fills the registry
from workbench.acquisition import Tone
from workbench.errors import WorkbenchError, brief
from workbench.masks import WHERE, Mask
from workbench.operations.base import REGISTRY, Facts, FrameOperation, Operation
from workbench.outputs import Output
from workbench.recipe.faults import no_operation, sentence

__all__ = ["KIND", "MAX_OUTPUTS", "MAX_STEPS", "VERSION", "Layer", "RecipeData", "Step", "sentence"]

KIND = "post-stack recipe"
VERSION = 4
#: What a step can work on while stars lie apart.
Layer = Literal["starless", "stars", "both"]
#: More steps than any picture needs; a longer list is a mistake or mischief.
MAX_STEPS = 200
#: More outputs than anyone needs.
MAX_OUTPUTS = 30
#: What a step in a recipe file may have.
_ENTRIES = ("do", "with", "on", "where", "note", "layer", "opacity")


@dataclass(frozen=True, slots=True)
class Step:
    """An operation with settings, and how it is used.

    Attributes
    ----------
    operation : Operation
    on : bool
        A step that is off is kept in the recipe and skipped.
    where : Mask or None
        Part of the frame to change, see `workbench.masks`; None: all of it.
    note : str
        Why the step is there.
    layer : {"starless", "stars", "both"} or None
        What to change while stars lie apart (between ``SplitStars`` and ``JoinStars``); see `works_on`.
    opacity : float
        How much of the step's change is made, 0 (nothing, to the last bit) to 1: ``before + opacity * (after -
        before)``, in the tone and the layer that the step works on (Porter & Duff, Compositing Digital Images, 1984).
    """

    operation: Operation
    on: bool = True
    where: Mask | None = None
    note: str = ""
    layer: Layer | None = None
    opacity: float = 1.0

    def __post_init__(self) -> None:
        op = self.operation
        if not 0 <= self.opacity <= 1:
            raise WorkbenchError(f"{op.id}: opacity {self.opacity:g} is not possible; allowed: 0 to 1")
        if self.opacity != 1 and not self.blends:
            what = "changes the tone" if op.takes != op.gives else "changes the frame"
            raise WorkbenchError(f"{op.id} {what} and cannot be mixed with what was before: remove 'opacity'")
        if self.layer is not None and not self.blends:
            raise WorkbenchError(f"{op.id} always works on both layers, starless and stars: remove 'layer'")
        if self.where is None or self.blends:
            return
        if op.layers:
            raise WorkbenchError(f"{op.id} works on the whole frame and cannot be limited to a part: remove 'where'")
        if isinstance(op, FrameOperation):
            raise WorkbenchError(f"{op.id} changes the whole frame and cannot be limited to a part: remove 'where'")
        raise WorkbenchError(f"{op.id} changes the tone and must cover the whole frame: remove 'where'")

    @property
    def works_on(self) -> Layer:
        """The layer that the step measures and changes where stars lie apart: if it does not say, the starless one.

        A change of the tone or of the frame is one of both: what it makes of the frame with its stars, less what it
        makes of the starless layer, are then the stars.
        """
        return self.layer or ("starless" if self.blends else "both")

    @property
    def blends(self) -> bool:
        """Whether what the step makes can be mixed with what was before: the frame, its layers and tone stay."""
        op = self.operation
        return op.takes == op.gives and not op.layers and not isinstance(op, FrameOperation)

    @property
    def mask_kinds(self) -> tuple[str, ...]:
        """Kinds of masks, each once, by which the step is limited and that go by measured light."""
        parts = () if self.where is None else self.where.parts()
        return tuple(dict.fromkeys(part.kind for part in parts if part.measures()))

    def measures(self) -> bool:
        """Whether the step looks at the frame before it acts: its operation, or its mask."""
        return self.operation.measures() or bool(self.mask_kinds)

    def report(self, facts: Facts) -> str:
        """What the step measured and did, its mask included, and what is not sure about it.

        Parameters
        ----------
        facts : Facts

        Returns
        -------
        str
        """
        found = {part.kind: part for part in facts.mask}
        parts = () if self.where is None else self.where.parts()
        masks = [part.explain(found[part.kind]) for part in parts if part.measures() and part.kind in found]
        told = self.operation.report(facts)
        return f"{told} Mask: {', '.join(dict.fromkeys(masks))}.".strip() if masks else told

    def scaled(self, factor: float) -> Step:
        """The step for a frame reduced by ``factor``: settings in pixels divided by it.

        Its mask stays as it is: where that lies on a frame follows from where the frame lies on the stack.

        Parameters
        ----------
        factor : float
            Above 1 for a smaller frame.

        Returns
        -------
        Step
        """
        return replace(self, operation=self.operation.scaled(factor))

    def to_dict(self) -> dict[str, Any]:
        """The step as the recipe file holds it; every setting is written, layer and opacity where they are given."""
        given: dict[str, Any] = {} if self.layer is None else {"layer": self.layer}
        given |= {} if self.opacity == 1 else {"opacity": self.opacity}
        return {
            "do": self.operation.id,
            "with": self.operation.model_dump(mode="json"),
            "on": self.on,
            "where": None if self.where is None else self.where.model_dump(mode="json"),
            "note": self.note,
            **given,
        }

    @classmethod
    def from_dict(cls, data: Any, number: int) -> Step:
        """Build step ``number`` (counted from 1) from plain data; anything unknown is refused by name.

        Parameters
        ----------
        data : dict
        number : int
            From 1, for sentences.

        Returns
        -------
        Step

        Raises
        ------
        WorkbenchError
            In one sentence that names the step and what is wrong.
        """
        here = f"step {number}"
        if not isinstance(data, dict):
            raise WorkbenchError(f"{here} of the recipe must be an object with 'do' and 'with', not {_kind(data)}")
        unknown = [k for k in data if k not in _ENTRIES]
        if unknown:
            raise WorkbenchError(f"{here} has an unknown entry {brief(unknown[0])}; a step has {', '.join(_ENTRIES)}")
        name = data.get("do")
        if not isinstance(name, str) or name not in REGISTRY:
            raise WorkbenchError(f"{here}: {no_operation(name)}")
        settings, on, note = data.get("with", {}), data.get("on", True), data.get("note", "")
        opacity = data.get("opacity", 1.0)
        given = (
            ("with", settings, {dict}, "an object"),
            ("on", on, {bool}, "true or false"),
            ("note", note, {str}, "text"),
            ("opacity", opacity, {int, float}, "a number from 0 to 1"),
        )
        for key, value, kinds, wanted in given:
            if type(value) not in kinds:
                raise WorkbenchError(f"{here} ({name}): {key!r} must be {wanted}, not {_kind(value)}")
        layer = data.get("layer")
        if layer not in (None, *get_args(Layer)):
            raise WorkbenchError(f"{here} ({name}): 'layer' must be starless, stars or both")
        try:
            operation = REGISTRY[name].model_validate(settings)
        except ValidationError as error:
            raise WorkbenchError(f"{here} ({name}): {sentence(error, REGISTRY[name])}") from None
        try:
            where = None if data.get("where") is None else WHERE.validate_python(data["where"])
        except ValidationError as error:
            raise WorkbenchError(f"{here} ({name}): where: {sentence(error)}") from None
        try:
            return cls(operation, on, where, note, layer, float(opacity))
        except WorkbenchError as error:
            raise WorkbenchError(f"{here}: {error}") from None


@dataclass(frozen=True)
class RecipeData:
    """An ordered list of steps with a title. Immutable: the methods that change it return a new one.

    Parameters
    ----------
    steps : iterable of Operation or Step
    title : str
    outputs : iterable of Output
        Files of the finished picture that are written beside it; no two of one name.
    """

    steps: tuple[Step, ...] = field(default=())
    title: str = ""
    outputs: tuple[Output, ...] = field(default=())

    def __init__(self, steps: Iterable[Operation | Step] = (), title: str = "", outputs: Iterable[Output] = ()) -> None:
        listed = tuple(s if isinstance(s, Step) else _step(s) for s in steps)
        if len(listed) > MAX_STEPS:
            raise WorkbenchError(f"the recipe has {len(listed)} steps; at most {MAX_STEPS} are run")
        object.__setattr__(self, "steps", listed)
        object.__setattr__(self, "title", title)
        object.__setattr__(self, "outputs", _distinct(outputs))

    def __len__(self) -> int:
        return len(self.steps)

    def __iter__(self) -> Iterator[Step]:
        return iter(self.steps)

    def __getitem__(self, index: int) -> Step:
        return self.steps[index]

    def with_steps(self, steps: Sequence[Operation | Step]) -> Self:
        """The same recipe with other steps.

        Parameters
        ----------
        steps : sequence of Operation or Step

        Returns
        -------
        RecipeData
        """
        return type(self)(steps, self.title, self.outputs)

    def with_outputs(self, outputs: Iterable[Output]) -> Self:
        """The same recipe with other outputs.

        Parameters
        ----------
        outputs : iterable of Output

        Returns
        -------
        RecipeData
        """
        return type(self)(self.steps, self.title, outputs)

    def replaced(self, index: int, operation: Operation) -> Self:
        """The recipe with the operation of step ``index`` (from 0) exchanged, its note and switch kept.

        Parameters
        ----------
        index : int
        operation : Operation

        Returns
        -------
        RecipeData
        """
        steps = list(self.steps)
        steps[index] = replace(steps[index], operation=operation)
        return self.with_steps(steps)

    def upto(self, count: int) -> Self:
        """The first ``count`` steps.

        Parameters
        ----------
        count : int

        Returns
        -------
        RecipeData
        """
        return self.with_steps(self.steps[:count])

    @property
    def active(self) -> tuple[tuple[int, Step], ...]:
        """(index from 0, step) of the steps that are on."""
        return tuple((i, s) for i, s in enumerate(self.steps) if s.on)

    def tones(self, start: Tone) -> list[Tone]:
        """Tone before each step and after the last, or a sentence saying which step stands in the wrong place.

        Parameters
        ----------
        start : {"linear", "display"}
            Tone of the stack.

        Returns
        -------
        list of {"linear", "display"}

        Raises
        ------
        WorkbenchError
            When a step works on the other tone; it names the step.
        """
        self.layers()
        tones, tone, made_by = [start], start, "the stack"
        for i, step in enumerate(self.steps):
            op = step.operation
            if step.on and not op.keeps_tone():
                if op.takes != tone:
                    advice = "move it before the stretch" if op.takes == Tone.LINEAR else "put a stretch before it"
                    raise WorkbenchError(
                        f"step {i + 1} ({op.id}) works on a {op.takes} image, "
                        f"but {made_by} is {tone} by then: {advice}",
                        step=i,
                    )
                if op.gives != tone:
                    tone, made_by = op.gives, f"what step {i + 1} ({op.id}) makes"
            tones.append(tone)
        return tones

    def layers(self) -> list[int]:
        """Layers before each step and after the last, or a sentence saying which step stands in the wrong place.

        Raises
        ------
        WorkbenchError
            When a step takes off stars that are off, puts back or names a layer that is not there; it names the step.
        """
        layers, count, split_by = [1], 1, ""
        for i, step in enumerate(self.steps):
            op, here = step.operation, f"step {i + 1} ({step.operation.id})"
            if step.on and op.layers == "split" and count == 2:
                raise WorkbenchError(f"{here} finds the stars taken off by {split_by} already: remove it", step=i)
            if step.on and op.layers == "join" and count == 1:
                raise WorkbenchError(f"{here} finds no star layer: put split_stars before it, or remove it", step=i)
            if step.on and step.layer is not None and count == 1:
                raise WorkbenchError(
                    f"{here} names the layer {step.layer}, but there is one only: put split_stars before it, "
                    "or remove 'layer'", step=i
                )  # fmt: skip
            if step.on and op.layers:
                count, split_by = (2, here) if op.layers == "split" else (1, "")
            layers.append(count)
        return layers

    @property
    def apart(self) -> int | None:
        """How many steps lead to the last frame in which stars lie apart; None where there is no such frame."""
        return max((i for i, count in enumerate(self.layers()) if count > 1), default=None)

    def to_dict(self) -> dict[str, Any]:
        """The recipe as its file holds it."""
        return {
            "kind": KIND,
            "version": VERSION,
            "title": self.title,
            "steps": [s.to_dict() for s in self.steps],
            "outputs": [o.model_dump(mode="json") for o in self.outputs],
        }


def _distinct(outputs: Iterable[Output]) -> tuple[Output, ...]:
    listed = tuple(outputs)
    for i, output in enumerate(listed):
        if not isinstance(output, Output):
            raise WorkbenchError(f"the outputs of a recipe are of the class Output, not {type(output).__name__}")
        if any(other.name == output.name for other in listed[:i]):
            raise WorkbenchError(f"the recipe has two outputs named {output.name!r}: give one another name")
    if len(listed) > MAX_OUTPUTS:
        raise WorkbenchError(f"the recipe has {len(listed)} outputs; at most {MAX_OUTPUTS} are written")
    return listed


def _step(operation: Operation) -> Step:
    if not isinstance(operation, Operation):
        raise WorkbenchError(f"a recipe is made of operations and steps, not {type(operation).__name__}")
    return Step(operation)


def _kind(value: Any) -> str:
    words = {dict: "an object", list: "a list", str: "text", bool: "true/false", type(None): "nothing"}
    return words.get(type(value), "a number")

"""What an operation is: settings, a measurement of the whole frame, and a local change of one tile.

The split carries the project's promises (see DEVELOPERS.md):

* ``measure`` sees the whole frame at full resolution and returns *facts*: a small model (see `facts`).
* ``prepare`` turns facts into whatever ``apply`` wants at hand (arrays, tables): a pure function, run once a frame.
* ``apply`` changes one tile. It reads the tile, the settings and the plan; nothing else.

So a region served on its own equals the same region of the finished picture bit for bit.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict

from workbench.acquisition import Tone
from workbench.operations.drawing import Drawing, Overlay
from workbench.operations.facts import Facts
from workbench.operations.tile import Frame, Geometry, Planes, Rect, Tile

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import numpy as np
    from astropy.wcs import WCS
    from numpy.typing import NDArray

    from workbench.acquisition import Acquisition
    from workbench.operations.trial import StackTrial, Suggestion

__all__ = [
    "REGISTRY",
    "Facts",
    "Frame",
    "FrameOperation",
    "Geometry",
    "Operation",
    "Planes",
    "Purpose",
    "Rect",
    "Tile",
    "answering",
    "registered",
    "scaled_settings",
]

Purpose = Literal["frame", "gradient", "color", "noise", "detail", "stretch", "stars", "tone"]

#: Every operation by its recipe id; `registered` gives them in order. Filled by `Operation.__pydantic_init_subclass__`.
REGISTRY: dict[str, type[Operation]] = {}


def _snake(name: str) -> str:
    name = name.lstrip("_")
    return "".join("_" + c.lower() if c.isupper() and i else c.lower() for i, c in enumerate(name))


M = TypeVar("M", bound=BaseModel)


def scaled_settings(model: M, factor: float) -> M:
    """A copy of ``model`` in which every value declared with unit ``px`` is divided by ``factor``, nested ones too.

    Parameters
    ----------
    model : pydantic.BaseModel
    factor : float
        Above 1 for a smaller frame.

    Returns
    -------
    pydantic.BaseModel
        Of the same class.
    """
    changed: dict[str, Any] = {}
    for name, info in type(model).model_fields.items():
        extra = info.json_schema_extra
        pixel = isinstance(extra, dict) and extra.get("unit") == "px"
        changed[name] = _scaled_value(getattr(model, name), factor, pixel=pixel)
    return model.model_copy(update=changed)


def _scaled_value(value: Any, factor: float, *, pixel: bool) -> Any:
    if isinstance(value, BaseModel):
        return scaled_settings(value, factor)
    if isinstance(value, list | tuple):
        return type(value)(_scaled_value(v, factor, pixel=pixel) for v in value)
    if not pixel or isinstance(value, bool) or not isinstance(value, int | float):
        return value
    return max(round(value / factor), min(value, 1)) if isinstance(value, int) else value / factor


class Operation(BaseModel):
    """One kind of change to an image. A subclass declares settings as fields, and that is its only declaration.

    A subclass needs a docstring (first line: what it does; the rest: the 'why and when' paragraph, the formula
    and its source), class variables, fields with range/unit/description, and ``apply``; the rest has defaults.
    It appears in the recipe schema, the command line, the docs and the bench by being defined.

    Give each field ``Field(default, ge=..., le=..., description="...", json_schema_extra={"unit": "px"})``;
    add ``"expert": True`` to ``json_schema_extra`` for settings a beginner should not meet first, and ``"parts"`` with
    a word for each number to a setting that is a fixed row of numbers. ``"needed_for": {"reference": "region"}`` says
    that a setting is not measured when it is empty, but must be given for that choice of another setting.

    An operation that measures names the model of its facts as ``facts_type``, and its methods read them as attributes.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, use_enum_values=True)

    id: ClassVar[str]  #: the recipe's word for it, snake_case; made from the class name
    purpose: ClassVar[Purpose]  #: family, for grouping
    #: What a check-up finds that this step is the remedy for, in the words of its advice: that offers the step then.
    answers: ClassVar[str] = ""
    #: Where it usually stands in a recipe: behind steps with smaller numbers. Lists and the schema have this order.
    usual_place: ClassVar[int] = 100
    takes: ClassVar[Tone] = Tone.LINEAR  #: tone it expects
    gives: ClassVar[Tone] = Tone.LINEAR  #: tone it makes
    facts_type: ClassVar[type[Facts]] = Facts  #: model of what ``measure`` finds; the empty one where it does not
    #: Settings that ``measure`` looks at; None: all. Facts stay known while only others change.
    measured_by: ClassVar[tuple[str, ...] | None] = None
    #: What serves to measure an approximation, where facts do not hang on places: "windows" of the full frame laid side
    #: by side, for noise and stars; "levels", a reduced frame whose pixels have the noise of the full one's.
    sampled: ClassVar[Literal["", "windows", "levels"]] = ""
    #: Whether a first picture waits until the full frame is measured: where that is quick and an approximation poor.
    waited_for: ClassVar[bool] = False
    #: Whether measuring a frame again with other settings takes a moment: what takes long is kept by `Frame.once`.
    quick_again: ClassVar[bool] = False
    #: Whether ``apply`` gives a pixel the same bits in whatever part of the frame it is asked for: its kernels fuse and
    #: reorder nothing and run no sums. An exact region is then made alone, without the rest of its tiles.
    same_anywhere: ClassVar[bool] = False
    #: "split": ``apply`` makes the starless layer, and what it takes away becomes the layer of stars. "join": ``apply``
    #: is given the planes of both layers, those of the stars last, and makes one; any tone passes through.
    layers: ClassVar[Literal["", "split", "join"]] = ""
    #: Settings that are drawn on the picture or on the histogram.
    drawn: ClassVar[tuple[Drawing, ...]] = ()
    #: What `shown` may lay over the picture: name -> words for its switch.
    overlays: ClassVar[Mapping[str, str]] = MappingProxyType({})
    #: The one of them that marks in the stack what `answers` names; empty where measuring that takes the steps before.
    finding_overlay: ClassVar[str] = ""
    #: Names of the plots among what `shown` returns.
    plots: ClassVar[tuple[str, ...]] = ()

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        super().__pydantic_init_subclass__(**kwargs)
        cls.id = _snake(cls.__name__)
        if not (cls.__name__.startswith("_") or cls.__dict__.get("abstract", False)):
            REGISTRY[cls.id] = cls

    @classmethod
    def measures(cls) -> bool:
        """Whether the operation looks at the frame before it acts."""
        return cls.measure is not Operation.measure

    @classmethod
    def keeps_tone(cls) -> bool:
        """Whether any tone passes through."""
        return issubclass(cls, FrameOperation) or cls.layers == "join"

    def scaled(self, factor: float) -> Self:
        """The operation with its settings in pixels divided by ``factor``, for a frame reduced by that much.

        Parameters
        ----------
        factor : float
            Above 1 for a smaller frame.

        Returns
        -------
        Operation
        """
        return scaled_settings(self, factor)

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:  # noqa: ARG003 - those that are suggested look at it
        """The step as a stack's recipe should have it, and why. Asked of all operations, in their usual order.

        Parameters
        ----------
        trial : StackTrial
            What was found in the stack, and its middle as the steps before leave it.

        Returns
        -------
        Suggestion or None
            None where the stack has no need of it.
        """
        return None

    def drafted(self, facts: Any) -> Self:
        """The operation as a draft measures it, where time counts: choices made in ``facts`` a moment ago are kept.

        Parameters
        ----------
        facts : Facts
            What was measured a moment ago, with other settings.

        Returns
        -------
        Operation
        """
        return self

    def rows_apart(self, geometry: Geometry) -> int:
        """How far apart the rows are that `measure` looks at, from the first on; 1 where it looks at all of them.

        No more than those may then be made for it, where the steps before only change each pixel by itself.

        Parameters
        ----------
        geometry : Geometry
            The full frame before the step.

        Returns
        -------
        int
        """
        return 1

    def measure(self, frame: Frame) -> Facts:
        """What the frame says, as an instance of ``facts_type``.

        Must respect ``frame.coverage``. Raises WorkbenchError with one sentence when the frame cannot serve.

        Parameters
        ----------
        frame : Frame
            The full frame before the step, in its tone.

        Returns
        -------
        Facts

        Raises
        ------
        WorkbenchError
            When the frame cannot serve, in one sentence.
        """
        return self.facts_type()

    def reach(self, facts: Any, geometry: Geometry) -> int:
        """How many pixels (of this geometry) around a tile ``apply`` looks at; 0 for pointwise operations.

        Parameters
        ----------
        facts : Facts
            What `measure` found in the full frame.
        geometry : Geometry
            The frame that the step works on.

        Returns
        -------
        int
            In pixels of ``geometry``.
        """
        return 0

    def prepare(self, facts: Any, geometry: Geometry) -> Any:
        """Facts made ready for ``apply`` (tables, arrays, scaled positions); read-only, shared by all threads.

        Parameters
        ----------
        facts : Facts
            What `measure` found in the full frame.
        geometry : Geometry
            The frame that the step works on.

        Returns
        -------
        object
            The plan that `apply` gets.
        """
        return facts

    def apply(self, tile: Tile, plan: Any, out: Planes) -> None:
        """Write the changed core of the tile to ``out`` (C, h, w).

        ``out`` may be the very memory of ``tile.pixels`` when the reach is 0; ``tile.pixels`` is scratch of this
        call and may be overwritten. Must not keep state, and must release the interpreter lock where it can.

        Parameters
        ----------
        tile : Tile
            The pixels around the core, (C, h + 2 reach, w + 2 reach) float32, in the tone that the step
            takes.
        plan : object
            What `prepare` made.
        out : ndarray, shape (C, h, w), float32
            In the tone that the step gives.
        """
        raise NotImplementedError

    def brightest(self, facts: Any, light: NDArray[np.float32]) -> NDArray[np.float32]:
        """What the step makes of light that stands out of its surroundings, where a draft knows pixels and no stars.

        Parameters
        ----------
        facts : Facts
            What `measure` found.
        light : ndarray, shape (N,), float32
            Light above what lies around, of evenly spread pixels of the full frame, in ascending order.

        Returns
        -------
        ndarray, shape (N,), float32
            In the same order.
        """
        return light

    @classmethod
    def tells_brightest(cls) -> bool:
        """Whether the operation says what becomes of the brightest pixels; else they stay, or change one by one."""
        return cls.brightest is not Operation.brightest

    def explain(self, facts: Any) -> str:
        """One line in plain words: what was measured and done, for the step list and the step sheet.

        Parameters
        ----------
        facts : Facts
            What `measure` found in the full frame.

        Returns
        -------
        str
        """
        return ""

    def report(self, facts: Facts) -> str:
        """What `explain` says, and what the measurement is not sure about.

        Parameters
        ----------
        facts : Facts
            What `measure` found in the full frame.

        Returns
        -------
        str
        """
        return " ".join([self.explain(facts), *facts.doubts]).strip()

    def shown(self, facts: Any, geometry: Geometry) -> tuple[Overlay, ...]:
        """What was measured and done, to be laid over the picture and the histogram, and to be plotted.

        Parameters
        ----------
        facts : Facts
        geometry : Geometry
            The full-resolution frame that the step works on.

        Returns
        -------
        tuple of Overlay
            Places in pixels of that frame.
        """
        return ()

    def seen_at(self, facts: Any) -> tuple[float, float] | None:
        """Row and column where the step's work is seen best, if it is at some places only.

        Parameters
        ----------
        facts : Facts
            What `measure` found in the full frame.

        Returns
        -------
        tuple of (float, float) or None
            In pixels of the full frame.
        """
        return None


class FrameOperation(Operation):
    """An operation that changes the frame (crop, turn, resample): it maps coordinates, then pixels.

    ``takes`` / ``gives`` are not used: any tone passes through.
    """

    abstract: ClassVar[bool] = True

    def out_geometry(self, facts: Any, geometry: Geometry) -> Geometry:
        """The frame after the step.

        Parameters
        ----------
        facts : Facts
            What `measure` found in the full frame.
        geometry : Geometry
            The frame that the step works on.

        Returns
        -------
        Geometry
        """
        raise NotImplementedError

    def source_rect(self, facts: Any, geometry: Geometry, core: Rect) -> Rect:
        """Input pixels needed for output pixels ``core``; parts outside the input are mirrored by the engine.

        Parameters
        ----------
        facts : Facts
            What `measure` found in the full frame.
        geometry : Geometry
            The frame that the step works on.
        core : Rect
            In pixels of the output.

        Returns
        -------
        Rect
            In pixels of the input.
        """
        raise NotImplementedError

    def resample(self, source: Planes, rect: Rect, core: Rect, plan: Any, geometry: Geometry, out: Planes) -> None:
        """Write output pixels ``core`` to ``out``, given input pixels ``rect`` of a frame of ``geometry``.

        Parameters
        ----------
        source : ndarray, shape (C, h, w), float32
            The pixels of ``rect``; not to be changed.
        rect : Rect
            In pixels of the input.
        core : Rect
            In pixels of the output.
        plan : object
            What `prepare` made.
        geometry : Geometry
            The frame that the step works on.
        out : ndarray, shape (C, h, w), float32
            The pixels of ``core``, to be written.
        """
        raise NotImplementedError

    def carry(
        self,
        facts: Any,
        *,
        coverage: NDArray[np.uint8] | None,
        wcs: WCS | None,
        acquisition: Acquisition,
        geometry: Geometry,
    ) -> tuple[NDArray[np.uint8] | None, WCS | None, Acquisition]:
        """Take along what belongs to the frame: coverage, sky solution, acquisition.

        Parameters
        ----------
        facts : Facts
            Of this operation's ``facts_type``.
        coverage : ndarray, shape (H, W), uint8, or None
            Of the frame before the step; an output pixel that saw an uncovered one becomes uncovered (0).
        wcs : astropy.wcs.WCS or None
            Of the frame before the step; never changed.
        acquisition : Acquisition
        geometry : Geometry
            The frame before the step.

        Returns
        -------
        coverage, wcs, acquisition
            Of the frame after the step. A sky solution that cannot follow exactly becomes None.
        """
        raise NotImplementedError


def answering(finding: str) -> type[Operation] | None:
    """The operation that is the remedy for something that a check-up found, by the words of its advice.

    Parameters
    ----------
    finding : str

    Returns
    -------
    type of Operation or None
    """
    return next((kind for kind in registered() if kind.answers == finding), None)


def registered() -> Iterator[type[Operation]]:
    """All operations, in the usual order of the work."""
    return iter(sorted(REGISTRY.values(), key=lambda kind: (kind.usual_place, kind.id)))

"""How an operation is touched and shown on the picture: declarations of settings that are drawn, overlays as data.

An operation lists in ``drawn`` which of its settings a person draws (`Margins`, `Box`, `Regions`, `Places`, `Strokes`,
`Segment`, `Circle` on the picture, `HistogramLine` and `CurvePoints` on the histogram), names in ``overlays`` what can
be laid over the picture for it, and returns that from ``shown`` (`Points`, `Contours`, `Outline`; on the histogram
`ResponseCurve`, `LinePlace`, `LightRange` and `ToneResponse`; beside the settings and in the step sheet
`scatter_plot.ScatterPlot`). Whoever shows operations knows these words only, and no
operation by name.

Positions are (x, y) in full-resolution pixels of the frame that the step works on, pixel centres at integers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.operations.facts import Facts
from workbench.operations.regions import Place, Region

__all__ = [
    "Box",
    "Circle",
    "Contours",
    "CurvePoints",
    "Drawing",
    "HistogramLine",
    "LightRange",
    "LinePlace",
    "Margins",
    "Outline",
    "Overlay",
    "Place",
    "Places",
    "Points",
    "Region",
    "Regions",
    "ResponseCurve",
    "Segment",
    "Strokes",
    "ToneResponse",
]

F64 = NDArray[np.float64]
Kind = Literal["margins", "rectangle", "regions", "places", "strokes", "segment", "circle", "line", "curve"]

# -- settings that are drawn ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drawing:
    """A setting that a person draws.

    Attributes
    ----------
    setting : str
        The setting that is drawn; for several drawn as one, the name under which they are.
    tool : str
        The tool's name for people.
    help : str
        What to do with the tool in hand.
    item : str
        What one drawn thing is called: ``sky sample``.
    overlay : str
        An overlay of the operation that is shown while the tool is in hand; empty: none.
    first : bool
        Whether a step added by drawing comes first in the recipe.
    also : mapping
        Other settings that drawing changes, with their values: a choice that needs what is drawn.
    """

    setting: str
    tool: str = ""
    help: str = ""
    item: str = ""
    overlay: str = ""
    first: bool = False
    also: Mapping[str, Any] = field(default_factory=dict)

    kind: ClassVar[Kind]
    #: Whether it is drawn on the picture; else on the histogram.
    on_picture: ClassVar[bool] = True
    #: Whether drawing again adds another one, so that each has a number.
    many: ClassVar[bool] = False

    @property
    def settings(self) -> tuple[str, ...]:
        """The settings that drawing changes."""
        return (self.setting, *self.also)

    def value(self, drawn: Any) -> Any:
        """What is drawn, as the setting keeps it.

        Parameters
        ----------
        drawn : object
            What the page drew, as plain data in pixels of the frame before the step.

        Returns
        -------
        object

        Raises
        ------
        WorkbenchError
            Where it has not the form of such a drawing.
        """
        return drawn

    def changes(self, old: Mapping[str, Any], drawn: Any) -> dict[str, Any]:
        """The settings after drawing: ``old`` are the operation's settings as plain data.

        Parameters
        ----------
        old : mapping of str to object
            All settings as plain data.
        drawn : object
            What the page drew, as plain data in pixels of the frame before the step.

        Returns
        -------
        dict
        """
        value = self.value(drawn)
        return {self.setting: [*(old.get(self.setting) or ()), value] if self.many else value, **self.also}

    def replaced(self, old: Mapping[str, Any], number: int, drawn: Any) -> dict[str, Any]:
        """The settings after drawing thing ``number`` (from 0) anew.

        Parameters
        ----------
        old : mapping of str to object
            All settings as plain data.
        number : int
            From 0.
        drawn : object
            What the page drew, as plain data in pixels of the frame before the step.

        Returns
        -------
        dict
        """
        items = self._items(old, number)
        items[number] = self.value(drawn)
        return {self.setting: items}

    def without(self, old: Mapping[str, Any], number: int) -> dict[str, Any]:
        """The settings without thing ``number`` (from 0).

        Parameters
        ----------
        old : mapping of str to object
            All settings as plain data.
        number : int
            From 0.

        Returns
        -------
        dict
        """
        items = self._items(old, number)
        del items[number]
        return {self.setting: items}

    def drawn(self, settings: Mapping[str, Any], facts: Facts | None) -> list[Any]:
        """All that is drawn; where a setting is empty, what the step measured in its place.

        Parameters
        ----------
        settings : mapping of str to object
            All settings as plain data.
        facts : Facts or None
            What the step measured, where that is known.

        Returns
        -------
        list
        """
        value = settings.get(self.setting)
        if self.many:
            return list(value or ())
        return [] if value is None else [value]

    def _items(self, old: Mapping[str, Any], number: int) -> list[Any]:
        if not self.many:
            raise WorkbenchError(f"{self.setting} is one {self.item or 'thing'}, without numbers: draw it anew instead")
        items = list(old.get(self.setting) or ())
        if not 0 <= number < len(items):
            raise WorkbenchError(f"there is no {self.item or 'item'} {number} (counted from 0)")
        return items


@dataclass(frozen=True, slots=True)
class Margins(Drawing):
    """Four settings of whole pixels that are cut at the ``sides``, drawn as the frame that is left."""

    setting: str = "margins"
    sides: tuple[str, str, str, str] = ("top", "right", "bottom", "left")

    kind: ClassVar[Kind] = "margins"

    @property
    def settings(self) -> tuple[str, ...]:
        return (*self.sides, *self.also)

    def value(self, drawn: Any) -> dict[str, int]:
        """``{"top": ..., "right": ..., "bottom": ..., "left": ...}``; a side that is not given is left whole."""
        if not isinstance(drawn, Mapping) or not set(drawn) <= {"top", "right", "bottom", "left"}:
            raise WorkbenchError("margins are drawn as top, right, bottom and left, each in pixels")
        sides = zip(self.sides, ("top", "right", "bottom", "left"), strict=True)
        return {setting: max(0, round(drawn.get(side, 0))) for setting, side in sides}

    def changes(self, old: Mapping[str, Any], drawn: Any) -> dict[str, Any]:
        return {**self.value(drawn), **self.also}

    def drawn(self, settings: Mapping[str, Any], facts: Facts | None) -> list[Any]:
        values = [getattr(facts, s, 0) if settings.get(s) is None else settings[s] for s in self.sides]
        return [dict(zip(("top", "right", "bottom", "left"), values, strict=True))]


@dataclass(frozen=True, slots=True)
class Box(Drawing):
    """A setting of four whole numbers: top row, left column, height, width."""

    kind: ClassVar[Kind] = "rectangle"

    def value(self, drawn: Any) -> list[int]:
        """``{"x0": ..., "y0": ..., "x1": ..., "y1": ...}`` (edges at whole numbers), or the four numbers themselves."""
        if isinstance(drawn, Mapping) and {"x0", "y0", "x1", "y1"} <= set(drawn):
            (top, bottom), (left, right) = (sorted(float(drawn[a + n]) for n in "01") for a in "yx")
            return [round(top), round(left), max(1, round(bottom - top)), max(1, round(right - left))]
        if isinstance(drawn, Sequence) and not isinstance(drawn, str) and len(drawn) == 4:
            return [round(n) for n in drawn]
        raise WorkbenchError("a rectangle is drawn as x0, y0, x1, y1, or given as top row, left column, height, width")


@dataclass(frozen=True, slots=True)
class Regions(Drawing):
    """A setting that is a tuple of `Region` (``{"shape": "rectangle", "x0": ..., ...}``)."""

    kind: ClassVar[Kind] = "regions"
    many: ClassVar[bool] = True


@dataclass(frozen=True, slots=True)
class Places(Drawing):
    """A setting that is a tuple of `Place` (``{"x": ..., "y": ...}``)."""

    kind: ClassVar[Kind] = "places"
    many: ClassVar[bool] = True

    def value(self, drawn: Any) -> dict[str, float]:
        """``{"x": ..., "y": ...}``, or (x, y)."""
        pair = not isinstance(drawn, Mapping | str) and isinstance(drawn, Sequence) and len(drawn) == 2
        given = dict(zip("xy", drawn, strict=True)) if pair else drawn
        if not isinstance(given, Mapping) or set(given) != {"x", "y"}:
            raise WorkbenchError("a place is drawn as x and y")
        return {axis: float(given[axis]) for axis in "xy"}


@dataclass(frozen=True, slots=True)
class Strokes(Drawing):
    """A setting that is a tuple of brush strokes: ``{"radius": ..., "points": [[x, y], ...]}``.

    ``radius`` is what the brush begins with, px; None: a share of the frame.
    """

    radius: float | None = None

    kind: ClassVar[Kind] = "strokes"
    many: ClassVar[bool] = True

    def value(self, drawn: Any) -> dict[str, Any]:
        if not isinstance(drawn, Mapping) or set(drawn) != {"radius", "points"}:
            raise WorkbenchError("a stroke is drawn as a radius and points (x, y)")
        return dict(drawn)


@dataclass(frozen=True, slots=True)
class _Figure(Drawing):
    """Several settings, each a number, that are drawn as one thing."""

    names: ClassVar[tuple[str, ...]]
    #: What is said where it was drawn as something else.
    form: ClassVar[str]

    @property
    def settings(self) -> tuple[str, ...]:
        return self.names

    def value(self, drawn: Any) -> dict[str, float]:
        if not isinstance(drawn, Mapping) or set(drawn) != set(self.names):
            raise WorkbenchError(self.form)
        return {name: float(drawn[name]) for name in self.names}

    def changes(self, old: Mapping[str, Any], drawn: Any) -> dict[str, Any]:
        return self.value(drawn)

    def drawn(self, settings: Mapping[str, Any], facts: Facts | None) -> list[Any]:
        return [{name: settings[name] for name in self.names}]


@dataclass(frozen=True, slots=True)
class Segment(_Figure):
    """Four settings ``x0``, ``y0``, ``x1``, ``y1``: a line drawn from its first to its second point."""

    setting: str = "segment"

    kind: ClassVar[Kind] = "segment"
    names: ClassVar[tuple[str, ...]] = ("x0", "y0", "x1", "y1")
    form: ClassVar[str] = "a line is drawn as x0, y0, x1, y1"


@dataclass(frozen=True, slots=True)
class Circle(_Figure):
    """Settings ``x``, ``y``, ``outer``: a circle drawn from its middle; ``inner`` keeps its share of the radius."""

    setting: str = "circle"

    kind: ClassVar[Kind] = "circle"
    names: ClassVar[tuple[str, ...]] = ("x", "y", "outer")
    form: ClassVar[str] = "a circle is drawn as x, y and its radius outer"

    def changes(self, old: Mapping[str, Any], drawn: Any) -> dict[str, Any]:
        new = self.value(drawn)
        share = old["inner"] / old["outer"] if old.get("outer") else 0.0
        return {**new, "inner": share * new["outer"]}


@dataclass(frozen=True, slots=True)
class HistogramLine(Drawing):
    """A number that is a line over the histogram of the linear frame the step works on.

    ``tool`` is what lies at the line (``black``), ``item`` says what the setting counts (``below the sky``).
    """

    kind: ClassVar[Kind] = "line"
    on_picture: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class CurvePoints(Drawing):
    """A setting of points ``{"x": ..., "y": ...}`` over the histogram of the picture that the step works on.

    Display values before and after, each 0..1. ``shown`` returns the curve through them as `ToneResponse`.
    """

    kind: ClassVar[Kind] = "curve"
    many: ClassVar[bool] = True
    on_picture: ClassVar[bool] = False


# -- what is shown -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Overlay:
    """Something laid over the picture or the histogram; ``name`` is one of the operation's ``overlays``.

    On the histogram there is nothing to switch, and the name is the setting it belongs to; a plot's name is its own.
    """

    name: str


@dataclass(frozen=True, slots=True)
class Points(Overlay):
    """Places at which something was measured.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
    used : ndarray of bool, shape (n,)
        Whether the result rests on it.
    words : str
        For the legend, where it is not to count those that are used.
    """

    x: F64
    y: F64
    used: NDArray[np.bool_]
    words: str = ""


@dataclass(frozen=True, slots=True)
class Contours(Overlay):
    """A smooth field over the whole frame, as lines of equal value.

    Attributes
    ----------
    values : ndarray, shape (rows, cols)
        At the middles of equal cells that fill the frame.
    words : str
        The range in words.
    """

    values: F64
    words: str


@dataclass(frozen=True, slots=True)
class Outline(Overlay):
    """An outline in the frame before the step.

    Attributes
    ----------
    region : mapping
        ``shape`` and what belongs to it, as of a region in a recipe.
    words : str
        What it is.
    """

    region: Mapping[str, Any]
    words: str


@dataclass(frozen=True, slots=True)
class ResponseCurve(Overlay):
    """A curve over the histogram: which code value 0..1 light gets.

    Attributes
    ----------
    start : float
        Light at which the curve leaves 0.
    height : callable
        From light (n,) to code values (n,).
    """

    start: float
    height: Callable[[F64], F64]


@dataclass(frozen=True, slots=True)
class LinePlace(Overlay):
    """Where the line of a `HistogramLine` lies: ``at`` now, and ``zero + per_unit * setting`` for other values."""

    at: float
    zero: float
    per_unit: float


@dataclass(frozen=True, slots=True)
class LightRange(Overlay):
    """Where the channels of a linear frame lie over each other, and where black and faint light can be told apart.

    Attributes
    ----------
    offsets : tuple of float
        Each channel's sky less the common one.
    low, top : float
        The range around the common sky.
    """

    offsets: tuple[float, ...]
    low: float
    top: float


@dataclass(frozen=True, slots=True)
class ToneResponse(Overlay):
    """A curve over the histogram of a picture: from display values 0..1 before (n,) to those after (n,)."""

    height: Callable[[F64], F64]

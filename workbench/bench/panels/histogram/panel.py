"""The histogram, and over it the line and the curve of the step that makes light a picture."""

from __future__ import annotations

from collections.abc import Container, Mapping
from typing import Any, ClassVar, Literal

import numpy as np

from workbench.bench.context import Context
from workbench.bench.events import Event, RecipeChanged, SelectionChanged, StackOpened
from workbench.bench.panel import Panel
from workbench.bench.panels.histogram.counts import Counting
from workbench.bench.views import Viewed
from workbench.operations.base import Facts, Geometry, Operation
from workbench.operations.describe import declared, label_of, limits, unit_words
from workbench.operations.drawing import CurvePoints, HistogramLine, LinePlace, ResponseCurve, ToneResponse
from workbench.recipe.model import RecipeData

__all__ = ["Histogram", "histogram_state", "tone_state"]

#: Points of the drawn curve.
_POINTS = 64

_START: dict[str, Any] = {
    "display": [],
    "linear": None,
    "linear_top": 1.0,
    "near": None,
    "line": None,
    "log": True,
    "view": "display",
    "tone": None,
}
_NOTHING: dict[str, Any] = {
    "line_label": "",
    "line_aria": "",
    "line_at": None,
    "line_zero": None,
    "line_per_unit": None,
    "curve": None,
}
#: Points that a setting may have where its declaration does not say.
_MOST_POINTS = 16


class Histogram(Panel):
    """Counts of the view's pixels by value, over the linear ones the line and the curve of a step.

    Where the chosen step has a curve of points, that is over the counts of the picture before the step.
    """

    module = "histogram"
    place: ClassVar[Literal["side"]] = "side"

    def __init__(self, context: Context, **kwargs: Any) -> None:
        super().__init__(context, state=_START | _NOTHING, **kwargs)
        self._counting = Counting()
        self._session = context.session

    def hear(self, event: Event) -> None:
        if isinstance(event, StackOpened):
            self._counting.forget()
        if isinstance(event, RecipeChanged | SelectionChanged):
            self.put(tone=self._tone())
        if isinstance(event, Viewed) and event.name == "now":
            counts = self._counting.of(event.side, event.view, event.width, moving=event.moving)
            message = {"generation": event.generation, **counts}
            preview = event.side.preview
            self._count_before(event)
            state = histogram_state(message, preview.recipe, preview.known_facts, preview.frozen)
            self.put(**state | {"tone": self._tone()})

    def _count_before(self, event: Viewed) -> None:
        """Count the picture before the chosen step where that has a curve of points."""
        index, recipe = self._session.selected, event.side.preview.recipe
        if index is not None and index < len(recipe) and _points_of(recipe[index].operation) is not None:
            self._counting.count_before(event.side, event.width, index)

    def _tone(self) -> dict[str, Any] | None:
        index = self._session.selected
        if index is None:
            return None
        return tone_state(self._session.steps[index].step.operation, index, self._counting.before(index))


def _points_of(operation: Operation) -> CurvePoints | None:
    return next((d for d in operation.drawn if isinstance(d, CurvePoints)), None)


def tone_state(operation: Operation, index: int, counts: list[list[int]] | None = None) -> dict[str, Any] | None:
    """What the histogram shows of a step whose points are drawn on it; None for any other step.

    Parameters
    ----------
    operation : Operation
    index : int
        Its place in the recipe.
    counts : list of lists of int, optional
        256 counts of each channel of the picture before the step.

    Returns
    -------
    dict or None
    """
    drawing = _points_of(operation)
    if drawing is None:
        return None
    values = np.linspace(0, 1, 2 * _POINTS)
    shown = operation.shown(Facts(), Geometry(1, 1, 3))
    curve = next((overlay.height(values) for overlay in shown if isinstance(overlay, ToneResponse)), values)
    info = type(operation).model_fields[drawing.setting]
    most = next((m.max_length for m in info.metadata if hasattr(m, "max_length")), _MOST_POINTS)
    return {
        "index": index,
        "name": drawing.setting,
        "help": drawing.help,
        "item": drawing.item,
        "points": [[point.x, point.y] for point in getattr(operation, drawing.setting)],
        "most": most,
        "curve": np.round(np.column_stack([values, curve]), 5).tolist(),
        "counts": counts,
    }


def histogram_state(
    message: dict[str, Any], recipe: RecipeData, facts: Mapping[int, Facts], frozen: Container[int] = ()
) -> dict[str, Any]:
    """What the histogram shows.

    Parameters
    ----------
    message : dict
        ``generation``, ``display`` (256 counts of each channel over 0..1), and where a linear frame lies before the
        stretch ``linear`` (the same over 0..``linear_top``) and ``linear_top``, and ``near`` ({counts, low, top} around
        the sky, None while that is not known). ``stretch`` is the place of the step that turned the frame shown from
        linear to display (None: none of the recipe's).
    recipe : Recipe
    facts : mapping
        Known facts by place.
    frozen : container of int
        Places of steps whose facts are frozen.

    Returns
    -------
    dict
        Entries of the panel's state. ``line`` describes the setting behind the line, which lies at
        ``line_zero + line_per_unit * setting`` unless the step itself keeps it farther from there;
        ``line_at``, ``line_zero``, ``line_per_unit`` and ``curve`` are None while the facts are not known.
    """
    linear = message.get("linear")
    top = float(message.get("linear_top") or 1.0)
    state: dict[str, Any] = {
        "generation": message.get("generation"),
        "display": message["display"],
        "linear": linear,
        "linear_top": top,
        "near": message.get("near"),
        "line": None,
        **_NOTHING,
    }
    place = message.get("stretch")
    if linear is None or place is None or not 0 <= place < len(recipe):
        return state
    operation = recipe[place].operation
    drawing = next((d for d in operation.drawn if isinstance(d, HistogramLine)), None)
    if drawing is not None:
        state |= {"line_label": drawing.tool, "line_aria": f"{label_of(drawing.tool)} point"}
    if drawing is not None and place not in frozen:  # frozen facts hold the line where it is, whatever the setting
        state["line"] = {"index": place, **_setting(operation, drawing)}
    if place in facts:
        state |= _line_and_curve(operation, facts[place], top, len(linear))
    return state


def _setting(operation: Operation, drawing: HistogramLine) -> dict[str, Any]:
    """Name, value, range, unit and words of the setting behind the line, from its declaration."""
    info = type(operation).model_fields[drawing.setting]
    bounds = limits(info)
    return {
        "name": drawing.setting,
        "words": drawing.item,
        "value": getattr(operation, drawing.setting),
        "min": bounds.get("ge"),
        "max": bounds.get("le"),
        "unit": unit_words(declared(info, "unit") or ""),
    }


def _line_and_curve(operation: Operation, facts: Facts, top: float, channels: int) -> dict[str, Any]:
    """Where the line lies on the linear axis, and the code values that grays get."""
    told: dict[str, Any] = {}
    for overlay in operation.shown(facts, Geometry(1, 1, channels)):
        match overlay:
            case LinePlace(at=at, zero=zero, per_unit=per_unit):
                told |= {"line_at": at, "line_zero": zero, "line_per_unit": per_unit}
            case ResponseCurve(start=start):
                # Denser toward its start, where the curve is steep.
                light = start + max(top - start, 0.0) * np.linspace(0, 1, _POINTS - 1) ** 3
                points = [[min(0.0, start), 0.0], *np.column_stack([light, overlay.height(light)]).tolist()]
                told["curve"] = [[float(f"{x:.6g}"), round(y, 5)] for x, y in points]
            case _:
                pass
    return told

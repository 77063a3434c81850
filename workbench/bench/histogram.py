"""The histogram panel, and what it says about the stretch."""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np

from workbench.bench.layout import Layout
from workbench.bench.panel import Handler, Panel
from workbench.operations.base import Facts, Geometry, Operation
from workbench.operations.colorspace import luminance_weights
from workbench.operations.stretch import Stretch, StretchFacts
from workbench.teach.wording import unit_words

__all__ = ["Histogram", "histogram_state"]

#: Points of the drawn curve.
_POINTS = 64
#: The setting that the black point line moves.
_SETTING = "black"

_START: dict[str, Any] = {
    "display": [],
    "linear": None,
    "linear_top": 1.0,
    "near": None,
    "stretch": None,
    "log": True,
    "view": "display",
}
_NOTHING: dict[str, Any] = {"black": None, "black_zero": None, "black_per_unit": None, "curve": None}


class Histogram(Panel):
    """Counts of the view's pixels by value, with the black point and the stretch curve over the linear ones."""

    module = "histogram"
    parts: ClassVar[tuple[str, ...]] = ("histogram-black",)

    def __init__(self, handler: Handler, **kwargs: Any) -> None:
        super().__init__(handler, state=_START | _NOTHING, **kwargs)


def histogram_state(message: dict[str, Any], layout: Layout, facts: dict[int, Facts]) -> dict[str, Any]:
    """What the histogram shows.

    Parameters
    ----------
    message : dict
        ``generation``, ``display`` (256 counts of each channel over 0..1), and where a linear frame lies before the
        stretch ``linear`` (the same over 0..``linear_top``) and ``linear_top``, and ``near`` ({counts, low, top} around
        the sky, None while that is not known). ``stretch``, where given, is the place
        of the stretch that the frame shown went through (None: none of the recipe's).
    layout : Layout
        The cards on the table.
    facts : dict
        Known facts by place.

    Returns
    -------
    dict
        Entries of the panel's state. ``stretch`` describes the setting behind the black point line, which lies at
        ``black_zero + black_per_unit * setting`` unless the stretch itself keeps black farther from the sky;
        ``black``, ``black_zero``, ``black_per_unit`` and ``curve`` are None while the facts are not known.
    """
    linear = message.get("linear")
    top = float(message.get("linear_top") or 1.0)
    state: dict[str, Any] = {
        "generation": message.get("generation"),
        "display": message["display"],
        "linear": linear,
        "linear_top": top,
        "near": message.get("near"),
        "stretch": None,
        **_NOTHING,
    }
    place = message["stretch"] if "stretch" in message else _stretch_place(layout)
    if linear is None or place is None or not 0 <= place < len(layout.cards):
        return state
    card = layout.cards[place]
    operation = card.step.operation
    if not isinstance(operation, Stretch):
        return state
    if card.frozen is None:  # frozen facts hold black where it is, whatever the setting
        state["stretch"] = {"index": place, **_setting(operation, _SETTING)}
    found = facts.get(place)
    if isinstance(found, StretchFacts):
        state |= _black_and_curve(operation, found, top)
    return state


def _stretch_place(layout: Layout) -> int | None:
    places = (i for i, card in enumerate(layout.cards) if card.step.on and isinstance(card.step.operation, Stretch))
    return next(places, None)


def _setting(operation: Operation, name: str) -> dict[str, Any]:
    """Name, value, range and unit of a setting, from its declaration."""
    info = type(operation).model_fields[name]
    limits = {key: getattr(rule, key) for rule in info.metadata for key in ("ge", "le") if hasattr(rule, key)}
    extra = info.json_schema_extra
    return {
        "name": name,
        "value": getattr(operation, name),
        "min": limits.get("ge"),
        "max": limits.get("le"),
        "unit": unit_words(str(extra.get("unit", ""))) if isinstance(extra, dict) else "",
    }


def _black_and_curve(operation: Stretch, facts: StretchFacts, top: float) -> dict[str, Any]:
    """Where black lies on the linear axis, and the code values that grays get."""
    weights = luminance_weights(len(facts.black))
    black = float(weights @ np.asarray(facts.black))
    plan = operation.prepare(facts, Geometry(1, 1, len(facts.black)))
    # Denser toward black, where the curve is steep.
    light = black + max(top - black, 0.0) * np.linspace(0, 1, _POINTS - 1) ** 3
    code = plan.shoulder.forward(plan.curve.forward((light - black) / plan.span))
    points = [[min(0.0, black), 0.0], *np.column_stack([light, code]).tolist()]
    return {
        "black": black,
        "black_zero": float(weights @ np.asarray(facts.sky)),
        "black_per_unit": -facts.luminance_noise,
        "curve": [[float(f"{x:.6g}"), round(y, 5)] for x, y in points],
    }

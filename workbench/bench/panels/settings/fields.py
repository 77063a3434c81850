"""Settings as controls: what a page needs to draw one for each field of an operation's declaration."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel

from workbench.operations.describe import Setting, label_of, number_words, settings_of

__all__ = ["fields_of"]

#: A range over more decades than this is better felt on a logarithmic slider.
_LOG_FROM = 100.0
#: A default this much nearer to the low end than to the high one asks for finer steps there.
_CROWDED = 20.0
#: Steps of a slider from end to end, about as many as a hand can tell apart.
_STEPS = 200
#: A range open at zero starts on the slider at this share of its top; any value can be typed.
_OPEN = 1e-6


def fields_of(model: BaseModel, measured: BaseModel | None = None) -> list[dict[str, Any]]:
    """One entry for each field, in the order of their declaration.

    Parameters
    ----------
    model : BaseModel
        The settings as they are.
    measured : BaseModel, optional
        Facts; where one has the name of a field that may be left empty, it is what empty means.

    Returns
    -------
    list of dict
        ``name, label, kind, value, default, unit, help, expert``, and for the kinds:

        * ``number``, ``integer``: ``min, max`` (allowed; None: open), ``low, high`` (ends of the slider; None: no
          slider), ``step``, ``scale`` (linear, log, root), ``optional``, ``measured``, ``start``;
        * ``choice``: ``choices`` [[value, label], ...];
        * ``numbers`` (a fixed count): ``parts``, a label for each; ``optional``, ``start``;
        * ``list``: ``items``, a line for each;
        * ``switch``, ``text``, and ``data`` (any other shape, as JSON) have nothing more.
    """
    values = model.model_dump(mode="json")
    return [_field(s, values[s.name], getattr(measured, s.name, None)) for s in settings_of(type(model))]


def _field(setting: Setting, value: Any, measured: Any) -> dict[str, Any]:
    # A union of several shapes has no control of its own; it is edited as text.
    kind = setting.kinds[0] if len(setting.kinds) == 1 else {}
    field = {
        "name": setting.name,
        "label": setting.label,
        "value": value,
        "default": setting.initial,
        "unit": setting.unit,
        "help": setting.description,
        "expert": setting.expert,
        "optional": setting.optional,
    }
    if "const" in kind or "enum" in kind:
        options = kind.get("enum", [kind.get("const")])
        choices = [[option, label_of(str(option))] for option in options]
        return field | {"kind": "choice", "choices": [[None, "Automatic"], *choices] if setting.optional else choices}
    return field | _by_type(kind, setting, value, measured)


def _by_type(kind: dict[str, Any], setting: Setting, value: Any, measured: Any) -> dict[str, Any]:
    match kind.get("type"):
        case "integer" | "number":
            return _number(kind, setting.initial, measured if setting.optional else None)
        case "array" if "prefixItems" in kind:
            return _tuple(kind["prefixItems"], setting.parts, measured)
        case "array":
            return {"kind": "list", "items": [_item_words(item) for item in value or ()]}
        case simple:
            return {"kind": {"boolean": "switch", "string": "text"}.get(str(simple), "data")}


def _number(kind: dict[str, Any], default: Any, measured: Any) -> dict[str, Any]:
    whole = kind["type"] == "integer"
    low, high = kind.get("minimum"), kind.get("maximum")
    first, last = low, high
    if low is None and "exclusiveMinimum" in kind and high is not None:
        above = kind["exclusiveMinimum"]
        first = above + (1 if whole else (high - above) * _OPEN)
    if high is None and "exclusiveMaximum" in kind and first is not None:
        below = kind["exclusiveMaximum"]
        last = below - (1 if whole else (below - first) * _OPEN)
    field = {"kind": "integer" if whole else "number", "min": low, "max": high, "low": None, "high": None}
    field |= {"step": 1, "scale": "linear", "measured": measured if isinstance(measured, int | float) else None}
    if first is not None and last is not None and last > first:
        scale = _scale(first, last, default)
        step = 1 if whole else _round_step((last - first) / _STEPS)
        field |= {"low": first, "high": last, "scale": scale, "step": step}
    elif not whole:
        field["step"] = _round_step(abs(default or 1) / 20)
    return field | {"start": _start(field, default)}


def _scale(low: float, high: float, default: Any) -> str:
    if low > 0 and high / low > _LOG_FROM:
        return "log"
    crowded = isinstance(default, int | float) and default * _CROWDED <= high
    return "root" if low == 0 and high > 10 and crowded else "linear"


def _round_step(step: float) -> float:
    """The largest of 1, 2 and 5 times a power of ten that is not above ``step``."""
    power = 10.0 ** math.floor(math.log10(step))
    return float(f"{max(m * power for m in (1, 2, 5) if m * power <= step * 1.0001):.6g}")


def _start(field: dict[str, Any], default: Any) -> Any:
    """Where a setting that was left empty starts when it is taken in hand."""
    if field["measured"] is not None:
        start = field["measured"]
    elif default is not None:
        return default
    elif field["high"] is None:
        start = field["min"] or 0
    elif field["scale"] == "log":
        start = math.sqrt(field["low"] * field["high"])
    else:
        start = (field["low"] + field["high"]) / 2
    return round(start) if field["kind"] == "integer" else float(f"{start:.2g}")


def _tuple(kinds: list[dict[str, Any]], parts: Sequence[str], measured: Any) -> dict[str, Any]:
    if any(k.get("type") not in {"integer", "number"} for k in kinds):
        return {"kind": "data"}
    parts = parts or [str(i + 1) for i in range(len(kinds))]
    start = [1 if k["type"] == "integer" else 1.0 for k in kinds]
    if isinstance(measured, Sequence) and len(measured) == len(kinds):
        start = [round(value, 3) for value in measured]
    return {"kind": "numbers", "parts": list(parts), "start": start}


def _item_words(item: Any) -> str:
    if not isinstance(item, dict):
        return number_words(item) if isinstance(item, int | float) else str(item)
    words = [f"{k} {number_words(v)}" for k, v in item.items() if isinstance(v, int | float)]
    words += [f"{len(v)} {k}" for k, v in item.items() if isinstance(v, list)]
    named = [str(v) for v in item.values() if isinstance(v, str)]
    return f"{' '.join(named)}: {', '.join(words)}" if named else ", ".join(words)

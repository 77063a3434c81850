"""What an operation's declaration says, in words: its docstring in parts, its settings with their ranges."""

from __future__ import annotations

import inspect
import re
from dataclasses import dataclass
from typing import Any, Self

from workbench.operations.base import Operation

__all__ = [
    "Setting",
    "Story",
    "label_of",
    "sentence_start",
    "settings_of",
    "spans",
    "title_of",
    "unit_words",
    "value_words",
]


#: Units of declarations that are better told in words.
_UNITS = {"sigma": "noise units"}


@dataclass(frozen=True, slots=True)
class Story:
    """An operation's docstring: what it does, why and when to use it, and how it works with its sources.

    With ``marked`` the marks around code are kept, for `spans`.
    """

    summary: str
    why: str
    details: tuple[str, ...]

    @classmethod
    def of(cls, operation: type[Operation], *, marked: bool = False) -> Self:
        """Read the docstring of an operation class."""
        paragraphs = re.split(r"\n\s*\n", inspect.cleandoc(operation.__doc__ or ""))
        parts = [" ".join(p.split()) if marked else _plain(p) for p in paragraphs if p.strip()]
        return cls(parts[0] if parts else "", parts[1] if len(parts) > 1 else "", tuple(parts[2:]))


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of an operation: its name, allowed values and default in words, unit and description."""

    name: str
    allowed: str
    default: str
    unit: str
    description: str
    expert: bool


def sentence_start(words: str) -> str:
    """The same words, beginning like a sentence."""
    return words[:1].upper() + words[1:]


def spans(words: str) -> list[tuple[bool, str]]:
    """Words cut where code begins and ends by its marks: (whether it is code, the text)."""
    pieces = re.split(r"``(.+?)``|`(.+?)`", words)  # every third is not code
    return [(bool(n % 3), piece) for n, piece in enumerate(pieces) if piece]


def label_of(name: str) -> str:
    """A name in a declaration, for people: ``keep_sky`` is 'Keep sky'."""
    return sentence_start(name.replace("_", " ").strip())


def unit_words(unit: str) -> str:
    """A unit for people who have not met it: ``sigma`` is 'noise units'."""
    return _UNITS.get(unit, unit)


def title_of(operation: type[Operation]) -> str:
    """The operation's name for people: ``remove_gradient`` is 'Remove gradient'."""
    return label_of(operation.id)


def value_words(value: Any) -> str:
    """A setting's value as a person writes it."""
    if value is None:
        return "automatic"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        return ", ".join(value_words(v) for v in value) if value else "none"
    return str(value)


def settings_of(operation: type[Operation]) -> list[Setting]:
    """The settings of an operation, in the order of their declaration."""
    schema = operation.model_json_schema()
    definitions = schema.get("$defs", {})
    rows = []
    for name, info in schema.get("properties", {}).items():
        default = "needed" if name in schema.get("required", []) else value_words(info.get("default"))
        description = info.get("description", "")
        rows.append(
            Setting(
                name, _allowed(info, definitions), default, info.get("unit", ""), description, bool(info.get("expert"))
            )
        )
    return rows


def _allowed(info: dict[str, Any], definitions: dict[str, Any]) -> str:
    """What values a setting takes, from its JSON Schema."""
    if "$ref" in info:
        info = definitions[info["$ref"].rsplit("/", 1)[-1]]
    if kinds := info.get("anyOf") or info.get("oneOf"):
        words = ["empty (automatic)" if k.get("type") == "null" else _allowed(k, definitions) for k in kinds]
        return " or ".join(dict.fromkeys(words))
    if "enum" in info:
        return " | ".join(map(str, info["enum"]))
    kind = info.get("type")
    if kind == "array":
        return _array(info, definitions)
    if kind == "object":
        return f"{{{', '.join(info.get('properties', {}))}}}"
    return "yes | no" if kind == "boolean" else _range(info)


def _array(info: dict[str, Any], definitions: dict[str, Any]) -> str:
    if "prefixItems" in info:
        kinds = dict.fromkeys(_allowed(k, definitions) for k in info["prefixItems"])
        return f"{len(info['prefixItems'])} of: {', '.join(kinds)}"
    items = info.get("items") or {}
    return f"list of {_allowed(items, definitions)}" if items else "list"


def _range(info: dict[str, Any]) -> str:
    low, high = info.get("minimum"), info.get("maximum")
    above, below = info.get("exclusiveMinimum"), info.get("exclusiveMaximum")
    words = {"integer": "whole number", "number": "number", "string": "text"}.get(str(info.get("type")), "value")
    lower = f"{low:g}" if low is not None else f"above {above:g}" if above is not None else None
    upper = f"{high:g}" if high is not None else f"below {below:g}" if below is not None else None
    if lower and upper:
        return f"{words}, {lower} to {upper}"
    if lower:
        return f"{words}, {lower} or more" if low is not None else f"{words}, {lower}"
    return f"{words}, at most {upper}" if upper else words


def _plain(paragraph: str) -> str:
    """A paragraph on one line, without the marks that documentation tools use."""
    return " ".join(paragraph.replace("``", "").replace("`", "").split())

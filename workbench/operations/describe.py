"""What an operation's declaration says, in words: its docstring, its settings with their ranges, what it measures.

The one place for it: lessons, the command line, the bench and refusals take their words from here.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Self, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from workbench.operations.base import Operation
from workbench.operations.facts import Array, Facts, FactsPart
from workbench.operations.packed import Packed

__all__ = [
    "Fact",
    "Setting",
    "Story",
    "declared",
    "facts_of",
    "label_of",
    "limits",
    "number_words",
    "plain_facts",
    "range_words",
    "sentence_start",
    "settings_of",
    "spans",
    "title_of",
    "unit_words",
    "value_words",
]


#: Units of declarations that are better told in words.
_UNITS = {"sigma": "noise units"}
#: Longer lists of numbers are data, not something to read.
_READABLE = 4
#: A bound in a declaration -> the same in a JSON Schema.
_BOUNDS = {"ge": "minimum", "gt": "exclusiveMinimum", "le": "maximum", "lt": "exclusiveMaximum"}


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
        """Read the docstring of an operation class.

        Parameters
        ----------
        operation : type of Operation
        marked : bool
            Whether the marks around code stay.

        Returns
        -------
        Story
        """
        paragraphs = re.split(r"\n\s*\n", inspect.cleandoc(operation.__doc__ or ""))
        parts = [" ".join(p.split()) if marked else _plain(p) for p in paragraphs if p.strip()]
        return cls(parts[0] if parts else "", parts[1] if len(parts) > 1 else "", tuple(parts[2:]))


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of an operation, as it is declared.

    Attributes
    ----------
    name, label : str
        In a recipe, and for people.
    kinds : tuple of dict
        JSON Schemas of the values it may have, None aside; references in them are followed.
    optional : bool
        Whether it may be left empty (None).
    required : bool
        Whether it must be given.
    initial : object
        The value where it is not given; in JSON's types.
    unit, description : str
        In words.
    expert : bool
        Whether a beginner should not meet it first.
    parts : tuple of str
        A word for each number of a fixed row, where they are declared.
    """

    name: str
    label: str
    kinds: tuple[dict[str, Any], ...]
    optional: bool
    required: bool
    initial: Any
    unit: str
    description: str
    expert: bool
    parts: tuple[str, ...]

    @property
    def allowed(self) -> str:
        """Its values in words: ``number, 0 to 1 or empty (automatic)``."""
        words = [*map(_allowed, self.kinds), *(["empty (automatic)"] if self.optional else [])]
        return " or ".join(dict.fromkeys(words))

    @property
    def default(self) -> str:
        """Its value where it is not given, in words."""
        return "needed" if self.required else value_words(self.initial)


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that an operation measures: its name (parts joined by dots), shape and unit in words, description."""

    name: str
    shape: str
    unit: str
    description: str


def declared(info: FieldInfo, entry: str) -> Any:
    """What a field's declaration says under a name of our own (``unit``, ``shape``, ``expert``), or None.

    Parameters
    ----------
    info : pydantic.fields.FieldInfo
    entry : str

    Returns
    -------
    object or None
    """
    return info.json_schema_extra.get(entry) if isinstance(info.json_schema_extra, dict) else None


def limits(info: FieldInfo) -> dict[str, float]:
    """The bounds of a field: those of ``ge``, ``gt``, ``le``, ``lt`` that are declared.

    Parameters
    ----------
    info : pydantic.fields.FieldInfo

    Returns
    -------
    dict of str to float
    """
    return {k: getattr(m, k) for m in info.metadata for k in _BOUNDS if getattr(m, k, None) is not None}


def facts_of(operation: type[Operation]) -> list[Fact]:
    """What an operation measures, in the order of the declaration; groups with their parts.

    Parameters
    ----------
    operation : type of Operation

    Returns
    -------
    list of Fact
    """
    return list(_facts_of(operation.facts_type)) if operation.measures() else []


def _facts_of(model: type[FactsPart], before: str = "") -> Iterator[Fact]:
    for name, info in model.model_fields.items():
        if name in Facts.model_fields and issubclass(model, Facts):  # what every step may have
            continue
        arrays = [m for m in info.metadata if isinstance(m, Array)]
        shape = arrays[0].shape if arrays else declared(info, "shape") or ()
        words = " x ".join(map(str, shape))
        yield Fact(
            before + name, words, unit_words(declared(info, "unit") or ""), sentence_start(info.description or "")
        )
        for part in _parts(info.annotation):
            if part is not Packed:
                yield from _facts_of(part, f"{before}{name}.")


def _parts(annotation: Any) -> Iterator[type[FactsPart]]:
    if isinstance(annotation, type) and issubclass(annotation, FactsPart):
        yield annotation
    for inner in get_args(annotation):
        yield from _parts(inner)


def number_words(value: float) -> str:
    """A number with as many digits as people want to read.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
    """
    if isinstance(value, int):
        return f"{value:,}".replace(",", "\u202f") if abs(value) >= 10000 else str(value)
    return f"{value:.4g}"


def plain_facts(facts: Facts) -> list[list[str]]:
    """[what, value] of the facts that are a few plain numbers or words; longer data is left out.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    list of [str, str]
    """
    rows: list[list[str]] = []
    for name in type(facts).model_fields:
        value = getattr(facts, name)
        words = _value_words(value)
        if words is not None:
            rows.append([label_of(name), words])
        elif isinstance(value, BaseModel):
            inner = [(k, _value_words(v)) for k, v in value]
            rows += [[f"{label_of(name)}: {label_of(k).lower()}", w] for k, w in inner if w is not None]
    return rows


def _value_words(value: Any) -> str | None:
    if isinstance(value, bool):
        return value_words(value)
    if isinstance(value, int | float):
        return _fact_words(value)
    if isinstance(value, str):
        return value if 0 < len(value) <= 60 else None
    numbers = isinstance(value, tuple) and 0 < len(value) <= _READABLE
    if numbers and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
        return ", ".join(_fact_words(v) for v in value)
    return None


def _fact_words(value: float) -> str:
    """A measured number; shares of the white level are often so small that people count them in millionths."""
    small = isinstance(value, float) and 0 < abs(value) < 1e-3
    return f"{number_words(value * 1e6)} millionths" if small else number_words(value)


def sentence_start(words: str) -> str:
    """The same words, beginning like a sentence.

    Parameters
    ----------
    words : str

    Returns
    -------
    str
    """
    return words[:1].upper() + words[1:]


def spans(words: str) -> list[tuple[bool, str]]:
    """Words cut where code begins and ends by its marks: (whether it is code, the text).

    Parameters
    ----------
    words : str

    Returns
    -------
    list of (bool, str)
    """
    pieces = re.split(r"``(.+?)``|`(.+?)`", words)  # every third is not code
    return [(bool(n % 3), piece) for n, piece in enumerate(pieces) if piece]


def label_of(name: str) -> str:
    """A name in a declaration, for people: ``keep_sky`` is 'Keep sky'.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
    """
    return sentence_start(name.replace("_", " ").strip())


def unit_words(unit: str) -> str:
    """A unit for people who have not met it: ``sigma`` is 'noise units'.

    Parameters
    ----------
    unit : str
        As a declaration has it.

    Returns
    -------
    str
    """
    return _UNITS.get(unit, unit)


def title_of(operation: type[Operation]) -> str:
    """The operation's name for people: ``remove_gradient`` is 'Remove gradient'.

    Parameters
    ----------
    operation : type of Operation

    Returns
    -------
    str
    """
    return label_of(operation.id)


def value_words(value: Any) -> str:
    """A setting's value as a person writes it.

    Parameters
    ----------
    value : object

    Returns
    -------
    str
    """
    if value is None:
        return "automatic"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        return ", ".join(value_words(v) for v in value) if value else "none"
    return str(value)


@cache  # asked for at every move of a slider; making a schema takes about a millisecond
def settings_of(model: type[BaseModel]) -> tuple[Setting, ...]:
    """The settings of an operation, or the fields of another model, in the order of their declaration.

    Parameters
    ----------
    model : type of BaseModel

    Returns
    -------
    tuple of Setting
    """
    schema = model.model_json_schema()
    fields = _without_references(schema.get("properties", {}), schema.get("$defs", {}))
    return tuple(_setting(name, info, name in schema.get("required", ())) for name, info in fields.items())


def _setting(name: str, info: dict[str, Any], required: bool) -> Setting:
    kinds = info.get("anyOf", [info])
    values = tuple(kind for kind in kinds if kind.get("type") != "null")
    return Setting(
        name=name,
        label=info.get("label") or label_of(name),
        kinds=values,
        optional=len(values) < len(kinds),
        required=required,
        initial=info.get("default"),
        unit=unit_words(info.get("unit", "")),
        description=sentence_start(info.get("description", "")),
        expert=bool(info.get("expert")),
        parts=tuple(info.get("parts", ())),
    )


def _without_references(schema: Any, definitions: dict[str, Any]) -> Any:
    """A JSON Schema with each reference replaced by what it refers to."""
    if isinstance(schema, list):
        return [_without_references(part, definitions) for part in schema]
    if not isinstance(schema, dict):
        return schema
    if isinstance(reference := schema.get("$ref"), str):
        beside = {k: v for k, v in schema.items() if k != "$ref"}
        schema = definitions[reference.rsplit("/", 1)[-1]] | beside
    return {k: _without_references(v, definitions) for k, v in schema.items()}


def _allowed(kind: dict[str, Any]) -> str:
    """What values a JSON Schema takes."""
    if choices := kind.get("anyOf") or kind.get("oneOf"):
        return " or ".join(dict.fromkeys(map(_allowed, choices)))
    if "enum" in kind:
        return " | ".join(map(str, kind["enum"]))
    match kind.get("type"):
        case "array":
            return _array(kind)
        case "object":
            return f"{{{', '.join(kind.get('properties', {}))}}}"
        case "boolean":
            return "yes | no"
    words = {"integer": "whole number", "number": "number", "string": "text"}.get(str(kind.get("type")), "value")
    bounds = range_words({k: kind[entry] for k, entry in _BOUNDS.items() if entry in kind})
    return f"{words}, {bounds}" if bounds else words


def _array(kind: dict[str, Any]) -> str:
    if "prefixItems" in kind:
        kinds = dict.fromkeys(map(_allowed, kind["prefixItems"]))
        return f"{len(kind['prefixItems'])} of: {', '.join(kinds)}"
    items = kind.get("items") or {}
    return f"list of {_allowed(items)}" if items else "list"


def range_words(bounds: Mapping[str, float]) -> str:
    """What lies within bounds: ``0 to 1``, ``above 0 to 20``, ``at least 4``; empty where there are none.

    Parameters
    ----------
    bounds : mapping of str to float
        By ``ge``, ``gt``, ``le``, ``lt``, as `limits` gives them.

    Returns
    -------
    str
    """
    low, high = bounds.get("ge"), bounds.get("le")
    above, below = bounds.get("gt"), bounds.get("lt")
    lower = f"{low:.12g}" if low is not None else f"above {above:.12g}" if above is not None else ""
    upper = f"{high:.12g}" if high is not None else f"below {below:.12g}" if below is not None else ""
    if lower and upper:
        return f"{lower} to {upper}"
    return f"at least {lower}" if low is not None else f"at most {upper}" if high is not None else lower or upper


def _plain(paragraph: str) -> str:
    """A paragraph on one line, without the marks that documentation tools use."""
    return " ".join(paragraph.replace("``", "").replace("`", "").split())

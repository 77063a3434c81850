"""Recipes as JSON text: strict reading, migration of older files, schema. Reading never executes anything."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

from pydantic import ValidationError

from workbench.errors import WorkbenchError, brief
from workbench.masks import WHERE
from workbench.operations.base import registered
from workbench.outputs import Output
from workbench.recipe.faults import sentence
from workbench.recipe.model import KIND, MAX_OUTPUTS, MAX_STEPS, VERSION, Layer, Step

__all__ = ["MIGRATIONS", "dumps", "json_schema", "loads", "parse_json", "read_text"]

#: A recipe is a few kilobytes; a run record with star lists a few megabytes.
MAX_BYTES = 64 * 2**20


def parse_json(text: str, what: str) -> Any:
    """Parse JSON strictly: no NaN, no repeated names, no endless nesting; a fault is told with its place.

    Parameters
    ----------
    text : str
    what : str
        Its name in sentences about mistakes.

    Returns
    -------
    object

    Raises
    ------
    WorkbenchError
        When it is not JSON of that kind.
    """

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key, value in items:
            if key in out:
                raise WorkbenchError(f"{what} names {brief(key)} twice in one object")
            out[key] = value
        return out

    def constant(name: str) -> Any:
        raise WorkbenchError(f"{what} holds {name}, which is not a number JSON knows")

    try:
        return json.loads(text.removeprefix("\ufeff"), object_pairs_hook=pairs, parse_constant=constant)
    except json.JSONDecodeError as error:
        raise WorkbenchError(f"{what} is not JSON: {error.msg} at line {error.lineno}, column {error.colno}") from None
    except RecursionError:
        raise WorkbenchError(f"{what} is nested too deeply to be a recipe or a record") from None
    except ValueError:  # Python refuses to make integers of so many digits
        raise WorkbenchError(f"{what} cannot be read: it holds a number of thousands of digits") from None


def read_text(path: str | Path, what: str) -> str:
    """Text of a small file, or one sentence on why it cannot be read.

    Parameters
    ----------
    path : path
    what : str
        Its name in sentences about mistakes.

    Returns
    -------
    str

    Raises
    ------
    WorkbenchError
        When it is missing, too large, or not text.
    """
    path = Path(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise WorkbenchError(f"{what} {path} is larger than {MAX_BYTES // 2**20} MiB, so it is not one")
        return path.read_text(encoding="utf-8-sig")  # some editors begin a file with a byte-order mark
    except FileNotFoundError:
        raise WorkbenchError(f"{what} {path} does not exist: check the name") from None
    except IsADirectoryError:
        raise WorkbenchError(f"{what} {path} is a folder, not a file") from None
    except UnicodeDecodeError:
        raise WorkbenchError(f"{what} {path} is not text, so it is not JSON") from None
    except OSError as error:
        raise WorkbenchError(f"{what} {path} cannot be read: {error.strerror or error}") from None


def loads(text: str, what: str = "the recipe") -> tuple[list[Step], str, list[Output]]:
    """Steps, title and outputs from recipe JSON of any known version.

    Parameters
    ----------
    text : str
    what : str
        Its name in sentences about mistakes.

    Returns
    -------
    tuple of (list of Step, str, list of Output)

    Raises
    ------
    WorkbenchError
        One sentence naming the entry that is wrong and what is allowed.
    """
    return from_data(parse_json(text, what), what)


def from_data(data: Any, what: str = "the recipe") -> tuple[list[Step], str, list[Output]]:
    """Steps, title and outputs from parsed recipe data of any known version."""
    if not isinstance(data, dict) or data.get("kind") != KIND:
        raise WorkbenchError(f'{what} is not a recipe: it must be an object with "kind": "{KIND}"')
    version = data.get("version")
    if isinstance(version, bool) or not isinstance(version, int) or not 0 <= version <= VERSION:
        raise WorkbenchError(
            f"{what} has version {brief(version)}; this program reads versions 0 to {VERSION}: update the program"
        )
    while version < VERSION:
        data = MIGRATIONS[version](data, what)
        version += 1
    unknown = [k for k in data if k not in {"kind", "version", "title", "steps", "outputs"}]
    if unknown:
        raise WorkbenchError(
            f"{what} has an unknown entry {brief(unknown[0])}; it has kind, version, title, steps, outputs"
        )
    steps, title, outputs = data.get("steps"), data.get("title", ""), data.get("outputs", [])
    if not isinstance(steps, list):
        raise WorkbenchError(f"{what} must have a list of steps")
    if not isinstance(title, str):
        raise WorkbenchError(f"{what} must have text as its title")
    if len(steps) > MAX_STEPS:
        raise WorkbenchError(f"{what} has {len(steps)} steps; at most {MAX_STEPS} are run")
    if not isinstance(outputs, list) or len(outputs) > MAX_OUTPUTS:
        raise WorkbenchError(f"{what} must have a list of at most {MAX_OUTPUTS} outputs")
    read = [Step.from_dict(s, i + 1) for i, s in enumerate(steps)]
    return read, title, [_output(o, f"output {i + 1} of {what}") for i, o in enumerate(outputs)]


def _output(data: Any, which: str) -> Output:
    try:
        return Output.model_validate(data)
    except ValidationError as error:
        raise WorkbenchError(f"{which}: {sentence(error, Output)}") from None


def dumps(data: dict[str, Any]) -> str:
    """Recipe data as readable JSON.

    Parameters
    ----------
    data : dict

    Returns
    -------
    str
    """
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _from_0(data: dict[str, Any], what: str) -> dict[str, Any]:
    """Version 0, before the first release: steps were {"operation", "settings", "enabled"} and had no notes."""
    steps = data.get("steps")
    if not isinstance(steps, list):
        raise WorkbenchError(f"{what} must have a list of steps")
    new: list[Any] = []
    for i, old in enumerate(steps):
        if not isinstance(old, dict) or set(old) - {"operation", "settings", "enabled"}:
            raise WorkbenchError(f"step {i + 1} of {what} is not a version 0 step (operation, settings, enabled)")
        step = {"do": old.get("operation"), "with": old.get("settings", {}), "on": old.get("enabled", True)}
        new.append(step | {"where": None, "note": ""})
    rest = {k: v for k, v in data.items() if k not in {"steps", "version"}}
    return rest | {"version": 1, "steps": new}


#: Settings that version 1 called otherwise: operation -> {name then: name now}.
_RENAMED_SINCE_1 = {"remove_gradient": {"smoothness": "stiffness", "rejection": "outlier_limit"}}


def _from_1(data: dict[str, Any], what: str) -> dict[str, Any]:
    """Version 1 had other names for some settings."""
    steps = data.get("steps")
    if not isinstance(steps, list):
        raise WorkbenchError(f"{what} must have a list of steps")
    return data | {"version": 2, "steps": [_renamed(s, f"step {i + 1} of {what}") for i, s in enumerate(steps)]}


def _renamed(step: Any, which: str) -> Any:
    """A step of version 1 with the settings' names of today; what is faulty in it is left for `Step.from_dict`."""
    if not isinstance(step, dict) or not isinstance(step.get("do"), str) or not isinstance(step.get("with"), dict):
        return step
    names = _RENAMED_SINCE_1.get(step["do"], {})
    for then, now in names.items():
        if {then, now} <= set(step["with"]):
            raise WorkbenchError(f"{which} gives both {then!r} and {now!r}, which are the same setting")
    return step | {"with": {names.get(k, k): v for k, v in step["with"].items()}}


def _from_2(data: dict[str, Any], what: str) -> dict[str, Any]:
    """Version 2 had one kind of mask: a rectangle or an ellipse in the frame of its step."""
    steps = data.get("steps")
    if not isinstance(steps, list):
        raise WorkbenchError(f"{what} must have a list of steps")
    return data | {"version": 3, "steps": [_with_regions(s) for s in steps]}


def _with_regions(step: Any) -> Any:
    """A step of version 2 with a mask of today; what is faulty in it is left for `Step.from_dict`."""
    where = step.get("where") if isinstance(step, dict) else None
    if (
        not isinstance(where, dict)
        or "kind" in where
        or not all(_is_number(where.get(name)) for name in ("x0", "y0", "x1", "y1"))
    ):
        return step
    edges = {name: where[name] for name in ("x0", "y0", "x1", "y1")}
    rest = {name: value for name, value in where.items() if name not in {"shape", *edges}}
    region = {"shape": where.get("shape", "rectangle"), **edges}
    if region["shape"] == "ellipse":
        middle = {"x": (edges["x0"] + edges["x1"]) / 2, "y": (edges["y0"] + edges["y1"]) / 2}
        axes = {"along": (edges["x1"] - edges["x0"]) / 2, "across": (edges["y1"] - edges["y0"]) / 2}
        region = {"shape": "ellipse", **middle, **axes}
    return step | {"where": {"kind": "regions", "frame": "step", "regions": [region], **rest}}


def _from_3(data: dict[str, Any], what: str) -> dict[str, Any]:
    """Version 3 had no outputs."""
    if "outputs" in data:
        raise WorkbenchError(f"{what} has version 3, and those have no 'outputs'")
    return data | {"version": 4, "outputs": []}


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


#: From version -> function giving the next version's data.
MIGRATIONS: dict[int, Callable[[dict[str, Any], str], dict[str, Any]]] = {
    0: _from_0,
    1: _from_1,
    2: _from_2,
    3: _from_3,
}


def json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a recipe file, made from the operations' declarations.

    An operation that measures has ``facts`` beside its settings: the schema of what records say that it found.
    """
    where = WHERE.json_schema(ref_template="#/$defs/{model}")
    masks = where.pop("$defs", {})
    steps, definitions = [], {"where": where, **masks}
    for cls in registered():
        schema = cls.model_json_schema(ref_template="#/$defs/{model}")
        definitions |= schema.pop("$defs", {})
        definitions[cls.id] = schema
        if cls.measures():
            found = cls.facts_type.model_json_schema(ref_template="#/$defs/{model}")
            definitions |= found.pop("$defs", {})
            version = {"const": cls.facts_type.version, "description": "Version of these facts"}
            definitions[f"{cls.id}_facts"] = found | {"properties": {"version": version, **found["properties"]}}
            schema["facts"] = {"$ref": f"#/$defs/{cls.id}_facts"}
        steps.append(
            {
                "type": "object",
                "additionalProperties": False,
                "required": ["do"],
                "properties": {
                    "do": {"const": cls.id},
                    "with": {"$ref": f"#/$defs/{cls.id}"},
                    "on": {"type": "boolean", "default": True},
                    "where": {"anyOf": [{"$ref": "#/$defs/where"}, {"type": "null"}], "default": None},
                    "note": {"type": "string", "default": ""},
                    "layer": {"enum": [*get_args(Layer), None], "default": None},
                    "opacity": {"type": "number", "minimum": 0, "maximum": 1, "default": 1.0},
                },
            }
        )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Post-stack recipe",
        "type": "object",
        "additionalProperties": False,
        "required": ["kind", "version", "steps"],
        "properties": {
            "kind": {"const": KIND},
            "version": {"const": VERSION},
            "title": {"type": "string", "default": ""},
            "steps": {"type": "array", "maxItems": MAX_STEPS, "items": {"anyOf": steps}},
            "outputs": {
                "type": "array",
                "maxItems": MAX_OUTPUTS,
                "default": [],
                "items": Output.model_json_schema(ref_template="#/$defs/{model}"),
            },
        },
        "$defs": definitions,
    }

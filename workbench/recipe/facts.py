"""Facts from outside, as a record or a person holds them: migrated, checked, refused in a sentence naming the field."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np
from pydantic import ValidationError

from workbench.errors import WorkbenchError, brief
from workbench.operations.base import FrameOperation, Geometry, Operation
from workbench.operations.facts import Array, Facts
from workbench.operations.packed import Packed
from workbench.recipe.faults import facts_sentence
from workbench.recipe.model import Step

__all__ = ["MIGRATIONS", "Given", "facts_from_data", "frozen_facts", "require_fit"]

#: Facts as they may be handed in: the operation's model, or plain data such as a record holds.
Given = Facts | Mapping[str, Any]


def _stars_from_1(data: dict[str, Any]) -> dict[str, Any]:
    """Packed columns were {"shape", "step", "int32"}, now their counts are an array like all others; no radius."""
    stars = data.get("stars")
    if not isinstance(stars, dict):
        return data

    def column(value: Any) -> Any:
        if not isinstance(value, dict) or set(value) != {"shape", "step", "int32"}:
            return value
        return {
            "step": value["step"],
            "counts": {"dtype": "<i4", "shape": value["shape"], "base64": value["int32"]},
        }

    return data | {"stars": {name: column(value) for name, value in stars.items() if name != "radius"}}


def _wings_as_the_fields(data: dict[str, Any]) -> dict[str, Any]:
    """All stars had the wings of the field's profile; now each has a share of them."""
    stars = data.get("stars")
    if not isinstance(stars, dict):
        return data
    try:
        core = Packed.model_validate(stars.get("core"))
    except ValidationError:
        return data  # reading the facts says what is wrong with it
    return data | {"stars": stars | {"wings": Packed(step=1.0, counts=np.ones(core.shape, np.int32))}}


def _gradient_from_1(data: dict[str, Any]) -> dict[str, Any]:
    """The letters of the samples' states were explained in the facts themselves; now the model explains them."""
    samples = data.get("samples")
    if not isinstance(samples, dict):
        return data
    return data | {"samples": {name: value for name, value in samples.items() if name != "meaning"}}


def _gradient_from_2(data: dict[str, Any]) -> dict[str, Any]:
    """Surfaces were told by their error at held-out samples, which says nothing of how many samples agree."""
    kept = {name: value for name, value in data.items() if name not in {"price", "held_out"}}
    return kept | {"regularization": data.get("price"), "tried": []}


def _shifts_without_the_axis_at_fifth_power(data: dict[str, Any]) -> dict[str, Any]:
    """Of the fifth power the shift had no terms for an axis that lies off the middle."""
    try:
        old = _SHIFTS_1.read(data.get("coefficients"))
    except ValueError:
        return data  # reading the facts says what is wrong with it
    return data | {"coefficients": np.pad(old, ((0, 0), (0, 2)))}


def _falloff_without_rims(data: dict[str, Any]) -> dict[str, Any]:
    """Falloff had the terms that are even in the distance only."""
    try:
        old = _FALLOFF_1.read(data.get("k"))
    except ValueError:
        return data  # reading the facts says what is wrong with it
    return data | {"k": np.pad(old, (0, 3))}


_SHIFTS_1 = Array("<f8", "channels", 10, ge=-100, le=100)
_FALLOFF_1 = Array("<f8", 3, ge=0, le=100)


def _nobody_looked_for_broad_sources(data: dict[str, Any]) -> dict[str, Any]:
    """The learned method counted nothing, and took small galaxies as the network saw them."""
    return data | {"broad": None, "found": None if data.get("method") == "learned" else data.get("found")}


#: By operation id and version: a function that gives the data of the next version.
MIGRATIONS: dict[tuple[str, int], Callable[[dict[str, Any]], dict[str, Any]]] = {
    ("correct_falloff", 1): _falloff_without_rims,
    ("align_channels", 1): _shifts_without_the_axis_at_fifth_power,
    ("reduce_stars", 1): _stars_from_1,
    ("reduce_stars", 2): _wings_as_the_fields,
    ("split_stars", 1): _wings_as_the_fields,
    ("split_stars", 2): _nobody_looked_for_broad_sources,
    ("remove_gradient", 1): _gradient_from_1,
    ("remove_gradient", 2): _gradient_from_2,
}


def facts_from_data(operation: type[Operation], data: Any, what: str = "the frozen facts") -> Facts:
    """Facts of an operation from plain data of any known version.

    Parameters
    ----------
    operation : type of Operation
    data : mapping
        Entries of the facts; ``version`` says their form and is 1 where it is missing.
    what : str
        What the facts are called in a refusal.

    Returns
    -------
    Facts

    Raises
    ------
    WorkbenchError
        One sentence naming the entry that is wrong.
    """
    model = operation.facts_type
    if not isinstance(data, Mapping):
        raise WorkbenchError(f"{what} must be an object, not {brief(data)}: measure again")
    plain = dict(data)
    version = plain.pop("version", 1)
    if type(version) is not int or not 1 <= version <= model.version:
        raise WorkbenchError(f"{what} have version {brief(version)}; this program reads versions 1 to {model.version}")
    while version < model.version:
        plain = MIGRATIONS[operation.id, version](plain)
        version += 1
    try:
        return model.model_validate(plain)
    except ValidationError as error:
        raise WorkbenchError(f"{what} {facts_sentence(error, model)}: measure again") from None


def frozen_facts(
    steps: Iterable[tuple[int, Step]], given: Mapping[int, Given] | None, geometry: Geometry | None = None
) -> dict[int, Facts]:
    """Facts to be used in place of measuring, each checked to be those of its step.

    Parameters
    ----------
    steps : iterable of (int, Step)
        Place in the recipe (from 0) and step, those that are on.
    given : mapping of int to Facts or plain data, or None
        By place in the recipe.
    geometry : Geometry, optional
        The frame before the first step. With it the facts are also checked against the frame, as far as its size is
        known before anything is measured.

    Returns
    -------
    dict of int to Facts
        By place in the recipe.

    Raises
    ------
    WorkbenchError
        One sentence naming the step and the field.
    """
    found: dict[int, Facts] = {}
    for index, step in steps:
        operation = step.operation
        try:
            if given is not None and index in given:
                found[index] = _of_operation(operation, given[index])
                if geometry is not None:
                    require_fit(found[index], geometry)
            if geometry is not None and isinstance(operation, FrameOperation):
                known = found.get(index, None if operation.measures() else operation.facts_type())
                geometry = None if known is None else operation.out_geometry(known, geometry)
        except WorkbenchError as error:
            raise error.at_step(index, operation.id) from None
    return found


def require_fit(facts: Facts, geometry: Geometry) -> None:
    """Refuse frozen facts that cannot belong to the frame their step works on.

    Parameters
    ----------
    facts : Facts
    geometry : Geometry
        The frame that the step works on.

    Raises
    ------
    WorkbenchError
        In one sentence, when they cannot.
    """
    try:
        facts.fits(geometry)
    except WorkbenchError as error:
        raise WorkbenchError(f"the frozen facts do not fit this frame: {error}; measure again") from None


def _of_operation(operation: Operation, facts: Given) -> Facts:
    if not isinstance(facts, Facts):
        return facts_from_data(type(operation), facts)
    if not isinstance(facts, operation.facts_type):
        raise WorkbenchError(
            f"the frozen facts are {type(facts).__name__}, not {operation.facts_type.__name__}: measure again"
        )
    return facts

"""The run record: what one run did, found and made, so that it can be replayed, checked and compared."""

from __future__ import annotations

import base64
import json
import platform
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, fields, replace
from importlib.metadata import PackageNotFoundError, version
from itertools import zip_longest
from pathlib import Path
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

from workbench import io
from workbench.errors import WorkbenchError
from workbench.operations.base import REGISTRY, Facts
from workbench.recipe.diff import changed_values, recipe_diff
from workbench.recipe.facts import facts_from_data
from workbench.recipe.faults import no_operation, short
from workbench.recipe.model import RecipeData
from workbench.recipe.store import from_data, parse_json, read_text

__all__ = ["KIND", "TOLERANCE", "VERSION", "Record", "StepRecord", "Verdict", "record_diff", "software"]

KIND = "run record"
VERSION = 2
#: Two runs whose tiles agree this closely in mean and in root mean square differ by less than a 16-bit step.
TOLERANCE = 2.0**-16

_PACKAGES = ("post-stack-workbench", "numpy", "scipy", "astropy", "opencv-python-headless", "numba")


def software() -> dict[str, str]:
    """Versions of what the pixels depend on."""
    found = {"python": platform.python_version(), "machine": platform.machine()}
    for name in _PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


@dataclass(frozen=True)
class StepRecord:
    """One step of a run.

    Attributes
    ----------
    index : int
        Place in the recipe, from 0; steps that are off leave no record.
    do : str
    facts : Facts
        What was measured (or given, when ``frozen``).
    frozen : bool
    found : str
        The facts in one line of words.
    seconds_measuring, seconds_applying : float
        The second is summed over threads.
    shape : tuple of int
        (height, width, channels) after the step.
    digest : str
        XXH3-128 over the digests of the step's grid tiles in order, hex.
    probe : str
        Mean and root mean square of each tile and channel, float32, base64: what a comparison with a tolerance uses.
    """

    index: int
    do: str
    facts: Facts
    frozen: bool
    found: str
    seconds_measuring: float
    seconds_applying: float
    shape: tuple[int, int, int]
    digest: str
    probe: str

    @property
    def probes(self) -> NDArray[np.float32]:
        return np.frombuffer(base64.b64decode(self.probe), np.float32)


@dataclass(frozen=True)
class Verdict:
    """How two runs compare: ``same`` is identical, within tolerance, or different from ``step`` (from 0) on."""

    same: Literal["identical", "within tolerance", "different"]
    says: str
    step: int | None = None

    @property
    def ok(self) -> bool:
        return self.same != "different"


@dataclass(frozen=True)
class Record:
    """What one run did, found and made.

    Attributes
    ----------
    recipe : dict
        The recipe as its file holds it.
    input : dict
        name, format, sha256, shape, sample, white_level, white_rule, acquisition.
    steps : tuple of StepRecord
    output : dict
        shape, tone, digest.
    software : dict
    seconds : float
        Wall-clock time of the run.
    """

    recipe: dict[str, Any]
    input: dict[str, Any]
    steps: tuple[StepRecord, ...]
    output: dict[str, Any]
    software: dict[str, str] = field(default_factory=software)
    seconds: float = 0.0

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts by place in the recipe, for a replay with frozen facts."""
        return {s.index: s.facts for s in self.steps}

    def to_dict(self) -> dict[str, Any]:
        """The record as its file holds it."""
        body = {f.name: getattr(self, f.name) for f in fields(self)}
        steps = [
            {f.name: getattr(s, f.name) for f in fields(s)} | {"facts": s.facts.to_data(), "shape": list(s.shape)}
            for s in self.steps
        ]
        return {"kind": KIND, "version": VERSION, **body, "steps": steps}

    def timeless(self) -> Record:
        """The record without seconds: the same for every run that gives the same pixels."""
        steps = tuple(replace(s, seconds_measuring=0.0, seconds_applying=0.0) for s in self.steps)
        return replace(self, steps=steps, seconds=0.0)

    def dumps(self) -> str:
        """The record as JSON text."""
        # One entry a line at the top, compact below: readable, and five times faster than indenting every number.
        entries = (
            f"{json.dumps(k)}: {json.dumps(v, ensure_ascii=False, allow_nan=False)}" for k, v in self.to_dict().items()
        )
        return "{\n" + ",\n".join(entries) + "\n}\n"

    def save(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write the record to a file, whole or not at all."""
        io.write_text(path, self.dumps(), overwrite=overwrite)

    @classmethod
    def load(cls, path: str | Path) -> Self:
        """Read a record from a file."""
        return cls.loads(read_text(path, "the record"), f"the record {path}")

    @classmethod
    def loads(cls, text: str, what: str = "the record") -> Self:
        """Read a record from JSON text; anything that is not one is refused."""
        data = parse_json(text, what)
        if not isinstance(data, dict) or data.get("kind") != KIND:
            raise WorkbenchError(f"{what} is not a run record, which 'workbench run --record' writes beside a picture")
        form = data.get("version")
        if type(form) is not int or not 1 <= form <= VERSION:
            raise WorkbenchError(
                f"{what} has version {short(form)}; this program reads versions 1 to {VERSION}: update the program"
            )
        while form < VERSION:
            data = MIGRATIONS[form](data)
            form += 1
        body = {k: v for k, v in data.items() if k not in {"kind", "version"}}
        try:
            steps = tuple(_step_record(s, what) for s in body.pop("steps"))
            record = cls(steps=steps, **body)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise WorkbenchError(f"{what} is damaged: {error}") from None
        wants = ((record.recipe, dict), (record.input, dict), (record.output, dict), (record.software, dict))
        if not all(isinstance(value, kind) for value, kind in wants):
            raise WorkbenchError(f"{what} is damaged: recipe, input, output and software must be objects")
        return record

    def compare(self, other: Record) -> Verdict:
        """Compare this (earlier) run with another of the same recipe, step by step."""
        for a, b in zip_longest(self.steps, other.steps):
            if a is None or b is None or (a.index, a.do) != (b.index, b.do):
                first, then = (f"step {s.index + 1}, {s.do}" if s else "no further step" for s in (a, b))
                says = f"the two runs did not do the same steps: the earlier did {first}, the later {then}"
                return Verdict("different", says, min(s.index for s in (a, b) if s))
        worst = 0.0
        for a, b in zip(self.steps, other.steps, strict=True):
            if a.digest == b.digest:
                continue
            here = f"step {a.index + 1} ({a.do})"
            if tuple(a.shape) != tuple(b.shape):
                return Verdict("different", f"different from {here} on: the frame has another shape", a.index)
            pa, pb = a.probes, b.probes
            gap = float(np.abs(pa - pb).max()) if pa.size == pb.size else np.inf
            worst = max(worst, gap)
            if not gap <= TOLERANCE:
                return Verdict("different", f"different from {here} on: tiles differ by up to {gap:.3g}", a.index)
        if self.output.get("digest") == other.output.get("digest"):
            return Verdict("identical", "identical: every pixel of the result is the same")
        return Verdict(
            "within tolerance",
            f"the same within tolerance: tiles differ by at most {worst:.2g} ({TOLERANCE:.2g} allowed)",
        )


def _from_1(data: dict[str, Any]) -> dict[str, Any]:
    """Version 1 held facts without the version of their model, which `facts_from_data` takes for their first."""
    return data


#: From version -> function giving the next version's data. Facts have versions of their own: `workbench.recipe.facts`.
MIGRATIONS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {1: _from_1}


def _step_record(data: Any, what: str) -> StepRecord:
    if not isinstance(data, dict):
        raise TypeError("a step must be an object")
    kinds = {"index": int, "do": str, "facts": dict, "digest": str, "probe": str}
    if not all(isinstance(data[name], kind) for name, kind in kinds.items()):
        raise TypeError("a step has an entry of the wrong type")
    here = f"{what}: step {data['index'] + 1} ({data['do']})"
    if data["do"] not in REGISTRY:
        raise WorkbenchError(f"{here}: {no_operation(data['do'])}")
    try:
        facts = facts_from_data(REGISTRY[data["do"]], data["facts"], "its facts")
    except WorkbenchError as error:
        raise WorkbenchError(f"{here}: {error}") from None
    step = StepRecord(**data | {"facts": facts, "shape": tuple(data["shape"])})
    base64.b64decode(step.probe, validate=True)
    return step


def record_diff(a: Record, b: Record) -> list[str]:
    """Lines saying how record ``b`` differs from ``a``: input, recipe, facts, result; empty when nothing does."""
    lines = [f"input: {line}" for line in changed_values(a.input, b.input)]
    lines += [f"recipe: {line}" for line in recipe_diff(_recipe(a), _recipe(b))]
    theirs = {s.index: s for s in b.steps}
    for mine in a.steps:
        other = theirs.get(mine.index)
        if other is not None and other.do == mine.do:
            head = f"step {mine.index + 1} ({mine.do}) found: "
            lines += [head + line for line in _fact_lines(mine, other)]
    lines += [f"software: {line}" for line in changed_values(a.software, b.software)]
    verdict = a.compare(b)
    return [*lines, f"result: {verdict.says}"] if verdict.same != "identical" else lines


def _recipe(record: Record) -> RecipeData:
    steps, title = from_data(record.recipe, "the record's recipe")
    return RecipeData(steps, title)


def _fact_lines(a: StepRecord, b: StepRecord) -> Iterable[str]:
    if a.facts == b.facts:
        return []
    if a.found and b.found and a.found != b.found:
        return [f"{a.found} / now: {b.found}"]
    small = [
        {k: v for k, v in s.facts.model_dump(mode="json").items() if len(v if isinstance(v, list | dict) else ()) <= 12}
        for s in (a, b)
    ]
    return changed_values(*small) or ["details (lists too long to show)"]

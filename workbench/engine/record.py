"""The run record: what one run did, found and made, so that it can be replayed, checked and compared.

A record is sealed: it carries a digest of all it says but the times. That tells a record that was edited, or damaged on
its way, from one as it was written. It proves nothing against somebody who makes the seal anew.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Self

from workbench import io
from workbench.engine.comparison import Verdict, compare
from workbench.engine.digest import canonical, digest
from workbench.errors import WorkbenchError, brief
from workbench.operations.base import REGISTRY, Facts
from workbench.recipe.facts import facts_from_data
from workbench.recipe.faults import no_operation
from workbench.recipe.store import parse_json, read_text

__all__ = ["KIND", "VERSION", "Record", "StepRecord", "software"]

KIND = "run record"
VERSION = 3

_PACKAGES = ("post-stack-workbench", "numpy", "scipy", "astropy", "opencv-python-headless", "numba")


def software() -> dict[str, str]:
    """Versions of what the pixels depend on."""
    found = {"python": platform.python_version(), "machine": platform.machine()}
    return found | {name: _version(name) for name in _PACKAGES}


@cache  # some 6 ms each, and a suggestion runs several recipes
def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "unknown"


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
    fingerprint : str
        `workbench.engine.fingerprint.Fingerprint` of the frame after the step, in `COARSE` squares; empty in records
        of versions 1 and 2, which had none.
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
    fingerprint: str


@dataclass(frozen=True)
class Record:
    """What one run did, found and made.

    Attributes
    ----------
    recipe : dict
        The recipe as its file holds it.
    input : dict
        name, format, sha256, shape, sample, white_level, white_rule, acquisition; and, of a stack that has one, its sky
        solution as lines of a FITS header.
    steps : tuple of StepRecord
    output : dict
        shape, tone, digest, and the fingerprint of the picture (none in records of versions 1 and 2).
    software : dict
    seconds : float
        Wall-clock time of the run.
    intact : bool
        Whether the record says what it said when it was written, as far as its seal can tell.
    """

    recipe: dict[str, Any]
    input: dict[str, Any]
    steps: tuple[StepRecord, ...]
    output: dict[str, Any]
    software: dict[str, str] = field(default_factory=software)
    seconds: float = 0.0
    intact: bool = field(default=True, compare=False)

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts by place in the recipe, for a replay with frozen facts."""
        return {s.index: s.facts for s in self.steps}

    def to_dict(self) -> dict[str, Any]:
        """The record as its file holds it."""
        body = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "intact"}
        steps = [
            {f.name: getattr(s, f.name) for f in fields(s)} | {"facts": s.facts.to_data(), "shape": list(s.shape)}
            for s in self.steps
        ]
        data = {"kind": KIND, "version": VERSION, **body, "steps": steps}
        return data | {"seal": seal(data) if self.intact else ""}

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
        """Write the record to a file, whole or not at all.

        Parameters
        ----------
        path : path
        overwrite : bool
            Whether an existing file may be replaced.
        """
        io.write_text(path, self.dumps(), overwrite=overwrite)

    @classmethod
    def load(cls, path: str | Path) -> Self:
        """Read a record from a file.

        Parameters
        ----------
        path : path

        Returns
        -------
        Record
        """
        return cls.loads(read_text(path, "the record"), f"the record {path}")

    @classmethod
    def loads(cls, text: str, what: str = "the record") -> Self:
        """Read a record from JSON text; anything that is not one is refused.

        Parameters
        ----------
        text : str
        what : str
            Its name in sentences about mistakes.

        Returns
        -------
        Record

        Raises
        ------
        WorkbenchError
            When it is no record, or one of a newer version.
        """
        data = parse_json(text, what)
        if not isinstance(data, dict) or data.get("kind") != KIND:
            raise WorkbenchError(f"{what} is not a run record, which 'workbench run --record' writes beside a picture")
        form = data.get("version")
        if type(form) is not int or not 1 <= form <= VERSION:
            raise WorkbenchError(
                f"{what} has version {brief(form)}; this program reads versions 1 to {VERSION}: update the program"
            )
        intact = form < VERSION or data.get("seal") == seal(data)
        while form < VERSION:
            data = MIGRATIONS[form](data)
            form += 1
        body = {k: v for k, v in data.items() if k not in {"kind", "version", "seal"}}
        _require(body, _ENTRIES, what)
        steps = tuple(_step_record(s, i, what) for i, s in enumerate(body.pop("steps")))
        return cls(steps=steps, intact=intact, **body)

    def compare(self, other: Record) -> Verdict:
        """Compare this (earlier) run with another, see `workbench.engine.comparison.compare`.

        Parameters
        ----------
        other : Record
            The later run.

        Returns
        -------
        Verdict
        """
        return compare(self, other)


def seal(data: dict[str, Any]) -> str:
    """Digest of what a record says (plain data), without its times."""
    steps = data.get("steps")
    if isinstance(steps, list):
        steps = [
            {k: v for k, v in step.items() if k not in {"seconds_measuring", "seconds_applying"}}
            if isinstance(step, dict)
            else step
            for step in steps
        ]
    said = {k: v for k, v in data.items() if k not in {"seal", "seconds"}}
    return digest(canonical(said | {"steps": steps}))


def _from_1(data: dict[str, Any]) -> dict[str, Any]:
    """Version 1 held facts without the version of their model, which `facts_from_data` takes for their first."""
    return data


def _from_2(data: dict[str, Any]) -> dict[str, Any]:
    """Version 2 held mean and root mean square of tiles, which frames of other pixels may share: no fingerprint."""
    steps, output = data.get("steps"), data.get("output")
    if isinstance(steps, list):
        steps = [
            {k: v for k, v in s.items() if k != "probe"} | {"fingerprint": ""} if isinstance(s, dict) else s
            for s in steps
        ]
    if isinstance(output, dict):
        output = output | {"fingerprint": None}
    return data | {"steps": steps, "output": output}


#: From version -> function giving the next version's data. Facts have versions of their own: `workbench.recipe.facts`.
MIGRATIONS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {1: _from_1, 2: _from_2}

_NUMBER = (int, float)
_ENTRIES = {"recipe": dict, "input": dict, "steps": list, "output": dict, "software": dict, "seconds": _NUMBER}
_STEP_ENTRIES = {
    "index": int,
    "do": str,
    "facts": dict,
    "frozen": bool,
    "found": str,
    "seconds_measuring": _NUMBER,
    "seconds_applying": _NUMBER,
    "shape": list,
    "digest": str,
    "fingerprint": str,
}


def _require(data: Any, entries: dict[str, Any], what: str) -> None:
    """Refuse data that is no object with exactly these entries of these types."""
    if not isinstance(data, dict):
        raise WorkbenchError(f"{what} is damaged: {brief(data)} must be an object")
    for name, kind in entries.items():
        if name not in data:
            raise WorkbenchError(f"{what} is damaged: it has no {name!r}")
        if not isinstance(data[name], kind) or (kind is int and isinstance(data[name], bool)):
            raise WorkbenchError(f"{what} is damaged: {name!r} cannot be {brief(data[name])}")
    unknown = [name for name in data if name not in entries]
    if unknown:
        raise WorkbenchError(f"{what} is damaged: it has an unknown entry {brief(unknown[0])}")


def _step_record(data: Any, number: int, what: str) -> StepRecord:
    _require(data, _STEP_ENTRIES, f"{what}: entry {number + 1} of its steps")
    here = f"{what}: step {brief(data['index'] + 1)} ({data['do']})"
    if data["do"] not in REGISTRY:
        raise WorkbenchError(f"{here}: {no_operation(data['do'])}")
    try:
        facts = facts_from_data(REGISTRY[data["do"]], data["facts"], "its facts")
    except WorkbenchError as error:
        raise WorkbenchError(f"{here}: {error}") from None
    return StepRecord(**data | {"facts": facts, "shape": tuple(data["shape"])})

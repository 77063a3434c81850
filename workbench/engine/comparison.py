"""Whether two runs made the same picture, and if not, where they part: settings, facts or pixels, and at which step."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import zip_longest
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from workbench.engine.fingerprint import COARSE, SIDE, Fingerprint, Gap
from workbench.errors import WorkbenchError
from workbench.recipe.diff import changed_values, recipe_diff
from workbench.recipe.model import VERSION as RECIPE_VERSION
from workbench.recipe.model import RecipeData
from workbench.recipe.store import from_data

if TYPE_CHECKING:
    from workbench.engine.record import Record, StepRecord

__all__ = ["TOLERANCE", "Verdict", "compare", "record_diff", "require_comparable"]

#: How far two runs may be apart (RMS in each square of the fingerprint) and still be the same picture: a 16-bit step.
TOLERANCE = 1 / 65535
#: How far numbers among the facts may be apart, as a share of them and on top of that.
_FACTS_SHARE, _FACTS_FLOOR = 1e-3, TOLERANCE

_DIGEST = re.compile("[0-9a-f]{32}")


@dataclass(frozen=True)
class Verdict:
    """How two runs compare.

    Attributes
    ----------
    same : str
        ``identical``: settings, facts, the stack's pixels, and shape, tone and every pixel of the result.
        ``within tolerance``: the same settings, shape and tone, and every pixel agrees as far as the fingerprint can
        tell (`workbench.engine.fingerprint` says what it can miss). ``undecided``: not identical, and the record is too
        old to say more. ``different``.
    says : str
        A sentence.
    step : int, optional
        Place (from 0) of the first step that is not the same within tolerance.
    facts_from, pixels_from : int, optional
        Place of the first step that measured, or made, anything else at all.
    gap : float
        The largest RMS difference in a square of the result, of white, as far as it was looked at.
    """

    same: Literal["identical", "within tolerance", "undecided", "different"]
    says: str
    step: int | None = None
    facts_from: int | None = None
    pixels_from: int | None = None
    gap: float = 0.0

    @property
    def ok(self) -> bool:
        return self.same in {"identical", "within tolerance"}


def require_comparable(record: Record, what: str = "the record") -> None:
    """Refuse a record that lacks what a comparison needs, or contradicts itself.

    Parameters
    ----------
    record : Record
    what : str
        Its name in the sentence.

    Raises
    ------
    WorkbenchError
        One sentence.
    """
    fault = next(_faults(record), None)
    if fault is not None:
        raise WorkbenchError(f"{what} cannot be compared with: {fault}; make a new one with 'workbench run --record'")


def compare(earlier: Record, later: Record) -> Verdict:
    """Compare two runs of one recipe.

    Parameters
    ----------
    earlier, later : Record

    Returns
    -------
    Verdict

    Raises
    ------
    WorkbenchError
        When one of the records lacks what is needed, or contradicts itself or the other.
    """
    require_comparable(earlier, "the earlier record")
    require_comparable(later, "the later record")
    said = _other_request(earlier, later)
    return said or _compare_results(earlier, later)


def _other_request(a: Record, b: Record) -> Verdict | None:
    """What differs before any pixel is looked at: steps, settings, the kind of stack."""
    for mine, other in zip_longest(a.steps, b.steps):
        if mine is None or other is None or (mine.index, mine.do) != (other.index, other.do):
            first, then = (f"step {s.index + 1}, {s.do}" if s else "no further step" for s in (mine, other))
            says = f"the two runs did not do the same steps: the earlier did {first}, the later {then}"
            return Verdict("different", says, min(s.index for s in (mine, other) if s))
    for (index, old), (_, new) in zip(_settings(a.recipe), _settings(b.recipe), strict=True):
        if old != new:
            lines = changed_values(old["with"], new["with"]) or changed_values(old, new)
            here = f"step {index + 1} ({old['do']})"
            return Verdict("different", f"different from {here} on: its settings are others: {lines[0]}", index)
    for name in ("shape", "tone"):
        if a.input[name] != b.input[name]:
            says = (
                f"different: the stack has another {name}, {_plain(b.input[name])} in place of {_plain(a.input[name])}"
            )
            return Verdict("different", says, a.steps[0].index if a.steps else None)
    return None


def _compare_results(a: Record, b: Record) -> Verdict:
    pairs = list(zip(a.steps, b.steps, strict=True))
    facts_from = next((s.index for s, t in pairs if s.facts != t.facts), None)
    pixels_from = next((s.index for s, t in pairs if s.digest != t.digest), None)
    old = None in (a.output["fingerprint"], b.output["fingerprint"])
    far = next(filter(None, (_far_step(s, t) for s, t in pairs)), None)
    if far is None and any(a.output[name] != b.output[name] for name in ("shape", "tone")):
        far = (a.steps[-1].index if a.steps else None), "the result has another shape or tone"
    gap = Gap(0.0, 0, 0) if old or far else _final(a).gap(_final(b))
    same_pixels = a.output["digest"] == b.output["digest"]
    _contradiction(pairs, same_pixels=same_pixels, gap=gap.size)
    if far is None and gap.size > TOLERANCE:
        where = f"in the {SIDE} pixels from x = {gap.x}, y = {gap.y} on the result differs by {_steps(gap.size)}"
        far = pixels_from, where
    verdict = partial(Verdict, facts_from=facts_from, pixels_from=pixels_from, gap=gap.size)
    tail = _tail(a, b, facts_from, pixels_from)
    if far is not None:
        here = f" from {_name(a, far[0])} on" if far[0] is not None else ""
        return verdict("different", f"different{here}: {far[1]}{tail}", far[0])
    if old and not same_pixels:
        says = (
            "not identical, and whether the same within tolerance cannot be told, as records of versions 1 and 2 hold "
            f"no fingerprint of the pixels{tail}"
        )
        return verdict("undecided", says, pixels_from)
    measured = (
        None if old else next((s.index for s, t in pairs if not _near(s.facts.to_data(), t.facts.to_data())), None)
    )
    if measured is not None:
        what = "every pixel is the same" if same_pixels else "pixels agree"
        here = _name(a, measured)
        return verdict("different", f"different from {here} on: {what}, but what was measured does not{tail}", measured)
    if same_pixels and a.input["pixels"] == b.input["pixels"] and (old or (facts_from, pixels_from) == (None, None)):
        return verdict("identical", "identical: every pixel of the result is the same")
    much = "every pixel is the same" if same_pixels else f"pixels differ by at most {_steps(gap.size)} (1 allowed)"
    return verdict("within tolerance", f"the same within tolerance: {much}{tail}")


def _far_step(a: StepRecord, b: StepRecord) -> tuple[int | None, str] | None:
    """The step's place, and how its frame is another one, where it is."""
    if tuple(a.shape) != tuple(b.shape):
        return a.index, f"the frame has another shape, {_plain(b.shape)} in place of {_plain(a.shape)}"
    if a.digest == b.digest or not (a.fingerprint and b.fingerprint):
        return None
    gap = _coarse(a).gap(_coarse(b))
    if gap.size <= TOLERANCE:
        return None
    return a.index, f"in the {COARSE} pixels from x = {gap.x}, y = {gap.y} on its frame differs by {_steps(gap.size)}"


def _contradiction(pairs: list[tuple[StepRecord, StepRecord]], *, same_pixels: bool, gap: float) -> None:
    """Refuse a pair of which one must be wrong, whatever was run: digests and fingerprints tell opposite things."""
    last = pairs[-1] if pairs else None
    # Digests of a step are those of its tiles: another tile grid needs another version of the record.
    if (last and (last[0].digest == last[1].digest) != same_pixels) or (same_pixels and gap > TOLERANCE):
        raise WorkbenchError(
            "the two records cannot both be right, as their digests and their fingerprints of the same pixels "
            "contradict each other; make new ones with 'workbench run --record'"
        )


def _tail(a: Record, b: Record, facts_from: int | None, pixels_from: int | None) -> str:
    """From where on anything differs at all, in words."""
    words = []
    if a.input["pixels"] != b.input["pixels"]:
        words.append("the stack's pixels are others")
    if facts_from is not None:
        words.append(f"facts differ from {_name(a, facts_from)} on")
    if pixels_from is not None:
        only = "" if facts_from is not None else ", facts do not"
        words.append(f"pixels differ from {_name(a, pixels_from)} on{only}")
    return "".join(f"; {w}" for w in words)


def _name(record: Record, index: int | None) -> str:
    return next((f"step {s.index + 1} ({s.do})" for s in record.steps if s.index == index), "the start")


def _steps(size: float) -> str:
    """A difference of pixels in words."""
    return f"{65535 * size:.2g} 16-bit steps RMS" if np.isfinite(size) else "more than can be told"


def _plain(value: Any) -> str:
    return " x ".join(str(n) for n in value) if isinstance(value, list | tuple) else str(value)


def _final(record: Record) -> Fingerprint:
    return Fingerprint.decoded(record.output["fingerprint"], tuple(record.output["shape"]), SIDE)


def _coarse(step: StepRecord) -> Fingerprint:
    return Fingerprint.decoded(step.fingerprint, step.shape, COARSE)


def _settings(recipe: dict[str, Any]) -> list[tuple[int, dict[str, Any]]]:
    """Place and plain data of the steps that are on, without notes, in the form of today's recipes."""
    steps = recipe["steps"]
    if recipe["version"] != RECIPE_VERSION:
        steps = [s.to_dict() for s in from_data(recipe, "the record's recipe")[0]]
    told, given = ("do", "with", "where"), ("layer", "opacity")
    return [(i, {k: s[k] for k in told} | {k: s.get(k) for k in given}) for i, s in enumerate(steps) if s["on"] is True]


def _faults(record: Record) -> Iterator[str]:
    """What a record lacks for a comparison, or where it contradicts itself; the first is reason enough."""
    if not record.intact:
        yield "it was changed after it was written, or damaged"
    try:
        done = [(i, s["do"]) for i, s in _settings(record.recipe)]
    except (KeyError, TypeError):
        yield "its recipe is damaged"
    if done != [(s.index, s.do) for s in record.steps]:
        yield "its steps are not those of its recipe"
    yield from _bad_pixels(record)


def _bad_pixels(record: Record) -> Iterator[str]:
    """What a record does not say of pixels: of the stack, after each step, of the result."""
    if "fingerprint" not in record.output:
        yield "of the result it has no fingerprint"
    old = record.output["fingerprint"] is None
    for what, frame, name in (("the stack", record.input, "pixels"), ("the result", record.output, "digest")):
        fault = _bad_frame(frame.get("shape"), frame.get(name))
        if fault or frame.get("tone") not in {"linear", "display"}:
            yield f"of {what} it has no {fault or 'tone'}"
    for step in record.steps:
        fault = _bad_frame(list(step.shape), step.digest)
        if fault or (not (old and not step.fingerprint) and _unreadable(step.fingerprint, step.shape, COARSE)):
            yield f"of step {step.index + 1} ({step.do}) it has no {fault or 'fingerprint'}"
    if not old and _unreadable(record.output["fingerprint"], record.output["shape"], SIDE):
        yield "of the result it has no fingerprint"
    if record.output["shape"] != list(record.steps[-1].shape if record.steps else record.input["shape"]):
        yield "the result has another shape than the last step"
    if not record.steps and record.input["pixels"] != record.output["digest"]:
        yield "without a step the result must be the stack"


def _bad_frame(shape: Any, digest: Any) -> str | None:
    whole = isinstance(shape, list) and len(shape) == 3 and all(type(n) is int and n > 0 for n in shape)
    if not whole or shape[2] not in {1, 3}:
        return "shape"
    if not isinstance(digest, str) or not _DIGEST.fullmatch(digest) or not digest.strip("0"):
        return "digest of its pixels"
    return None


def _unreadable(text: Any, shape: Sequence[int], side: int) -> bool:
    height, width, channels = shape
    try:
        Fingerprint.decoded(text, (height, width, channels), side)
    except ValueError:
        return True
    return False


def _near(a: Any, b: Any) -> bool:
    """Whether two facts, as plain data, are the same but for rounding."""
    if isinstance(a, dict) and isinstance(b, dict):
        if set(a) == set(b) == {"dtype", "shape", "base64"}:
            return a["dtype"] == b["dtype"] and a["shape"] == b["shape"] and _near_arrays(a, b)
        return set(a) == set(b) and all(_near(a[k], b[k]) for k in a)
    if isinstance(a, list | tuple) and isinstance(b, list | tuple):
        return len(a) == len(b) and all(_near(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, bool) or isinstance(b, bool) or not (isinstance(a, int | float) and isinstance(b, int | float)):
        return bool(a == b)
    return abs(a - b) <= _FACTS_SHARE * max(abs(a), abs(b)) + _FACTS_FLOOR


def _near_arrays(a: dict[str, Any], b: dict[str, Any]) -> bool:
    """Whether arrays, as the record holds them, are the same but for rounding; one value in a hundred may differ."""
    x, y = (np.frombuffer(base64.b64decode(data["base64"]), data["dtype"]).astype(np.float64) for data in (a, b))
    allowed = _FACTS_SHARE * np.maximum(np.abs(x), np.abs(y)) + _FACTS_FLOOR
    return bool(np.mean(np.abs(x - y) > allowed) <= 0.01) if x.size else True


def record_diff(a: Record, b: Record) -> list[str]:
    """Lines saying how record ``b`` differs from ``a``: input, recipe, facts, result; empty when nothing does.

    Parameters
    ----------
    a, b : Record

    Returns
    -------
    list of str
    """
    lines = [f"input: {line}" for line in changed_values(a.input, b.input)]
    lines += [f"recipe: {line}" for line in recipe_diff(_recipe(a), _recipe(b))]
    theirs = {s.index: s for s in b.steps}
    for mine in a.steps:
        other = theirs.get(mine.index)
        if other is not None and other.do == mine.do:
            head = f"step {mine.index + 1} ({mine.do}) found: "
            lines += [head + line for line in _fact_lines(mine, other)]
    lines += [f"software: {line}" for line in changed_values(a.software, b.software)]
    try:
        verdict = compare(a, b)
    except WorkbenchError as error:
        return [*lines, f"result: {error}"]
    return [*lines, f"result: {verdict.says}"] if verdict.same != "identical" else lines


def _recipe(record: Record) -> RecipeData:
    return RecipeData(*from_data(record.recipe, "the record's recipe"))


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

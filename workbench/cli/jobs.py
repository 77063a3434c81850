"""One stack of a run: read, run, written, and what became of it. Done here, in another process or on a cluster."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from time import perf_counter
from typing import Any

from typer import echo

from workbench.acquisition import Tone
from workbench.cli.batch import Outcome, State, made_before
from workbench.cli.faults import TRACEBACK, in_words, tell
from workbench.cli.files import Reading, checked_output
from workbench.engine import Recipe, Record, Result
from workbench.engine.progress import Progress
from workbench.errors import Cancelled, WorkbenchError
from workbench.io import checked_image
from workbench.io.formats import checked_format

__all__ = ["StackJob", "Voice", "Wishes", "Work", "outcome"]


@dataclass(frozen=True, slots=True)
class Wishes:
    """The options of a run; see the command's help."""

    record: bool = False
    layers: bool = False
    as_float: bool = False
    upto: int | None = None
    facts: Path | None = None
    verify: Path | None = None
    force: bool = False
    quality: int | None = None
    suffix: str = ".picture.tif"
    reading: Reading = field(default_factory=Reading)
    threads: int | None = None
    resume: bool = False
    summary: Path | None = None
    quiet: bool = False
    scratch: Path | None = None
    on: str | None = None


@dataclass(frozen=True, slots=True)
class StackJob:
    """A stack, and what is to be made of it."""

    stack: Path
    picture: Path | None
    record: Path | None
    layers: tuple[Path, ...] = ()
    outputs: tuple[Path, ...] = ()

    @property
    def beside(self) -> list[Path]:
        """What is written beside the picture."""
        return [*([] if self.record is None else [self.record]), *self.layers, *self.outputs]


@dataclass(frozen=True, slots=True)
class Work:
    """What is the same for every stack."""

    recipe: Recipe
    frozen: Record | None
    earlier: Record | None
    wishes: Wishes
    inputs: tuple[Path, ...]
    several: bool


@dataclass(frozen=True, slots=True)
class Voice:
    """How a job is heard.

    Attributes
    ----------
    say, complain : callable
        Take a sentence for standard output, or for standard error.
    progress : callable or None
        Hears how far the run is; None: a bar where a person is watching.
    """

    say: Callable[[str], object] = echo
    complain: Callable[[str], object] = tell
    progress: Progress | None = None


def outcome(job: StackJob, work: Work, voice: Voice) -> Outcome:
    """What becomes of one stack. Of several, one that cannot be used need not keep the others waiting."""
    try:
        return _done(job, work, voice)
    except Cancelled:
        raise
    except Exception as error:
        if not work.several or os.environ.get(TRACEBACK):
            raise
        says = str(error) if isinstance(error, WorkbenchError) else in_words(error)
        voice.complain(says if job.stack.name in says else f"{job.stack}: {says}")
        return Outcome(str(job.stack), "failed", says)


def _done(job: StackJob, work: Work, voice: Voice) -> Outcome:
    wishes = work.wishes
    became = partial(
        Outcome,
        stack=str(job.stack),
        picture=None if job.picture is None else str(job.picture),
        record=None if job.record is None else str(job.record),
    )
    checked_image(job.stack)
    if wishes.resume and job.picture is not None and job.picture.exists():
        before = _made_before(job, job.picture, work)
        if before is not None:
            says = f"{job.picture} was made before, by this recipe from this stack"
            if not wishes.quiet:
                voice.say(f"{job.stack}: {says}")
            return became(state="skipped", says=says, digest=before.output.get("digest"))
        if not wishes.force:
            raise WorkbenchError(
                f"{job.picture} is there, but was not made by this recipe from this stack; --force replaces it"
            )
    for output in (job.picture, *job.beside):
        if output is not None:
            checked_output(output, force=wishes.force, inputs=work.inputs)
    result, seconds = _made(job, work, voice)
    if not wishes.quiet:
        _report(job, result, seconds, voice)
    differs = work.earlier is not None and not _verified(work.earlier, result.record, voice)
    state: State = "differs" if differs else "done"
    return became(state=state, seconds=round(seconds, 3), digest=result.record.output["digest"])


def _made_before(job: StackJob, picture: Path, work: Work) -> Record | None:
    if not all(path.exists() for path in job.beside):
        return None
    reading = work.wishes.reading
    return made_before(
        job.stack, picture, work.recipe, work.frozen, white_level=reading.white_level, linear=reading.linear
    )


def _made(job: StackJob, work: Work, voice: Voice) -> tuple[Result, float]:
    """Read, run, write.

    The record is written after the picture, so that none describes a missing picture.
    """
    began, wishes = perf_counter(), work.wishes
    scratch, scheduler = wishes.scratch, None if work.several else wishes.on
    if scratch is None and scheduler is not None and job.picture is not None:
        scratch = job.picture.parent  # it has room for a picture, and workers elsewhere are likely to see it
    stack = wishes.reading.stack(job.stack, scratch)
    way: dict[str, Any] = {"threads": wishes.threads, "scratch": scratch, "scheduler": scheduler}
    way["progress"] = False if wishes.quiet else voice.progress
    _check_tones(job, work.recipe, stack.tone)
    result = work.recipe.run(stack, facts=work.frozen, **way)
    if job.picture is not None:
        options: dict[str, Any] = {"float32": True} if wishes.as_float else {}
        options |= {"quality": wishes.quality} if wishes.quality is not None else {}
        result.save(job.picture, overwrite=wishes.force, **options)
        if job.layers:
            layers = work.recipe.layers_of(stack, result, **way)
            work.recipe.save_layers(job.picture, layers, overwrite=wishes.force, **options)
    if job.record is not None:
        with _beside(job, "without its record"):
            result.record.save(job.record, overwrite=wishes.force)
    if job.picture is not None:
        with _beside(job, "but not all of its outputs"):
            result.save_outputs(job.picture, work.recipe.outputs, overwrite=wishes.force)
    return result, perf_counter() - began


def _check_tones(job: StackJob, recipe: Recipe, start: Tone) -> None:
    """Refuse files that would hold linear light and cannot, before the recipe is run."""
    tones = recipe.tones(start)
    if job.outputs and tones[-1] is Tone.LINEAR:
        raise WorkbenchError("the recipe has outputs, but ends with linear light: put a stretch into it")
    if job.picture is not None:
        checked_format(job.picture, tones[-1])
    for layer in job.layers:
        checked_format(layer, tones[recipe.apart or 0])


@contextmanager
def _beside(job: StackJob, missing: str) -> Iterator[None]:
    """What goes wrong here leaves the picture written, and the sentence says so."""
    try:
        yield
    except WorkbenchError as error:
        reason = str(error).removesuffix("; nothing was written")
        raise WorkbenchError(f"{reason}; the picture {job.picture} was written {missing}") from error


def _report(job: StackJob, result: Result, seconds: float, voice: Voice) -> None:
    for step in result.record.steps:
        voice.say(f"{step.index + 1:2} {step.do:<16} {step.found}".rstrip())
    h, w, _ = result.image.shape
    made = f" -> {job.picture}" if job.picture else ""
    more = "".join(f", {path}" for path in job.beside)
    record = result.record
    same = "; not one pixel was changed" if record.input["pixels"] == record.output["digest"] else ""
    voice.say(f"{job.stack}{made}{more} ({w} x {h} px, {result.image.tone}, {seconds:.1f} s){same}")


def _verified(earlier: Record, now: Record, voice: Voice) -> bool:
    verdict = earlier.compare(now)
    if earlier.input["pixels"] != now.input["pixels"]:
        voice.say("The record was made from another stack: its pixels differ.")
    voice.say(f"{verdict.says[:1].upper()}{verdict.says[1:]}.")
    return verdict.ok

"""``workbench run``: a recipe on one or several stacks."""

from __future__ import annotations

import os
from contextlib import nullcontext
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from time import perf_counter
from typing import Any

from typer import echo

from workbench import io
from workbench.cli.batch import Outcome, State, is_summary, made_before, summary_text, table
from workbench.cli.faults import DONE, FAILED_CHECK, TRACEBACK, UNUSABLE, in_words, tell
from workbench.cli.files import Reading, beside, checked_output, load_recipe, load_record, results_in
from workbench.engine import Recipe, Record, Result, layer_files
from workbench.engine.comparison import require_comparable
from workbench.errors import Cancelled, WorkbenchError
from workbench.io import FORMATS, checked_input

__all__ = ["Wishes", "run"]


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


@dataclass(frozen=True, slots=True)
class _StackJob:
    stack: Path
    picture: Path | None
    record: Path | None
    layers: tuple[Path, ...] = ()

    @property
    def beside(self) -> list[Path]:
        """What is written beside the picture."""
        return [*([] if self.record is None else [self.record]), *self.layers]


@dataclass(frozen=True, slots=True)
class _Work:
    """What is the same for every stack."""

    recipe: Recipe
    frozen: Record | None
    earlier: Record | None
    wishes: Wishes
    inputs: tuple[Path, ...]
    several: bool


def run(recipe_path: Path, stacks: list[Path], output: Path | None, wishes: Wishes) -> int:
    """Run a recipe on stacks; every problem that can be seen beforehand is told before the first is read."""
    recipe = _part(load_recipe(recipe_path), wishes)
    frozen = load_record(wishes.facts) if wishes.facts else None
    earlier = load_record(wishes.verify) if wishes.verify else None
    if earlier is not None:
        require_comparable(earlier, f"the record {wishes.verify}")
    pictures = _pictures(stacks, output, wishes)
    inputs = [recipe_path, *stacks, *(p for p in (wishes.facts, wishes.verify) if p is not None)]
    _check_summary(wishes, inputs)
    work = _Work(recipe, frozen, earlier, wishes, tuple(inputs), several=len(stacks) > 1)
    if wishes.layers and recipe.apart is None:
        raise WorkbenchError("--layers: no step of the recipe takes the stars off; put split_stars into it")
    jobs = [
        _StackJob(
            stack,
            picture,
            beside(picture, ".record.json") if wishes.record and picture else None,
            layer_files(picture) if wishes.layers and picture else (),
        )
        for stack, picture in zip(stacks, pictures, strict=True)
    ]
    with results_in(output) if output and work.several else nullcontext():
        return _worked_off(jobs, work)


def _worked_off(jobs: list[_StackJob], work: _Work) -> int:
    """Run the recipe on one stack after the other, say what became of each, and return the exit code."""
    outcomes: list[Outcome] = []
    try:
        for job in jobs:
            outcomes.append(_outcome(job, work))  # noqa: PERF401 - what was reached is told after an interrupt
    except (KeyboardInterrupt, Cancelled):
        kept = sum(o.state in {"done", "differs"} for o in outcomes)
        rest = [Outcome(str(job.stack), "not reached") for job in jobs[len(outcomes) :]]
        _sum_up([*outcomes, *rest], work)
        raise Cancelled(_stopped(kept)) from None
    _sum_up(outcomes, work)
    states = [o.state for o in outcomes]
    if "failed" in states:
        written = sum(o.state in {"done", "differs"} for o in outcomes)
        made = "1 picture was" if written == 1 else f"{written} pictures were"
        tell(f"{states.count('failed')} of {len(jobs)} stacks could not be used; {made} written")
        return UNUSABLE
    return FAILED_CHECK if "differs" in states else DONE


def _outcome(job: _StackJob, work: _Work) -> Outcome:
    """What becomes of one stack. Of several, one that cannot be used need not keep the others waiting."""
    try:
        return _done(job, work)
    except Cancelled:
        raise
    except Exception as error:
        if not work.several or os.environ.get(TRACEBACK):
            raise
        says = str(error) if isinstance(error, WorkbenchError) else in_words(error)
        tell(says if job.stack.name in says else f"{job.stack}: {says}")
        return Outcome(str(job.stack), "failed", says)


def _done(job: _StackJob, work: _Work) -> Outcome:
    wishes = work.wishes
    became = partial(
        Outcome,
        stack=str(job.stack),
        picture=None if job.picture is None else str(job.picture),
        record=None if job.record is None else str(job.record),
    )
    checked_input(job.stack)
    if wishes.resume and job.picture is not None and job.picture.exists():
        before = _made_before(job, job.picture, work)
        if before is not None:
            says = f"{job.picture} was made before, by this recipe from this stack"
            if not wishes.quiet:
                echo(f"{job.stack}: {says}")
            return became(state="skipped", says=says, digest=before.output.get("digest"))
        if not wishes.force:
            raise WorkbenchError(
                f"{job.picture} is there, but was not made by this recipe from this stack; --force replaces it"
            )
    for output in (job.picture, *job.beside):
        if output is not None:
            checked_output(output, force=wishes.force, inputs=work.inputs)
    result, seconds = _made(job, work.recipe, work.frozen, wishes)
    if not wishes.quiet:
        _report(job, result, seconds)
    differs = work.earlier is not None and not _verified(work.earlier, result.record)
    state: State = "differs" if differs else "done"
    return became(state=state, seconds=round(seconds, 3), digest=result.record.output["digest"])


def _made_before(job: _StackJob, picture: Path, work: _Work) -> Record | None:
    if not all(path.exists() for path in job.beside):
        return None
    reading = work.wishes.reading
    return made_before(
        job.stack, picture, work.recipe, work.frozen, white_level=reading.white_level, linear=reading.linear
    )


def _check_summary(wishes: Wishes, inputs: list[Path]) -> None:
    if wishes.resume and wishes.verify is not None:
        raise WorkbenchError("--resume skips what is done, and --verify runs it again: give one of them")
    if wishes.summary is not None:
        replace = wishes.force or (wishes.resume and is_summary(wishes.summary))
        checked_output(wishes.summary, force=replace, inputs=inputs, suffixes=[".json"])


def _sum_up(outcomes: list[Outcome], work: _Work) -> None:
    """Print the table of several stacks, and write the summary that was asked for."""
    if work.several and not work.wishes.quiet:
        echo(table(outcomes))
    if work.wishes.summary is not None:
        io.write_text(work.wishes.summary, summary_text(outcomes, work.recipe), overwrite=True)


def _part(recipe: Recipe, wishes: Wishes) -> Recipe:
    if wishes.upto is None:
        return recipe
    if wishes.upto > len(recipe):
        raise WorkbenchError(f"--upto {wishes.upto}: the recipe has {len(recipe)} step{'s' * (len(recipe) != 1)}")
    return recipe.upto(wishes.upto)


def _pictures(stacks: list[Path], output: Path | None, wishes: Wishes) -> list[Path | None]:
    """The picture of each stack, none where a run is only compared; requests that make no sense are told."""
    several = len(stacks) > 1
    if output is None and wishes.verify is None:
        raise WorkbenchError("say where the picture goes: -o FILE, or -o FOLDER for several stacks")
    if several and wishes.verify is not None:
        raise WorkbenchError("--verify compares one stack's run with its record: give one stack")
    if output is None:
        if wishes.record or wishes.layers:
            asked, what = ("--record", "the record") if wishes.record else ("--layers", "the layers")
            raise WorkbenchError(f"{asked} writes {what} beside the picture: give -o as well")
        return [None]
    into_folder = several or output.is_dir()
    if into_folder and not output.exists() and io.format_of(output):
        raise WorkbenchError(f"{output} is the name of a picture: several stacks need a folder, such as -o pictures")
    pictures = [output / (s.stem + wishes.suffix) for s in stacks] if into_folder else [output]
    for picture in pictures:
        _check_format(picture, wishes)
    twice = next((p for p in pictures if pictures.count(p) > 1), None)
    if twice is not None:
        raise WorkbenchError(
            f"two stacks would both be written to {twice}: run them one by one, with names of your own"
        )
    return [*pictures]


def _check_format(picture: Path, wishes: Wishes) -> None:
    kind = io.format_of(picture)
    if kind is None:
        raise WorkbenchError(
            f"{picture}: the name must end in one of {', '.join(io.SUFFIXES)}, or be that of a folder that exists"
        )
    if wishes.as_float and 32 not in FORMATS[kind].bits:
        floats = " and ".join(f.title for f in FORMATS.values() if 32 in f.bits)
        raise WorkbenchError(f"{picture}: float samples fit into {floats} only; leave out --float or change the name")
    if wishes.quality is not None and all(option.name != "quality" for option in FORMATS[kind].options):
        raise WorkbenchError(f"{picture}: --quality is for JPEG; leave it out or end the name in .jpg")


def _made(job: _StackJob, recipe: Recipe, frozen: Record | None, wishes: Wishes) -> tuple[Result, float]:
    """Read, run, write.

    The record is written after the picture, so that none describes a missing picture.
    """
    began = perf_counter()
    stack = wishes.reading.stack(job.stack)
    quiet = False if wishes.quiet else None
    result = recipe.run(stack, facts=frozen, threads=wishes.threads, progress=quiet)
    if job.picture is not None:
        options: dict[str, Any] = {"float32": True} if wishes.as_float else {}
        options |= {"quality": wishes.quality} if wishes.quality is not None else {}
        result.save(job.picture, overwrite=wishes.force, **options)
        if job.layers:
            layers = recipe.layers_of(stack, result, threads=wishes.threads, progress=quiet)
            recipe.save_layers(job.picture, layers, overwrite=wishes.force, **options)
    if job.record is not None:
        try:
            result.record.save(job.record, overwrite=wishes.force)
        except WorkbenchError as error:
            reason = str(error).removesuffix("; nothing was written")
            raise WorkbenchError(f"{reason}; the picture {job.picture} was written without its record") from error
    return result, perf_counter() - began


def _report(job: _StackJob, result: Result, seconds: float) -> None:
    for step in result.record.steps:
        echo(f"{step.index + 1:2} {step.do:<16} {step.found}".rstrip())
    h, w, _ = result.image.shape
    made = f" -> {job.picture}" if job.picture else ""
    more = "".join(f", {path}" for path in job.beside)
    echo(f"{job.stack}{made}{more} ({w} x {h} px, {result.image.tone}, {seconds:.1f} s)")


def _verified(earlier: Record, now: Record) -> bool:
    verdict = earlier.compare(now)
    if earlier.input["pixels"] != now.input["pixels"]:
        echo("The record was made from another stack: its pixels differ.")
    echo(f"{verdict.says[:1].upper()}{verdict.says[1:]}.")
    return verdict.ok


def _stopped(kept: int) -> str:
    pictures = "1 finished picture was" if kept == 1 else f"{kept} finished pictures were"
    return f"stopped; {pictures} kept" if kept else "stopped; nothing was written"

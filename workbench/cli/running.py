"""``workbench run``: a recipe on one or several stacks."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from time import perf_counter
from typing import Any

from typer import echo

from workbench import io
from workbench.cli.faults import DONE, FAILED_CHECK, UNUSABLE, tell
from workbench.cli.files import Reading, beside, checked_output, load_recipe, load_record, results_in
from workbench.engine import Recipe, Record, Result
from workbench.engine.comparison import require_comparable
from workbench.errors import Cancelled, WorkbenchError
from workbench.io import FORMATS, checked_input

__all__ = ["Wishes", "run"]


@dataclass(frozen=True, slots=True)
class Wishes:
    """The options of a run; see the command's help."""

    record: bool = False
    as_float: bool = False
    upto: int | None = None
    facts: Path | None = None
    verify: Path | None = None
    force: bool = False
    quality: int | None = None
    suffix: str = ".picture.tif"
    reading: Reading = field(default_factory=Reading)
    threads: int | None = None
    quiet: bool = False


@dataclass(frozen=True, slots=True)
class _StackJob:
    stack: Path
    picture: Path | None
    record: Path | None


def run(recipe_path: Path, stacks: list[Path], output: Path | None, wishes: Wishes) -> int:
    """Run a recipe on stacks; every problem that can be seen beforehand is told before the first is read."""
    recipe = _part(load_recipe(recipe_path), wishes)
    frozen = load_record(wishes.facts) if wishes.facts else None
    earlier = load_record(wishes.verify) if wishes.verify else None
    if earlier is not None:
        require_comparable(earlier, f"the record {wishes.verify}")
    pictures = _pictures(stacks, output, wishes)
    with results_in(output) if output and len(stacks) > 1 else nullcontext():
        return _worked_off(_jobs(recipe_path, stacks, pictures, wishes), recipe, frozen, earlier, wishes)


def _worked_off(
    jobs: list[_StackJob], recipe: Recipe, frozen: Record | None, earlier: Record | None, wishes: Wishes
) -> int:
    """Run the recipe on one stack after the other and return the exit code."""
    written: list[Path] = []
    failed = 0
    differs = False
    for job in jobs:
        try:
            result, seconds = _made(job, recipe, frozen, wishes, written)
        except Cancelled:
            raise
        except WorkbenchError as error:
            if len(jobs) == 1:
                raise
            # A night's other stacks need not wait for the one that is damaged.
            tell(str(error) if job.stack.name in str(error) else f"{job.stack}: {error}")
            failed += 1
            continue
        except KeyboardInterrupt:
            raise Cancelled(_stopped(len(written))) from None
        if not wishes.quiet:
            _report(job, result, seconds)
        if earlier is not None:
            differs |= not _verified(earlier, result.record)
    if failed:
        made = "1 picture was" if len(written) == 1 else f"{len(written)} pictures were"
        tell(f"{failed} of {len(jobs)} stacks could not be used; {made} written")
        return UNUSABLE
    return FAILED_CHECK if differs else DONE


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
        if wishes.record:
            raise WorkbenchError("--record writes the record beside the picture: give -o as well")
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


def _jobs(recipe: Path, stacks: list[Path], pictures: list[Path | None], wishes: Wishes) -> list[_StackJob]:
    """What is to be done, the files to read and to write all checked."""
    for stack in stacks:
        checked_input(stack)
    inputs = [recipe, *stacks, *(p for p in (wishes.facts, wishes.verify) if p is not None)]
    jobs = []
    for stack, picture in zip(stacks, pictures, strict=True):
        record = beside(picture, ".record.json") if wishes.record and picture else None
        for output in (picture, record):
            if output is not None:
                checked_output(output, force=wishes.force, inputs=inputs)
        jobs.append(_StackJob(stack, picture, record))
    return jobs


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


def _made(
    job: _StackJob, recipe: Recipe, frozen: Record | None, wishes: Wishes, written: list[Path]
) -> tuple[Result, float]:
    """Read, run, write, and note the picture in ``written``.

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
        written.append(job.picture)
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
    record = f", {job.record}" if job.record else ""
    echo(f"{job.stack}{made}{record} ({w} x {h} px, {result.image.tone}, {seconds:.1f} s)")


def _verified(earlier: Record, now: Record) -> bool:
    verdict = earlier.compare(now)
    if earlier.input["pixels"] != now.input["pixels"]:
        echo("The record was made from another stack: its pixels differ.")
    echo(f"{verdict.says[:1].upper()}{verdict.says[1:]}.")
    return verdict.ok


def _stopped(kept: int) -> str:
    pictures = "1 finished picture was" if kept == 1 else f"{kept} finished pictures were"
    return f"stopped; {pictures} kept" if kept else "stopped; nothing was written"

"""``workbench run``: a recipe on one or several stacks."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from time import perf_counter
from typing import Any

from typer import echo

from workbench import io
from workbench.cli.faults import DONE, FAILED_CHECK, UNUSABLE, tell
from workbench.cli.files import Reading, beside, checked_output, load_recipe, load_record, made_folder
from workbench.engine import Recipe, Record, Result
from workbench.errors import Cancelled, WorkbenchError
from workbench.io.files import checked_input

__all__ = ["Wishes", "run"]

_PICTURES = (".tif", ".tiff", ".png", ".jpg", ".jpeg", ".fits", ".fit")
_FLOATS = (".tif", ".tiff", ".fits", ".fit")
_JPEG = (".jpg", ".jpeg")


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
class _Job:
    stack: Path
    picture: Path | None
    record: Path | None


def run(recipe_path: Path, stacks: list[Path], output: Path | None, wishes: Wishes) -> int:
    """Run a recipe on stacks; every problem that can be seen beforehand is told before the first is read."""
    recipe = _part(load_recipe(recipe_path), wishes)
    frozen = load_record(wishes.facts) if wishes.facts else None
    earlier = load_record(wishes.verify) if wishes.verify else None
    jobs = _jobs(recipe_path, stacks, output, wishes)
    failed, kept = [], 0
    differs = False
    for job in jobs:
        try:
            result, seconds = _made(job, recipe, frozen, wishes)
        except Cancelled:
            raise
        except WorkbenchError as error:
            if len(jobs) == 1:
                raise
            # A night's other stacks need not wait for the one that is damaged.
            tell(str(error) if job.stack.name in str(error) else f"{job.stack}: {error}")
            failed.append(job.stack)
            continue
        except KeyboardInterrupt:
            raise Cancelled(_stopped(kept)) from None
        kept += job.picture is not None
        if not wishes.quiet:
            _report(job, result, seconds)
        if earlier is not None:
            differs |= not _verified(earlier, result.record)
    if failed:
        written = "1 picture was" if kept == 1 else f"{kept} pictures were"
        tell(f"{len(failed)} of {len(jobs)} stacks could not be used; {written} written")
        return UNUSABLE
    return FAILED_CHECK if differs else DONE


def _part(recipe: Recipe, wishes: Wishes) -> Recipe:
    if wishes.upto is None:
        return recipe
    if wishes.upto > len(recipe):
        raise WorkbenchError(f"--upto {wishes.upto}: the recipe has {len(recipe)} step{'s' * (len(recipe) != 1)}")
    return recipe.upto(wishes.upto)


def _jobs(recipe: Path, stacks: list[Path], output: Path | None, wishes: Wishes) -> list[_Job]:
    """Which stack makes which picture, all names checked."""
    for stack in stacks:
        checked_input(stack)
    inputs = [recipe, *stacks, *(p for p in (wishes.facts, wishes.verify) if p is not None)]
    if output is None:
        return _without_pictures(stacks, wishes)
    if wishes.verify is not None and len(stacks) > 1:
        raise WorkbenchError("--verify compares one stack's run with its record: give one stack")
    into_folder = len(stacks) > 1 or output.is_dir()
    pictures = [output / (s.stem + wishes.suffix) for s in stacks] if into_folder else [output]
    for picture in pictures:
        _check_format(picture, wishes)
    twice = next((p for p in pictures if pictures.count(p) > 1), None)
    if twice is not None:
        raise WorkbenchError(
            f"two stacks would both be written to {twice}: run them one by one, with names of your own"
        )
    if into_folder:
        made_folder(output)
    jobs = []
    for stack, picture in zip(stacks, pictures, strict=True):
        checked_output(picture, force=wishes.force, inputs=inputs, suffixes=_PICTURES)
        record = beside(picture, ".record.json") if wishes.record else None
        if record is not None:
            checked_output(record, force=wishes.force, inputs=inputs)
        jobs.append(_Job(stack, picture, record))
    return jobs


def _without_pictures(stacks: list[Path], wishes: Wishes) -> list[_Job]:
    if wishes.verify is None:
        raise WorkbenchError("say where the picture goes: -o FILE, or -o FOLDER for several stacks")
    if len(stacks) > 1:
        raise WorkbenchError("--verify compares one stack's run with its record: give one stack")
    if wishes.record:
        raise WorkbenchError("--record writes the record beside the picture: give -o as well")
    return [_Job(stacks[0], None, None)]


def _check_format(picture: Path, wishes: Wishes) -> None:
    suffix = picture.suffix.lower()
    if wishes.as_float and suffix not in _FLOATS:
        raise WorkbenchError(
            f"{picture}: float samples fit into TIFF and FITS only; leave out --float or change the name"
        )
    if wishes.quality is not None and suffix not in _JPEG:
        raise WorkbenchError(f"{picture}: --quality is for JPEG; leave it out or end the name in .jpg")


def _made(job: _Job, recipe: Recipe, frozen: Record | None, wishes: Wishes) -> tuple[Result, float]:
    """Read, run, write. The record is written after the picture, so that none describes a missing picture."""
    began = perf_counter()
    stack = wishes.reading.stack(job.stack)
    quiet = False if wishes.quiet else None
    result = recipe.run(stack, facts=frozen, threads=wishes.threads, progress=quiet)
    if job.picture is not None:
        options: dict[str, Any] = {"float32": True} if wishes.as_float else {}
        options |= {"quality": wishes.quality} if wishes.quality is not None else {}
        result.save(job.picture, overwrite=wishes.force, **options)
    if job.record is not None:
        io.write_text(job.record, result.record.dumps(), wishes.force)
    return result, perf_counter() - began


def _report(job: _Job, result: Result, seconds: float) -> None:
    for step in result.record.steps:
        echo(f"{step.index + 1:2} {step.do:<16} {step.found}".rstrip())
    h, w, _ = result.image.shape
    made = f" -> {job.picture}" if job.picture else ""
    record = f", {job.record}" if job.record else ""
    echo(f"{job.stack}{made}{record} ({w} x {h} px, {result.image.tone}, {seconds:.1f} s)")


def _verified(earlier: Record, now: Record) -> bool:
    verdict = earlier.compare(now)
    if earlier.input.get("pixels") != now.input.get("pixels"):
        echo("The record was made from another stack: its pixels differ.")
    echo(f"{verdict.says[:1].upper()}{verdict.says[1:]}.")
    return verdict.ok


def _stopped(kept: int) -> str:
    pictures = "1 finished picture was" if kept == 1 else f"{kept} finished pictures were"
    return f"stopped; {pictures} kept" if kept else "stopped; nothing was written"

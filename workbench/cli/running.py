"""``workbench run``: a recipe on one or several stacks."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path

from typer import echo

from workbench import io
from workbench.cli.batch import Outcome, is_summary, summary_text, table
from workbench.cli.faults import DONE, FAILED_CHECK, UNUSABLE, tell
from workbench.cli.files import beside, checked_output, load_recipe, load_record, results_in
from workbench.cli.jobs import StackJob, Wishes, Work
from workbench.cli.workers import here, in_child, on_cluster
from workbench.engine import Recipe, layer_files, output_files
from workbench.engine.comparison import require_comparable
from workbench.errors import Cancelled, WorkbenchError
from workbench.io import FORMATS
from workbench.prepared import prepare

__all__ = ["Wishes", "run"]


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
    work = Work(recipe, frozen, earlier, wishes, tuple(inputs), several=len(stacks) > 1)
    if wishes.layers and recipe.apart is None:
        raise WorkbenchError("--layers: no step of the recipe takes the stars off; put split_stars into it")
    jobs = [
        StackJob(
            stack,
            picture,
            beside(picture, ".record.json") if wishes.record and picture else None,
            layer_files(picture) if wishes.layers and picture else (),
            output_files(picture, recipe.outputs) if picture else (),
        )
        for stack, picture in zip(stacks, pictures, strict=True)
    ]
    prepare("picture", tell)
    with results_in(output) if output and work.several else nullcontext():
        return _worked_off(jobs, work)


def _worked(jobs: list[StackJob], work: Work) -> Iterator[tuple[StackJob, Outcome]]:
    """Each job and what became of it, in the order in which they end."""
    if not work.several:
        return here(jobs, work)
    return in_child(jobs, work) if work.wishes.on is None else on_cluster(jobs, work)


def _worked_off(jobs: list[StackJob], work: Work) -> int:
    """Run the recipe on every stack, say what became of each, and return the exit code."""
    found: dict[StackJob, Outcome] = {}
    try:
        for job, became in _worked(jobs, work):
            found[job] = became  # noqa: PERF403 - what was reached is told after an interrupt
    except (KeyboardInterrupt, Cancelled):
        kept = sum(o.state in {"done", "differs"} for o in found.values())
        _sum_up([found.get(job) or Outcome(str(job.stack), "not reached") for job in jobs], work)
        raise Cancelled(_stopped(kept)) from None
    outcomes = [found[job] for job in jobs]
    _sum_up(outcomes, work)
    states = [o.state for o in outcomes]
    if "failed" in states:
        written = sum(o.state in {"done", "differs"} for o in outcomes)
        made = "1 picture was" if written == 1 else f"{written} pictures were"
        tell(f"{states.count('failed')} of {len(jobs)} stacks could not be used; {made} written")
        return UNUSABLE
    return FAILED_CHECK if "differs" in states else DONE


def _check_summary(wishes: Wishes, inputs: list[Path]) -> None:
    if wishes.resume and wishes.verify is not None:
        raise WorkbenchError("--resume skips what is done, and --verify runs it again: give one of them")
    if wishes.summary is not None:
        replace = wishes.force or (wishes.resume and is_summary(wishes.summary))
        checked_output(wishes.summary, force=replace, inputs=inputs, suffixes=[".json"])


def _sum_up(outcomes: list[Outcome], work: Work) -> None:
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
    return recipe.upto(wishes.upto).with_outputs(())  # of the finished picture


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


def _stopped(kept: int) -> str:
    pictures = "1 finished picture was" if kept == 1 else f"{kept} finished pictures were"
    return f"stopped; {pictures} kept" if kept else "stopped; nothing was written"

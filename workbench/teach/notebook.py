"""The lesson as a notebook: every step built by a cell, with its reason, what it found, before and after."""

from __future__ import annotations

import builtins
import keyword
import os
from dataclasses import replace
from pathlib import Path, PurePath

from workbench.checkup import Checkup
from workbench.engine import Cancel, Recipe, Result
from workbench.engine.progress import Progress
from workbench.operations.describe import title_of
from workbench.recipe.code import listed, step_code, step_lines
from workbench.recipe.model import Step
from workbench.stack import Stack
from workbench.teach.account import HOW_SHOWN, Account, SettingWords, StepWords
from workbench.teach.cells import Cells, code, marked, plain, table
from workbench.teach.lesson import Lesson
from workbench.teach.tasks import Task, tasks_of, to_begin_with

__all__ = ["lesson_notebook"]

#: Names that the cells use otherwise.
_TAKEN = {"wb", "stack", "goal", "lesson", "recipe", "look", "result", "mine", "Lesson", "height", "width"}
_SHOW = "print(look)\ndisplay(*look.pictures)"
#: Longest code that stands in a sentence.
_SHORT = 88
#: So many folders up a stack may lie and still be told relative to the notebook.
_UP = 2


def lesson_notebook(
    stack: Stack,
    recipe: Recipe,
    result: Result,
    check: Checkup | None = None,
    *,
    folder: Path | None = None,
    tone_given: bool = False,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> str:
    """A notebook that teaches a recipe on a stack: readable as it is, and it runs from top to bottom.

    Parameters
    ----------
    stack : Stack
        What the recipe was run on.
    recipe : Recipe
    result : Result
        Of that run. Its facts are used as they are, so the pictures are those of the run.
    check : Checkup, optional
        What was measured in the stack, to stand at its head.
    folder : Path, optional
        Where the notebook will lie; the stack's file is named as seen from there. Left out: beside the stack.
    tone_given : bool
        Whether the stack was read with its tone given; the notebook then reads it so, too.
    progress : callable, optional
        Told how far it is.
    cancel : Cancel, optional
        Heeded between two steps.

    Returns
    -------
    str
        Notebook format 4.5, with the outputs that its cells give when they are run. The same stack and recipe give
        the same text. A frame is shown 560 pixels wide in a pair and 960 alone, places at 1:1 are 380 x 260, all as
        JPEG: 1.1 to 1.5 MB for the seven steps of a sample stack.

    Notes
    -----
    The last section measures one changed recipe on the full frame; nothing else is measured again.
    """
    account, lesson = Account.of(stack, recipe, result.record, check), Lesson(stack, recipe, result.record.facts)
    names, cells = _names(recipe), Cells()
    _opening(cells, account, stack, folder, tone_given=tone_given)
    _goal(cells, recipe, lesson)
    for i, (step, words) in enumerate(zip(recipe, account.steps, strict=True)):
        if cancel is not None:
            cancel.check()
        _step(cells, step, words, names[: i + 1], lesson, recipe.upto(i + 1))
        if progress is not None:
            progress((i + 1) / (len(recipe) + 1), f"pictures of step {i + 1}")
    _ending(cells, account, recipe, lesson, result)
    _tasks(cells, recipe, names, stack, lesson, cancel)
    return cells.dumps()


# -- sections ------------------------------------------------------------------------------------------------------


def _opening(cells: Cells, account: Account, stack: Stack, folder: Path | None, *, tone_given: bool) -> None:
    steps = [w for w in account.steps if w.on]
    learn = [f"- **{w.title}**: {marked(_lower(w.summary))}" for w in steps]
    cells.text(
        "what-you-will-learn",
        f"# {plain(account.title)}",
        "**What you will learn**",
        f"How a linear stack becomes this picture in {_count(len(steps), 'step')}, what each step is for, what it "
        "found in this stack, and how to change it:",
        "\n".join(learn),
        f"**The story.** {plain(account.story)}",
        "Everything can be read as it stands. To work with it, run the cells from top to bottom with "
        "**Shift + Enter**; then change a setting, run its cell again, and look.",
    )
    reading, where = _reading(stack, folder, tone_given=tone_given)
    cells.text(
        "stack-text",
        "## The stack",
        table(("What", "In this stack"), [(plain(a), plain(b)) for a, b in account.facts]),
        where,
    )
    height, width, _ = stack.shape
    cells.code(
        "stack",
        "import workbench as wb\n"
        "from workbench.teach import Lesson\n\n"
        f"{reading}\n"
        "height, width, _ = stack.shape\n"
        'print(f"{stack.source.name}: {width} x {height} pixels, {stack.tone}")',
        f"{stack.source.name}: {width} x {height} pixels, {stack.tone}",
    )


def _goal(cells: Cells, recipe: Recipe, lesson: Lesson) -> None:
    cells.text(
        "goal-text",
        "## Where we are heading",
        "The finished recipe, with the settings that differ from the usual ones, and the picture it makes. Below, it "
        "is built again step by step, each with its reason.",
        plain(HOW_SHOWN),
        _strangers(recipe),
    )
    steps = [step_lines(replace(step, note=""), 8) for step in recipe]
    built = listed("goal = wb.Recipe(", steps, ")")
    cells.code("goal", f"{built}\nlesson = Lesson(stack, goal)\ndisplay(lesson.goal)", lesson.goal)


def _step(cells: Cells, step: Step, words: StepWords, names: list[str], lesson: Lesson, recipe: Recipe) -> None:
    here = f"step-{words.number}"
    settings = [_setting(s) for s in words.settings]
    cells.text(
        f"{here}-text",
        f"## {words.number}. {words.title}{'' if words.on else ' (off)'}",
        marked(words.summary),
        f"> **Why it is here.** {plain(words.note)}" if words.note else "",
        "" if words.on else "This step is switched off: the recipe keeps it and skips it.",
        f"**Why and when.** {marked(words.why)}",
        *([f"**How it works.** {marked(words.details[0])}"] if words.details else []),
        *map(marked, words.details[1:]),
        table(("Setting", "Value", "What it does"), settings) if settings else "It has no settings.",
        f"Changes only {plain(words.where)}." if words.where else "",
        "What this step measured was kept from an earlier run. Run here it measures anew, so its pictures may differ "
        "a little from those stored."
        if words.frozen and words.on
        else "",
    )
    built = f"{names[-1]} = {step_lines(step, len(names[-1]) + 3)}\n{listed('recipe = wb.Recipe(', names, ')')}"
    if not words.on:
        cells.code(here, built)
        return
    cells.code(here, f"{built}\n\nlook = lesson.look(recipe)\n{_SHOW}", lesson.look(recipe))


def _ending(cells: Cells, account: Account, recipe: Recipe, lesson: Lesson, result: Result) -> None:
    cells.text(
        "picture-text",
        "## The finished picture",
        f"Running the recipe makes the picture at full size, {account.size}; here it is shown smaller. Changes that "
        "you made above are in it.",
    )
    title = f"recipe = recipe.titled({recipe.title!r})\n" if recipe.title else ""
    start = "" if len(recipe) else "recipe = wb.Recipe()\n"
    source = f"{start}{title}result = recipe.run(stack, progress=False)\ndisplay(lesson.picture(result.image))"
    cells.code("picture", source, lesson.picture(result.image))
    stem = PurePath(str(result.record.input.get("name", ""))).stem or "picture"
    cells.text(
        "save-text",
        "### Save it",
        "The end of the name says the format: `.tif`, `.png`, `.jpg` or `.fits`. The picture carries its recipe and "
        "record inside, and the recipe makes a picture of any other stack: `recipe.run(wb.read(...))`. Take the marks "
        "`#` away and run the cell. A file that exists is not replaced unless you say `overwrite=True`.",
    )
    lines = [
        f"# result.save({f'{stem}.picture.tif'!r})",
        f"# result.save({f'{stem}.picture.jpg'!r})",
        f"# recipe.save({f'{stem}.recipe.json'!r})",
    ]
    cells.code("save", "\n".join(lines))


def _tasks(cells: Cells, recipe: Recipe, names: list[str], stack: Stack, lesson: Lesson, cancel: Cancel | None) -> None:
    if cancel is not None:
        cancel.check()
    tasks = tasks_of(recipe, stack.tone)
    first = to_begin_with(tasks)
    if first is None:
        cells.text("try-it", "## Something to try", "Read a stack of your own in the first cell, and run all cells.")
        return
    rows = [f"{n}. {_task_words(task)}" for n, task in enumerate(tasks, start=1)]
    rows.append(f"{len(tasks) + 1}. Read a stack of your own in the first cell, and run all cells. Which steps found "
                "something else?")  # fmt: skip
    cells.text(
        "try-it",
        "## Something to try",
        "One change at a time. Say first what you expect; then run it, look, and find the number or the place that "
        f"bears you out. The cell below does the one on step {first.index + 1}; put the others in its place.",
        "\n".join(rows),
    )
    items = [*names]
    items[first.index] = step_code(replace(first.step, note=""))
    mine = recipe.with_steps([first.step if i == first.index else s for i, s in enumerate(recipe)])
    built = listed("mine = wb.Recipe(", items, ")")
    cells.code("try-one", f"{built}\n\nlook = lesson.compare(mine)\n{_SHOW}", lesson.compare(mine))


# -- words ---------------------------------------------------------------------------------------------------------


def _setting(s: SettingWords) -> tuple[str, str, str]:
    """A row of the table of settings; what the recipe chose stands out."""
    name, value = code(s.name), code(s.code)
    if s.chosen:
        name, value = f"**{name}**", f"**{value}**"
    meaning = f" {plain(s.unit)}" if s.unit else f", {s.value}" if s.code == "None" else ""
    return name, value + meaning, f"{plain(s.description)} ({plain(s.told)})"


def _task_words(task: Task) -> str:
    head = f"**Step {task.index + 1}, {title_of(type(task.step.operation))}.**"
    source = step_code(replace(task.step, note=""))
    if not task.setting:
        return f"{head} Switch it off: {code(source)}. Which later step misses it, and where does it show?"
    does = f" ({plain(task.does)})" if task.does else ""
    told = f" In code: {code(source)}." if len(source) <= _SHORT else ""
    return f"{head} Take {code(task.setting)}{does} {task.change}, and look at {task.look}.{told}"


def _reading(stack: Stack, folder: Path | None, *, tone_given: bool) -> tuple[str, str]:
    """The line that reads the stack, and what to know of it."""
    source = stack.source
    if not source.path:
        told = "This stack was an array, which no file holds: give it to the next cell as `stack`."
        return f"# stack: the array {source.name!r} that this recipe was made for", told
    name, near = _seen_from(Path(source.path), folder)
    options = f", white_level={source.white_level!r}" if source.white_rule.endswith("as asked") else ""
    options += f", tone={str(stack.tone)!r}" if tone_given else ""
    told = "" if near else f"Put `{plain(name)}` beside this notebook, or write in the next cell where it is."
    return f"stack = wb.read({name!r}{options})", told


def _seen_from(stack: Path, folder: Path | None) -> tuple[str, bool]:
    """The stack's file as seen from a folder, and whether it is near; else its name alone, as machines differ."""
    try:
        seen = Path(os.path.relpath(stack, folder if folder is not None else stack.parent))
    except ValueError:  # on another drive
        return stack.name, False
    return (seen.as_posix(), True) if seen.parts.count("..") <= _UP else (stack.name, False)


def _names(recipe: Recipe) -> list[str]:
    """A name in Python for every step."""
    names: list[str] = []
    for step in recipe:
        base = step.operation.id
        if base in _TAKEN or keyword.iskeyword(base) or hasattr(builtins, base):
            base += "_step"
        name, n = base, 2
        while name in names:
            name, n = f"{base}_{n}", n + 1
        names.append(name)
    return names


def _strangers(recipe: Recipe) -> str:
    """What to know of operations that do not come with the workbench."""
    own = dict.fromkeys(
        type(s.operation).__name__ for s in recipe if not type(s.operation).__module__.startswith("workbench.")
    )
    listed_names = ", ".join(f"`{name}`" for name in own)
    return f"Not part of the workbench: {listed_names}. Define it in a cell above this one." if own else ""


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]

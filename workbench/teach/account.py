"""What a lesson says, whatever it is written as: the stack, and every step with reason, settings and what it found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

from workbench.checkup import Checkup
from workbench.checkup.text import acquired
from workbench.engine import Recipe, Record
from workbench.operations.describe import (
    Story,
    sentence_start,
    settings_of,
    title_of,
    value_words,
)
from workbench.recipe.model import Step
from workbench.recipe.words import layer_words, opacity_words
from workbench.stack import Stack

__all__ = ["HOW_SHOWN", "PLACES", "Account", "SettingWords", "StepWords", "as_sentence"]

#: Places that are shown at 1:1, see `workbench.teach.places`.
PLACES = {
    "bright": "the brightest part",
    "faint": "faint light beside the object",
    "stars": "where stars are dense",
    "own": "where the step changed most",
}
#: Longest code of a value in a table.
_SHORT = 40
HOW_SHOWN = (
    "Pictures of steps in linear light are shown through the recipe's own stretch; both pictures of a pair use "
    "the same one, so what differs is the work of the step. Before the stretch stand the numbers as they are, "
    "which a screen shows nearly black."
)


@dataclass(frozen=True, slots=True)
class SettingWords:
    """A setting as it stands in a recipe.

    Attributes
    ----------
    name, code : str
        In Python: its name, and its value where that is short enough for a table (else what it holds).
    label, value, unit, description : str
        For people.
    told : str
        What it may be, and what it usually is.
    chosen : bool
        Whether it differs from the default.
    """

    name: str
    code: str
    label: str
    value: str
    unit: str
    description: str
    told: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class StepWords:
    """A step in words: its place in the recipe, what its operation's declaration says, and what a run found.

    In ``summary``, ``why`` and ``details`` code stands between marks, see `workbench.operations.describe.spans`.
    ``frozen`` says that facts of an earlier run were used in place of measuring.
    """

    number: int
    on: bool
    title: str
    summary: str
    why: str
    details: tuple[str, ...]
    note: str
    found: str
    settings: tuple[SettingWords, ...]
    where: str
    frozen: bool

    @classmethod
    def of(cls, index: int, step: Step, found: str = "", *, frozen: bool = False) -> Self:
        """The words for the step at ``index`` (from 0), with what a run found.

        Parameters
        ----------
        index : int
        step : Step
        found : str
            What was measured and done.
        frozen : bool
            Whether the facts were given.

        Returns
        -------
        StepWords
        """
        kind = type(step.operation)
        story = Story.of(kind, marked=True)
        return cls(
            number=index + 1,
            on=step.on,
            title=title_of(kind),
            summary=story.summary,
            why=story.why,
            details=story.details,
            note=step.note,
            found=as_sentence(found),
            settings=_settings(step),
            where=_limited(step),
            frozen=frozen,
        )


@dataclass(frozen=True, slots=True)
class Account:
    """All words of a lesson.

    Attributes
    ----------
    title, story : str
        What the picture is, and how its frames were taken.
    size : str
        Of the finished picture.
    steps : tuple of StepWords
        Those that are off, too.
    facts : tuple of (str, str)
        What is known of the stack: what, and its value.
    made : str
        With which versions. Nothing in it changes when the same is done again.
    """

    title: str
    story: str
    size: str
    steps: tuple[StepWords, ...]
    facts: tuple[tuple[str, str], ...]
    made: str

    @classmethod
    def of(cls, stack: Stack, recipe: Recipe, record: Record, check: Checkup | None = None) -> Self:
        """The words for a run of ``recipe`` on ``stack``; with a checkup, what was measured in the stack is told.

        Parameters
        ----------
        stack : Stack
        recipe : Recipe
        record : Record
            Of that run.
        check : Checkup, optional

        Returns
        -------
        Account
        """
        runs = {s.index: s for s in record.steps}
        steps = []
        for i, step in enumerate(recipe):
            run = runs.get(i)
            steps.append(StepWords.of(i, step, run.found if run else "", frozen=bool(run and run.frozen)))
        height, width, _ = record.output["shape"]
        return cls(
            title=recipe.title or str(record.input.get("name", "")) or "Step sheet",
            story=acquired(stack.acquisition, stack.shape) or "How the frames were taken is not known.",
            size=f"{width} x {height} px",
            steps=tuple(steps),
            facts=tuple(_stack_facts(record, check)),
            made=_made(record),
        )


def as_sentence(words: str) -> str:
    """The same words with a capital first letter and one full stop.

    Parameters
    ----------
    words : str

    Returns
    -------
    str
    """
    return f"{sentence_start(words).rstrip('.')}." if words else ""


def _settings(step: Step) -> tuple[SettingWords, ...]:
    values = step.operation.model_dump(mode="json")
    rows = []
    for s in settings_of(type(step.operation)):
        value = value_words(values[s.name])
        unit = s.unit if isinstance(values[s.name], int | float) else ""
        chosen = value != s.default
        if s.expert and not chosen:
            continue
        # Shapes of data are for those who write recipes by hand.
        allowed = (
            ""
            if "{" in s.allowed
            else s.allowed.replace(" or empty (automatic)", ", or automatic").replace(" | ", ", ")
        )
        told = "; ".join(filter(None, [allowed, f"usually {s.default}"]))
        rows.append(
            SettingWords(
                name=s.name,
                code=_code(getattr(step.operation, s.name)),
                label=s.label,
                value=value,
                unit=unit,
                description=s.description,
                told=told,
                chosen=chosen,
            )
        )
    return tuple(rows)


def _code(value: Any) -> str:
    """A setting's value in Python, or how much of it there is."""
    code = repr(value)
    return code if len(code) <= _SHORT or not isinstance(value, tuple) else f"({len(value)} of them)"


def _limited(step: Step) -> str:
    """What a step changes where that is not all; empty where it is."""
    layer = "" if step.layer in {None, "both"} else layer_words(step.works_on)
    part = "" if step.where is None else f"what lies {step.where.words()}"
    whole = ", in ".join(words for words in (part, layer) if words)
    if step.opacity == 1:
        return whole
    return f"{whole}, by {opacity_words(step.opacity)}" if whole else f"the frame by {opacity_words(step.opacity)}"


def _stack_facts(record: Record, check: Checkup | None) -> list[tuple[str, str]]:
    """(what, value) rows about the stack."""
    i = record.input
    height, width, channels = i["shape"]
    kind = "color" if channels > 1 else "gray"
    rows = [("File", str(i.get("name", "")))]
    if check is None:
        rows.append(("Frame", f"{width} x {height} px, {kind}, {i.get('tone', '')}, {i.get('sample', '')}"))
    else:
        rows += [row for row in check.summary() if row[0] != "Taken"]
    rows.append(("White level", str(i.get("white_rule", ""))))
    if i.get("sha256"):
        rows.append(("SHA-256", str(i["sha256"])))
    return rows


def _made(record: Record) -> str:
    version = record.software.get("post-stack-workbench", "")
    return (
        f"Made by Post-stack workbench {version}, Python {record.software.get('python', '')}, "
        f"numpy {record.software.get('numpy', '')}. The run record holds all facts and digests; the recipe replays it."
    )

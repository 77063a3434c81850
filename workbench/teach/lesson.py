"""What the cells of a lesson call: pictures and words for one step at a time."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, replace

from workbench.engine import Preview, Recipe
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts
from workbench.operations.describe import sentence_start, title_of
from workbench.stack import Stack
from workbench.teach.account import PLACES, as_sentence
from workbench.teach.pictures import Picture, Shown, side_by_side
from workbench.teach.step_views import Pair, StepViews, place_for

__all__ = ["Lesson", "Look"]

#: Widths in pixels: of a picture that stands alone, and of each of two side by side.
_ALONE, _HALF = 960, 560
_LINE = 88


@dataclass(frozen=True)
class Look:
    """What there is to see of a step. Print it for the words; display its pictures.

    Attributes
    ----------
    words : str
        What was found and done, and what the pictures show.
    pictures : tuple of Shown
        The whole frame, and where it matters a place pixel by pixel.
    """

    words: str
    pictures: tuple[Shown, ...]

    def __str__(self) -> str:
        return "\n".join(textwrap.fill(line, _LINE) for line in self.words.splitlines())


class Lesson:
    """Shows what the steps of a recipe do to a stack.

    Every picture is seen in the light of the finished recipe: linear frames are shown through its stretch, and places
    at 1:1 are those that matter in its picture. A recipe that differs from it, as far as you have built it or
    changed it, is measured from its first other step on.

    Parameters
    ----------
    stack : Stack
    recipe : Recipe
        The finished recipe.
    facts : mapping of int to Facts, optional
        What a run of it measured; left out: measured now.

    Examples
    --------
    >>> lesson = Lesson(stack, goal)                           # doctest: +SKIP
    >>> look = lesson.look(wb.Recipe([wb.RemoveGradient()]))   # doctest: +SKIP
    >>> print(look)                                            # doctest: +SKIP
    >>> display(*look.pictures)                                # doctest: +SKIP
    """

    def __init__(self, stack: Stack, recipe: Recipe, facts: Mapping[int, Facts] | None = None) -> None:
        known = Preview(stack, recipe).facts if facts is None else facts
        self._recipe, self._views = recipe, StepViews(stack, recipe, known, width=_HALF)

    @property
    def goal(self) -> Shown:
        """The picture that the finished recipe makes, reduced."""
        return Shown(self._views.finished(_ALONE), "The finished picture, the whole frame.")

    def picture(self, image: Stack) -> Shown:
        """An image that a run made, reduced.

        Parameters
        ----------
        image : Stack

        Returns
        -------
        Shown
        """
        return Shown(self._views.image(image, _ALONE), "The picture that the recipe made, the whole frame.")

    def look(self, recipe: Recipe) -> Look:
        """Before and after of the last step that is on in ``recipe``.

        Parameters
        ----------
        recipe : Recipe

        Returns
        -------
        Look

        Raises
        ------
        WorkbenchError
            When no step is on, or the steps stand in an order that cannot be.
        """
        facts = self._views.facts_for(recipe)
        pair = self._views.pair(recipe, facts)
        if pair is None:
            raise WorkbenchError("there is no step to look at: the recipe has none that is on")
        step = recipe[pair.index]
        name = title_of(type(step.operation))
        pictures = _pictures(pair, ("before", "after"), f"before and after step {pair.index + 1}, {name}")
        told = f"Shown: the whole frame before and after{', the line being what is kept' if pair.outlined else ''}"
        return Look(f"{as_sentence(step.report(facts[pair.index]))}\n{told}{_below(pair)}", pictures)

    def compare(self, recipe: Recipe) -> Look:
        """The picture of the finished recipe, and that of another one beside it.

        Parameters
        ----------
        recipe : Recipe

        Returns
        -------
        Look

        Raises
        ------
        WorkbenchError
            When the steps of ``recipe`` stand in an order that cannot be.
        """
        other = _without_notes(recipe)
        differs = _without_notes(self._recipe).diff(other)
        changed = next(
            (a.operation for a, b in zip(self._recipe, recipe, strict=False) if a.operation != b.operation), None
        )
        place = None if changed is None else place_for(changed)
        pair = self._views.against(other, self._views.facts_for(other), place)
        pictures = _pictures(pair, ("the lesson's", "yours"), "by the lesson's recipe and by yours")
        changes = [as_sentence(line) for line in differs] or ["Nothing differs."]
        told = f"Shown: the whole frame, the lesson's left and yours right{_below(pair)}"
        return Look("\n".join([*changes, told]), pictures)


def _below(pair: Pair) -> str:
    return "." if _close_ups(pair) is None else f"; below, {PLACES[pair.place]}, pixel by pixel."


def _pictures(pair: Pair, names: tuple[str, str], what: str) -> tuple[Shown, ...]:
    whole = Shown(side_by_side(pair.before, pair.after, names), f"The whole frame, {what}.")
    close = _close_ups(pair)
    if close is None:
        return (whole,)
    place = sentence_start(PLACES[pair.place])
    near = (f"{names[0]}, pixel by pixel", f"{names[1]}, pixel by pixel")
    return whole, Shown(side_by_side(*close, near), f"{place}, pixel by pixel, {what}.")


def _close_ups(pair: Pair) -> tuple[Picture, Picture] | None:
    before, after = pair.close_before, pair.close_after
    return None if before is None or after is None else (before, after)


def _without_notes(recipe: Recipe) -> Recipe:
    """The same work, without title and reasons."""
    return Recipe([replace(step, note="") for step in recipe])

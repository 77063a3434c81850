"""What several panels say of steps, facts and errors, in words."""

from __future__ import annotations

from workbench.errors import WorkbenchError
from workbench.operations.base import Facts
from workbench.recipe.model import Step

__all__ = ["PURPOSES", "found_words", "sentence_of"]

#: Family -> its name for people, in the order in which a picture is made.
PURPOSES = {
    "frame": "Frame",
    "gradient": "Even sky",
    "color": "Color",
    "noise": "Noise",
    "detail": "Detail",
    "stretch": "Make it visible",
    "stars": "Stars",
    "tone": "Light and dark",
}


def sentence_of(error: BaseException, *, in_place: bool = False) -> str:
    """What went wrong, for people; ``in_place``: shown at the step it is about, which then need not be named.

    Parameters
    ----------
    error : BaseException
    in_place : bool

    Returns
    -------
    str
    """
    if isinstance(error, WorkbenchError):
        return error.reason if in_place else str(error)
    return f"something went wrong inside: {error!r}"


def found_words(step: Step, facts: Facts | None) -> str:
    """What a step measured and did, in a line; empty while that is not known.

    Parameters
    ----------
    step : Step
    facts : Facts or None

    Returns
    -------
    str
    """
    return "" if facts is None else step.report(facts)

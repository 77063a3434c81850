"""What several panels say of steps, facts and errors, in words."""

from __future__ import annotations

from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Operation
from workbench.recipe.model import Layer, Where

__all__ = ["PURPOSES", "found_words", "layer_words", "sentence_of", "where_words"]

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


def where_words(where: Where | None) -> str | None:
    """The part of the frame that a step is limited to, in words.

    Parameters
    ----------
    where : Where or None

    Returns
    -------
    str or None
    """
    if where is None:
        return None
    side = "outside" if where.outside else "inside"
    edge = f", edge {where.feather:g} px soft" if where.feather else ""
    return f"only {side} the {where.shape} x {where.x0:g} to {where.x1:g}, y {where.y0:g} to {where.y1:g}{edge}"


def layer_words(layer: Layer) -> str:
    """What a step works on while stars lie apart, in words.

    Parameters
    ----------
    layer : {"starless", "stars", "both"}

    Returns
    -------
    str
    """
    return {"starless": "the starless layer", "stars": "the stars", "both": "both layers"}[layer]


def found_words(operation: Operation, facts: Facts | None) -> str:
    """What a step measured and did, in a line; empty while that is not known.

    Parameters
    ----------
    operation : Operation
    facts : Facts or None

    Returns
    -------
    str
    """
    return "" if facts is None else operation.report(facts)

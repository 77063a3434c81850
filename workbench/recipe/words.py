"""Which part of the frame and which layer a step changes, and how much, in words for lessons and the bench."""

from __future__ import annotations

from workbench.recipe.model import Layer, Where

__all__ = ["layer_words", "opacity_words", "where_words"]


def where_words(where: Where) -> str:
    """The part of the frame that a step is limited to: ``inside the ellipse x 10 to 90, y 20 to 60, edge 5 px soft``.

    Parameters
    ----------
    where : Where

    Returns
    -------
    str
    """
    side = "outside" if where.outside else "inside"
    edge = f", edge {where.feather:g} px soft" if where.feather else ""
    return f"{side} the {where.shape} x {where.x0:g} to {where.x1:g}, y {where.y0:g} to {where.y1:g}{edge}"


def opacity_words(opacity: float) -> str:
    """How much of a step's change is made: ``40 % of the change``.

    Parameters
    ----------
    opacity : float
        0 to 1.

    Returns
    -------
    str
    """
    return f"{100 * opacity:.3g} % of the change"


def layer_words(layer: Layer) -> str:
    """What a step works on while stars lie apart.

    Parameters
    ----------
    layer : {"starless", "stars", "both"}

    Returns
    -------
    str
    """
    return {"starless": "the starless layer", "stars": "the stars", "both": "both layers"}[layer]

"""Which layer a step changes, and how much of its change is made, in words for lessons and the bench."""

from __future__ import annotations

from workbench.recipe.model import Layer

__all__ = ["layer_words", "opacity_words"]


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

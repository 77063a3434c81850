"""The step that advice offers: that of the operation which declares that it answers the finding."""

from __future__ import annotations

from typing import Any

from workbench.operations.base import answering
from workbench.recipe.model import Step

__all__ = ["remedy"]


def remedy(finding: str, why: str, **settings: Any) -> dict[str, Any] | None:
    """The recipe step against something that was found, as a recipe file holds it.

    Parameters
    ----------
    finding : str
        What the advice is about.
    why : str
        Note of the step.
    **settings
        Of its operation, where they hang on what was found.

    Returns
    -------
    dict or None
        None where no operation answers this.
    """
    kind = answering(finding)
    return None if kind is None else Step(kind(**settings), note=why).to_dict()

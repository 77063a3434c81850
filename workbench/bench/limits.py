"""What limits a step, as the bench edits it: a list of masks, of which any or all must hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from pydantic import ValidationError

from workbench.errors import WorkbenchError
from workbench.masks import (
    WHERE,
    BrushMask,
    IntersectionMask,
    LinearMask,
    Mask,
    RadialMask,
    RegionMask,
    UnionMask,
)
from workbench.operations.drawing import Drawing
from workbench.recipe.faults import sentence

__all__ = ["KINDS", "MASK_TOOLS", "How", "how_of", "joined", "made_mask", "masks_of", "start_of"]

#: Kinds of masks that can be added, with their names for people.
KINDS = {
    "regions": "Drawn regions",
    "brush": "Brush",
    "linear": "Gradient from a line",
    "radial": "Gradient from a point",
    "brightness": "Brightness",
    "color": "Color",
    "stars": "Stars",
    "object": "Extended light",
}
#: Tools that draw a mask of the chosen step, by name.
MASK_TOOLS: dict[str, Drawing] = {
    f"mask.{kind.model_fields['kind'].default}": kind.drawn for kind in (RegionMask, BrushMask, LinearMask, RadialMask)
}
#: Whether any mask of the list is enough, or all must hold.
How = Literal["union", "intersection"]


def masks_of(where: Mask | None) -> tuple[Mask, ...]:
    """The masks that limit a step, one after the other.

    Parameters
    ----------
    where : Mask or None

    Returns
    -------
    tuple of Mask
    """
    if isinstance(where, UnionMask | IntersectionMask) and not where.outside:
        return where.masks
    return () if where is None else (where,)


def how_of(where: Mask | None) -> How:
    """Whether any of the masks is enough ("union"), or all must hold ("intersection").

    Parameters
    ----------
    where : Mask or None

    Returns
    -------
    {"union", "intersection"}
    """
    return "intersection" if isinstance(where, IntersectionMask) else "union"


def joined(masks: Sequence[Mask], how: How) -> Mask | None:
    """What limits a step by these masks.

    Parameters
    ----------
    masks : sequence of Mask
    how : {"union", "intersection"}

    Returns
    -------
    Mask or None
        None where there are none.
    """
    if len(masks) < 2:
        return masks[0] if masks else None
    return made_mask({"kind": how, "masks": list(masks)})


def made_mask(data: Any) -> Mask:
    """A mask from plain data.

    Parameters
    ----------
    data : dict

    Returns
    -------
    Mask

    Raises
    ------
    WorkbenchError
        In a sentence, where it is none.
    """
    try:
        mask: Mask = WHERE.validate_python(data)
    except ValidationError as error:
        raise WorkbenchError(f"where: {sentence(error)}") from None
    return mask


def start_of(kind: str, shape: tuple[int, int]) -> Mask:
    """What a new mask starts with on a stack.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    shape : tuple of (int, int)
        Height and width of the stack.

    Returns
    -------
    Mask

    Raises
    ------
    WorkbenchError
        When there is no such kind.
    """
    height, width = shape
    places: dict[str, dict[str, float]] = {
        "linear": {"x0": 0.25 * width, "y0": 0.5 * height, "x1": 0.75 * width, "y1": 0.5 * height},
        "radial": {
            "x": 0.5 * width, "y": 0.5 * height, "inner": 0.15 * min(shape), "outer": max(0.35 * min(shape), 1.0)
        },
    }  # fmt: skip
    if kind not in KINDS:
        raise WorkbenchError(f"there is no mask {kind!r}; there are {', '.join(KINDS)}")
    given = {name: float(round(value)) for name, value in places.get(kind, {}).items()}
    return made_mask({"kind": kind, **given})

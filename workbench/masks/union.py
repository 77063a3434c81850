"""Masks made of masks, and the union type that recipes hold.

A union has the largest weight of its parts, an intersection the smallest (Zadeh, Fuzzy sets, 1965); ``outside`` of any
mask is the complement.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import Field, TypeAdapter, model_validator

from workbench.masks.base import Mask, MaskFound, Plane, Site
from workbench.masks.light import BrightnessMask, ColorMask, ObjectMask, StarMask
from workbench.masks.shapes import BrushMask, LinearMask, RadialMask, RegionMask
from workbench.operations.base import Tile

__all__ = ["WHERE", "IntersectionMask", "UnionMask", "Where"]

#: Masks in masks: more parts, or parts deeper inside, than any picture needs.
_MOST, _DEEPEST = 50, 4


class _Combined(Mask):
    masks: tuple[Where, ...] = Field(min_length=1, max_length=_MOST, description="the masks that it is made of")

    @model_validator(mode="after")
    def _is_no_maze(self) -> Self:
        if sum(1 for _ in self.parts()) > _MOST + 1 or _depth(self) > _DEEPEST:
            raise ValueError(f"at most {_MOST} masks, one in another {_DEEPEST} deep, are possible")
        return self

    def parts(self) -> Iterator[Mask]:
        yield self
        for mask in self.masks:
            yield from mask.parts()

    def reach(self, site: Site) -> int:
        return max(mask.reach(site) for mask in self.masks)

    def prepare(self, facts: MaskFound, site: Site) -> tuple[Any, ...]:
        return tuple(mask.prepare(facts, site) for mask in self.masks)

    def _weights(self, tile: Tile, plan: tuple[Any, ...]) -> Iterator[Plane]:
        return (mask.weights(tile, one) for mask, one in zip(self.masks, plan, strict=True))

    def _joined(self, word: str) -> str:
        words = f" {word} ".join(mask.words() for mask in self.masks)
        return f"anywhere but {words}" if self.outside else words


class UnionMask(_Combined):
    """Where any of several masks is."""

    kind: Literal["union"] = "union"

    def weigh(self, tile: Tile, plan: tuple[Any, ...]) -> Plane:
        first, *rest = self._weights(tile, plan)
        for weights in rest:
            np.maximum(first, weights, out=first)
        return first

    def words(self) -> str:
        return self._joined("or")


class IntersectionMask(_Combined):
    """Where all of several masks are."""

    kind: Literal["intersection"] = "intersection"

    def weigh(self, tile: Tile, plan: tuple[Any, ...]) -> Plane:
        first, *rest = self._weights(tile, plan)
        for weights in rest:
            np.minimum(first, weights, out=first)
        return first

    def words(self) -> str:
        return self._joined("and")


def _depth(mask: Mask) -> int:
    return 1 + max(map(_depth, mask.masks)) if isinstance(mask, _Combined) else 0


Where = Annotated[
    RegionMask
    | BrushMask
    | LinearMask
    | RadialMask
    | BrightnessMask
    | ColorMask
    | StarMask
    | ObjectMask
    | UnionMask
    | IntersectionMask,
    Field(discriminator="kind"),
]
for _kind in (_Combined, UnionMask, IntersectionMask):
    _kind.model_rebuild()
#: Reads any mask from plain data.
WHERE: TypeAdapter[Any] = TypeAdapter(Where)

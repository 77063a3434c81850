"""Gestures made on the picture itself: they edit the settings of the step they belong to, adding it if need be."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from workbench.bench.gestures import gesture
from workbench.bench.worktable import Worktable
from workbench.errors import WorkbenchError
from workbench.operations.base import Operation
from workbench.operations.color import CalibrateColor
from workbench.operations.frame import Crop
from workbench.operations.gradient import RemoveGradient

__all__ = ["OnPicture"]


class OnPicture:
    """The part of the bench that takes gestures on the picture. Places are pixels of the step's own frame."""

    table: Worktable
    selected: int | None

    @gesture
    def crop_to(self, top: int, right: int, bottom: int, left: int) -> int:
        """Cut these margins away, and return the crop's place."""
        margins = {"top": int(top), "right": int(right), "bottom": int(bottom), "left": int(left)}
        return self._edit(Crop, {name: max(0, value) for name, value in margins.items()})

    @gesture
    def exclude(self, region: dict[str, Any]) -> int:
        """Take no sky samples in a region (``{"shape": "rectangle", "x0": ..., ...}``)."""
        old = self._settings(RemoveGradient).get("exclude", ())
        return self._edit(RemoveGradient, {"exclude": [*old, region]})

    @gesture
    def remove_exclude(self, number: int) -> int:
        """Forget an excluded region (from 0)."""
        return self._edit(RemoveGradient, {"exclude": _without(self._settings(RemoveGradient)["exclude"], number)})

    @gesture
    def sample(self, y: float, x: float) -> int:
        """Say that the sky shows at this place."""
        old = self._settings(RemoveGradient).get("samples", ())
        return self._edit(RemoveGradient, {"samples": [*old, {"x": float(x), "y": float(y)}]})

    @gesture
    def move_sample(self, number: int, y: float, x: float) -> int:
        """Move a sky sample given by hand (from 0)."""
        kept = list(self._settings(RemoveGradient)["samples"])
        _without(kept, number)
        kept[number] = {"x": float(x), "y": float(y)}
        return self._edit(RemoveGradient, {"samples": kept})

    @gesture
    def remove_sample(self, number: int) -> int:
        """Forget a sky sample given by hand (from 0)."""
        return self._edit(RemoveGradient, {"samples": _without(self._settings(RemoveGradient)["samples"], number)})

    @gesture
    def white_region(self, y0: float, x0: float, y1: float, x1: float) -> int:
        """Take this region as white."""
        top, left = round(min(y0, y1)), round(min(x0, x1))
        region = [top, left, max(1, round(abs(y1 - y0))), max(1, round(abs(x1 - x0)))]
        return self._edit(CalibrateColor, {"reference": "region", "region": region})

    def place_of(self, kind: type[Operation]) -> int | None:
        """The selected step where it is of this kind, else the first one that is."""
        cards = self.table.layout.cards
        if self.selected is not None and isinstance(cards[self.selected].step.operation, kind):
            return self.selected
        return next((i for i, c in enumerate(cards) if isinstance(c.step.operation, kind)), None)

    def _settings(self, kind: type[Operation]) -> dict[str, Any]:
        place = self.place_of(kind)
        return {} if place is None else self.table.layout.cards[place].step.operation.model_dump(mode="json")

    def _edit(self, kind: type[Operation], changes: dict[str, Any]) -> int:
        place = self.place_of(kind)
        if place is not None:
            self.table.set(place, **changes)
            return place
        at = 0 if kind is Crop else None
        try:
            self.selected = self.table.add(kind.model_validate(changes), at)
        except ValidationError:
            # The message for people is made where settings are changed; an added step takes the same way.
            self.selected = self.table.add(kind(), at)
            self.table.set(self.selected, **changes)
        return self.selected


def _without(items: list[Any] | tuple[Any, ...], number: int) -> list[Any]:
    if not 0 <= number < len(items):
        raise WorkbenchError(f"there is no item {number} (counted from 0)")
    return [item for i, item in enumerate(items) if i != number]

"""Regions of the frame given by hand, in full-resolution pixels."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field
from skimage.measure import points_in_poly

__all__ = [
    "Coordinate",
    "Ellipse",
    "FrozenPart",
    "Length",
    "Place",
    "Polygon",
    "Rectangle",
    "Region",
    "Stroke",
    "any_inside",
]

F64 = NDArray[np.float64]
Coordinate = Annotated[float, Field(ge=-1e6, le=1e6, json_schema_extra={"unit": "px"})]
Length = Annotated[float, Field(gt=0, le=1e6, json_schema_extra={"unit": "px"})]


class FrozenPart(BaseModel):
    """Something drawn, as plain data that nothing may be added to."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Rectangle(FrozenPart):
    """An upright rectangle between two corners."""

    shape: Literal["rectangle"] = "rectangle"
    x0: Coordinate
    y0: Coordinate
    x1: Coordinate
    y1: Coordinate

    def inside(self, y: F64, x: F64) -> NDArray[np.bool_]:
        """Which positions lie in it.

        Parameters
        ----------
        y, x : ndarray
            Rows and columns, in pixels; they broadcast.

        Returns
        -------
        ndarray of bool
        """
        left, right = sorted((self.x0, self.x1))
        top, bottom = sorted((self.y0, self.y1))
        return np.asarray((x >= left) & (x <= right) & (y >= top) & (y <= bottom))


class Ellipse(FrozenPart):
    """An ellipse: half axes along and across a direction measured from +x towards +y."""

    shape: Literal["ellipse"] = "ellipse"
    x: Coordinate
    y: Coordinate
    along: Length
    across: Length
    angle_deg: float = Field(0.0, ge=-360, le=360, json_schema_extra={"unit": "deg"})

    def inside(self, y: F64, x: F64) -> NDArray[np.bool_]:
        """Which positions lie in it.

        Parameters
        ----------
        y, x : ndarray
            Rows and columns, in pixels; they broadcast.

        Returns
        -------
        ndarray of bool
        """
        t = np.deg2rad(self.angle_deg)
        dx, dy = x - self.x, y - self.y
        a, b = dx * np.cos(t) + dy * np.sin(t), dy * np.cos(t) - dx * np.sin(t)
        return np.asarray((a / self.along) ** 2 + (b / self.across) ** 2 <= 1.0)


class Polygon(FrozenPart):
    """A polygon by its corners (x, y); the last joins the first."""

    shape: Literal["polygon"] = "polygon"
    points: tuple[tuple[Coordinate, Coordinate], ...] = Field(
        min_length=3, max_length=1000, json_schema_extra={"unit": "px"}
    )

    def inside(self, y: F64, x: F64) -> NDArray[np.bool_]:
        """Which positions lie in it; where it crosses itself, what is inside an even number of times is outside.

        Parameters
        ----------
        y, x : ndarray
            Rows and columns, in pixels; they broadcast.

        Returns
        -------
        ndarray of bool
        """
        rows, columns = np.broadcast_arrays(y, x)
        inside = points_in_poly(np.column_stack([columns.ravel(), rows.ravel()]), self.points)
        return np.asarray(inside.reshape(rows.shape), np.bool_)


Region = Annotated[Rectangle | Ellipse | Polygon, Field(discriminator="shape")]


class Place(FrozenPart):
    """A pixel position."""

    x: Coordinate
    y: Coordinate


class Stroke(FrozenPart):
    """A stroke of the brush: through its points, with its radius."""

    radius: Length = Field(description="of the brush")
    points: tuple[tuple[Coordinate, Coordinate], ...] = Field(
        min_length=1, max_length=50_000, description="where it went, (x, y)", json_schema_extra={"unit": "px"}
    )


def any_inside(regions: tuple[Rectangle | Ellipse | Polygon, ...], y: F64, x: F64) -> NDArray[np.bool_]:
    """Which positions lie in at least one region.

    Parameters
    ----------
    regions : tuple of Region
    y, x : ndarray
        Rows and columns, in pixels; they broadcast.

    Returns
    -------
    ndarray of bool
    """
    out = np.zeros(np.broadcast_shapes(np.shape(y), np.shape(x)), np.bool_)
    for region in regions:
        out |= region.inside(y, x)
    return out

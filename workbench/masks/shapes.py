"""Masks that are drawn: regions, brush strokes, gradients from a line or a point."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from workbench.masks.base import Affine, DrawnMask, MaskFound, Plane, Site, within
from workbench.operations._lines import brush_lines, even_odd, line_weights
from workbench.operations.base import Tile
from workbench.operations.drawing import Circle, Drawing, Regions, Segment, Strokes
from workbench.operations.regions import Coordinate, Ellipse, Length, Polygon, Rectangle, Region, Stroke

__all__ = ["BrushMask", "LinearMask", "RadialMask", "RegionMask", "Stroke"]

F64 = NDArray[np.float64]
Feather = Annotated[float, Field(ge=0, le=5000, json_schema_extra={"unit": "px"})]


def _moved(points: Any, affine: Affine) -> F64:
    """Drawn places (N, 2) in the pixels of the frame that ``affine`` leads from."""
    return np.asarray((np.asarray(points, np.float64) - affine[:, 2]) @ np.linalg.inv(affine[:, :2]).T)


def _size(affine: Affine) -> float:
    """Drawn pixels across one of the frame's."""
    return float(np.sqrt(abs(np.linalg.det(affine[:, :2]))))


class _Laid(NamedTuple):
    """A drawing on one frame: where that lies, and polygons or strokes as lines in its pixels with their feather."""

    affine: Affine
    lines: tuple[F64, ...]
    feather: float


class RegionMask(DrawnMask):
    """Inside of regions drawn by hand: rectangles, ellipses, polygons; softly over their outlines."""

    drawn: ClassVar[Drawing] = Regions(
        "regions", tool="Mask: regions", help="Drag a region that the step changes; it is kept at once.", item="region"
    )

    kind: Literal["regions"] = "regions"
    regions: tuple[Region, ...] = Field((), max_length=200, description="rectangles, ellipses and polygons")
    feather: Feather = Field(0.0, description="width of the soft edge, half of it inside")

    def prepare(self, facts: MaskFound, site: Site) -> _Laid:
        affine = self.affine(site)
        polygons = (_moved(r.points, affine) for r in self.regions if isinstance(r, Polygon))
        return _Laid(affine, tuple(polygons), self.feather / _size(affine))

    def weigh(self, tile: Tile, plan: _Laid) -> Plane:
        weights = np.zeros((tile.core.height, tile.core.width))
        polygons = iter(plan.lines)
        for region in self.regions:
            if isinstance(region, Polygon):
                one: Any = _in_polygon(next(polygons), plan.feather, tile)
            else:
                one = within(_outside(region, *self.places(tile, plan.affine)), self.feather)
            np.maximum(weights, one, out=weights)
        return weights.astype(np.float32)

    def words(self) -> str:
        which = "outside" if self.outside else "inside"
        soft = f", edge {self.feather:g} px soft" if self.feather else ""
        if len(self.regions) != 1:
            return f"{which} {len(self.regions)} drawn regions{soft}"
        region = self.regions[0]
        if isinstance(region, Polygon):
            return f"{which} the polygon of {len(region.points)} corners{soft}"
        if isinstance(region, Rectangle):
            x, y = sorted((region.x0, region.x1)), sorted((region.y0, region.y1))
            return f"{which} the rectangle x {x[0]:g} to {x[1]:g}, y {y[0]:g} to {y[1]:g}{soft}"
        return f"{which} the ellipse around x {region.x:g}, y {region.y:g}{soft}"


def _outside(region: Rectangle | Ellipse, x: F64, y: F64) -> F64:
    """Distance from an outline, negative inside; of an ellipse along the line to its centre."""
    if isinstance(region, Rectangle):
        qy = np.abs(y - (region.y0 + region.y1) / 2) - abs(region.y1 - region.y0) / 2
        qx = np.abs(x - (region.x0 + region.x1) / 2) - abs(region.x1 - region.x0) / 2
        return np.asarray(np.hypot(np.maximum(qy, 0), np.maximum(qx, 0)) + np.minimum(np.maximum(qy, qx), 0))
    t = np.deg2rad(region.angle_deg)
    dx, dy = x - region.x, y - region.y
    r = np.hypot((dy * np.cos(t) - dx * np.sin(t)) / region.across, (dx * np.cos(t) + dy * np.sin(t)) / region.along)
    return np.asarray((1 - 1 / np.maximum(r, 1e-12)) * np.hypot(dy, dx))


def _in_polygon(corners: F64, feather: float, tile: Tile) -> Plane:
    inside = np.empty((tile.core.height, tile.core.width), np.bool_)
    even_odd(corners, tile.core.y0, tile.core.x0, inside)
    if feather <= 0:
        return inside.astype(np.float32)
    edges = np.column_stack([np.roll(corners, 1, axis=0), corners, np.zeros(len(corners))])
    near = np.empty(inside.shape, np.float32)  # a half on the edge, falling to nothing half a feather off
    line_weights(edges, feather, tile.core.y0, tile.core.x0, near)
    return np.where(inside, 1 - near, near)


class BrushMask(DrawnMask):
    """What a brush went over, softly at the rim."""

    drawn: ClassVar[Drawing] = Strokes(
        "strokes", tool="Mask: brush", help="Brush over what the step changes.", item="stroke"
    )

    kind: Literal["brush"] = "brush"
    strokes: tuple[Stroke, ...] = Field((), max_length=20_000, description="strokes of the brush")
    feather: Feather = Field(8.0, description="width of the soft rim, half of it inside")

    def prepare(self, facts: MaskFound, site: Site) -> _Laid:
        affine = self.affine(site)
        size = _size(affine)
        if not self.strokes:
            return _Laid(affine, (brush_lines([], []),), self.feather / size)
        places = _moved([place for stroke in self.strokes for place in stroke.points], affine)
        ends = np.cumsum([len(stroke.points) for stroke in self.strokes])[:-1]
        radii = [stroke.radius / size for stroke in self.strokes]
        return _Laid(affine, (brush_lines(np.split(places, ends), radii),), self.feather / size)

    def weigh(self, tile: Tile, plan: _Laid) -> Plane:
        weights = np.empty((tile.core.height, tile.core.width), np.float32)
        line_weights(plan.lines[0], plan.feather, tile.core.y0, tile.core.x0, weights)
        return weights

    def words(self) -> str:
        strokes = f"{len(self.strokes)} brush stroke{'s' * (len(self.strokes) != 1)}"
        return f"outside {strokes}" if self.outside else f"under {strokes}"


class LinearMask(DrawnMask):
    """A gradient from a line: nothing on the side of the first point, everything from the second one on."""

    drawn: ClassVar[Drawing] = Segment(
        tool="Mask: line", help="Drag from where nothing is changed to where everything is.", item="gradient"
    )

    kind: Literal["linear"] = "linear"
    x0: Coordinate = Field(description="column where nothing is changed yet")
    y0: Coordinate = Field(description="row where nothing is changed yet")
    x1: Coordinate = Field(description="column from which everything is changed")
    y1: Coordinate = Field(description="row from which everything is changed")

    @model_validator(mode="after")
    def _has_a_direction(self) -> Self:
        if (self.x0, self.y0) == (self.x1, self.y1):
            raise ValueError("its two points must lie apart")
        return self

    def prepare(self, facts: MaskFound, site: Site) -> Affine:
        return self.affine(site)

    def weigh(self, tile: Tile, plan: Affine) -> Plane:
        x, y = self.places(tile, plan)
        dx, dy = self.x1 - self.x0, self.y1 - self.y0
        along = ((x - self.x0) * dx + (y - self.y0) * dy) / (dx * dx + dy * dy)
        return np.broadcast_to(np.clip(along, 0, 1), (tile.core.height, tile.core.width)).astype(np.float32)

    def words(self) -> str:
        ends = [f"x {self.x0:g}, y {self.y0:g}", f"x {self.x1:g}, y {self.y1:g}"]
        start, end = ends[::-1] if self.outside else ends
        return f"along the gradient from {start} to {end}"


class RadialMask(DrawnMask):
    """A gradient from a point: everything within the inner radius, nothing beyond the outer one."""

    drawn: ClassVar[Drawing] = Circle(
        tool="Mask: point", help="Drag from the middle to where the change ends.", item="gradient"
    )

    kind: Literal["radial"] = "radial"
    x: Coordinate = Field(description="column of the middle")
    y: Coordinate = Field(description="row of the middle")
    inner: float = Field(0.0, ge=0, le=1e6, description="radius of the full change", json_schema_extra={"unit": "px"})
    outer: Length = Field(description="radius beyond which nothing is changed")

    @model_validator(mode="after")
    def _grows_outwards(self) -> Self:
        if self.inner >= self.outer:
            raise ValueError("the inner radius must be smaller than the outer one")
        return self

    def prepare(self, facts: MaskFound, site: Site) -> Affine:
        return self.affine(site)

    def weigh(self, tile: Tile, plan: Affine) -> Plane:
        x, y = self.places(tile, plan)
        r = np.hypot(y - self.y, x - self.x)
        return np.clip((self.outer - r) / (self.outer - self.inner), 0, 1).astype(np.float32)

    def words(self) -> str:
        side = "away from" if self.outside else "around"
        return f"{side} x {self.x:g}, y {self.y:g}, from {self.inner:g} to {self.outer:g} px softly"

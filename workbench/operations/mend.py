"""Filling what was drawn by hand: satellite trails, reflections, shadows of dust."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.errors import WorkbenchError
from workbench.measure.noise import noise
from workbench.operations._drawn import Drawn
from workbench.operations._filling import Ground, fit_ground, node_spacing, reach_around, surroundings
from workbench.operations._frames import begin
from workbench.operations._stars.grain import grain, grain_width
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Rect, Tile
from workbench.operations.drawing import Drawing, Regions, Strokes
from workbench.operations.facts import Array
from workbench.operations.regions import Region, Stroke

__all__ = ["Mend", "MendFacts"]

F64 = NDArray[np.float64]

#: Largest share of the frame that is filled.
_MOST = 0.25
#: Cells around a region without which there is nothing to go by.
_FEWEST = 12
#: Farther than this from its edge, px, the middle of a region is hardly more than a guess.
_FAR_INSIDE = 60.0
#: Side of the window around a region in which the grain is measured, px.
_WINDOW = 512
#: First of the numbers that tell its grain from that of other steps; one for each channel.
_SEED = 61


class MendFacts(Facts):
    """The ground and the grain of what is filled; parts that touch are one."""

    pixels: Annotated[NDArray[np.int64], Array("<i8", "parts", ge=0)] = Field(
        description="Pixels of each part", json_schema_extra={"unit": "pixels"}
    )
    boxes: Annotated[NDArray[np.int64], Array("<i8", "parts", 4)] = Field(
        description="First row and column of each part, and those behind its last", json_schema_extra={"unit": "px"}
    )
    spacing: Annotated[NDArray[np.float64], Array("<f8", "parts", ge=0)] = Field(
        description="Distance between the nodes of its ground", json_schema_extra={"unit": "px"}
    )
    grain: Annotated[NDArray[np.float64], Array("<f8", "parts", "channels", "channels")] = Field(
        description="Grain of each channel, as shares of independent grains", json_schema_extra={"unit": "of white"}
    )
    blur: Annotated[NDArray[np.float64], Array("<f8", "parts", ge=0)] = Field(
        description="How far pixels of the grain hang together: standard deviation of a blur",
        json_schema_extra={"unit": "px"},
    )
    nodes: Annotated[NDArray[np.int64], Array("<i8", "nodes", 3)] = Field(
        description="Part of each node, and its row and column on the part's grid", json_schema_extra={"unit": ""}
    )
    light: Annotated[NDArray[np.float32], Array("<f4", "nodes", "channels")] = Field(
        description="Light of each node", json_schema_extra={"unit": "of white"}
    )

    def parts(self) -> Iterator[_FilledBox]:
        """What is needed to fill each part."""
        for k, box in enumerate(self.boxes):
            mine = self.nodes[:, 0] == k
            ground = Ground(float(self.spacing[k]), self.nodes[mine, 1:], self.light[mine].astype(np.float64))
            yield _FilledBox(Rect(*box.tolist()), ground, self.grain[k], float(self.blur[k]))


class _FilledBox(NamedTuple):
    """A part that is filled; the box in full-resolution pixels."""

    box: Rect
    ground: Ground
    grain: F64
    blur: float


@dataclass(frozen=True, slots=True)
class _Filling:
    """Parts, and what was drawn as seen from several places of each pixel: one is enough at full resolution."""

    parts: tuple[_FilledBox, ...]
    drawn: tuple[tuple[tuple[float, float], Drawn], ...]


class Mend(Operation):
    """Fill regions drawn by hand with what lies around them.

    Satellites and aircraft leave trails where too few frames were there to reject them; a bright star outside the
    frame leaves a reflection; dust on the sensor a ring that no flat took out. Draw over it, a little wider than it is,
    and it is filled with the light around it and with the same grain. Nothing outside is touched. It is a repair, not
    a measurement: stars and detail under the drawing are gone, so keep it narrow, and leave what lies over the object
    that you photographed if you can. Do it before the gradient is measured.

    What lies around is averaged in cells (medians), stars set aside, and a smooth surface is laid through it: cubic
    splines of the least bending (Eilers & Marx 1996, Statistical Science 11, 89). The grain has the strength, the
    correlation and the color of that around, and hangs on a pixel's place only.

    How far the filled ground is from the truth, in units of the noise, as median (and worst) of ten regions each over
    GalSim's nebulae and galaxies (`benchmarks/filling.py`): trails 9 px wide 0.4 (1.2), spots of 16 px 0.3 (1.1), of
    40 px 0.5 (8.5), of 90 px 1.9 (8.7). A membrane through the pixels around (Laplace's equation): 2.5 (16), 0.4 (2.4),
    0.7 (13) and 2.7 (11); scikit-image's biharmonic inpainting of spots of 16 and 40 px: 1.1 (1.9) and 1.9 (7.0).
    Over galaxies, a cluster and a nebula of real frames no way gives back the detail under a drawing; there the
    membrane is up to a third nearer under trails, and over plain sky both leave no more than noise.
    """

    purpose: ClassVar[Purpose] = "noise"
    usual_place: ClassVar[int] = 16
    facts_type: ClassVar[type[Facts]] = MendFacts
    drawn: ClassVar[tuple[Drawing, ...]] = (
        Strokes(
            "strokes",
            tool="Mend: brush",
            help="Brush over a trail or a spot, a little wider than it is. With Shift held the stroke is straight.",
            item="mended stroke",
            first=True,
            radius=8.0,
        ),
        Regions(
            "regions",
            tool="Mend: region",
            help="Drag over a reflection or a shadow of dust; it is filled at once.",
            item="mended region",
            first=True,
        ),
    )

    strokes: tuple[Stroke, ...] = Field(
        (), max_length=2000, description="Strokes of the brush: trails as lines with a width, spots"
    )
    regions: tuple[Region, ...] = Field((), max_length=500, description="Rectangles, ellipses and polygons")
    grain: float = Field(1.0, ge=0, le=2, description="How much of the grain around is given to what is filled")

    def measure(self, frame: Frame) -> MendFacts:
        channels, height, width = frame.planes.shape
        region = Drawn(self.regions, self.strokes).inside(Rect(0, 0, height, width))
        count, *tables = cv2.connectedComponentsWithStats(region.astype(np.uint8))
        labels, stats = (np.asarray(table, np.int32) for table in tables[:2])
        if region.mean() > _MOST:
            raise WorkbenchError(
                f"what is drawn covers {region.mean():.0%} of the frame, and no more than {_MOST:.0%} is filled: draw "
                "less, or crop it away"
            )
        known = ~region if frame.covered is None else ~region & frame.covered
        found = [self._part(frame.planes, labels, k, stats[k], known) for k in range(1, count)]
        parts = [part for part, _ in found]
        nodes = [np.column_stack([np.full(len(p.ground.nodes), k), p.ground.nodes]) for k, p in enumerate(parts)]
        wide = max((half for _, half in found), default=0.0)
        doubt = f"What is drawn is up to {2 * wide:.0f} px wide: its middle is little more than a guess."
        return MendFacts(
            pixels=stats[1:, cv2.CC_STAT_AREA].astype(np.int64),
            boxes=_boxes(stats[1:]),
            spacing=np.array([p.ground.spacing for p in parts]),
            grain=np.array([p.grain for p in parts]).reshape(-1, channels, channels),
            blur=np.array([p.blur for p in parts]),
            nodes=np.concatenate([np.empty((0, 3), np.int64), *nodes]),
            light=np.concatenate([np.empty((0, channels)), *(p.ground.values for p in parts)]).astype(np.float32),
            doubts=(doubt,) if wide > _FAR_INSIDE else (),
        )

    @staticmethod
    def _part(
        planes: Planes, labels: NDArray[np.int32], k: int, stats: NDArray[np.int32], known: NDArray[np.bool_]
    ) -> tuple[_FilledBox, float]:
        """What a part is filled with, and how far its middle is from its edge."""
        height, width = labels.shape
        box = Rect(*_boxes(stats[None])[0].tolist())
        inner = np.pad(labels[box.slices] == k, 1)
        half = float(cv2.distanceTransform(inner.astype(np.uint8), cv2.DIST_L2, 5).max())
        spacing = node_spacing(half)
        window = box.grown(int(np.ceil(reach_around(spacing))) + 1).clipped(height, width)
        mine, seen = labels[window.slices] == k, planes[:, *window.slices]
        around = surroundings(seen, mine, known[window.slices], spacing, window.y0, window.x0)
        if len(around.y) < _FEWEST:
            raise WorkbenchError(
                f"there is too little around the drawing at row {(box.y0 + box.y1) // 2}, column "
                f"{(box.x0 + box.x1) // 2} to fill it from: draw it smaller"
            )
        y, x = np.nonzero(mine)
        ground = fit_ground(around, (y + window.y0).astype(np.float64), (x + window.x0).astype(np.float64), spacing)
        values, vectors = np.linalg.eigh(around.grain)
        mixing = vectors * np.sqrt(np.maximum(values, 0)) @ vectors.T  # its square is the covariance
        return _FilledBox(box, ground, mixing, _blur(planes, known, box)), half

    def prepare(self, facts: MendFacts, geometry: Geometry) -> _Filling:
        # A pixel of a reduced frame is filled where any of five places in it was drawn over.
        places = [(0.0, 0.0)]
        if geometry.scale > 1:
            places += [(a, b) for a in (-0.25, 0.25) for b in (-0.25, 0.25)]
        drawn = tuple((at, Drawn(self.regions, self.strokes, geometry.scale, at)) for at in places)
        return _Filling(tuple(facts.parts()), drawn)

    def apply(self, tile: Tile, plan: _Filling, out: Planes) -> None:
        begin(tile, out)
        s, core = tile.geometry.scale, tile.core
        for part in plan.parts:
            near = Rect(
                *(int(v) for v in (part.box.y0 // s, part.box.x0 // s, -(-part.box.y1 // s), -(-part.box.x1 // s)))
            )
            near = near.grown(1).overlap(core)
            if near.height <= 0 or near.width <= 0:
                continue
            drawn = np.stack([places.inside(near) for _, places in plan.drawn])
            # A trail lies in few tiles of its box, and in few rows and columns of those.
            used = [np.flatnonzero(drawn.any(axis=(0, axis))) for axis in (2, 1)]
            if not used[0].size:
                continue
            (y0, y1), (x0, x1) = ((int(at[0]), int(at[-1]) + 1) for at in used)
            drawn, near = drawn[:, y0:y1, x0:x1], Rect(near.y0 + y0, near.x0 + x0, near.y0 + y1, near.x0 + x1)
            filled = np.zeros((near.height, near.width), np.bool_)
            inside = out[:, near.y0 - core.y0 : near.y1 - core.y0, near.x0 - core.x0 : near.x1 - core.x0]
            texture = self._grain(part, near, s, len(out))
            for ((dy, dx), _), under in zip(plan.drawn, drawn, strict=True):
                y, x = np.nonzero(under & ~filled)
                rows, columns = ((v + aside + 0.5) * s - 0.5 for v, aside in ((y + near.y0, dy), (x + near.x0, dx)))
                ground, there = part.ground.at(np.asarray(rows), np.asarray(columns))
                y, x = y[there], x[there]
                filled[y, x] = True
                inside[:, y, x] = ground[:, there] + texture[:, y, x]

    def _grain(self, part: _FilledBox, near: Rect, scale: float, channels: int) -> Planes:
        """Grain (C, h, w) of a part; averaged pixels of a reduced frame have less of it."""
        left = min(1.0, np.sqrt(1 + 4 * np.pi * part.blur**2) / scale)
        white = [
            grain(_SEED + c, near.y0, near.x0, near.height, near.width, part.blur / scale) for c in range(channels)
        ]
        return np.tensordot(self.grain * left * part.grain, np.stack(white), 1).astype(np.float32)

    def explain(self, facts: MendFacts) -> str:
        parts, pixels = len(facts.pixels), int(facts.pixels.sum())
        if not parts:
            drawn = self.strokes or self.regions
            return f"{'All that is drawn lies outside the frame' if drawn else 'Nothing is drawn'}: nothing filled."
        return f"Filled {pixels:,} pixels in {parts} drawn part{'s' * (parts != 1)} with what lies around."

    def seen_at(self, facts: MendFacts) -> tuple[float, float] | None:
        if not len(facts.pixels):
            return None
        y0, x0, y1, x1 = facts.boxes[int(np.argmax(facts.pixels))].tolist()
        return (y0 + y1 - 1) / 2, (x0 + x1 - 1) / 2


def _boxes(stats: NDArray[Any]) -> NDArray[np.int64]:
    """First row and column and those behind the last, (n, 4), of OpenCV's table of parts."""
    left, top, wide, high = (stats[:, k].astype(np.int64) for k in range(4))
    return np.column_stack([top, left, top + high, left + wide])


def _blur(planes: Planes, known: NDArray[np.bool_], box: Rect) -> float:
    """How far pixels of the grain hang together in a window around the middle of a part."""
    _, height, width = planes.shape
    y, x = (box.y0 + box.y1) // 2, (box.x0 + box.x1) // 2
    window = Rect(y, x, y, x).grown(_WINDOW // 2).clipped(height, width)
    seen = known[window.slices].astype(np.uint8)
    plane = np.ascontiguousarray(planes[len(planes) // 2][window.slices])
    return grain_width(noise(plane, seen).correlation) if seen.any() else 0.0

"""Turning the frame by any angle: until a line lies level, or north is up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError
from workbench.operations._sky_solution import PixelMap, PlainGrid
from workbench.operations._turning import MARGIN, Turning, turn_coverage, turn_planes
from workbench.operations.base import Facts, Frame, FrameOperation, Geometry, Planes, Purpose, Rect
from workbench.operations.drawing import Drawing, Segment
from workbench.sky.orientation import orientation

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["Straighten", "StraightenFacts"]

Coverage = NDArray[np.uint8]


class StraightenFacts(Facts):
    """By how much the frame is turned."""

    angle_deg: float = Field(ge=-180, le=180, description="Clockwise, as it is seen", json_schema_extra={"unit": "deg"})
    by_sky: bool = Field(description="Whether that puts north up by the sky solution; else it was given")


@dataclass(frozen=True, slots=True)
class _Level(Segment):
    """A line that is to lie level (or upright, if that is nearer): kept as the angle that does it."""

    @property
    def settings(self) -> tuple[str, ...]:
        return (self.setting, *self.also)

    def changes(self, old: Mapping[str, Any], drawn: Any) -> dict[str, Any]:
        line = self.value(drawn)
        tilt = np.rad2deg(np.arctan2(line["y1"] - line["y0"], line["x1"] - line["x0"]))
        return {self.setting: round(float(-(tilt - 90 * np.rint(tilt / 90))), 3), **self.also}

    def drawn(self, settings: Mapping[str, Any], facts: Facts | None) -> list[Any]:
        return []


class Straighten(FrameOperation):
    """Turn the frame by any angle: until a line is level, or north is up.

    A landscape whose horizon hangs, a galaxy that should lie along the frame, a picture that is to lie beside a chart:
    draw a line along what is to be level (or upright), give an angle, or have north put up where the stack has a sky
    solution. All pixels are resampled once, which makes the grain a little softer and ties neighboring pixels
    together. Steps that measure noise or look for single bad pixels should come before, so this step is best a late
    one; whole quarter turns are exact, and `Turn` does those anywhere.

    The resampling is a cubic spline that goes through all pixels (Unser, Aldroubi & Eden 1993, IEEE Trans. Signal
    Processing 41, 821), never darker than the darkest of the sixteen pixels around a place. Stars keep their light
    within 0.01 % and become 1.6 % wider where they are 1.6 px wide, 0.1 % at 3 px; noise falls to 0.87. (Windowed
    sincs of three lobes: noise 0.89, but light strays by 0.08 % and smooth slopes by 1 %; a cubic convolution: 3 and
    0.5 % wider, noise 0.81.) The frame is cut to the largest upright one that lies inside the turned one, or keeps all
    of it, with corners that are black and count as not covered. Sky solution (with its distortion), masks and
    everything drawn follow exactly.
    """

    purpose: ClassVar[Purpose] = "frame"
    usual_place: ClassVar[int] = 94
    facts_type: ClassVar[type[Facts]] = StraightenFacts
    quick_again: ClassVar[bool] = True
    drawn: ClassVar[tuple[Drawing, ...]] = (
        _Level(
            "angle_deg",
            tool="Level",
            help="Drag along what should be level or upright.",
            item="level line",
            also={"by": "angle"},
        ),
    )

    by: Literal["angle", "north"] = Field(
        "angle", description="Turn by the angle given, or until north is up (needs a sky solution)"
    )
    angle_deg: float = Field(
        0.0, ge=-180, le=180, description="How far to turn clockwise", json_schema_extra={"unit": "deg"}
    )
    corners: Literal["crop", "keep"] = Field(
        "crop", description="Cut to the largest frame without empty corners, or keep everything and the corners empty"
    )

    def measure(self, frame: Frame) -> StraightenFacts:
        if self.by == "angle":
            return StraightenFacts(angle_deg=self.angle_deg, by_sky=False)
        if isinstance(frame.wcs, PlainGrid):  # a draft does not know where the sky lies
            return StraightenFacts(angle_deg=0.0, by_sky=True)
        if frame.wcs is None:
            raise WorkbenchError(
                "where north lies is not known, as the stack has no sky solution: solve the stack first, or give an "
                "angle"
            )
        height, width = frame.planes.shape[1:]
        to_north = orientation(frame.wcs, height, width).to_north
        if not np.isfinite(to_north):
            raise WorkbenchError("the sky solution does not say where north lies in this frame; give an angle instead")
        return StraightenFacts(angle_deg=to_north, by_sky=True)

    def _turning(self, facts: StraightenFacts, geometry: Geometry) -> Turning:
        return Turning.of(geometry.height, geometry.width, facts.angle_deg, whole=self.corners == "keep")

    def out_geometry(self, facts: StraightenFacts, geometry: Geometry) -> Geometry:
        turning = self._turning(facts, geometry)
        return replace(geometry, height=turning.out_height, width=turning.out_width)

    def source_rect(self, facts: StraightenFacts, geometry: Geometry, core: Rect) -> Rect:
        place = self._turning(facts, geometry).source
        corners = np.array([[x, y, 1] for x in (core.x0, core.x1 - 1) for y in (core.y0, core.y1 - 1)])
        at = corners @ place.T
        x0, y0 = (int(v) for v in np.floor(at.min(axis=0)) - MARGIN)
        x1, y1 = (int(v) for v in np.ceil(at.max(axis=0)) + MARGIN + 1)
        return Rect(y0, x0, y1, x1)

    def prepare(self, facts: StraightenFacts, geometry: Geometry) -> Turning:
        return self._turning(facts, geometry)

    def resample(self, source: Planes, rect: Rect, core: Rect, plan: Turning, geometry: Geometry, out: Planes) -> None:
        turn_planes(source, rect.y0, rect.x0, plan, (core.y0, core.x0), out)

    def carry(
        self,
        facts: StraightenFacts,
        *,
        coverage: Coverage | None,
        wcs: WCS | None,
        acquisition: Acquisition,
        geometry: Geometry,
    ) -> tuple[Coverage | None, WCS | None, Acquisition]:
        turning = self._turning(facts, geometry)
        (xx, xy), (yx, yy) = turning.matrix.tolist()
        x, y = turning.shift.tolist()
        moved = PixelMap((xx, xy, yx, yy), 1.0, (x, y)).solution(wcs, turning.out_height, turning.out_width)
        return turn_coverage(coverage, turning), moved, acquisition

    def explain(self, facts: StraightenFacts) -> str:
        if facts.angle_deg == 0:
            return "Not turned: north is up already." if facts.by_sky else "Not turned."
        way = "clockwise" if facts.angle_deg > 0 else "counter-clockwise"
        return f"Turned {abs(facts.angle_deg):.2f} degrees {way}{', so that north is up' if facts.by_sky else ''}."

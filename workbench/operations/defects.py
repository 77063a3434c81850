"""BadPixels of the sensor."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.errors import WorkbenchError
from workbench.measure.bad_pixels import find_bad_pixels
from workbench.measure.defect_shapes import FEW_STARS, Judged, defects_only
from workbench.measure.noise import quick_noise
from workbench.operations._frames import need_pixels
from workbench.operations._mending import REACH, MendPlan, listed, mend
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.drawing import Overlay, Points
from workbench.operations.facts import Array
from workbench.operations.findings import Findings
from workbench.operations.trial import StackTrial, Suggestion

__all__ = ["MendPixels", "MendPixelsFacts", "defects_why"]

Count = Annotated[int, Field(ge=0)]

#: With no other color to tell a defect from a star, only spots that no lens draws are taken: a star 1.5 px wide.
_SHARP_ALONE = 0.3
#: Hot and dark pixels for each megapixel from which somebody would see them.
_WORTH_MENDING = 1.0
#: More marks than this only hide the picture.
_MOST_MARKS = 3000


def defects_why(found: Findings) -> str:
    """Why pixels should be mended; empty where so few stand alone that nobody would see them.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    str
    """
    height, width, _ = found.shape
    count = found.hot_pixels + found.dark_pixels
    if count <= _WORTH_MENDING * height * width / 1e6:
        return ""
    kinds = (
        f"{found.hot_pixels:,} too bright, {found.dark_pixels:,} too dark" if found.dark_pixels else "all too bright"
    )
    return f"{count:,} pixels stand alone ({kinds}): as dots in glaring colors they would show in the picture."


def _doubts(judged: Judged) -> tuple[str, ...]:
    """What is unsure: spots in channels that show too few stars."""
    few = sum(0 <= stars < FEW_STARS for stars in judged.stars)
    if not judged.defect.size or not few:
        return ()
    return ("Few bright stars to compare with: sharp small stars of one color could be among what is filled.",)


class MendPixelsFacts(Facts):
    """Pixels that stand alone."""

    hot: tuple[Count, ...] = Field(
        description="Pixels that are too bright, by the channel that shows them most",
        json_schema_extra={"unit": "pixels", "shape": ["channels"]},
    )
    dark: tuple[Count, ...] = Field(
        description="Pixels that are too dark, by the channel that shows them most",
        json_schema_extra={"unit": "pixels", "shape": ["channels"]},
    )
    places: Annotated[NDArray[np.int64], Array("<i8", 3, "places", ge=0, le=2**31)] = Field(
        description="Channel, row and column of the middle of all that is filled, the most glaring first",
        json_schema_extra={"unit": "px"},
    )

    def fits(self, geometry: Geometry) -> None:
        super().fits(geometry)
        limits = (geometry.channels, geometry.height, geometry.width)
        if geometry.scale == 1.0 and self.places.size and (self.places.max(axis=1) >= limits).any():
            raise WorkbenchError(
                f"'places' lie outside the frame of {geometry.width} x {geometry.height} px and {geometry.channels} "
                f"channel{'s' * (geometry.channels != 1)}"
            )


class MendPixels(Operation):
    """Fill hot pixels, and dead ones, with the sky around them.

    Some pixels of every sensor collect charge without light, the more the warmer the camera is. Dark frames take most
    of it out and stacking rejects more, yet a few always stay, and what shows as a speck in the stack becomes a dot of
    glaring red, green or blue in the picture, for a stretch lifts it and saturation colors it. Do this at the start,
    before anything is resampled: a hot pixel is recognised by standing alone, in one color and on hardly more than a
    pixel, where the lens draws every star in all colors and over several. If many are left, shift the camera a little
    between frames next time, and let the stacking program reject what stays in place on the sensor.

    Of a pixel that is higher (or lower) than its four neighbors: height h above the median m of the 16 pixels at a
    distance of two; h > above x the larger of the noise and the scatter of the 16; mean of the four neighbors - m at
    most ``sharpness`` x h; and in the other colors less than 0.3 of its light. Linear demosaicing spreads a site to
    neighbors of half its height (common practice); a star of Gaussian profile, w px wide at half height, has
    2^(-4 / w^2). Alignment spreads a spot further: the 2 x 2 brightest pixels may stand out in place of one. The 5 x 5
    pixels must look more like a site of the sensor, as demosaicing and alignment leave it, than like any bright star
    of the frame (least squares, likelihood ratio of exp(-3.5) at least); in a stack of one color it must be sharper
    than 0.55 of the frame's sharpest stars, and than 0.3. The 3 x 3 pixels around it become m.
    """

    purpose: ClassVar[Purpose] = "noise"
    usual_place: ClassVar[int] = 15
    answers: ClassVar[str] = "Hot pixels"
    overlays: ClassVar[Mapping[str, str]] = MappingProxyType({"filled": "Bad pixels"})
    finding_overlay: ClassVar[str] = "filled"
    waited_for: ClassVar[bool] = True
    quick_again: ClassVar[bool] = True
    facts_type: ClassVar[type[Facts]] = MendPixelsFacts

    above: float = Field(
        8.0,
        ge=4,
        le=100,
        description="How far a pixel must stand out of its neighbors; lower finds fainter ones, and in the end noise.",
        json_schema_extra={"unit": "noise units"},
    )
    sharpness: float = Field(
        0.62,
        ge=0.1,
        le=0.9,
        description="Share of the height that the nearest pixels may have: 0.62 is a star 2.4 px wide. "
        "Lower it where small stars are mistaken for hot pixels.",
        json_schema_extra={"unit": "share", "expert": True},
    )

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        why = defects_why(trial.found)
        return Suggestion(cls(), why) if why else None

    def measure(self, frame: Frame) -> MendPixelsFacts:
        need_pixels(frame, "mend pixels")
        sigma = quick_noise(frame.planes, frame.coverage)
        sharp = self._sharp(len(frame.planes))
        spots = find_bad_pixels(frame.planes, sigma, frame.coverage, above=self.above, sharp=sharp)
        judged = defects_only(frame.planes, sigma, spots, frame.coverage, sharp=sharp)
        found = spots.select(judged.defect)
        channels = np.arange(len(frame.planes))[:, None]
        return MendPixelsFacts(
            hot=((found.channel == channels) & (found.excess > 0)).sum(axis=1).tolist(),
            dark=((found.channel == channels) & (found.excess < 0)).sum(axis=1).tolist(),
            places=listed(found),
            doubts=_doubts(judged),
        )

    def reach(self, facts: MendPixelsFacts, geometry: Geometry) -> int:
        return REACH

    def prepare(self, facts: MendPixelsFacts, geometry: Geometry) -> MendPlan:
        return MendPlan.of(facts.places, geometry)

    def apply(self, tile: Tile, plan: Any, out: Planes) -> None:
        mend(tile, plan, out)

    def explain(self, facts: MendPixelsFacts) -> str:
        hot, dark = sum(facts.hot), sum(facts.dark)
        if not hot + dark:
            return "No pixel stands alone: nothing to mend."
        colors = " (red {}, green {}, blue {})".format(*facts.hot) if len(facts.hot) > 1 and hot else ""
        too_dark = f" and {dark:,} too dark" if dark else ""
        return f"Filled {hot:,} hot pixel{'s' * (hot != 1)}{colors}{too_dark}."

    def shown(self, facts: MendPixelsFacts, geometry: Geometry) -> tuple[Overlay, ...]:
        _, y, x = facts.places[:, :_MOST_MARKS].astype(np.float64)
        count = facts.places.shape[1]
        words = f"hot and dark pixels: {count:,} rings" + " (the brightest)" * (count > _MOST_MARKS)
        return (Points("filled", x, y, np.ones(len(x), bool), words),)

    def seen_at(self, facts: MendPixelsFacts) -> tuple[float, float] | None:
        _, y, x = facts.places
        return (float(y[0]), float(x[0])) if y.size else None

    def _sharp(self, channels: int) -> float:
        return self.sharpness if channels > 1 else min(self.sharpness, _SHARP_ALONE)

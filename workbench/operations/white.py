"""White: the gains of red and blue, from a catalogue, the frame's own stars, a region, or as given."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from workbench.errors import WorkbenchError
from workbench.measure.blocks import in_order, strips
from workbench.operations._catalog_white import CatalogFacts, fitted_plot, gains_from_catalog
from workbench.operations._coloring import calibrate
from workbench.operations._frames import begin, joint_sky, need_color
from workbench.operations._sky_solution import PlainGrid
from workbench.operations._white import Gains, gains_from_region, gains_from_stars
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.drawing import Box, Drawing, Overlay, Points
from workbench.operations.facts import LARGEST, Real
from workbench.operations.trial import StackTrial, Suggestion
from workbench.sky import read_catalog
from workbench.sky.star_light import SUN_BV, temperature

__all__ = ["FEW_STARS", "CalibrateColor", "CalibrateColorFacts"]

f32 = np.float32
#: Share of the clip level from which a pixel's color is no longer believed.
_NEAR_CLIP = 0.75
#: A channel that never comes near the white level is not clipped at its own maximum.
_LEAST_CLIP = 0.5
#: What calibrating by the stars cannot know.
_ASSUMED = (
    "The average star is taken for white, like the Sun; red or young stars make the gains wrong by up to twice their ±."
)
#: Fewer stars than these that are not clipped are no reference for white.
FEW_STARS = 20

FoundGain = Annotated[float, Field(gt=0, le=1e6)]
Spread = Annotated[float, Field(ge=0, le=LARGEST)]
Clip = Annotated[float, Field(gt=0, le=LARGEST)]
Gain = Annotated[float, Field(gt=0, le=20)]


@dataclass(frozen=True, slots=True)
class _CalibratePlan:
    sky: NDArray[np.float32]
    gains: NDArray[np.float32]
    clip: NDArray[np.float32]


class CalibrateColorFacts(Facts):
    """Gains that make white things white."""

    reference: Literal["stars", "catalogue", "region", "given"] = Field(description="What was taken as white")
    gains: tuple[FoundGain, FoundGain, FoundGain] = Field(
        description="Gains of red, green and blue; green has 1", json_schema_extra={"unit": "x", "shape": ["channels"]}
    )
    uncertainty: tuple[Spread, Spread, Spread] = Field(
        description="Standard errors of the gains, with what the stars' own color may be",
        json_schema_extra={"unit": "x", "shape": ["channels"]},
    )
    samples: int = Field(ge=0, description="Stars, or pixels of the region, that spoke for the gains")
    sky: tuple[Real, Real, Real] = Field(
        description="Sky level by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    clip: tuple[Clip, Clip, Clip] = Field(
        description="Level at which a channel is clipped", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    catalog: CatalogFacts | None = Field(
        None, description="Stars of known color, and the lines through measured against expected colors"
    )


class CalibrateColor(Operation):
    """Make white things white, by one gain per channel.

    A camera's channels are not equally sensitive, so a stack looks green or brown before they are balanced. The
    stars of a field are the best white reference at hand: hot blue and cool orange ones average out, over many, to
    about the color of the Sun. Do it in linear light, after the gradient is gone and before the stretch. In a field
    without many stars, or ruled by a young cluster, mark a region that should be white, or give the gains.

    Only what lies above the sky is multiplied, ``sky + gain (pixel - sky)`` with each channel's own sky level, so a
    sky that is neutral stays neutral and this step and `LevelSky` may come in either order. Green has gain 1. From
    stars: gain = 1 / median over stars of (flux in the channel / flux in green), each channel's light completed by what
    the brightest lone stars have outside of the window, so that a channel which is less sharp counts in full. Its
    uncertainty holds the standard error of that median and how far the average star of a field may be from the Sun
    (0.45 in B-V): a field of red giants or of young blue stars lies within twice of it, and its white with it. Stars
    in front of plain sky are preferred, for dust reddens; what is wider or narrower than the field's stars (knots,
    galaxies, hot pixels) is left out, and points that have no color in common are no reference. Where a channel
    reached its clip level the color is lost; such pixels, the cores of bright stars, become as bright as their
    brightest channel in all three, which keeps them white and not magenta. That field stars average to sunlike white
    is common practice.

    By a catalogue, where the stack has a sky solution (`workbench solve`): stars of known B-V are expected to have the
    colors of black bodies (temperature by Ballesteros 2012, EPL 97, 34008) for a generic camera, or for their own where
    the file names one whose sensitivity was measured (Darrodi et al. 2015, JOSA A 32, 381); a straight line with errors
    both ways (York et al. 2004, Am. J. Phys. 72, 367) through measured against expected ``ln(red / green)`` and
    ``ln(blue / green)`` gives the gains of the star that is to be white, whatever the population of the field.
    """

    purpose: ClassVar[Purpose] = "color"
    usual_place: ClassVar[int] = 40
    same_anywhere: ClassVar[bool] = True
    answers: ClassVar[str] = "Color of the sky"
    sampled: ClassVar[Literal["", "windows", "levels"]] = "windows"
    drawn: ClassVar[tuple[Drawing, ...]] = (
        Box(
            "region",
            tool="White",
            help="Draw a region whose light shall be white. Enter starts one in the middle.",
            item="white region",
            also=MappingProxyType({"reference": "region"}),
        ),
    )
    facts_type: ClassVar[type[Facts]] = CalibrateColorFacts
    overlays: ClassVar[Mapping[str, str]] = MappingProxyType({"stars": "Catalogue stars"})
    plots: ClassVar[tuple[str, ...]] = ("red", "blue")

    reference: Literal["stars", "catalogue", "region", "given"] = Field(
        "stars",
        description="What is taken as white: the average star, stars of known color by a catalogue (which needs a sky "
        "solution), a region of the frame, or gains given by hand",
    )
    white: Literal["sun", "average", "color", "temperature"] = Field(
        "sun",
        description="Which star the catalogue makes white: one like the Sun, the average one of the field, or one of a "
        "given color or temperature",
        json_schema_extra={"expert": True},
    )
    white_color: float | None = Field(
        None,
        ge=-0.4,
        le=2.5,
        description="B-V of the star that is white",
        json_schema_extra={"unit": "mag", "expert": True, "needed_for": {"white": "color"}},
    )
    white_temperature: float | None = Field(
        None,
        ge=1500,
        le=50_000,
        description="Temperature of the star that is white",
        json_schema_extra={"unit": "K", "expert": True, "needed_for": {"white": "temperature"}},
    )
    catalog: str | None = Field(
        None,
        description="File of your own star catalogue (CSV, FITS table, VOTable). Empty: Gaia DR3 and Hipparcos",
        json_schema_extra={"expert": True},
    )
    region: tuple[int, int, int, int] | None = Field(
        None,
        description="White reference: top row, left column, height, width",
        json_schema_extra={
            "unit": "px",
            "parts": ["top row", "left column", "height", "width"],
            "needed_for": {"reference": "region"},
        },
    )
    gains: tuple[Gain, Gain, Gain] | None = Field(
        None,
        description="Gains of red, green and blue when they are given by hand; their ratios count",
        json_schema_extra={"parts": ["red", "green", "blue"], "needed_for": {"reference": "given"}},
    )

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        if not trial.in_color:
            return None
        stars = trial.found.stars
        usable = stars.count - stars.saturated
        image = trial.image
        planes = np.ascontiguousarray(image.planes)
        frame = Frame(planes, image.tone, image.coverage, image.acquisition, image.wcs)
        if image.wcs is not None:
            with suppress(WorkbenchError):  # it says that too few stars are known, or that the catalogue is not there
                by_catalog = cls(reference="catalogue")
                facts = by_catalog.measure(frame)
                red, _, blue = facts.gains
                note = (
                    f"The field is known, and the colors of {facts.samples:,} stars in it: one like the Sun is taken "
                    f"for white. In a trial they asked for red x {red:.2f} and blue x {blue:.2f}."
                )
                return Suggestion(by_catalog, note, facts)
        with suppress(WorkbenchError):  # it says that the stars are too few, or none
            if usable >= FEW_STARS:
                facts = cls().measure(frame)
                red, _, blue = facts.gains
                note = (
                    f"{usable:,} stars that are not clipped: enough for a white reference. In a trial they asked "
                    f"for red x {red:.2f} and blue x {blue:.2f}."
                )
                return Suggestion(cls(), note, facts)
        red, green, blue = (max(s, 1e-6) for s in trial.found.sky)
        gains = (round(float(np.clip(green / red, 0.2, 5)), 3), 1.0, round(float(np.clip(green / blue, 0.2, 5)), 3))
        lead = (
            f"{usable or 'No'} star{'s' * (usable != 1)} to measure, too few for a white reference"
            if usable < FEW_STARS
            else f"The colors of {usable} points of light do not make a white reference"
        )
        note = f"{lead}: the sky's own color is taken as gray (gains {gains[0]:g}, 1, {gains[2]:g})."
        return Suggestion(cls(reference="given", gains=gains), note)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.reference == "region" and self.region is None:
            raise ValueError("reference 'region' needs a region: top row, left column, height, width")
        if self.reference == "given" and self.gains is None:
            raise ValueError("reference 'given' needs gains of red, green and blue")
        if self.white == "color" and self.white_color is None:
            raise ValueError("white 'color' needs a white_color: B-V in magnitudes")
        if self.white == "temperature" and self.white_temperature is None:
            raise ValueError("white 'temperature' needs a white_temperature in kelvin")
        return self

    def measure(self, frame: Frame) -> CalibrateColorFacts:
        need_color(frame, "CalibrateColor")
        clip = [max(v, _LEAST_CLIP) for v in _brightest(frame)]
        if self.reference == "catalogue" and not isinstance(frame.wcs, PlainGrid):
            return self._by_catalog(frame, clip)
        found = self._gains(frame, clip)
        return CalibrateColorFacts(
            reference=self.reference,
            gains=found.gains,
            uncertainty=found.uncertainty,
            samples=found.samples,
            sky=joint_sky(frame).levels,
            clip=clip,
            doubts=(_ASSUMED,) if self.reference in {"stars", "catalogue"} else (),
        )

    def _by_catalog(self, frame: Frame, clip: list[float]) -> CalibrateColorFacts:
        own = None if self.catalog is None else read_catalog(self.catalog)
        found = gains_from_catalog(frame, _NEAR_CLIP * min(clip), self._white_kelvin(), own)
        return CalibrateColorFacts(
            reference="catalogue",
            gains=found.gains,
            uncertainty=found.uncertainty,
            samples=len(found.fit.x),
            sky=joint_sky(frame).levels,
            clip=clip,
            catalog=found.fit,
            doubts=found.doubts,
        )

    def _white_kelvin(self) -> float | None:
        """Temperature of the white star; None for the average one."""
        if self.white == "temperature":
            return self.white_temperature
        if self.white == "average":
            return None
        color = self.white_color if self.white == "color" else SUN_BV
        return float(temperature(np.array(color)))

    def _gains(self, frame: Frame, clip: list[float]) -> Gains:
        if self.reference == "given":
            assert self.gains is not None
            red, green, blue = self.gains
            return Gains((red / green, 1.0, blue / green), (0.0, 0.0, 0.0), 0)
        if self.reference == "region":
            assert self.region is not None
            return gains_from_region(frame, self.region)
        return gains_from_stars(frame, _NEAR_CLIP * min(clip))

    def prepare(self, facts: CalibrateColorFacts, geometry: Geometry) -> _CalibratePlan:
        return _CalibratePlan(*(np.array(v, f32) for v in (facts.sky, facts.gains, facts.clip)))

    def apply(self, tile: Tile, plan: _CalibratePlan, out: Planes) -> None:
        begin(tile, out)
        calibrate(out, plan.sky, plan.gains, plan.clip, f32(_NEAR_CLIP))

    def explain(self, facts: CalibrateColorFacts) -> str:
        red, _, blue = facts.gains
        dr, _, db = facts.uncertainty
        source = {
            "stars": f"from {facts.samples} unsaturated stars",
            "catalogue": f"from {facts.samples} stars of known color",
            "region": f"from a region of {facts.samples} pixels",
            "given": "as given",
        }[facts.reference]
        fit = facts.catalog
        white = "" if fit is None else f"; a star of {fit.white_kelvin:.0f} K is white"
        if fit is not None and fit.camera != "generic":
            white += f", its color by the measured sensitivity of the {fit.camera}"
        return f"Red x {red:.3f} (±{dr:.3f}), blue x {blue:.3f} (±{db:.3f}) against green, {source}{white}."

    def shown(self, facts: CalibrateColorFacts, geometry: Geometry) -> tuple[Overlay, ...]:
        fit = facts.catalog
        if fit is None:
            return ()
        plots = (fitted_plot(fit, number, channel) for number, channel in enumerate(self.plots))
        return (Points("stars", fit.x, fit.y, fit.weight.min(axis=1) > 0), *plots)


def _brightest(frame: Frame) -> list[float]:
    """Largest covered value of each channel, 0 at least."""

    def part(rows: tuple[int, int]) -> NDArray[np.float32]:
        planes = frame.planes[:, slice(*rows)]
        if frame.coverage is not None:
            planes = np.where(frame.coverage[slice(*rows)] > 0, planes, f32(0))
        return np.asarray(planes.max(axis=(1, 2)))

    highest = np.max(in_order(part, strips(frame.geometry.height)), axis=0)
    return [max(float(v), 0.0) for v in highest]

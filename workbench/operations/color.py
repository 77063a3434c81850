"""Color: white balance from the frame's own stars, excess green, saturation, balance by range of lightness."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.measure.background.sky import sky_level
from workbench.measure.blocks import in_order, strips
from workbench.measure.histogram import median_mad
from workbench.measure.statistics import RAYLEIGH_MEDIAN
from workbench.operations._balancing import balance
from workbench.operations._catalog_white import CatalogFacts, fitted_plot, gains_from_catalog
from workbench.operations._coloring import calibrate, limit_green, saturate
from workbench.operations._frames import begin, joint_sky, need_color
from workbench.operations._sky_solution import PlainGrid
from workbench.operations._white import Gains, gains_from_region, gains_from_stars
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.colorspace import linear_to_oklab, srgb_decode
from workbench.operations.drawing import Box, Drawing, Overlay, Points
from workbench.operations.facts import LARGEST, Real
from workbench.operations.findings import percent
from workbench.operations.trial import StackTrial, Suggestion, colorfulness, green_excess
from workbench.sky import read_catalog
from workbench.sky.star_light import SUN_BV, temperature

__all__ = [
    "FEW_STARS",
    "CalibrateColor",
    "CalibrateColorFacts",
    "ColorBalance",
    "LimitGreen",
    "LimitGreenFacts",
    "Saturate",
    "SaturateFacts",
]

f32 = np.float32
#: Share of the clip level from which a pixel's color is no longer believed.
_NEAR_CLIP = 0.75
#: A channel that never comes near the white level is not clipped at its own maximum.
_LEAST_CLIP = 0.5
#: Chroma in Oklab that is hardly seen as color (about half a just noticeable difference).
_VISIBLE_CHROMA = 0.01
#: What calibrating by the stars cannot know.
_ASSUMED = (
    "The average star is taken for white, like the Sun; red or young stars make the gains wrong by up to twice their ±."
)
#: Fewer stars than these that are not clipped are no reference for white.
FEW_STARS = 20
#: Share of pixels with excess green that is worth a step.
_GREEN_WORTH = 0.002
#: Chroma (Oklab) that the more colorful light should have in the picture, and how far saturation may go.
_WANTED_CHROMA, _MOST_SATURATION = 0.11, 1.8
#: Pixels that the sky's lightness and chroma noise are read from.
_SAMPLES = 1_000_000

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


class LimitGreenFacts(Facts):
    """Sky of the channels, and the noise of the excess of green."""

    sky: tuple[Real, Real, Real] = Field(
        description="Sky level by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    noise: Spread = Field(
        description="Noise of green less the noisier of the other channels", json_schema_extra={"unit": "of white"}
    )


class LimitGreen(Operation):
    """Take down green that exceeds both red and blue.

    Hardly anything in the sky is green: stars run from orange through white to blue, hydrogen glows red and pink,
    and doubly ionised oxygen blue-green, in which blue and green are nearly equal. Where green is above both others
    it is mostly left over from light pollution, airglow or uneven noise. Use it after `CalibrateColor`. Blue-green
    nebulae, and the rare green comet when you lower the amount, keep their color.

    Above each channel's sky, ``excess = G - max(R, B)``; green loses ``amount * excess * e^2 / (e^2 + t^2)`` with
    ``e`` the excess and ``t = protect * noise``, so that excess within the noise stays: cutting only the green half
    of noise would tint the sky magenta. The limit by the larger of both others (and not by their mean, which would
    turn blue-green to blue) is ours.
    """

    purpose: ClassVar[Purpose] = "color"
    usual_place: ClassVar[int] = 45
    sampled: ClassVar[Literal["", "windows", "levels"]] = "levels"
    measured_by: ClassVar[tuple[str, ...]] = ()
    facts_type: ClassVar[type[Facts]] = LimitGreenFacts

    amount: float = Field(0.8, ge=0, le=1, description="Share of the excess green that is taken away")
    protect: float = Field(
        3.0,
        ge=0,
        le=20,
        description="Excess that is left half alone because it may be noise",
        json_schema_extra={"unit": "sigma", "expert": True},
    )

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        if not trial.in_color or (share := green_excess(trial.image, trial.sky)) <= _GREEN_WORTH:
            return None
        note = f"Green stands above both red and blue in {percent(share, 2)} of the pixels."
        return Suggestion(cls(), note, changes_trial=False)

    def measure(self, frame: Frame) -> LimitGreenFacts:
        need_color(frame, "LimitGreen")
        sky = joint_sky(frame)
        red, green, blue = sky.noise
        return LimitGreenFacts(sky=sky.levels, noise=float(np.hypot(green, max(red, blue))))

    def prepare(self, facts: LimitGreenFacts, geometry: Geometry) -> tuple[NDArray[np.float32], np.float32]:
        return np.array(facts.sky, f32), f32(self.protect * facts.noise)

    def apply(self, tile: Tile, plan: tuple[NDArray[np.float32], np.float32], out: Planes) -> None:
        sky, threshold = plan
        begin(tile, out)
        limit_green(out, sky, f32(self.amount), threshold)

    def explain(self, facts: LimitGreenFacts) -> str:
        return (
            f"Green above both red and blue taken down by {100 * self.amount:.0f} %; what is only noise "
            f"({1e6 * facts.noise:.0f} millionths of white) left alone."
        )


class SaturateFacts(Facts):
    """The sky of the picture in Oklab."""

    sky_lightness: Real = Field(description="Lightness of the sky", json_schema_extra={"unit": "Oklab L"})
    lightness_noise: Spread = Field(
        description="Spread of lightness about the sky's", json_schema_extra={"unit": "Oklab L"}
    )
    chroma_noise: Spread = Field(
        description="Spread of each color coordinate where the sky is", json_schema_extra={"unit": "Oklab a, b"}
    )


class Saturate(Operation):
    """Make colors stronger or weaker, hue and lightness kept.

    A stretch shows the light truly but pale, because faint things have little color for the eye. Raising the
    saturation brings out the red of hydrogen and the gold and blue of stars. Do it after the stretch, gently: 1.2
    to 1.8 is usual. What is only noise stays as it is, or the sky would be sown with colored dots.

    In Oklab (Ottosson 2020), chroma is multiplied by ``1 + (amount - 1) l c``: ``l`` rises smoothly from 0 at the
    sky's lightness to 1 at ``2 protect`` noise units above, and ``c = C^2 / (C^2 + (protect noise)^2)`` asks
    whether the pixel's own chroma C is more than noise. Where a channel would leave 0..1, the pixel goes only so
    far toward the stronger color as the range allows, so hue does not jump. An amount below 1 acts everywhere.
    """

    purpose: ClassVar[Purpose] = "color"
    usual_place: ClassVar[int] = 86
    sampled: ClassVar[Literal["", "windows", "levels"]] = "levels"
    takes: ClassVar[Tone] = Tone.DISPLAY
    gives: ClassVar[Tone] = Tone.DISPLAY
    measured_by: ClassVar[tuple[str, ...]] = ()
    facts_type: ClassVar[type[Facts]] = SaturateFacts

    amount: float = Field(1.4, ge=0, le=4, description="Factor on the chroma: 0 is gray, 1 changes nothing")
    protect: float = Field(
        3.0,
        ge=0,
        le=20,
        description="How far above the sky's noise color must be to be strengthened",
        json_schema_extra={"unit": "sigma"},
    )

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        if not trial.in_color or (chroma := colorfulness(trial.image)) <= 0:
            return None
        amount = round(float(np.clip(_WANTED_CHROMA / chroma, 1.0, _MOST_SATURATION)), 2)
        if amount <= 1:
            return None
        note = (
            f"After the stretch the more colorful light has a chroma of {chroma:.3f} (0 is gray, {_WANTED_CHROMA} "
            f"shows well): colors are made {amount:g} times as strong"
        )
        most = amount == _MOST_SATURATION
        return Suggestion(cls(amount=amount), note + (", and no stronger, for the sake of the noise." if most else "."))

    def measure(self, frame: Frame) -> SaturateFacts:
        need_color(frame, "Saturate")
        lab = _oklab_sample(frame)
        lightness = np.ascontiguousarray(lab[0][None])
        sky = sky_level(lightness)
        _, spread = median_mad(lightness[lightness <= sky.level][None] - f32(sky.level))
        sigma = max(sky.sigma, spread)
        dark = np.abs(lab[0] - sky.level) <= max(2 * sigma, 1e-6)
        chroma = lab[1:, dark] - np.median(lab[1:, dark], axis=1, keepdims=True)
        return SaturateFacts(
            sky_lightness=float(sky.level),
            lightness_noise=float(sigma),
            chroma_noise=float(np.median(np.hypot(*chroma))) / RAYLEIGH_MEDIAN,
        )

    def prepare(self, facts: SaturateFacts, geometry: Geometry) -> tuple[np.float32, ...]:
        if self.amount <= 1:
            return f32(self.amount), f32(-1), f32(1), f32(1e-12)
        rise = 1 / max(2 * self.protect * facts.lightness_noise, 1e-4)
        noise = max(self.protect * facts.chroma_noise, _VISIBLE_CHROMA) ** 2
        return f32(self.amount), f32(facts.sky_lightness), f32(rise), f32(noise)

    def apply(self, tile: Tile, plan: tuple[np.float32, ...], out: Planes) -> None:
        amount, start, rise, noise = plan
        saturate(tile.pixels, amount, start, rise, noise, out)

    def explain(self, facts: SaturateFacts) -> str:
        return (
            f"Chroma x {self.amount:g} above the sky's lightness of {facts.sky_lightness:.2f}; "
            f"chroma noise of {facts.chroma_noise:.2g} left alone."
        )


#: Share of its lightness by which a color moves at a setting of 1: a strong tint.
_FULL_SHIFT = 0.1


def _shift(where: str, toward: str, away: str) -> Any:
    return Field(0.0, ge=-1, le=1, description=f"Color of the {where}: above 0 toward {toward}, below toward {away}")


class ColorBalance(Operation):
    """Tint shadows, midtones and highlights each by themselves, lightness kept.

    After the stretch the dark sky may be reddish while the nebula is right, or the bright parts may want more warmth
    without touching the sky. This step moves the color of three ranges of lightness, which pass smoothly into each
    other: each a little toward red or green, and toward yellow or blue. Small numbers are enough: 0.1 to 0.3. Judge
    the sky on a picture whose white is right (`CalibrateColor`); this step is for taste and for casts that only the
    stretch brought to light, and it does not know what is true.

    In Oklab (Ottosson 2020) the coordinates a and b of a pixel of lightness L move by ``0.1 L sum(w_i s_i)``, s_i
    being the settings of the three ranges, so that black stays black. With S a smooth step (3 t^2 - 2 t^3) and m the
    middle, the weights are ``1 - S(L; 0.3 m .. m)``, ``S(L; 0.3 m .. m) - S(L; m .. 1 - 0.3 (1 - m))`` and the rest:
    never negative, and 1 together at every lightness. Where a channel would leave 0..1, chroma is as large as the
    range allows. With every setting at 0 nothing changes, to the last bit.
    """

    purpose: ClassVar[Purpose] = "color"
    usual_place: ClassVar[int] = 84
    takes: ClassVar[Tone] = Tone.DISPLAY
    gives: ClassVar[Tone] = Tone.DISPLAY

    shadows_red: float = _shift("shadows", "red", "green")
    shadows_yellow: float = _shift("shadows", "yellow", "blue")
    midtones_red: float = _shift("midtones", "red", "green")
    midtones_yellow: float = _shift("midtones", "yellow", "blue")
    highlights_red: float = _shift("highlights", "red", "green")
    highlights_yellow: float = _shift("highlights", "yellow", "blue")
    middle: float = Field(
        0.5,
        ge=0.2,
        le=0.8,
        description="Lightness of the middle of the midtones; lower takes more of the picture for highlights",
        json_schema_extra={"unit": "Oklab L", "expert": True},
    )

    def _shifts(self) -> NDArray[np.float32]:
        red = self.shadows_red, self.midtones_red, self.highlights_red
        yellow = self.shadows_yellow, self.midtones_yellow, self.highlights_yellow
        return np.array([red, yellow], f32) * f32(_FULL_SHIFT)

    def prepare(self, facts: Any, geometry: Geometry) -> NDArray[np.float32] | None:
        shifts = self._shifts()
        return shifts if geometry.channels == len(shifts[0]) and shifts.any() else None

    def apply(self, tile: Tile, plan: NDArray[np.float32] | None, out: Planes) -> None:
        if plan is None:
            begin(tile, out)
        else:
            balance(tile.pixels, plan[0], plan[1], f32(self.middle), out)

    def explain(self, facts: Any) -> str:
        parts = []
        for i, name in enumerate(("shadows", "midtones", "highlights")):
            red, yellow = (float(v) / _FULL_SHIFT for v in self._shifts()[:, i])
            words = [f"{abs(red):.2g} toward {'red' if red > 0 else 'green'}"] if red else []
            words += [f"{abs(yellow):.2g} toward {'yellow' if yellow > 0 else 'blue'}"] if yellow else []
            parts += [f"{name} {' and '.join(words)}"] if words else []
        return f"{'; '.join(parts).capitalize()}." if parts else "Every range at 0: nothing changed."


def _brightest(frame: Frame) -> list[float]:
    """Largest covered value of each channel, 0 at least."""

    def part(rows: tuple[int, int]) -> NDArray[np.float32]:
        planes = frame.planes[:, slice(*rows)]
        if frame.coverage is not None:
            planes = np.where(frame.coverage[slice(*rows)] > 0, planes, f32(0))
        return np.asarray(planes.max(axis=(1, 2)))

    highest = np.max(in_order(part, strips(frame.geometry.height)), axis=0)
    return [max(float(v), 0.0) for v in highest]


def _oklab_sample(frame: Frame) -> NDArray[np.float32]:
    """Oklab of covered pixels (3, N), thinned evenly to at most `_SAMPLES`."""
    _, height, width = frame.planes.shape
    step = max(1, int(np.ceil(np.sqrt(height * width / _SAMPLES))))
    planes = frame.planes[:, ::step, ::step]
    covered = None if frame.coverage is None else frame.coverage[::step, ::step] > 0

    def part(rows: tuple[int, int]) -> NDArray[np.float32]:
        chosen = planes[:, slice(*rows)]
        chosen = chosen.reshape(3, -1) if covered is None else chosen[:, covered[slice(*rows)]]
        return linear_to_oklab(srgb_decode(np.clip(chosen, 0, 1))).astype(f32)

    return np.concatenate(in_order(part, strips(planes.shape[1])), axis=1)

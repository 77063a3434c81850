"""Color: excess green, saturation, balance by range of lightness; white is in `white`."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.acquisition import Tone
from workbench.measure.background.sky import sky_level
from workbench.measure.blocks import in_order, strips
from workbench.measure.histogram import median_mad
from workbench.measure.statistics import RAYLEIGH_MEDIAN
from workbench.operations._balancing import balance
from workbench.operations._coloring import limit_green, saturate
from workbench.operations._frames import begin, joint_sky, need_channels, need_color
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.colorspace import linear_to_oklab, srgb_decode
from workbench.operations.facts import LARGEST, Real
from workbench.operations.findings import percent
from workbench.operations.trial import StackTrial, Suggestion, colorfulness, green_excess

__all__ = [
    "ColorBalance",
    "LimitGreen",
    "LimitGreenFacts",
    "Saturate",
    "SaturateFacts",
]

f32 = np.float32
#: Chroma in Oklab that is hardly seen as color (about half a just noticeable difference).
_VISIBLE_CHROMA = 0.01
#: Share of pixels with excess green that is worth a step.
_GREEN_WORTH = 0.002
#: Chroma (Oklab) that the more colorful light should have in the picture, and how far saturation may go.
_WANTED_CHROMA, _MOST_SATURATION = 0.11, 1.8
#: Pixels that the sky's lightness and chroma noise are read from.
_SAMPLES = 1_000_000

Spread = Annotated[float, Field(ge=0, le=LARGEST)]


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
    same_anywhere: ClassVar[bool] = True
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
    same_anywhere: ClassVar[bool] = True
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

    def rows_apart(self, geometry: Geometry) -> int:
        return max(1, int(np.ceil(np.sqrt(geometry.height * geometry.width / _SAMPLES))))

    def measure(self, frame: Frame) -> SaturateFacts:
        need_color(frame, "Saturate")
        apart = self.rows_apart(frame.geometry) if frame.rows_apart == 1 else frame.rows_apart
        lab = _oklab_sample(frame, apart)
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
    same_anywhere: ClassVar[bool] = True
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
        if not shifts.any():
            return None
        need_channels(geometry.channels, "ColorBalance")
        return shifts

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


def _oklab_sample(frame: Frame, apart: int) -> NDArray[np.float32]:
    """Oklab of covered pixels (3, N), rows and columns of the full frame being so far apart."""
    rows = slice(None, None, apart // frame.rows_apart)
    planes = frame.planes[:, rows, ::apart]
    covered = None if frame.coverage is None else frame.coverage[rows, ::apart] > 0

    def part(rows: tuple[int, int]) -> NDArray[np.float32]:
        chosen = planes[:, slice(*rows)]
        chosen = chosen.reshape(3, -1) if covered is None else chosen[:, covered[slice(*rows)]]
        return linear_to_oklab(srgb_decode(np.clip(chosen, 0, 1))).astype(f32)

    return np.concatenate(in_order(part, strips(planes.shape[1])), axis=1)

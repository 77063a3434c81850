"""From linear light to a picture: the stretch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.acquisition import Tone
from workbench.lazy import on_first_use
from workbench.measure.background.mesh import background_mesh
from workbench.operations._frames import Sky, brighter_light, joint_sky, need_pixels
from workbench.operations._stretching import StretchPlan, stretch
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.colorspace import luminance_weights
from workbench.operations.curves import CURVES, Curve, Shoulder
from workbench.operations.drawing import Drawing, HistogramLine, LightRange, LinePlace, Overlay, ResponseCurve
from workbench.operations.facts import LARGEST, Real
from workbench.operations.findings import percent
from workbench.operations.trial import StackTrial, Suggestion

if TYPE_CHECKING:
    from scipy import optimize
else:
    optimize = on_first_use("scipy.optimize")

__all__ = ["Stretch", "StretchFacts"]

Spread = Annotated[float, Field(ge=0, le=LARGEST)]

F64 = NDArray[np.float64]

#: Share of the pixels that are at most as bright as the white point.
_WHITE_SHARE = 0.9999
#: Share of the pixels that may be cut to black.
_CUT_SHARE = 0.001
#: Shares of the frame with extended light from which it begins to fill the frame and at which it does, and how bright
#: it is shown at either.
_FILLS, _SHOWN = (0.5, 0.8), (0.65, 0.55)
#: Cell in which the mesh measures extended light.
_CELL = 32
#: What is left of it, in pixels, on the reduced frame behind an approximation.
_LEAST_CELL = 8
#: Pixels of a frame from which on a cell is told by every fourth row and column in place of every second.
_LARGE = 8_000_000
#: Black lies at least this share of the sky's own light below it: about what a gradient removed leaves behind, and
#: all that holds a stretch back once the noise has been taken away.
_RESIDUE = 0.01
#: Channels whose sky differs by no more than this share of the depth count as leveled and share one black point.
_LEVELED = 0.1
#: The least noise that is believed, as a share of the white level: a frame without any is not from a camera.
_LEAST_NOISE = 1e-6
#: Below this share of the sky's height above black, the color-keeping factor is held.
_FLOOR = 0.25
#: What is shown around the sky, in its depth above black: so much below it and so much above.
_BELOW, _ABOVE = 5.0, 12.0
#: Where black lies very near to the sky, it is shown as if it lay this many times the noise below.
_SHOWN_LEAST = 8.0


class StretchFacts(Facts):
    """The sky and the brightest light of a linear frame, and the curve that follows from them."""

    sky: tuple[Real, ...] = Field(
        min_length=1, description="Sky level by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    noise: tuple[Spread, ...] = Field(
        description="Noise of a pixel by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    luminance_noise: Spread = Field(description="Noise of a pixel's luminance", json_schema_extra={"unit": "of white"})
    black: tuple[Real, ...] = Field(
        description="Level by channel that is shown black",
        json_schema_extra={"unit": "of white", "shape": ["channels"]},
    )
    span: float = Field(ge=1e-12, le=LARGEST, description="From black to white", json_schema_extra={"unit": "of white"})
    parameter: float = Field(ge=1e-12, le=1e3, description="Parameter of the curve; its meaning is the curve's own")
    sky_shown: Real = Field(description="Brightness of the sky", json_schema_extra={"unit": "display value"})
    bright_area: Real = Field(
        description="Light above the sky of the brightest hundredth of the frame, stars aside",
        json_schema_extra={"unit": "of white"},
    )
    bright_shown: Real = Field(description="Brightness of this area", json_schema_extra={"unit": "display value"})
    peak: Real = Field(description="Brightest light above black", json_schema_extra={"unit": "span"})


class Stretch(Operation):
    """Make the linear light visible: lift the faint, keep the bright.

    A stack holds light in proportion: the sky and the nebula sit just above black, stars are thousands of times
    brighter, and a screen shows nearly nothing of it. A stretch gives the faint end most of the screen's range.
    You choose how bright the sky should be in the picture; the curve's strength follows from the sky measured in
    the stack. Do it after everything that belongs in linear light (gradient, color, noise) and before what
    belongs to a picture (saturation, sharpening). A higher black point distance shows a fainter, flatter sky; a
    lower one gives contrast and cuts noise to black. Colors stay what they were, because the channels are
    multiplied by one common factor per pixel.

    Light above black ``v = (pixel - black) / span`` has the luminance ``Y`` (IEC 61966-2-1 weights). The curve
    turns it into the code value ``y`` of a gray of this luminance, a shoulder (Reinhard et al. 2002) bends the
    top, and the channels are multiplied by ``decode(y) / Y``. What would leave the range goes toward gray at equal
    luminance. Curves: asinh (Lupton et al. 2004, PASP 116, 133), logarithm, power, bias (Schlick 1994, Graphics
    Gems IV).
    """

    purpose: ClassVar[Purpose] = "stretch"
    usual_place: ClassVar[int] = 70
    same_anywhere: ClassVar[bool] = True
    sampled: ClassVar[Literal["", "windows", "levels"]] = "levels"
    takes: ClassVar[Tone] = Tone.LINEAR
    gives: ClassVar[Tone] = Tone.DISPLAY
    measured_by: ClassVar[tuple[str, ...]] = ("curve", "sky", "black", "bright", "parameter")
    quick_again: ClassVar[bool] = True
    drawn: ClassVar[tuple[Drawing, ...]] = (HistogramLine("black", tool="black", item="below the sky"),)
    facts_type: ClassVar[type[Facts]] = StretchFacts

    curve: Literal["asinh", "logarithm", "power", "bias"] = Field(
        "asinh",
        description="Shape: asinh and logarithm show the widest range of light, bias keeps more contrast in bright "
        "parts, power is the gentlest at the top",
    )
    sky: float = Field(
        0.10,
        ge=0.01,
        le=0.6,
        description="Wanted brightness of the sky in the picture: dark, but not black",
        json_schema_extra={"unit": "display value"},
    )
    black: float = Field(
        5.0,
        ge=0.5,
        le=100,
        description="How far below the sky black lies, in noise units; lower gives more contrast",
        json_schema_extra={"unit": "sigma"},
    )
    bright: float = Field(
        0.55,
        ge=0.2,
        le=1,
        description="How bright the brightest areas, stars aside, may become; black goes lower where they would exceed",
        json_schema_extra={"unit": "display value"},
    )
    highlights: float = Field(
        0.5,
        ge=0,
        le=1,
        description="Protection of bright parts: how early the curve bends so that star and galaxy cores keep shape",
    )
    color: float = Field(
        1.0,
        ge=0,
        le=1,
        description="1 keeps the color of the light; 0 stretches each channel by itself, which bleaches bright parts",
    )
    parameter: float | None = Field(
        None,
        gt=0,
        le=1000,
        description="The curve's own parameter, in place of the one that follows from the wanted sky",
        json_schema_extra={"expert": True},
    )

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        # The noisier the stack, the darker its sky is shown; light that fills the frame may not glare.
        sky = round(float(np.clip(0.11 - 2 * trial.noise_share, 0.07, 0.1)), 3)
        light = trial.light
        if not light.there:
            note = f"Nothing but stars stands out of the sky, which is shown at {sky:g} of white."
            return Suggestion(cls(sky=sky), note)
        bright = round(float(np.interp(light.share, _FILLS, _SHOWN)), 2)
        note = (
            f"Extended light lies in {percent(light.share, 2)} of the frame, up to {light.over_noise:.0f} times the "
            f"noise of a pixel above the sky: shown up to {bright:g} of white, the sky at {sky:g}."
        )
        return Suggestion(cls(sky=sky, bright=bright), note)

    def measure(self, frame: Frame) -> StretchFacts:
        need_pixels(frame, "Stretch")
        found = joint_sky(frame)
        sky, glow = found.levels, found.luminance
        darkest, white, peak = frame.once("extremes of light", lambda: _extremes(frame, found))
        depth = max(self.black * max(found.luminance_noise, _LEAST_NOISE), -darkest, _RESIDUE * glow)
        bright = frame.once("brightest area", lambda: _brightest_area(frame, found.levels))
        kind = CURVES[self.curve]
        if self.parameter is None:
            depth = _depth_for(kind, depth, white, bright, self.sky, self.bright)
        span = _span(depth, white, self.sky)
        if all(abs(v - glow) <= _LEVELED * depth for v in sky):
            sky = [glow] * len(sky)
        curve = kind.through(depth / span, self.sky) if self.parameter is None else kind(self.parameter)
        return StretchFacts(
            sky=sky,
            noise=found.noise,
            luminance_noise=found.luminance_noise,
            black=[s - depth for s in sky],
            span=span,
            parameter=curve.parameter,
            sky_shown=float(curve.forward(depth / span)),
            bright_area=bright,
            bright_shown=float(curve.forward((depth + bright) / span)),
            peak=(peak + depth) / span,
        )

    def prepare(self, facts: StretchFacts, geometry: Geometry) -> StretchPlan:
        curve = CURVES[self.curve](facts.parameter)
        knee = min(1 - 0.5 * self.highlights, 0.999)
        return StretchPlan(
            black=np.array(facts.black, np.float32),
            span=facts.span,
            curve=curve,
            shoulder=Shoulder(knee, float(curve.forward(max(facts.peak, 1.0)))),
            floor=_FLOOR * (facts.sky[0] - facts.black[0]) / facts.span,
            color=self.color,
        )

    def apply(self, tile: Tile, plan: StretchPlan, out: Planes) -> None:
        stretch(tile.pixels, plan, out)

    def explain(self, facts: StretchFacts) -> str:
        return (
            f"{self.curve.capitalize()} curve, parameter {facts.parameter:.3g}: black {self.black:g} noise units "
            f"below the sky, sky shown at {facts.sky_shown:.2f}."
        )

    def shown(self, facts: StretchFacts, geometry: Geometry) -> tuple[Overlay, ...]:
        weights = luminance_weights(len(facts.sky))
        sky, blacks = np.asarray(facts.sky, np.float64), np.asarray(facts.black, np.float64)
        black, common, noise = float(weights @ blacks), float(weights @ sky), facts.luminance_noise
        plan = self.prepare(facts, geometry)
        depth = max(float(weights @ (sky - blacks)), _SHOWN_LEAST * noise)
        offsets = tuple((sky - common).tolist())

        def height(light: F64) -> F64:
            code: F64 = plan.shoulder.forward(plan.curve.forward((light - black) / plan.span))
            return code

        return (
            ResponseCurve("black", black, height),
            LinePlace("black", black, common, -noise),
            LightRange("black", offsets, common - _BELOW * depth, common + _ABOVE * depth),
        )


def _extremes(frame: Frame, sky: Sky) -> tuple[float, float, float]:
    """Luminance above the sky: the darkest that may be cut, the white point and the peak."""
    darkest, about = (float(v) for v in np.quantile(sky.light, [_CUT_SHARE, 1 - 5 * (1 - _WHITE_SHARE)]))
    # The white point lies among the few pixels of stars: the thinned sample is too small for it.
    top = brighter_light(frame, sky, about)
    covered = frame.planes[0].size if frame.coverage is None else int(np.count_nonzero(frame.coverage))
    place = top.size - 1 - int((1 - _WHITE_SHARE) * covered)
    if place < 0:
        white, peak = (float(v) for v in np.quantile(sky.light, [_WHITE_SHARE, 1.0]))
        return darkest, white, peak
    return darkest, float(np.partition(top, place)[place]), float(top.max())


def _span(depth: float, white: float, sky: float) -> float:
    """From black to white: at least so wide that a straight line shows the sky as wanted."""
    return max(depth + white, depth / sky)


def _depth_for(kind: type[Curve], least: float, white: float, bright: float, sky: float, wanted: float) -> float:
    """How far black lies below the sky: ``least``, or more where the brightest area would come above ``wanted``.

    The farther away black is, the weaker the curve that lifts the sky to its wanted brightness.
    """

    def above(log_depth: float) -> float:
        depth = float(np.exp(log_depth))
        span = _span(depth, white, sky)
        return float(kind.through(depth / span, sky).forward((depth + bright) / span)) - wanted

    low, high = np.log(least), np.log(max(1e3 * bright, 10 * least))
    if above(low) <= 0:
        return least
    return float(np.exp(optimize.brentq(above, low, high, xtol=1e-9))) if above(high) < 0 else float(np.exp(high))


def _brightest_area(frame: Frame, sky: list[float]) -> float:
    """Light above the sky of the brightest hundredth of the frame, stars left out (cell levels of the mesh)."""
    coverage = np.empty((0, 0), np.uint8) if frame.coverage is None else frame.coverage
    step = 4 if frame.planes[0].size > _LARGE else 2 if frame.scale == 1 else 1
    cell = _CELL if frame.scale == 1 else max(round(_CELL / frame.scale), _LEAST_CELL)
    level = background_mesh(frame.planes, coverage, cell, step, sigmas=False).level
    known = level[np.isfinite(level)]
    return max(float(np.quantile(known, 0.99)) - float(np.mean(sky)), 0.0) if known.size else 0.0

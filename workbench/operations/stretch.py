"""From linear light to a picture: the stretch."""

from __future__ import annotations

from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.measure.histogram import MAD_TO_SIGMA
from workbench.measure.sky import sky_levels
from workbench.operations._stretching import StretchPlan, stretch
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.colorspace import LUMINANCE
from workbench.operations.curves import CURVES, Shoulder

__all__ = ["Stretch"]

#: Luminance samples that the spread and the white point are read from.
_SAMPLES = 4_000_000
#: Share of the pixels that are at most as bright as the white point.
_WHITE_SHARE = 0.9999
#: The least noise that is believed, as a share of the white level: a frame without any is not from a camera.
_LEAST_NOISE = 1e-6
#: Below this share of the sky's height above black, the color-keeping factor is held.
_FLOOR = 0.25


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
    takes: ClassVar[Tone] = Tone.LINEAR
    gives: ClassVar[Tone] = Tone.DISPLAY

    curve: Literal["asinh", "logarithm", "power", "bias"] = Field(
        "asinh",
        description="Shape: asinh and logarithm show the widest range of light, bias keeps more contrast in bright "
        "parts, power is the gentlest at the top",
    )
    sky: float = Field(
        0.11,
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

    def measure(self, frame: Frame) -> Facts:
        levels = sky_levels(frame.planes, frame.coverage)
        sky = [float(s.level) for s in levels]
        light = _luminance_above(frame, sky)
        if light.size == 0:
            raise WorkbenchError("Stretch cannot measure the sky: no pixel of this frame is covered")
        below = light[light < 0]
        spread = MAD_TO_SIGMA * float(np.median(-below)) if below.size else 0.0
        weights = LUMINANCE if len(sky) > 1 else (1.0,)
        noise = float(np.sqrt(sum((w * s.sigma) ** 2 for w, s in zip(weights, levels, strict=True))))
        unit = max(noise, spread, _LEAST_NOISE)
        depth = self.black * unit
        white, peak = (float(v) + depth for v in np.quantile(light, [_WHITE_SHARE, 1.0]))
        span = max(white, depth / self.sky)  # at least so wide that a straight line shows the sky as wanted
        kind = CURVES[self.curve]
        curve = kind.through(depth / span, self.sky) if self.parameter is None else kind(self.parameter)
        return {
            "sky": sky,
            "noise": [float(s.sigma) for s in levels],
            "luminance_noise": unit,
            "black": [s - depth for s in sky],
            "span": span,
            "parameter": curve.parameter,
            "sky_shown": float(curve.forward(depth / span)),
            "peak": peak / span,
        }

    def prepare(self, facts: Facts, geometry: Geometry) -> StretchPlan:
        curve = CURVES[self.curve](facts["parameter"])
        knee = min(1 - 0.5 * self.highlights, 0.999)
        return StretchPlan(
            black=np.array(facts["black"], np.float32),
            span=facts["span"],
            curve=curve,
            shoulder=Shoulder(knee, float(curve.forward(max(facts["peak"], 1.0)))),
            floor=_FLOOR * (facts["sky"][0] - facts["black"][0]) / facts["span"],
            color=self.color,
        )

    def apply(self, tile: Tile, plan: StretchPlan, out: Planes) -> None:
        stretch(tile.pixels, plan, out)

    def explain(self, facts: Facts) -> str:
        return (
            f"{self.curve} curve, parameter {facts['parameter']:.3g}: black {self.black:g} noise units below the sky, "
            f"sky shown at {facts['sky_shown']:.2f}"
        )


def _luminance_above(frame: Frame, levels: list[float]) -> NDArray[np.float32]:
    """Luminance above the sky of covered pixels (N,), thinned evenly to at most `_SAMPLES`."""
    channels, height, width = frame.planes.shape
    step = max(1, int(np.ceil(np.sqrt(height * width / _SAMPLES))))
    weights = LUMINANCE if channels > 1 else (1.0,)
    total = np.zeros(frame.planes[0, ::step, ::step].shape, np.float32)
    for plane, level, weight in zip(frame.planes, levels, weights, strict=True):
        total += np.float32(weight) * (plane[::step, ::step] - np.float32(level))
    covered = frame.covered
    chosen: Any = np.isfinite(total) if covered is None else covered[::step, ::step] & np.isfinite(total)
    light: NDArray[np.float32] = total[chosen]
    return light

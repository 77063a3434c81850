"""Tone of a finished picture: a curve through points."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from scipy.interpolate import PchipInterpolator

from workbench.acquisition import Tone
from workbench.operations._lightness import relight, shade, through_table
from workbench.operations.base import Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.drawing import CurvePoints, Drawing, Overlay, ToneResponse

__all__ = ["CurvePoint", "ToneCurve", "tone_curve"]

#: Steps in which a curve is laid out: a straight line over one departs from it by less than a 16-bit step.
_STEPS = 4096
_CHANNELS = ("red", "green", "blue")


class CurvePoint(BaseModel):
    """A point of a curve: display value before and after."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    x: float = Field(ge=0, le=1, description="Display value before")
    y: float = Field(ge=0, le=1, description="Display value after")


def _rising(points: tuple[CurvePoint, ...]) -> tuple[CurvePoint, ...]:
    ordered = tuple(sorted(points, key=lambda p: p.x))
    for a, b in pairwise(ordered):
        if b.x == a.x:
            raise ValueError(f"two points lie at the same value {a.x:g}; take one of them away")
        if b.y < a.y:
            raise ValueError(
                f"the curve falls between {a.x:g} and {b.x:g}, where what is lighter would become darker; "
                "lift the right point or lower the left one"
            )
    return ordered


Points = Annotated[tuple[CurvePoint, ...], Field(max_length=16), AfterValidator(_rising)]


def tone_curve(points: tuple[CurvePoint, ...]) -> PchipInterpolator | None:
    """The rising curve through points, from 0 to 1; where no point lies at an end, the end stays what it is.

    Returns None where the points lie on the diagonal: a curve that changes nothing.
    """
    known = {0.0: 0.0, 1.0: 1.0} | {p.x: p.y for p in points}
    x = np.array(sorted(known))
    y = np.maximum.accumulate([known[v] for v in x])
    return None if np.array_equal(x, y) else PchipInterpolator(x, y)


@dataclass(frozen=True, slots=True)
class _CurvePlan:
    table: NDArray[np.float32]
    channel: int | None


class ToneCurve(Operation):
    """Make tones lighter or darker by a curve that you draw.

    After the stretch a picture may still be flat, its shadows muddy or its nebula too faint for what you want to
    show. A curve says for every tone how light it becomes: points above the diagonal lighten, points below darken,
    and where the curve is steep contrast grows. Set a point on the sky to hold it, and lift one on the nebula. Where
    it is flat, detail is lost, and where it is steep in the sky, noise grows by as much. Click the histogram to set a
    point and drag it; what is not covered by points stays near the diagonal.

    The curve is a cubic between neighboring points that never falls nor overshoots (monotone piecewise cubic
    interpolation: Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17, 238, with the slopes of Fritsch & Butland 1984,
    SIAM J. Sci. Stat. Comput. 5, 300, as scipy has it). On lightness, a pixel's tone is the display value v of the
    gray that is as light in Oklab (Ottosson 2020), and its linear light is multiplied by decode(curve(v)) / decode(v)
    in all channels: hue stays, and so does the ratio of chroma to lightness. What would leave the range goes toward
    gray at the same lightness and hue. On one channel, that channel's display values go through the curve, which
    changes color.
    """

    purpose: ClassVar[Purpose] = "tone"
    takes: ClassVar[Tone] = Tone.DISPLAY
    gives: ClassVar[Tone] = Tone.DISPLAY
    drawn: ClassVar[tuple[Drawing, ...]] = (
        CurvePoints(
            "points",
            tool="Curve",
            help="Click the histogram to set a point, drag it, and press Delete to take it away.",
            item="point",
        ),
    )

    points: Points = Field(
        (), description="Points of the curve, display values before (x) and after (y); none changes nothing"
    )
    channel: Literal["lightness", "red", "green", "blue"] = Field(
        "lightness",
        description="What goes through the curve; a frame without color has lightness only, whatever is chosen",
    )

    def prepare(self, facts: Any, geometry: Geometry) -> _CurvePlan | None:
        curve = tone_curve(self.points)
        if curve is None:
            return None
        table = np.clip(curve(np.linspace(0, 1, _STEPS + 1)), 0, 1).astype(np.float32)
        alone = geometry.channels == len(_CHANNELS) and self.channel != "lightness"
        return _CurvePlan(table, _CHANNELS.index(self.channel) if alone else None)

    def apply(self, tile: Tile, plan: _CurvePlan | None, out: Planes) -> None:
        if plan is None:
            out[...] = tile.pixels
        elif plan.channel is not None:
            out[...] = tile.pixels
            through_table(out[plan.channel], plan.table, out[plan.channel])
        else:
            before = np.empty(tile.pixels.shape[1:], np.float32)
            after = np.empty_like(before)
            shade(tile.pixels, before)
            through_table(before, plan.table, after)
            relight(tile.pixels, before, after, out)

    def explain(self, facts: Any) -> str:
        curve = tone_curve(self.points)
        if curve is None:
            return "No point lies off the diagonal: nothing changed."
        steepest = float(np.max(np.diff(curve(np.linspace(0, 1, 257))) * 256))
        count = len(self.points)
        return (
            f"{self.channel.capitalize()} through a curve of {count} point{'s' * (count != 1)}; "
            f"contrast grows {steepest:.2g} times at most."
        )

    def shown(self, facts: Any, geometry: Geometry) -> tuple[Overlay, ...]:
        curve = tone_curve(self.points)
        if curve is None:
            return (ToneResponse("points", lambda values: values),)
        return (ToneResponse("points", lambda values: np.asarray(np.clip(curve(values), 0, 1), np.float64)),)

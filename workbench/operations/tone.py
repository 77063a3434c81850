"""Tone of a finished picture: a curve through points, and highlights opened."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from workbench.acquisition import Tone
from workbench.lazy import on_first_use
from workbench.operations._guided import smoothed_between_edges
from workbench.operations._lightness import open_highlights, relight, shades, through_table
from workbench.operations.base import Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.drawing import CurvePoints, Drawing, Overlay, ToneResponse

if TYPE_CHECKING:
    from scipy import interpolate
    from scipy.interpolate import PchipInterpolator
else:
    interpolate = on_first_use("scipy.interpolate")

__all__ = ["CompressHighlights", "CurvePoint", "ToneCurve", "tone_curve"]

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

    Parameters
    ----------
    points : tuple of CurvePoint
        In display values 0..1.

    Returns
    -------
    PchipInterpolator or None
    """
    known = {0.0: 0.0, 1.0: 1.0} | {p.x: p.y for p in points}
    x = np.array(sorted(known))
    y = np.maximum.accumulate([known[v] for v in x])
    return None if np.array_equal(x, y) else interpolate.PchipInterpolator(x, y)


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
    usual_place: ClassVar[int] = 80
    same_anywhere: ClassVar[bool] = True
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
            before = shades(tile.pixels)
            after = np.empty_like(before)
            through_table(before, plan.table, after)
            relight(tile.pixels, before, after, out)

    def explain(self, facts: Any) -> str:
        curve = tone_curve(self.points)
        if curve is None:
            return "No point lies off the diagonal: nothing changed."
        steepest = float(np.max(np.diff(curve(np.linspace(0, 1, 257))) * 256))
        count = len(self.points)
        gray = "" if self.channel == "lightness" else " (lightness where there is no color)"
        return (
            f"{self.channel.capitalize()}{gray} through a curve of {count} point{'s' * (count != 1)}; "
            f"contrast grows {steepest:.2g} times at most."
        )

    def shown(self, facts: Any, geometry: Geometry) -> tuple[Overlay, ...]:
        curve = tone_curve(self.points)
        if curve is None:
            return (ToneResponse("points", lambda values: values),)
        return (ToneResponse("points", lambda values: np.asarray(np.clip(curve(values), 0, 1), np.float64)),)


#: Differences of display values up to which something counts as detail, more as an edge. Measured on cores of four
#: independent scenes, contrast of detail of 1 to 2 px afterwards over before, least and largest, and under a curve
#: for the whole frame that takes the core down as much: at 0.05 0.24..0.61 (0.23..0.46), 0.1 0.40..0.88 (0.28..0.53),
#: 0.2 0.69..1.12 (0.46..0.63), all with 12 px; with 24 px at 0.2 0.71..1.10 (0.63..0.90).
_EDGE = 0.2


class CompressHighlights(Operation):
    """Open bright cores, so that what is in them can be seen; the faint stays as it is.

    The core of a galaxy or of a bright nebula often ends up nearly white after a stretch that shows the faint: its
    shape is in the picture, but pressed into the lightest tones. This step takes the light parts down, and keeps the
    contrast of the detail in them. Do it after the stretch, and before the last curve. Where the record itself is
    clipped nothing can come back. Below the knee not one bit changes, so the sky and the noise in it are safe; small
    stars on a dark sky stay bright, because it is the surroundings that are taken down.

    On the display value v of the gray that is as light in Oklab (hue is kept, see `ToneCurve`). The surroundings B
    are v smoothed within edges by a guided filter (He, Sun & Tang 2010). With the knee k, B becomes k + r (B - k),
    where r = 1 / (1 + c (B - k) / (1 - k)) leads white to ``top``, and v becomes k + r (B - k) u^p with u = (v - k) /
    (B - k) and p = 1 + detail (1 / r - 1). So tones are divided into surroundings and detail as by Durand & Dorsey
    (2002, ACM TOG 21, 257), with detail 0 contrast sinks as the surroundings do, and with detail 1 it stays. A curve
    for the whole frame, tried beside it, keeps a half to nine tenths of that contrast where it takes down as much.
    """

    purpose: ClassVar[Purpose] = "tone"
    usual_place: ClassVar[int] = 82
    takes: ClassVar[Tone] = Tone.DISPLAY
    gives: ClassVar[Tone] = Tone.DISPLAY

    amount: float = Field(
        0.6, ge=0, le=1, description="How far light parts are taken down: 0 changes nothing, 1 brings white to the knee"
    )
    knee: float = Field(
        0.5,
        ge=0.05,
        le=0.95,
        description="Tone up to which nothing changes at all",
        json_schema_extra={"unit": "display value"},
    )
    detail: float = Field(
        0.7, ge=0, le=1, description="How much of the contrast within light parts is kept: 0 as much as a plain curve"
    )
    size: int = Field(
        12,
        ge=2,
        le=100,
        description="Detail is what is smaller than this; surroundings are what is larger",
        json_schema_extra={"unit": "px", "expert": True},
    )

    @property
    def _top(self) -> float:
        # The knee itself is out of reach: the curve would be flat there.
        return self.knee + (1 - self.knee) * (1 - 0.95 * self.amount)

    def reach(self, facts: Any, geometry: Geometry) -> int:
        return 2 * self.size if self.amount > 0 else 0

    def apply(self, tile: Tile, plan: Any, out: Planes) -> None:
        if self.amount == 0:
            out[...] = tile.inner
            return
        r = tile.reach
        values = shades(tile.pixels)
        base = smoothed_between_edges(values, self.size, _EDGE)[r:-r, r:-r]
        inner = np.ascontiguousarray(values[r:-r, r:-r])
        wanted = np.empty_like(inner)
        knee, top, detail = (np.float32(v) for v in (self.knee, self._top, self.detail))
        open_highlights(inner, base, knee, top, detail, wanted)
        relight(tile.inner, inner, wanted, out)

    def explain(self, facts: Any) -> str:
        if self.amount == 0:
            return "Amount 0: nothing changed."
        return f"Lighter than {self.knee:g} taken down, wide white areas to {self._top:.2f}; darker tones untouched."

"""Detail: light deconvolved, and a picture sharpened and given local contrast."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.acquisition import Tone
from workbench.measure.background.sky import sky_level
from workbench.measure.blocks import in_order, strips
from workbench.measure.filters import separable as separable_filter
from workbench.measure.noise import noise
from workbench.measure.starlet import B3
from workbench.measure.surface import evaluate
from workbench.operations._deconvolve.facts import DeconvolveFacts, measure_spread
from workbench.operations._deconvolve.restore import Blur, ChannelPlan, restored
from workbench.operations._deconvolve.spread import bridge, moffat_kernel, separable
from workbench.operations._equalisation import LEVELS, equalised, limited_mapping
from workbench.operations._frames import begin, need_pixels
from workbench.operations._lightness import relight, shade, shades
from workbench.operations._sharpening import reach as sharpening_reach
from workbench.operations._sharpening import sharpened
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.facts import LARGEST, Array, Real

__all__ = ["Deconvolve", "DeconvolveFacts", "LocalContrast", "LocalContrastFacts", "Sharpen", "SharpenFacts"]

f32 = np.float32
Spread = Annotated[float, Field(ge=0, le=LARGEST)]

#: Narrowest stars (px) that pixels can show without steps, and the least change of width that is worth the work.
_NARROWEST, _LEAST_CHANGE = 1.6, 0.95
#: Where the width over the frame varies by more than this, two kernels are mixed.
_EVEN = 1.04
#: Largest error of the separable kernel over its peak.
_KERNEL_ERROR = 0.004
#: Iterations go this much farther than the formula's own: 12 at 1.8 come as far as 20 at 1.
_RELAXATION = 1.8
#: Pedestals above this many noise units are as good as infinite.
_MOST_PEDESTAL = 200.0
#: Total variation at a setting of 1, and the largest that is used. On two scenes, error over noise at 0.05, 0.1, 0.2:
#: 1.46, 1.06, 0.92 and 2.10, 1.85, 1.77, sky noise 1.3, 0.8, 0.6 of before, width 0.72, 0.73, 0.74; from 0.3 on steps
#: overshoot from one pixel to the next, and noise grows again.
_STRENGTH, _STRONGEST = 0.15, 0.225
#: Pixels of margin around a tile, in kernel radii: how far one pixel is felt by another.
_MARGIN = 5


@dataclass(frozen=True, slots=True)
class _DeconvolvePlan:
    channels: tuple[ChannelPlan, ...]
    #: Width over the frame: coefficients, least and largest; None where it is even.
    field: tuple[tuple[float, ...], float, float] | None
    clip: NDArray[np.float32]
    #: Radius around saturated pixels within which nothing is changed, and over which the change sets in.
    guard: int
    #: Radius within which nothing becomes darker than the darkest place that is there.
    dark: int


class Deconvolve(Operation):
    """Make stars narrower and detail sharper, by undoing a part of what air and optics have blurred.

    Air, focus and tracking spread each point of light over several pixels, and all detail with it. How far is seen in
    the stars, so it can be undone, as far as the noise allows. Do it in linear light, after the gradient and the
    color are right and before `Denoise` and the stretch. Stars become narrower and rounder, and nebulae show finer
    threads. Channels that are less sharp are brought to the same width, which takes away colored rims of stars. Go
    easy: what is asked beyond the noise comes back as worms and dark rings. Saturated stars are left as they are, for
    their record is not light in proportion.

    The point spread is a Moffat profile for each channel, fitted to the frame's stars, with a width that varies over
    the frame. The frame is deconvolved not to points but to a round, narrower profile (Magain, Courbin & Sohy 1998,
    ApJ 494, 472), which pixels can show without rings: light is blurred by the kernel that leads from the narrow to
    the measured profile, and Richardson-Lucy iterations (Richardson 1972, Lucy 1974) look for what looks like the
    frame when blurred so. Total variation (Dey et al. 2006) holds them in proportion to the noise of each pixel, sky
    and photons (see `Denoise`), and harder where demosaicing has made grain coarse, so that sky and faint light stop
    early and bright detail goes on. Nothing becomes darker than the darkest place within one and a half widths of a
    star, but for dark lanes, which may become twice as deep: on real frames, whose stars are no perfect Moffat
    profiles, rings would be dug otherwise that a stretch shows as black holes.
    """

    purpose: ClassVar[Purpose] = "detail"
    usual_place: ClassVar[int] = 50
    sampled: ClassVar[Literal["", "windows", "levels"]] = "windows"
    measured_by: ClassVar[tuple[str, ...]] = ()
    facts_type: ClassVar[type[Facts]] = DeconvolveFacts

    width: float = Field(
        0.65,
        ge=0.4,
        le=1.0,
        description="Width of stars aimed at, as a share of the measured one; 0.65 comes out at about 0.73",
        json_schema_extra={"unit": "x"},
    )
    smooth: float = Field(
        1.0,
        ge=0.1,
        le=1.5,
        description="How hard noise is held down: lower brings out fainter detail, and grain",
        json_schema_extra={"unit": "x"},
    )
    iterations: int = Field(
        20,
        ge=1,
        le=60,
        description="Steps of the search; more than 20 change little",
        json_schema_extra={"expert": True},
    )

    def measure(self, frame: Frame) -> DeconvolveFacts:
        return measure_spread(frame)

    def _target(self, facts: DeconvolveFacts) -> float:
        """Width (px) aimed at; that of the stars where nothing is to be done."""
        now = float(np.median(facts.fwhm))
        wanted = max(self.width * now, _NARROWEST)
        return wanted if facts.stars and wanted < _LEAST_CHANGE * now else now

    def _acts(self, facts: DeconvolveFacts, geometry: Geometry) -> bool:
        wanted = self._target(facts) / geometry.scale
        return wanted < float(np.median(facts.fwhm)) / geometry.scale and wanted >= 0.5 * _NARROWEST

    def _radius(self, facts: DeconvolveFacts, geometry: Geometry) -> int:
        """Of the kernel, px."""
        return int(np.clip(np.ceil(2.2 * max(facts.fwhm) / geometry.scale), 4, 16))

    def reach(self, facts: DeconvolveFacts, geometry: Geometry) -> int:
        return _MARGIN * self._radius(facts, geometry) if self._acts(facts, geometry) else 0

    def prepare(self, facts: DeconvolveFacts, geometry: Geometry) -> _DeconvolvePlan | None:
        if not self._acts(facts, geometry):
            return None
        target, radius = self._target(facts) / geometry.scale, self._radius(facts, geometry)
        rows, columns = np.linspace(-1, 1, 33)[:, None], np.linspace(-1, 1, 33)[None, :]
        surface = evaluate(facts.field, columns + 1, rows + 1, (3, 3))
        least, most = (float(np.clip(v, 0.5, 2)) for v in (surface.min(), surface.max()))
        even = most <= _EVEN * least
        widths = (1.0,) if even else (least, most)
        channels = []
        for c, (fwhm, alpha) in enumerate(zip(facts.fwhm, facts.alpha, strict=True)):
            sigma = facts.sigma[c] / geometry.scale
            pedestal = sigma * min(1 / max(facts.shot[c] * geometry.scale, 1e-9), _MOST_PEDESTAL)
            blurs = tuple(self._blur(fwhm * w / geometry.scale, alpha, target, facts, radius) for w in widths)
            channels.append(
                ChannelPlan(
                    blurs,
                    sky=f32(facts.sky[c]),
                    sigma=f32(sigma),
                    pedestal=f32(pedestal),
                    strength=f32(min(_STRENGTH * self.smooth * facts.grain[c], _STRONGEST)),
                    relaxation=f32(_RELAXATION),
                    iterations=self.iterations,
                )
            )
        field = None if even else (tuple(facts.field), least, most)
        guard = max(2, round(1.5 * max(facts.fwhm) / geometry.scale))
        return _DeconvolvePlan(tuple(channels), field, np.array(facts.clip, f32), guard, min(guard, radius))

    @staticmethod
    def _blur(fwhm: float, alpha: float, target: float, facts: DeconvolveFacts, radius: int) -> Blur:
        around = 3 * radius
        wide = moffat_kernel(max(fwhm, target), alpha, facts.elongation, facts.angle_deg, around)
        narrow = moffat_kernel(target, alpha, 1.0, 0.0, around)
        return Blur(*separable(bridge(wide, narrow, radius), _KERNEL_ERROR))

    def apply(self, tile: Tile, plan: _DeconvolvePlan | None, out: Planes) -> None:
        if plan is None:
            out[...] = tile.inner
            return
        r = tile.reach
        core = slice(r, -r), slice(r, -r)
        share = _second_share(tile, plan)
        changed = _trusted(tile.pixels, plan)
        for c, channel in enumerate(plan.channels):
            plane = tile.pixels[c]
            sharp = np.maximum(restored(plane, channel, share), _darkest(plane, plan.dark))[core]
            out[c] = plane[core] + changed[core] * (sharp - plane[core])

    def explain(self, facts: DeconvolveFacts) -> str:
        if not facts.stars:
            return "Nothing done: the point spread is not known."
        now, target = float(np.median(facts.fwhm)), self._target(facts)
        if target >= now:
            return f"Stars are {now:.1f} px wide, too narrow for pixels to show them narrower: nothing done."
        return f"Stars {now:.1f} px wide ({facts.stars} measured), aimed at {target:.1f} px by {self.iterations} steps."


def _second_share(tile: Tile, plan: _DeconvolvePlan) -> NDArray[np.float32] | None:
    """How much of each pixel of a tile, margin included, the wider kernel blurs; by the height of the spread."""
    if plan.field is None:
        return None
    coefficients, least, most = plan.field
    r, core, frame = tile.reach, tile.core, (tile.geometry.height, tile.geometry.width)
    y = np.clip(np.arange(core.y0 - r, core.y1 + r), 0, frame[0] - 1)[:, None]
    x = np.clip(np.arange(core.x0 - r, core.x1 + r), 0, frame[1] - 1)[None, :]
    width = np.clip(evaluate(coefficients, x, y, frame), least, most)
    return ((least**-2 - width**-2) / (least**-2 - most**-2)).astype(np.float32)


def _darkest(plane: NDArray[np.float32], radius: int) -> NDArray[np.float32]:
    """How dark each pixel may become: as the darkest place around it, and dark lanes once more by how deep they are.

    A spread that is not quite the frame's own digs rings around bright stars: on real frames holes that a stretch shows
    black. Light is smoothed by a B3 spline first, so that the noise of single pixels tells little; how deep a lane is
    tells a closing of the opening, which has no stars.
    """
    square = np.ones((2 * radius + 1, 2 * radius + 1), np.uint8)
    low = cv2.erode(separable_filter(plane, B3), square)
    ground = cv2.dilate(low, square)
    lanes = cv2.erode(cv2.dilate(ground, square), square) - ground
    return np.minimum(np.asarray(low - lanes, np.float32), plane)


def _trusted(pixels: Planes, plan: _DeconvolvePlan) -> NDArray[np.float32]:
    """1 where light may be restored, 0 in and around saturated pixels, smooth between: (h, w)."""
    clipped = (pixels >= plan.clip[:, None, None]).any(axis=0)
    if not clipped.any():
        return np.ones(clipped.shape, np.float32)
    side = 4 * plan.guard + 1
    disc = np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)
    around = cv2.dilate(np.asarray(clipped, np.uint8), disc).astype(np.float32)
    side = 2 * plan.guard + 1
    return np.asarray(1 - cv2.boxFilter(around, cv2.CV_32F, (side, side), borderType=cv2.BORDER_REFLECT_101))


def _shades(frame: Frame) -> NDArray[np.float32]:
    """Shades of a whole frame (H, W), made once for a frame."""

    def made() -> NDArray[np.float32]:
        out = np.empty(frame.planes.shape[1:], np.float32)

        def part(rows: tuple[int, int]) -> None:
            shade(np.ascontiguousarray(frame.planes[:, slice(*rows)]), out[slice(*rows)])

        in_order(part, strips(len(out)))
        return out

    return frame.once("shades", made)


class SharpenFacts(Facts):
    """The noise of a picture's lightness, layer by layer."""

    noise: tuple[Spread, Spread, Spread, Spread, Spread] = Field(
        description="Noise in each starlet scale where the sky is, finest first",
        json_schema_extra={"unit": "display value", "shape": ["scales"]},
    )


class Sharpen(Operation):
    """Make fine detail crisper, where it is detail and not noise.

    Threads of nebula and edges of dust look crisper when their finest contrasts are strengthened. Done to everything,
    that makes grain and dark rings around stars. This step asks in layers from fine to coarse whether what stands
    there is stronger than noise, strengthens only that, and lets no pixel become lighter or darker than what is
    around it, so no halo is made. Do it near the end, on the finished picture, at 1:1. It makes nothing sharper that
    the air has blurred: for that there is `Deconvolve`, in linear light.

    On the display value of the gray that is as light in Oklab (hue is kept, see `ToneCurve`): of each starlet scale w
    (Starck & Murtagh, Astronomical Image and Data Analysis) amount times the share 1 - min(1, level^2 noise^2 / P)^2
    is added, and less where P > 0.03^2, for stars are crisp as they are; P is the mean of w^2 over 5 x 5 pixels,
    noise that of the scale where the sky is. What is added fades out towards the lightest and darkest pixel of 5 x 5,
    2 % of their difference beyond. An unsharp mask gated in the same way was tried beside it: on nebulae it found next
    to nothing that is stronger than noise, where this strengthens detail of 1 to 4 px by 0.2 to 0.5 of its contrast,
    and both added 1 to 2 % to the noise of the sky.
    """

    purpose: ClassVar[Purpose] = "detail"
    usual_place: ClassVar[int] = 90
    sampled: ClassVar[Literal["", "windows", "levels"]] = "windows"
    takes: ClassVar[Tone] = Tone.DISPLAY
    gives: ClassVar[Tone] = Tone.DISPLAY
    measured_by: ClassVar[tuple[str, ...]] = ()
    facts_type: ClassVar[type[Facts]] = SharpenFacts

    amount: float = Field(1.0, ge=0, le=3, description="How much of the detail found is added; 0 changes nothing")
    level: float = Field(
        2.0,
        ge=1,
        le=6,
        description="How far above noise something must stand to be strengthened; higher is more cautious",
        json_schema_extra={"unit": "sigma"},
    )
    scales: int = Field(
        3,
        ge=1,
        le=5,
        description="Layers that are strengthened, each twice as coarse as the one before: 3 reach detail of 4 px",
        json_schema_extra={"unit": "layers"},
    )

    def measure(self, frame: Frame) -> SharpenFacts:
        need_pixels(frame, "Sharpen")
        return SharpenFacts(noise=noise(_shades(frame), frame.coverage).scales)

    def _noise(self, facts: SharpenFacts, geometry: Geometry) -> tuple[float, ...]:
        """Noise of the scales that are strengthened; a reduced frame has lost the finest."""
        lost = round(float(np.log2(geometry.scale)))
        return facts.noise[lost : self.scales] if self.amount > 0 else ()

    def reach(self, facts: SharpenFacts, geometry: Geometry) -> int:
        count = len(self._noise(facts, geometry))
        return sharpening_reach(count) if count else 0

    def prepare(self, facts: SharpenFacts, geometry: Geometry) -> NDArray[np.float64]:
        return np.array(self._noise(facts, geometry), np.float64)

    def apply(self, tile: Tile, plan: NDArray[np.float64], out: Planes) -> None:
        r = tile.reach
        if r == 0:
            begin(tile, out)
            return
        before = shades(tile.pixels)
        after = np.clip(sharpened(before, plan, self.amount, self.level)[r:-r, r:-r], 0, 1)
        relight(tile.inner, np.ascontiguousarray(before[r:-r, r:-r]), after, out)

    def explain(self, facts: SharpenFacts) -> str:
        if self.amount == 0:
            return "Amount 0: nothing changed."
        return (
            f"Detail in {self.scales} layers, {self.level:g} noise units strong, strengthened by {self.amount:g}; "
            f"finest noise {facts.noise[0]:.2g}."
        )


class LocalContrastFacts(Facts):
    """The tones of a picture, cell by cell, as mappings that spread them."""

    sky: Real = Field(description="Tone of the sky", json_schema_extra={"unit": "display value"})
    noise: Spread = Field(description="Noise of the sky's tone", json_schema_extra={"unit": "display value"})
    maps: Annotated[NDArray[np.float32], Array("<f4", "rows", "columns", LEVELS + 1, ge=-1, le=1)] = Field(
        description="What each cell adds to tones from 0 to 1, at even steps",
        json_schema_extra={"unit": "display value"},
    )


class LocalContrast(Operation):
    """Give each part of the picture more contrast of its own.

    A stretch has to serve the whole frame, so inside a bright nebula, or in a dim arm of a galaxy, tones lie close
    together. This step looks at the tones of each part and spreads those that many pixels have, no further than a
    limit. The sky and what is within its noise stay as they are. Do it after the stretch, gently; too much looks
    painted. Small cells bring out small structure and change how parts compare with each other; large cells are more
    natural.

    Contrast-limited adaptive histogram equalisation (Zuiderveld 1994, Graphics Gems IV) on the display value of the
    gray that is as light in Oklab (hue is kept, see `ToneCurve`). In each cell the histogram above ``sky + protect
    noise`` is made a rising mapping of slope ``limit`` at most, what is cut off being shared out evenly; below it the
    mapping is the diagonal. Between the middles of four cells their mappings are mixed by distance. The mappings are
    measured once, so a pixel depends on its own value and place alone.
    """

    purpose: ClassVar[Purpose] = "detail"
    usual_place: ClassVar[int] = 88
    takes: ClassVar[Tone] = Tone.DISPLAY
    gives: ClassVar[Tone] = Tone.DISPLAY
    measured_by: ClassVar[tuple[str, ...]] = ("limit", "cells", "protect")
    quick_again: ClassVar[bool] = True
    facts_type: ClassVar[type[Facts]] = LocalContrastFacts

    amount: float = Field(0.6, ge=0, le=1, description="Share of the change that is made; 0 changes nothing")
    limit: float = Field(
        2.0, ge=1, le=6, description="How many times contrast may grow at most", json_schema_extra={"unit": "x"}
    )
    cells: int = Field(8, ge=1, le=32, description="Cells along the longer side of the frame")
    protect: float = Field(
        3.0,
        ge=0,
        le=20,
        description="How far above the sky something must be to be changed",
        json_schema_extra={"unit": "sigma"},
    )

    def measure(self, frame: Frame) -> LocalContrastFacts:
        need_pixels(frame, "LocalContrast")
        values = _shades(frame)
        sky = frame.once("sky of shades", lambda: sky_level(values[None], frame.coverage))
        start = float(np.clip(sky.level + self.protect * sky.sigma, 0, 1))
        height, width = values.shape
        side = max(height, width) / self.cells
        rows, columns = (max(1, round(n / side)) for n in (height, width))
        nodes = np.linspace(0, 1, LEVELS + 1)
        maps = np.zeros((rows, columns, LEVELS + 1))
        for i, j in np.ndindex(rows, columns):
            box = (
                slice(i * height // rows, (i + 1) * height // rows),
                slice(j * width // columns, (j + 1) * width // columns),
            )
            part = values[box] if frame.coverage is None else values[box][frame.coverage[box] > 0]
            counts = np.bincount(np.minimum(part.ravel() * LEVELS, LEVELS - 1).astype(np.uint8), minlength=LEVELS)
            maps[i, j] = limited_mapping(counts, start, self.limit) - nodes
        return LocalContrastFacts(sky=float(sky.level), noise=float(sky.sigma), maps=maps)

    def prepare(self, facts: LocalContrastFacts, geometry: Geometry) -> NDArray[np.float32] | None:
        return facts.maps if self.amount > 0 and facts.maps.size else None

    def apply(self, tile: Tile, plan: NDArray[np.float32] | None, out: Planes) -> None:
        if plan is None:
            begin(tile, out)
            return
        before = shades(tile.pixels)
        after = np.empty_like(before)
        rows, columns = plan.shape[0] / tile.geometry.height, plan.shape[1] / tile.geometry.width
        equalised(before, tile.core.y0, tile.core.x0, plan, f32(rows), f32(columns), f32(self.amount), after)
        relight(tile.pixels, before, np.clip(after, 0, 1, out=after), out)

    def explain(self, facts: LocalContrastFacts) -> str:
        if self.amount == 0:
            return "Amount 0: nothing changed."
        rows, columns, _ = facts.maps.shape
        return (
            f"Tones above {facts.sky + self.protect * facts.noise:.2f} spread in {columns} x {rows} cells, contrast up "
            f"to {1 + self.amount * (self.limit - 1):.2g} times; the sky at {facts.sky:.2f} left alone."
        )

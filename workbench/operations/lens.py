"""What lenses leave in a stack: channels that lie beside each other, corners that got less light."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, ClassVar, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.measure.lateral_color import TERMS, ChannelShift, lateral_color, shift_terms, unit_places
from workbench.measure.stars import find_stars
from workbench.operations._frames import need_color, need_pixels
from workbench.operations._lens.darkening import Brightening, brighten, brightening, measure_falloff
from workbench.operations._lens.falloff import TERMS as FALL_TERMS
from workbench.operations._lens.moving import Motion, motion_of, move
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.drawing import Contours, Overlay
from workbench.operations.facts import Array, Real
from workbench.operations.findings import percent
from workbench.operations.trial import StackTrial, Suggestion

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "WORTH_ALIGNING",
    "AlignChannels",
    "AlignChannelsFacts",
    "CorrectFalloff",
    "CorrectFalloffFacts",
    "worth_moving",
]

Length = Annotated[float, Field(ge=0, le=1e4)]
Count = Annotated[int, Field(ge=0)]

#: Shift in a corner (px) from which colored rims of stars are seen.
WORTH_ALIGNING = 0.2
#: Smallest mean shift (px), and least multiple of its error, for which a channel is read anew.
_LEAST, _SURE = 0.05, 3.0
#: Rows and columns of the grid on which the shift is shown.
_SHOWN = (32, 48)
_NAMES = ("red", "green", "blue")
#: What is known of a channel that too few stars show.
_NO_SHIFT = ChannelShift(np.zeros(TERMS), corner=0.0, center=0.0, error=0.0, size=0.0, residual=0.0, stars=0)


class AlignChannelsFacts(Facts):
    """How far each channel lies from green."""

    version: ClassVar[int] = 2

    coefficients: Annotated[NDArray[np.float64], Array("<f8", "channels", TERMS, ge=-100, le=100)] = Field(
        description="Shift against green by channel, as a sum of terms of the place (see `shift_terms`); all 0 where a "
        "channel stays as it is",
        json_schema_extra={"unit": "px"},
    )
    corner: tuple[Length, ...] = Field(
        description="Largest shift in a corner by channel", json_schema_extra={"unit": "px", "shape": ["channels"]}
    )
    center: tuple[Length, ...] = Field(
        description="Shift in the middle of the frame by channel",
        json_schema_extra={"unit": "px", "shape": ["channels"]},
    )
    error: tuple[Length, ...] = Field(
        description="Standard error of the shift over the frame, by channel",
        json_schema_extra={"unit": "px", "shape": ["channels"]},
    )
    residual: tuple[Length, ...] = Field(
        description="What stars lie apart after it, their own errors included, by channel",
        json_schema_extra={"unit": "px", "shape": ["channels"]},
    )
    stars: tuple[Count, ...] = Field(
        description="Stars that the shift rests on, by channel", json_schema_extra={"shape": ["channels"]}
    )
    shape: tuple[Count, Count] = Field(
        description="Height and width of the frame", json_schema_extra={"unit": "px", "shape": [2]}
    )


class _AlignPlan(NamedTuple):
    motions: tuple[Motion | None, ...]
    reach: int


class AlignChannels(Operation):
    """Bring the channels together where the lens has drawn them at different sizes.

    A lens bends colors a little differently, so red, green and blue pictures differ in size: in the corners stars have
    a red rim on one side and a blue one on the other, and a star's color, measured in one place, comes out wrong. Low
    above the horizon the air shifts colors against each other everywhere. The stars show how far: this step compares
    their places channel by channel and brings red and blue onto green. Do it early, after hot pixels are mended and
    before the frame is made smaller and color is judged. Where channels lie together within what the stars can tell,
    nothing changes, to the last bit. Reading pixels between pixels softens grain a little, by up to a fifth.

    Model: shift = affine map + (k3 r^2 + k5 r^4) times the place against the lens's axis, which may lie off the middle
    and is one for all channels; fits with more and fewer of these terms are averaged by how much the stars ask for each
    (Akaike 1974), and how far they lie apart counts in the error (Buckland, Burnham & Augustin 1997). Places are
    centroids under a Gaussian window, weighted by their error and by what they scatter by beyond it (Paule & Mandel
    1982), and strays count nothing (biweight, Beaton & Tukey 1974). A channel is moved where its shift is above 0.05 px
    and three times its error in the mean over the frame. It is read once, by a sinc windowed by a sinc, three lobes
    (Duchon 1979); nothing becomes darker than the darkest of the 4 x 4 pixels around, so that no ring is dug. The
    brightness of surfaces stays as flats have measured it; the light of a star then changes as the area that it covers,
    by a thousandth where 2 px are taken in at 24 megapixels.

    On scenes with 0.3 to 2 px in the corners drawn by GalSim 0.01 px is left over the frame (root mean square, 0.02 at
    worst); in the worst corner, where no star may stand, 0.03 px as a rule and 0.08 at most.
    """

    purpose: ClassVar[Purpose] = "color"
    usual_place: ClassVar[int] = 17
    answers: ClassVar[str] = "Lateral color"
    overlays: ClassVar[Mapping[str, str]] = MappingProxyType({"shift": "Shift of colors"})
    facts_type: ClassVar[type[Facts]] = AlignChannelsFacts

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        corner = trial.found.lateral_color
        if corner is None or corner < WORTH_ALIGNING:
            return None
        note = f"In the corners stars of different color lie {corner:.1f} px apart: brought together before color."
        return Suggestion(cls(), note, changes_trial=False)

    def measure(self, frame: Frame) -> AlignChannelsFacts:
        need_color(frame, "align_channels")
        found = lateral_color(
            frame.planes, find_stars(frame.planes, frame.coverage, crowded_field=False), frame.coverage
        )
        middle = len(found) // 2
        shifts = [_NO_SHIFT if s is None else s for s in found]
        return AlignChannelsFacts(
            coefficients=np.stack([(s if worth_moving(s) else _NO_SHIFT).coefficients for s in shifts]),
            corner=[s.corner for s in shifts],
            center=[s.center for s in shifts],
            error=[s.error for s in shifts],
            residual=[s.residual for s in shifts],
            stars=[s.stars for s in shifts],
            shape=frame.planes.shape[1:],
            doubts=_doubts([s for c, s in enumerate(found) if c != middle]),
        )

    def reach(self, facts: AlignChannelsFacts, geometry: Geometry) -> int:
        return _plan(facts, geometry).reach

    def prepare(self, facts: AlignChannelsFacts, geometry: Geometry) -> _AlignPlan:
        return _plan(facts, geometry)

    def apply(self, tile: Tile, plan: _AlignPlan, out: Planes) -> None:
        core, r = tile.core, tile.reach
        for plane, inner, motion, to in zip(tile.pixels, tile.inner, plan.motions, out, strict=True):
            if motion is None:
                to[...] = inner
                continue
            spare = r - motion.reach
            move(plane[spare : len(plane) - spare, spare : plane.shape[1] - spare], core.y0, core.x0, motion, to)

    def explain(self, facts: AlignChannelsFacts) -> str:
        moved = [c for c, shift in enumerate(facts.coefficients) if shift.any()]
        if not moved:
            if not any(facts.stars):
                return "Nothing moved."
            return f"Colors lie together within what {max(facts.stars)} stars can tell: nothing moved."
        words = " and ".join(
            f"{_NAMES[c]} ({facts.center[c]:.2f} px in the middle, {facts.corner[c]:.2f} in the corners)" for c in moved
        )
        left = max(facts.residual[c] for c in moved)
        return f"Moved {words} onto green by {max(facts.stars)} stars; they now lie within {left:.2f} px."

    def shown(self, facts: AlignChannelsFacts, geometry: Geometry) -> tuple[Overlay, ...]:
        if not facts.coefficients.any():
            return ()
        height, width = facts.shape
        y, x = (np.linspace(0, n - 1, count) for n, count in zip((height, width), _SHOWN, strict=True))
        columns, rows = np.meshgrid(x, y)
        terms = shift_terms(*unit_places(columns.ravel(), rows.ravel(), facts.shape))
        length = np.hypot(*np.einsum("ank,ck->acn", terms, facts.coefficients)).max(axis=0).reshape(_SHOWN)
        return (Contours("shift", length, f"colors lie {length.min():.2f} to {length.max():.2f} px from green"),)


def worth_moving(shift: ChannelShift) -> bool:
    """Whether a shift is worth moving a channel for: above what pixels do, and above its error.

    Parameters
    ----------
    shift : ChannelShift

    Returns
    -------
    bool
    """
    return shift.size > max(_LEAST, _SURE * shift.error)


def _plan(facts: AlignChannelsFacts, geometry: Geometry) -> _AlignPlan:
    size = geometry.height, geometry.width
    motions = tuple(
        motion_of(np.asarray(shift) / geometry.scale, size) if shift.any() else None for shift in facts.coefficients
    )
    return _AlignPlan(motions, max((m.reach for m in motions if m is not None), default=0))


def _doubts(found: list[ChannelShift | None]) -> tuple[str, ...]:
    if any(shift is None for shift in found):
        return ("Too few bright stars show how the colors lie: a channel that too few show stays where it is.",)
    return ()


class CorrectFalloffFacts(Facts):
    """How much less light the corners got, as far as the sky tells."""

    version: ClassVar[int] = 2

    k: Annotated[NDArray[np.float64], Array("<f8", FALL_TERMS, ge=0, le=100)] = Field(
        description="Terms of the falloff: light = (1 + k1 s)^-2 exp(-k2 s^2 - k3 s^3 - what rims take), s the "
        "squared distance from the optical middle, half a diagonal being 1; then how fast the rims' part grows from "
        "0.3, 0.5 and 0.7 on"
    )
    middle: tuple[Real, Real] = Field(
        description="Optical middle, column and row", json_schema_extra={"unit": "px", "shape": [2]}
    )
    corners: float = Field(
        gt=0, le=1, description="Light in the corners by these terms", json_schema_extra={"unit": "of the middle"}
    )
    error: float = Field(
        ge=0, le=1e4, description="Standard error of that, relative", json_schema_extra={"unit": "share"}
    )
    taken: float = Field(
        ge=0, le=1, description="Power of the falloff that is divided out: 1 where it is sure, 0 where it is not"
    )
    glow: float = Field(
        ge=0, le=1e6, description="Size of the glow that was told from it", json_schema_extra={"unit": "of the sky"}
    )
    noise_growth: float = Field(
        ge=0,
        le=1e6,
        description="Variance of the noise in the corners over that in the middle; 0: not known. It falls with the "
        "light, and grows where flat frames were divided out",
        json_schema_extra={"unit": "x"},
    )
    used: Count = Field(description="Cells of sky that this rests on")
    stars: Count = Field(0, description="Stars of known magnitude that it rests on too")
    shape: tuple[Count, Count] = Field(
        description="Height and width of the frame", json_schema_extra={"unit": "px", "shape": [2]}
    )


class CorrectFalloff(Operation):
    """Give the corners back the light that the lens kept from them.

    A lens lets less light through to the corners, often half of it, and everything there is fainter: sky, stars and
    nebula alike. Flat frames measure that and are the better way; where there are none, this step reads it from the
    sky and divides it out. Where the stack's place on the sky is known (``workbench solve``), it asks stars as well
    whose light a catalogue knows, and is surer. Subtracting it as a gradient would make the sky even
    and leave stars and nebula in the corners at half their light. Do it after the edges are cut and before the glow of
    towns is subtracted. Where it is not sure, it takes less or nothing and says so; with a test frame of an evenly lit
    wall you know better, and give the light in the corners by hand. Grain in the corners becomes as strong as that
    light was short.

    Level of the sky = V(r) B (1 + glow), V common to all channels: (1 + k1 s)^-2 exp(-k2 s^2 - k3 s^3) with
    s = (r / half a diagonal)^2 about a fitted optical middle, the fourth power of the cosine and even powers beside it,
    and what the rims of tubes take from 0.3, 0.5 and 0.7 on. The logarithm of the glow is a sum of harmonic
    polynomials, as that of a lamp beyond the horizon is, whose light falls by a power of the distance (Walker 1977,
    PASP 89, 405). Light of lamps outside the frame is subharmonic: its logarithm bends down only as much as it also
    slopes, which a lens need not; what bends beyond that is falloff. Cells of objects are weighted down, and errors of
    the channels are taken together, as light of nebulae and dust has its colors. All is fitted with priors, and beside
    it an even lens under lamps that may stand in the frame, as the Moon may: falloff must be e^5 times as likely. Stars
    of known magnitude are fitted along: the logarithm of their light over the catalogue's is that of V, a zero point, a
    color term and slopes across the frame, as air makes them; light is read in small disks, and what lies beyond is put
    to it by how wide the lens draws stars there. Falloff is divided out if it is above 5 percent and three times its
    error, to the power D^2 / (D^2 + error^2), D being the logarithm of the light lost (James & Stein 1961). By the sky
    alone it must also be alike in all channels. Noise cannot tell it from glow, as its variance follows the light
    whatever made it; but once flats were divided out it grows outwards, and where stars and galaxies fill the middle it
    falls outwards faster than the light: then nothing is done, as with corners below 20 percent.

    On 36 scenes made without the simulator, 15 to 60 percent lost and glow on top, it is sure in 34 and leaves the
    worst place of the field 3 percent off in the median, 8 at worst: least where the glow is a slope, most where dust
    and nebulae cover much of the frame. With 140 to 540 stars of known magnitude the worst place is 1 to 6 percent off,
    the median 2. Of 67 scenes without falloff, 20 of them with a moon in or beside the frame, and of seven real frames
    of galaxies, clusters and nebulae, none was changed.
    """

    purpose: ClassVar[Purpose] = "gradient"
    usual_place: ClassVar[int] = 25
    answers: ClassVar[str] = "Falloff"
    measured_by: ClassVar[tuple[str, ...]] = ()
    overlays: ClassVar[Mapping[str, str]] = MappingProxyType({"light": "Light let through"})
    facts_type: ClassVar[type[Facts]] = CorrectFalloffFacts

    corners: float | None = Field(
        None,
        ge=5,
        le=100,
        description="Light in the corners, in percent of that in the middle; empty: measured",
        json_schema_extra={"unit": "%"},
    )

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        corners = trial.found.corner_light
        if corners is None:
            return None
        note = (
            f"The corners got {percent(corners, 2)} of the light in the middle: divided out before glow is subtracted, "
            "or stars and nebula there would stay too faint."
        )
        return Suggestion(cls(), note, changes_trial=False)  # a trial is the middle of the frame

    def measure(self, frame: Frame) -> CorrectFalloffFacts:
        need_pixels(frame, "correct_falloff")
        found = measure_falloff(frame)
        return CorrectFalloffFacts(**vars(found), shape=frame.planes.shape[1:])

    def prepare(self, facts: CorrectFalloffFacts, geometry: Geometry) -> Brightening | None:
        return self._brightening(facts, geometry.scale)

    def _brightening(self, facts: CorrectFalloffFacts, scale: float) -> Brightening | None:
        """What a frame of this scale is multiplied by; None where nothing is done."""
        return brightening(facts.k, facts.middle, facts.taken, facts.shape, scale, self.corners)

    def apply(self, tile: Tile, plan: Brightening | None, out: Planes) -> None:
        if plan is None:
            out[...] = tile.inner
            return
        brighten(tile.inner, tile.core.y0, tile.core.x0, plan, out)

    def explain(self, facts: CorrectFalloffFacts) -> str:
        if self.corners is not None:
            return f"Divided by a falloff to {self.corners:.0f} % in the corners, as given."
        if not facts.taken:
            return "No falloff that is sure: nothing changed."
        light = facts.corners**facts.taken
        return (
            f"Corners got {percent(light, 2)} (±{100 * facts.error * light:.1f}) of the light in the middle: divided "
            f"out; beside it glow of {percent(facts.glow, 2)}."
        )

    def shown(self, facts: CorrectFalloffFacts, geometry: Geometry) -> tuple[Overlay, ...]:
        plan = self._brightening(facts, 1.0)
        if plan is None:
            return ()
        y, x = (np.linspace(0, n - 1, count) for n, count in zip(facts.shape, _SHOWN, strict=True))
        light = 1 / plan.gain_at(x[None, :], y[:, None])
        return (Contours("light", light, f"light from {light.min():.2f} to {light.max():.2f} of the middle"),)

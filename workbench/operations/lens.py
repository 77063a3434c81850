"""What lenses leave in a stack: channels that lie beside each other."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, ClassVar, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.measure.lateral_color import TERMS, ChannelShift, lateral_color, shift_terms, unit_places
from workbench.measure.stars import find_stars
from workbench.operations._frames import need_color
from workbench.operations._lens.moving import Motion, motion_of, move
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.drawing import Contours, Overlay
from workbench.operations.facts import Array
from workbench.operations.trial import StackTrial, Suggestion

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["WORTH_ALIGNING", "AlignChannels", "AlignChannelsFacts", "worth_moving"]

Length = Annotated[float, Field(ge=0, le=1e4)]
Count = Annotated[int, Field(ge=0)]

#: Shift in a corner (px) from which colored rims of stars are seen.
WORTH_ALIGNING = 0.2
#: Smallest mean shift (px), and least multiple of its error, for which a channel is read anew.
_LEAST, _SURE = 0.05, 3.0
#: Rows and columns of the grid on which the shift is shown.
_SHOWN = (32, 48)
_NAMES = ("red", "green", "blue")


class AlignChannelsFacts(Facts):
    """How far each channel lies from green."""

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

    Model: shift = affine map + (k3 r^2 + k5 r^4) times the place against the lens's axis, which may lie off the middle;
    as many of these terms as the stars ask for by the Bayesian criterion (Schwarz 1978). Places are centroids under a
    Gaussian window, weighted by their error, and strays count nothing (biweight, Beaton & Tukey 1974). A channel is
    moved where its shift is above 0.05 px and three times its error in the mean over the frame. It is read once, by a
    sinc windowed by a sinc, three lobes (Duchon 1979); nothing becomes darker than the darkest of the 4 x 4 pixels
    around, so that no ring is dug. The brightness of surfaces stays as flats have measured it; the light of a star then
    changes as the area that it covers, by a thousandth where 2 px are taken in at 24 megapixels.

    On scenes with 0.3 to 2 px in the corners drawn by GalSim less than 0.1 px is left, but for extreme corners that
    hold no star.
    """

    purpose: ClassVar[Purpose] = "color"
    usual_place: ClassVar[int] = 17
    answers: ClassVar[str] = "Lateral color"
    measured_by: ClassVar[tuple[str, ...]] = ()
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
        none = np.zeros(TERMS)
        return AlignChannelsFacts(
            coefficients=np.stack([s.coefficients if s is not None and worth_moving(s) else none for s in found]),
            corner=[0.0 if s is None else s.corner for s in found],
            center=[0.0 if s is None else s.center for s in found],
            error=[0.0 if s is None else s.error for s in found],
            residual=[0.0 if s is None else s.residual for s in found],
            stars=[0 if s is None else s.stars for s in found],
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

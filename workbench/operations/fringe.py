"""Colored halos that fast lenses give to bright stars."""

from __future__ import annotations

from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.measure.noise import quick_noise
from workbench.measure.stars import find_stars
from workbench.measure.stars.color_halo import RINGS, SECTORS, ColorHalos, color_halos
from workbench.operations._frames import need_color
from workbench.operations._lens.halos import HaloPlan, plan_halos, take_halos
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.facts import Array
from workbench.operations.findings import percent
from workbench.operations.packed import Packed
from workbench.operations.trial import StackTrial, Suggestion

__all__ = ["RemoveFringe", "RemoveFringeFacts"]

#: Stars listed at most, the brightest, and the least that is changed of one, in units of the noise.
_MOST, _SEEN = 20_000, 0.1
_NAMES = ("red", "green", "blue")

Share = Annotated[float, Field(ge=0, le=1e3)]
Count = Annotated[int, Field(ge=0)]


class RemoveFringeFacts(Facts):
    """Halos that stars have in red and blue but not in green."""

    radius: Annotated[NDArray[np.float64], Array("<f8", RINGS, ge=0, le=1e4)] = Field(
        description="Distances from a star at which the halo is told", json_schema_extra={"unit": "px"}
    )
    profile: Annotated[NDArray[np.float64], Array("<f8", RINGS, "channels", ge=0, le=1)] = Field(
        description="Light of the halo there, for a star of light 1; all 0 where a channel stays as it is",
        json_schema_extra={"unit": "1/px^2"},
    )
    share: tuple[Share, ...] = Field(
        description="Share of a star's light that was found in its halo, by channel",
        json_schema_extra={"shape": ["channels"]},
    )
    error: tuple[Share, ...] = Field(
        description="Standard error of that share, by channel", json_schema_extra={"shape": ["channels"]}
    )
    scatter: tuple[Share, ...] = Field(
        description="By which share of it stars differ in their halos, by channel",
        json_schema_extra={"shape": ["channels"]},
    )
    stars: tuple[Count, ...] = Field(
        description="Stars that this rests on, by channel", json_schema_extra={"shape": ["channels"]}
    )
    fwhm: float = Field(ge=0, le=1e4, description="Width of a star's core", json_schema_extra={"unit": "px"})
    noise: Annotated[NDArray[np.float64], Array("<f8", "channels", ge=0, le=1e30)] = Field(
        description="Noise of a pixel by channel", json_schema_extra={"unit": "of white"}
    )
    x: Annotated[NDArray[np.float64], Array("<f8", "listed", ge=-1e7, le=1e7)] = Field(
        description="Columns of the stars whose halos are seen", json_schema_extra={"unit": "px"}
    )
    y: Annotated[NDArray[np.float64], Array("<f8", "listed", ge=-1e7, le=1e7)] = Field(
        description="Their rows", json_schema_extra={"unit": "px"}
    )
    cut_off: Packed = Field(
        description="Radius within which a star is cut off; 0: nowhere",
        json_schema_extra={"unit": "px", "shape": ["listed"]},
    )
    light: Packed = Field(
        description="Their light by channel",
        json_schema_extra={"unit": "of white x px", "shape": ["listed", "channels"]},
    )
    own: Packed = Field(
        description="The profiles of the first of them, by eighths of the circle from +x towards +y",
        json_schema_extra={"unit": "1/px^2", "shape": ["bright", RINGS, SECTORS, "channels"]},
    )


class RemoveFringe(Operation):
    """Take away the violet or red halos that a lens puts around bright stars.

    A fast lens brings green to a focus and spreads some of the violet, or of the deep red, around it: bright stars
    have a white core in a halo of color, which a stretch makes large. This step measures the halo where it is seen,
    around the bright stars of your own stack, takes it from every star in proportion to the star's light, and gives
    the light back to the core, so that a star's color over all stays what it was. Do it after `AlignChannels` and
    before color is judged. Nebulae stay: only what all stars have alike, bright and faint, is the lens's. Where few
    stars show a halo, or stars differ much in it, nothing is taken and the step says so.

    Model: a star of light F has light F p(r) in green and F (p(r) + h(r)) in red or blue. h is fitted to the median
    over the 400 brightest stars of what rings around them show: the fewest discs, blurred as stars are and none less
    than nothing (Lawson & Hanson 1974), that explain it to two standard errors. They fade without an edge beyond the
    rings that show them. Around each bright star its own rings, and each eighth of them, tell how much of h it has,
    held to the others by how far stars differ (James & Stein 1961); never more, for more is a nebula's, and no dark
    ring is dug. h goes on into the core as it begins; a Moffat profile (Moffat 1969) of the same light is given back.
    Of a saturated star all that is cut off stays as it is.

    On scenes drawn by GalSim with halos of 6 to 30 % of a star's light a tenth is left of smooth ones, a third of those
    with a bright rim, and nothing is done where it is not sure: about the faintest of these. Without halos nothing was
    changed in any of ten scenes, nebulae around stars among them.
    """

    purpose: ClassVar[Purpose] = "color"
    usual_place: ClassVar[int] = 18
    answers: ClassVar[str] = "Colored halos"
    facts_type: ClassVar[type[Facts]] = RemoveFringeFacts

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        share = trial.found.color_halo
        if not share:
            return None
        note = (
            f"Halos around stars hold {percent(share, 2)} of their red or blue light, which green has in the core: "
            "taken away before color."
        )
        return Suggestion(cls(), note, changes_trial=False)

    def measure(self, frame: Frame) -> RemoveFringeFacts:
        need_color(frame, "remove_fringe")
        stars = find_stars(frame.planes, frame.coverage)
        noise = np.array(quick_noise(frame.planes, frame.coverage))
        found = color_halos(frame.planes, stars, noise, frame.coverage)
        profile = np.where(found.sure, found.profile, 0.0)
        seen = (found.light * profile.max(axis=0) > _SEEN * noise).any(axis=1)
        listed = np.flatnonzero(seen)[:_MOST]
        own = listed[listed < len(found.own)]
        return RemoveFringeFacts(
            radius=found.radius,
            profile=profile,
            share=found.share,
            error=found.error,
            scatter=found.scatter,
            stars=found.stars,
            fwhm=found.fwhm,
            noise=noise,
            x=stars.x[listed],
            y=stars.y[listed],
            cut_off=Packed.of(found.cut_off[listed]),
            light=Packed.of(found.light[listed]),
            own=Packed.of(np.where(found.sure, found.own[own], 0.0)),
            doubts=_doubts(found),
        )

    def prepare(self, facts: RemoveFringeFacts, geometry: Geometry) -> HaloPlan:
        return plan_halos(
            facts.x, facts.y, facts.cut_off.values, facts.light.values, facts.radius, facts.profile,
            facts.own.values, facts.fwhm, facts.noise, geometry.scale,
        )  # fmt: skip

    def apply(self, tile: Tile, plan: HaloPlan, out: Planes) -> None:
        take_halos(tile.inner, tile.core.y0, tile.core.x0, plan, out)

    def explain(self, facts: RemoveFringeFacts) -> str:
        taken = np.flatnonzero(facts.profile.any(axis=0))
        if not taken.size:
            asked = f"that {max(facts.stars)} stars are sure of" if any(facts.stars) else "that stars show"
            return f"No colored halo {asked}: nothing changed."
        words = " and ".join(
            f"{percent(facts.share[c], 2)} (±{100 * facts.error[c]:.1f}) of a star's {_NAMES[c]}" for c in taken
        )
        return f"Halos hold {words} light: taken from {facts.x.size} stars and given back to their cores."


def _doubts(found: ColorHalos) -> tuple[str, ...]:
    unsure = (found.share > 0) & ~found.sure & (found.share >= 0.01)
    return tuple(
        f"What stars have around them in {_NAMES[c]} is not alike or not sure "
        f"({percent(found.share[c], 2)} ±{100 * found.error[c]:.1f} of their light, differing by "
        f"{percent(found.scatter[c], 2)}): left as it is."
        for c in np.flatnonzero(unsure)
    )

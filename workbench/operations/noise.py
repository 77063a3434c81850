"""Noise reduction."""

from __future__ import annotations

from typing import Any, ClassVar, Literal

import numpy as np
from pydantic import Field

from workbench.operations._denoise.facts import DenoiseFacts
from workbench.operations._denoise.noise_model import measure_noise
from workbench.operations._denoise.plan import DenoisePlan, make_plan, reach, scales_at
from workbench.operations._denoise.tile import denoise
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.findings import percent
from workbench.operations.trial import StackTrial, Suggestion

__all__ = ["Denoise"]


class Denoise(Operation):
    """Take noise away where there is nothing but noise, and leave stars and structure alone.

    A stack keeps grain: photons arrive at random, and the stretch that makes faint light visible makes the grain
    visible too. This step splits the picture into layers from fine to coarse, asks everywhere in each layer whether
    what stands there is stronger than noise alone would be, and fades what is not. Color grain, which the eye
    likes least and which carries the least detail, is faded harder than grain in brightness. Do it while the data
    are linear, after the gradient and the colors are right and before the stretch: there the noise is what it was
    in the camera and can be measured; a stretch bends it differently in every tone.

    Layers: starlet, w_j = c_(j-1) - c_j with c_j = c_(j-1) smoothed by the B3 spline with taps 2^(j-1) apart
    (Starck & Murtagh, Astronomical Image and Data Analysis), of z = 2 t / (1 + sqrt(1 + g t)), t = (x - sky) / sigma,
    a square-root stabiliser (Anscombe 1948) for a variance that grows as 1 + g t with light. Noise per layer is
    measured, for demosaicing and alignment make it coarser than white noise. Taken for noise is the share
    q = min(1, L / P)^2 of a layer, P the local power over 5 x 5 taps in units of noise, L the level in the settings (a
    local Wiener gain after Lee 1980, made steeper), and never more than nine tenths of the two finest, so that the
    grain that stays looks like grain; for color q = min(1, L / P + M / P')^2, P' the power of brightness at the same
    place and M a second level, for edges of color lie where edges of light lie. What leaves is q (w_j - e (1 - q')
    w_(j+1)): of smooth structure a layer shows up to a quarter of what the next coarser one shows, so a small share e
    of the brightness kept there, (1 - q') w_(j+1), is left in place.

    Stars come first: a layer shows a star with a dark ring around it, and rings that are kept in one layer and not in
    the next leave dark pits and grain. So what stands out upwards of the two finest layers of brightness (4.5 and 4.2
    times their noise, and what joins it) is leveled before the rest is looked at, and put back as it was. Where stars
    were leveled, what is taken for noise has a mean only as far as it is light of theirs, and that is given back. A
    single pixel that none of its neighbors bears out is no star, for optics spread light over more than one: it is
    brought back to them. No limit is hard, so that a pixel's last bit decides nothing. What remains worse than
    elsewhere: between stars that stand a few pixels apart grain is up to half as strong again as in open sky, more so
    in the coarse noise of demosaicing; and of stars of 4 to 6 times the noise some are not told from it, where they
    are sharp or noise is coarse one in five to one in three: those fade.
    """

    purpose: ClassVar[Purpose] = "noise"
    usual_place: ClassVar[int] = 65
    same_anywhere: ClassVar[bool] = True
    answers: ClassVar[str] = "Noise"
    sampled: ClassVar[Literal["", "windows", "levels"]] = "windows"
    measured_by: ClassVar[tuple[str, ...]] = ()
    facts_type: ClassVar[type[Facts]] = DenoiseFacts

    amount: float = Field(
        1.0,
        ge=0,
        le=1,
        description="How much of the noise found is taken away; below 1 some grain stays, evenly everywhere.",
        json_schema_extra={"unit": "share"},
    )
    strength: float = Field(
        1.0,
        ge=0.2,
        le=4,
        description="How far above noise something must stand to be kept; higher smooths more and costs faint detail.",
        json_schema_extra={"unit": "times"},
    )
    color: float = Field(
        1.0,
        ge=0.2,
        le=4,
        description="The same for color alone, on top of strength: higher takes color blotches harder.",
        json_schema_extra={"unit": "times"},
    )
    detail: float = Field(
        0.5,
        ge=0,
        le=1,
        description="How much fine detail and small stars are spared: higher keeps more, of the finest grain too.",
        json_schema_extra={"unit": "share", "expert": True},
    )
    scales: int = Field(
        5,
        ge=2,
        le=7,
        description="Layers that are cleaned: each is twice as coarse as the one before; 5 reach blotches of 32 px.",
        json_schema_extra={"unit": "layers", "expert": True},
    )

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        if not max(trial.found.noise) > 0:
            return None
        share = trial.noise_share
        amount = round(float(np.clip(0.8 + 20 * share, 0.8, 1.0)), 2)
        left = "all of it that is found is taken away" if amount == 1 else "a little is left, which looks natural"
        note = f"The noise of a pixel is {percent(share, 2)} of the sky level; {left}."
        return Suggestion(cls(amount=amount), note, changes_trial=False)

    def measure(self, frame: Frame) -> DenoiseFacts:
        return measure_noise(frame.planes, frame.covered)

    def reach(self, facts: DenoiseFacts, geometry: Geometry) -> int:
        return reach(scales_at(self.scales, geometry.scale))

    def prepare(self, facts: DenoiseFacts, geometry: Geometry) -> DenoisePlan | None:
        return make_plan(
            facts,
            scales=self.scales,
            scale=geometry.scale,
            strength=self.strength,
            color=self.color,
            detail=self.detail,
            amount=self.amount,
        )

    def apply(self, tile: Tile, plan: Any, out: Planes) -> None:
        if plan is None:
            out[...] = tile.inner
        else:
            denoise(tile, plan, out)

    def explain(self, facts: DenoiseFacts) -> str:
        sigma = facts.sigma
        if not all(s > 0 for s in sigma):
            return "No noise to take away."
        levels = ", ".join(f"{1e6 * s:.0f}" for s in sigma)
        return (
            f"Noise of a sky pixel is {levels} millionths of white; "
            f"{100 * self.amount:.0f} % of what was found is taken away."
        )

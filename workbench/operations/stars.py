"""Steps for stars: make them smaller and fainter."""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.measure.blocks import together
from workbench.measure.noise import noises, quick_noise
from workbench.measure.stars import find_stars
from workbench.measure.stars.psf import field_psf
from workbench.operations._stars.build import build_model
from workbench.operations._stars.facts import MOST_STARS, ReduceStarsFacts, StarFacts
from workbench.operations._stars.points import are_points
from workbench.operations._stars.remove import StarPlan, plan_stars, take_light
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.findings import percent
from workbench.operations.trial import StackTrial, Suggestion

__all__ = ["MOST_STARS", "TRUST", "ReduceStars", "ReduceStarsFacts"]

#: Height of a star, in units of the noise, at which its own pixels and its model count alike. Measured on simulated
#: stacks at 1, 3, 6: grain left under removed wings 0.81, 0.92, 0.97 of the sky's; error left in the cores of removed
#: stars 0.49, 0.52, 0.57 of the noise.
TRUST = 6.0
#: Share of the frame covered by stars from which they compete with the object.
_CROWDED = 0.01
#: The brightest pixels are those of one star in so many.
_BRIGHTEST = 20
#: A frame with a shorter side cannot show a star and the sky around it.
_SMALLEST_FRAME = 24


class ReduceStars(Operation):
    """Make stars smaller and fainter.

    A stretch that lifts a faint nebula also swells every star, until thousands of white discs hide the picture's
    subject. This step takes the swelling back before it happens: on the linear stack, each star keeps its place, its
    color and its shape, but becomes narrower and dimmer, and the sky or nebula under its wings comes forward. Do it
    after the sky is flat and the color is right, and before `Denoise`: the noise tells how far a star reaches and
    which pixels to believe; once most of it is taken away, footprints grow far into the smoothed sky and what grain
    is left there counts as light of stars. Both come before the stretch. Go easy: stars that vanish look less
    natural than stars that are small.

    Every star is modelled as height times a radial profile of the field, u(rho), cut off where it saturated, over a
    ground continued from a ring around it. At distance rho its light s becomes
    s times brightness times u(rho / size) / u(rho): every brightness contour moves inwards by the same factor, and
    since u never rises the ratio is at most 1, so the model itself leaves no dark ring. u is a Moffat function
    (Moffat 1969, A&A 3, 455) with wings as the bright stars of the frame show them; how much of these a star has is
    measured in the ring around it, together with the ground, and stays 1 where the ring cannot tell. Where a star
    stands clear of the noise, s is the pixel above the ground; where it drowns, s is the model, so the grain of the sky
    stays. Light beside a star that the star's model does not explain belongs to something else, and stays. Outside the
    footprints nothing changes at all.

    What is wider than the field's stars or has more light around it, such as knots of nebulae, small galaxies and the
    burnt-out cores of large ones, is left as it is; so is now and then a pair of stars too close to be told apart, and
    a burnt-out star that is not cut off as its height says. A star right on a knot may still leave a shallow dip there,
    and a knot or galaxy as compact as the field's stars passes for one.
    """

    purpose: ClassVar[Purpose] = "stars"
    usual_place: ClassVar[int] = 60
    measured_by: ClassVar[tuple[str, ...]] = ()
    facts_type: ClassVar[type[Facts]] = ReduceStarsFacts

    size: float = Field(
        0.7, ge=0.3, le=1.0, description="Width of a star afterwards, as a share of its width now",
        json_schema_extra={"unit": "x"},
    )  # fmt: skip
    brightness: float = Field(
        0.8, ge=0.0, le=1.0, description="Brightness of a star's centre afterwards, as a share of what it is now",
        json_schema_extra={"unit": "x"},
    )  # fmt: skip
    favor: float = Field(
        0.0, ge=-1.0, le=1.0,
        description="Which stars are reduced most: -1 the faint ones, 0 all alike, 1 the bright ones",
    )  # fmt: skip
    keep_brightest: int = Field(
        0, ge=0, le=1000, description="Leave this many of the brightest stars as they are",
        json_schema_extra={"unit": "stars"},
    )  # fmt: skip
    least_snr: float = Field(
        5.0, ge=0.0, le=1000.0, description="Leave stars fainter than this signal-to-noise ratio as they are",
        json_schema_extra={"unit": "sigma", "expert": True},
    )  # fmt: skip

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        stars = trial.found.stars
        if not trial.light.there or stars.cover < _CROWDED or stars.fwhm_px is None:
            return None
        size = round(float(np.clip(0.95 - 6 * stars.cover, 0.75, 0.9)), 2)
        note = (
            f"{stars.count:,} stars, the brighter ones covering {percent(stars.cover, 2)} of the frame, compete "
            f"with extended light in {percent(trial.light.share, 2)} of it: made a little smaller, not taken away."
        )
        return Suggestion(cls(size=size, brightness=0.9), note, changes_trial=False)

    def measure(self, frame: Frame) -> ReduceStarsFacts:
        channels, height, width = frame.planes.shape
        mean = 0.0
        found = 0
        model: StarFacts | None = None
        snr = np.zeros(0)
        if min(height, width) >= _SMALLEST_FRAME and (frame.coverage is None or frame.coverage.any()):
            sigma, stars = together(
                lambda: _noise(frame.planes, frame.coverage), lambda: find_stars(frame.planes, frame.coverage)
            )
            mean = float(np.sqrt(np.sum(sigma**2))) / channels
            found = len(stars)
            stars = stars.select(np.arange(min(found, MOST_STARS)))
            if found:
                coverage = np.empty((0, 0), np.uint8) if frame.coverage is None else frame.coverage
                psf = field_psf(frame.planes, stars)
                fitted = build_model(frame.planes, coverage, stars, psf, sigma)
                points = are_points(frame.planes, stars, fitted, mean)
                found -= int(np.count_nonzero(~points))
                misled = bool((stars.saturated & ~points).any())  # the brightest tell the wings of all
                stars, fitted = stars.select(points), fitted.select(points)
                if misled and len(stars):
                    fitted = build_model(frame.planes, coverage, stars, psf, sigma, fitted)
                if len(stars):
                    # More light around a star than the field's stars have belongs to something else, and stays.
                    fitted = fitted.replaced(wings=np.minimum(fitted.wings, 1.0))
                    model, snr = StarFacts.of(fitted), stars.snr
        return ReduceStarsFacts(found=found, sigma=mean, snr=snr, stars=model)

    def prepare(self, facts: ReduceStarsFacts, geometry: Geometry) -> StarPlan | None:
        if facts.stars is None:
            return None
        model = facts.stars.model()
        shrink, dim = self._change(self.strength(facts.snr))
        return plan_stars(model, shrink, dim, facts.sigma, geometry.height, geometry.width, geometry.scale)

    def strength(self, snr: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share of the wanted change for each star, brightest first.

        Parameters
        ----------
        snr : ndarray, shape (N,), float64
            Signal over noise.

        Returns
        -------
        ndarray, shape (N,), float64
            0..1.
        """
        n = snr.size
        rank = np.arange(n) / max(n - 1, 1)  # 0 for the brightest
        strength = 1 - abs(self.favor) * (rank if self.favor > 0 else 1 - rank)
        strength[: self.keep_brightest] = 0.0
        # No hard limit, or a last bit would decide on a star.
        return strength * np.clip(snr - self.least_snr + 0.5, 0.0, 1.0)

    def _change(self, strength: Any) -> tuple[Any, Any]:
        """Width and brightness afterwards, as shares, by the share of the wanted change."""
        return 1 - strength * (1 - self.size), 1 - strength * (1 - self.brightness)

    def brightest(self, facts: ReduceStarsFacts, light: NDArray[np.float32]) -> NDArray[np.float32]:
        # All contours move inwards alike, so as many pixels as are brighter than x now will be than dim x, times the
        # square of what the width becomes: whatever the shape of the stars.
        if not facts.snr.size or not light.size:
            return light
        shrink, dim = self._change(self.strength(facts.snr)[: max(1, facts.snr.size // _BRIGHTEST)].mean())
        brighter = np.arange(light.size, 0, -1)
        return np.asarray(dim * np.interp(-brighter / shrink**2, -brighter, light), np.float32)

    def apply(self, tile: Tile, plan: StarPlan | None, out: Planes) -> None:
        if plan is None:
            out[...] = tile.inner
        else:
            take_light(tile.inner, tile.core.y0, tile.core.x0, plan, TRUST, out)

    def explain(self, facts: ReduceStarsFacts) -> str:
        if facts.stars is None:
            return "No stars found: nothing changed."
        n = int(np.count_nonzero(self.strength(facts.snr)))
        what = f"{n} of {facts.found} stars made {self.size:g} times as wide, {self.brightness:g} times as bright"
        return f"{what}." if self.favor == 0 else f"{what} at most."


def _noise(planes: Planes, coverage: NDArray[np.uint8] | None) -> NDArray[np.float64]:
    """Noise by channel; by neighboring pixels where the frame is too small or too crowded for better.

    Never zero, also in a frame made without noise: a quarter of a step of a 16-bit file at least.
    """
    measured = np.array([found.sigma for found in noises(planes, coverage)])
    unknown = measured <= 0
    if unknown.any():
        measured[unknown] = quick_noise(planes[unknown], coverage, apart=1)
    return np.asarray(np.maximum(measured, 0.25 / 65535))

"""Steps that lay a frame apart into starless light and stars, and join the two again."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.errors import WorkbenchError
from workbench.learned import starless
from workbench.measure.background.sky import common_level
from workbench.measure.noise import noises
from workbench.operations._frames import need_pixels
from workbench.operations._stars.broad import LARGEST_RADIUS, BroadSources, find_broad
from workbench.operations._stars.facts import StarFacts
from workbench.operations._stars.grain import grain_width
from workbench.operations._stars.rebuilt import Units, without_stars
from workbench.operations._stars.remove import StarPlan, plan_stars, take_light
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.facts import LARGEST, Array, FactsPart, Real
from workbench.operations.stars import TRUST, ReduceStars

__all__ = ["JoinStars", "SplitStars", "SplitStarsFacts"]

Spread = Annotated[float, Field(gt=0, le=LARGEST)]
Position = Annotated[NDArray[np.float64], Array("<f8", "sources", ge=-1e7, le=1e7)]
Method = Literal["learned", "classical"]

#: Noise that is believed at least: a quarter of a step of a 16-bit file.
_LEAST_NOISE = 0.25 / 65535
#: What the learned method is not sure about where nothing is known of how wide stars are.
_NO_WIDTH = (
    "How wide stars are cannot be told here, as too few stand clear or they are far out of focus: small galaxies and "
    "knots may have been taken for stars."
)
#: What no correlation of noise exceeds, also where interpolation has smoothed it.
_MOST_CORRELATED = 6.0


class BroadFacts(FactsPart):
    """Small galaxies and knots, broader than the field's stars."""

    x: Position = Field(description="Column of the center", json_schema_extra={"unit": "px"})
    y: Position = Field(description="Row of the center", json_schema_extra={"unit": "px"})
    radius: Annotated[NDArray[np.float64], Array("<f8", "sources", ge=0, le=LARGEST_RADIUS)] = Field(
        description="How far their light reaches", json_schema_extra={"unit": "px"}
    )
    ground: Annotated[NDArray[np.float64], Array("<f8", "sources", "channels")] = Field(
        description="Light around them", json_schema_extra={"unit": "of white"}
    )


class SplitStarsFacts(Facts):
    """How the stars are taken off, and the sky and noise they stand in."""

    version: ClassVar[int] = 3

    method: Method = Field(description="The method used, where the setting leaves it open")
    network: str = Field(
        pattern=r"^([0-9a-f]{64})?$", description="SHA-256 of the network's weights; empty for the classical method"
    )
    sky: tuple[Real, ...] = Field(
        min_length=1, description="Sky level by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    noise: tuple[Spread, ...] = Field(
        description="Noise of a pixel by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    correlation: tuple[Annotated[float, Field(ge=0, le=1000)], ...] = Field(
        description="Noise of a pixel over what neighboring pixels would say of white noise, by channel",
        json_schema_extra={"unit": "x", "shape": ["channels"]},
    )
    found: int | None = Field(
        ge=0,
        description="Stars found for the classical method, or peaks that may be stars; none where nobody counted",
        json_schema_extra={"unit": "stars"},
    )
    stars: StarFacts | None = Field(description="The stars taken off by the classical method; none for the learned one")
    broad: BroadFacts | None = Field(
        description="What is broader than stars and stays; none where nobody looked, or how wide stars are "
        "could not be told"
    )


class SplitPlan(NamedTuple):
    """Facts ready for tiles: units for the network, or stars for the classical method."""

    units: Units | None
    stars: StarPlan | None


class SplitStars(Operation):
    """Take the stars off into a layer of their own.

    Faint nebulae need a strong stretch, and stars do not bear one. With the stars on a layer of their own the two can
    be worked apart: the steps that follow work on the starless layer (or on the stars, where a step says so) until
    ``JoinStars`` makes one frame again. Do it on the linear stack, once the sky is flat and the colors are right.
    Stretch, crop and turn always work on both layers. What is taken off is kept to the last bit: starless layer and
    stars add up to the frame as it was, and joined at strength 1 they are that frame.

    The learned method is a network of 0.95 million weights, trained by code in this project on simulated scenes alone:
    stars of many shapes, saturated ones, spikes and halos over drawn nebulae, dust and galaxies, in made noise
    (residual learning after Zhang et al. 2017, IEEE TIP 26, 3142; layout after Ronneberger et al. 2015, MICCAI 9351).
    It sees 96 pixels around a tile, knows no picture of the sky and invents none: what lies under a star is continued
    from around it, and what is left of the noise there is made as strong as the sky's, or noise added where none is
    left. The light of what is broader than the frame's own stars, such as small galaxies, is given back. It is least
    sure where bright stars stand on bright structure finer than they are: cores of galaxies, knots in their arms,
    hearts of globular clusters; with galaxies hardly wider than stars, and small ones whose core is burnt out, which
    can be taken whole; with stars that the frame's side cuts; and with stars unlike a camera's, such as those of
    scanned plates or far out of focus. In coarse grain it can take some of the highest grains for faint stars and
    lower them by half the noise. Look at both layers there.
    The classical method models each star that is found, as `ReduceStars` does, and takes all its light out; it leaves
    stars it does not find, and dips where a bright nebula has structure under a star.
    """

    purpose: ClassVar[Purpose] = "stars"
    usual_place: ClassVar[int] = 55
    layers: ClassVar[Literal["", "split", "join"]] = "split"
    facts_type: ClassVar[type[Facts]] = SplitStarsFacts
    measured_by: ClassVar[tuple[str, ...]] = ("method",)

    method: Literal["auto", "learned", "classical"] = Field(
        "auto",
        description="How stars are told from the rest: by the network, by a model of each star that is found, or by "
        "the network where the package that runs it is installed",
    )
    grain: float = Field(
        1.0,
        ge=0,
        le=1,
        description="How much of the noise that was lost under stars is given back to the starless layer",
        json_schema_extra={"unit": "share", "expert": True},
    )

    def measure(self, frame: Frame) -> SplitStarsFacts:
        need_pixels(frame, "split_stars")
        method = self._method()
        found = frame.once("noise by channel", lambda: noises(frame.planes, frame.coverage))
        levels = [common_level(plane, frame.coverage) for plane in frame.planes]
        stars, broad = None, None
        if method == "classical":
            stars = ReduceStars().measure(frame)
            count = stars.found
        else:
            count, broad = frame.once("broad sources", lambda: find_broad(frame.planes, frame.coverage))
        return SplitStarsFacts(
            method=method,
            network=starless.checksum() if method == "learned" else "",
            sky=[float(f"{level:.7g}") for level in levels],
            noise=[float(f"{max(noise.sigma, _LEAST_NOISE):.6g}") for noise in found],
            correlation=[round(min(noise.correlation, _MOST_CORRELATED), 3) for noise in found],
            found=count,
            stars=None if stars is None else stars.stars,
            broad=None if broad is None else BroadFacts(**broad._asdict()),
            doubts=(_NO_WIDTH,) if method == "learned" and count and broad is None else (),
        )

    def _method(self) -> Method:
        if self.method == "learned" and not starless.installed():
            raise WorkbenchError(starless.MISSING)
        if self.method == "classical" or not starless.installed():
            return "classical"
        return "learned"

    def reach(self, facts: SplitStarsFacts, geometry: Geometry) -> int:
        return starless.MARGIN if facts.method == "learned" else 0

    def prepare(self, facts: SplitStarsFacts, geometry: Geometry) -> SplitPlan:
        if facts.method == "classical":
            if facts.stars is None:
                return SplitPlan(None, None)
            model, n = facts.stars.model(), facts.stars.x.size
            mean = float(np.sqrt(np.sum(np.square(facts.noise)))) / len(facts.noise)
            none, all_of_it = np.ones(n), np.zeros(n)
            size = (geometry.height, geometry.width, geometry.scale)
            return SplitPlan(None, plan_stars(model, none, all_of_it, mean, *size))
        if not starless.installed():
            raise WorkbenchError(starless.MISSING)
        if facts.network != starless.checksum():
            raise WorkbenchError(
                f"the record was made with another network ({facts.network[:12]} in place of "
                f"{starless.checksum()[:12]}): measure again, or install the version that the record names"
            )
        # Averaging takes noise away, the less so the more neighbors share it.
        left = [min(1.0, max(c, 1.0) / geometry.scale) for c in facts.correlation]
        noise = np.array(facts.noise) * left
        blur = [grain_width(c) if geometry.scale < 1.5 else 0.0 for c in facts.correlation]
        sky = np.array(facts.sky, np.float32)
        coarse = float(np.mean(facts.correlation)) if geometry.scale < 1.5 else 1.0
        broad = None
        if facts.broad is not None and facts.broad.x.size:
            x, y = ((axis + 0.5) / geometry.scale - 0.5 for axis in (facts.broad.x, facts.broad.y))
            broad = BroadSources(x, y, facts.broad.radius / geometry.scale, facts.broad.ground)
        return SplitPlan(Units(sky, np.asarray(noise, np.float32), tuple(blur), self.grain, coarse, broad), None)

    def apply(self, tile: Tile, plan: SplitPlan, out: Planes) -> None:
        if plan.units is not None:
            without_stars(tile, plan.units, out)
        elif plan.stars is not None:
            take_light(tile.inner, tile.core.y0, tile.core.x0, plan.stars, TRUST, out)
        else:
            out[...] = tile.inner

    def explain(self, facts: SplitStarsFacts) -> str:
        if facts.method == "learned":
            if facts.found == 0:
                return "No star stands out from the noise: the layer of stars is as good as empty."
            broad = 0 if facts.broad is None else facts.broad.x.size
            left = f" {broad} sources broader than the stars, such as small galaxies, are left." if broad else ""
            by = f"the learned method (network {facts.network[:12]}), trained on simulated scenes"
            return f"Stars taken off by {by}.{left}"
        if facts.stars is None:
            return "No stars found: the layer of stars is empty."
        taken = facts.stars.x.size
        return f"{taken} of {facts.found} stars found taken off by the classical method, a model of each star."


class JoinStars(Operation):
    """Join the starless layer and the stars to one frame again.

    After ``SplitStars`` and work on the layers apart, this step puts the stars back: all of them as they were, or
    fainter, narrower and more or less colorful, so that they frame a nebula in place of drowning it. With the
    settings as they are given, the frame is the sum of its layers. Small changes look most natural.

    result = starless + strength (m + color (s - m)), with s the layer of stars after every contour of its brightness
    has moved inwards by ``shrink`` pixels (gray erosion by a disc, Serra 1982, Image Analysis and Mathematical
    Morphology; only where there is light of stars, and never below none, so that no dark ring forms), and m the mean
    of its channels.
    """

    purpose: ClassVar[Purpose] = "stars"
    usual_place: ClassVar[int] = 75
    layers: ClassVar[Literal["", "split", "join"]] = "join"

    strength: float = Field(
        1.0, ge=0, le=2, description="How much of the stars' light is put back; 1 is all of it",
        json_schema_extra={"unit": "x"},
    )  # fmt: skip
    shrink: float = Field(
        0.0, ge=0, le=5, description="How far the edge of every star moves inwards; its center becomes fainter by it",
        json_schema_extra={"unit": "px"},
    )  # fmt: skip
    color: float = Field(
        1.0, ge=0, le=3, description="Saturation of the stars: 0 makes them gray, 1 leaves their color as it is",
        json_schema_extra={"unit": "x"},
    )  # fmt: skip

    def reach(self, facts: Facts, geometry: Geometry) -> int:
        return int(np.ceil(self.shrink / geometry.scale))

    def prepare(self, facts: Facts, geometry: Geometry) -> float:
        return self.shrink / geometry.scale

    def apply(self, tile: Tile, plan: Any, out: Planes) -> None:
        channels, shrink = len(out), float(plan)
        inner = tile.inner
        stars = inner[channels:]
        if shrink > 0:
            stars = np.stack([_narrowed(plane, shrink, tile.reach) for plane in tile.pixels[channels:]])
        if self.color != 1 and channels > 1:
            mean = stars.mean(axis=0, dtype=np.float32)
            stars = mean + np.float32(self.color) * (stars - mean)
        if self.strength != 1:
            stars = stars * np.float32(self.strength)
        np.add(inner[:channels], stars, out=out)

    def explain(self, facts: Facts) -> str:
        if (self.strength, self.shrink, self.color) == (1, 0, 1):
            return "Stars put back as they were."
        narrower = f", {self.shrink:g} px narrower on each side" if self.shrink else ""
        colorful = f", {self.color:g} times as colorful" if self.color != 1 else ""
        return f"Stars put back at {self.strength:g} times their light{narrower}{colorful}."


def _narrowed(plane: NDArray[np.float32], shrink: float, reach: int) -> NDArray[np.float32]:
    """A plane of stars, with ``reach`` pixels around it, after its contours moved inwards; without the margin."""
    below = int(np.floor(shrink))
    near, far = _eroded(plane, below), _eroded(plane, reach)
    share = np.float32(shrink - below)
    moved = near + share * (far - near)
    inner, moved = (p[reach:-reach, reach:-reach] for p in (plane, moved))
    return np.asarray(np.minimum(inner, np.maximum(moved, np.float32(0))), np.float32)


def _eroded(plane: NDArray[np.float32], radius: int) -> NDArray[np.float32]:
    if radius == 0:
        return plane
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    disc = (x * x + y * y <= (radius + 0.25) ** 2).astype(np.uint8)
    return np.asarray(cv2.erode(np.ascontiguousarray(plane), disc, borderType=cv2.BORDER_REPLICATE), np.float32)

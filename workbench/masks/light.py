"""Masks by measured light: brightness, color, stars, extended light. What they measure are facts of the step."""

from __future__ import annotations

from typing import Annotated, Any, Literal, NamedTuple, Self

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from workbench.errors import WorkbenchError
from workbench.masks.base import Mask, MaskFound, Plane, Site, ramp
from workbench.measure.background.mesh import background_mesh
from workbench.measure.blocks import checked_coverage, in_order, strips
from workbench.measure.noise import noises
from workbench.measure.stars import find_stars
from workbench.measure.stars.moffat import moffat_gamma
from workbench.measure.statistics import closest, mad_sigma
from workbench.operations._frames import joint_sky, need_color, need_pixels
from workbench.operations._lines import line_weights
from workbench.operations.base import Frame, Tile
from workbench.operations.colorspace import luminance_weights
from workbench.operations.mask_facts import (
    BrightnessMaskFacts,
    ColorMaskFacts,
    MaskFacts,
    ObjectMaskFacts,
    StarMaskFacts,
)

__all__ = ["BrightnessMask", "ColorMask", "ObjectMask", "StarMask"]

Smooth = Annotated[float, Field(ge=0, le=50, json_schema_extra={"unit": "px"})]
Sigmas = Annotated[float, Field(ge=0, le=1e4, json_schema_extra={"unit": "sigma"})]

#: A Gaussian is followed to so many of its widths, and not at all where it is narrower than this (px).
_REACH, _NARROW = 3.0, 0.3
#: Red, green and blue in two differences that hold the hue as an angle: red 0, green 120, blue 240 degrees.
_DIFFERENCES = np.array([[1.0, -0.5, -0.5], [0.0, np.sqrt(0.75), -np.sqrt(0.75)]])
#: Index of a star's Moffat profile, between those of steady and of moving air (Moffat 1969, A&A 3, 455).
_INDEX = 3.0
#: Cells along the longer side of the frame at most, and their smallest side (px).
_CELLS, _SMALLEST = 192, 8
#: Share of the cells that must be left between the stars, and how much farther than a pixel a cell sees a star's light.
_FEWEST, _WIDER = 0.3, 1.5
#: Width of the Gaussian that smooths them, in cells.
_FRAY = 1.2


class _Smoothed(NamedTuple):
    """What `weigh` needs of smoothed light: facts, width of the Gaussian and its reach, in pixels."""

    facts: Any
    sigma: float
    reach: int


def _gaussian(smooth: float, site: Site) -> tuple[float, int]:
    """Width of the Gaussian and its reach, in pixels of the frame."""
    sigma = smooth / site.geometry.scale
    return sigma, int(np.ceil(_REACH * sigma)) if sigma >= _NARROW else 0


def _light(tile: Tile, weights: NDArray[np.floating[Any]], plan: _Smoothed) -> Plane:
    """A weighted sum of the tile's channels (h, w), smoothed."""
    margin = tile.reach - plan.reach
    pixels = tile.pixels if margin == 0 else tile.pixels[:, margin:-margin, margin:-margin]
    light = np.zeros(pixels.shape[1:], np.float32)
    for plane, weight in zip(pixels, weights, strict=True):
        light += np.float32(weight) * plane
    r = plan.reach
    if r == 0:
        return light
    size = 2 * r + 1
    blurred = cv2.GaussianBlur(light, (size, size), plan.sigma, borderType=cv2.BORDER_REFLECT_101)
    return np.ascontiguousarray(blurred[r:-r, r:-r])


class BrightnessMask(Mask):
    """Where the light lies in a range, counted from the sky in units of its noise."""

    kind: Literal["brightness"] = "brightness"
    low: float | None = Field(
        5.0, ge=-100, le=1e5, description="from here on; none: no lower end", json_schema_extra={"unit": "sigma"}
    )
    high: float | None = Field(
        None, ge=-100, le=1e5, description="up to here; none: no upper end", json_schema_extra={"unit": "sigma"}
    )
    edge: Sigmas = Field(4.0, description="width over which each end is soft")
    smooth: Smooth = Field(1.5, description="how far pixels are averaged, so that noise does not tear the mask")

    @model_validator(mode="after")
    def _has_an_end(self) -> Self:
        if self.low is None and self.high is None:
            raise ValueError("a range of brightness needs a low or a high end")
        if self.low is not None and self.high is not None and self.high <= self.low:
            raise ValueError("the high end must lie above the low one")
        return self

    def measure(self, frame: Frame) -> BrightnessMaskFacts:
        need_pixels(frame, "a mask by brightness")
        sky = joint_sky(frame)
        return BrightnessMaskFacts(sky=sky.luminance, noise=sky.luminance_noise)

    def reach(self, site: Site) -> int:
        return _gaussian(self.smooth, site)[1]

    def prepare(self, facts: MaskFound, site: Site) -> _Smoothed:
        return _Smoothed(facts[self.kind], *_gaussian(self.smooth, site))

    def weigh(self, tile: Tile, plan: _Smoothed) -> Plane:
        facts = plan.facts
        light = _light(tile, luminance_weights(len(tile.pixels)), plan)
        light -= np.float32(facts.sky)
        light /= np.float32(max(facts.noise, 1e-12))
        weights = np.ones_like(light) if self.low is None else ramp(light, self.low, self.edge)
        if self.high is not None:
            weights *= 1 - ramp(light, self.high, self.edge)
        return weights

    def words(self) -> str:
        ends = [f"{end:g}" for end in (self.low, self.high) if end is not None]
        span = " to ".join(ends) if len(ends) == 2 else f"{'over' if self.high is None else 'under'} {ends[0]}"
        return f"{'not ' * self.outside}where the light is {span} noise units above the sky"

    def explain(self, facts: MaskFacts) -> str:
        assert isinstance(facts, BrightnessMaskFacts)
        return f"sky at {facts.sky:.4g}, noise {facts.noise:.3g}"


class ColorMask(Mask):
    """Where the light has a hue: red 0, yellow 60, green 120, blue 240 degrees; the sky's own color is left out."""

    kind: Literal["color"] = "color"
    hue: float = Field(0.0, ge=0, le=360, description="middle of the range", json_schema_extra={"unit": "deg"})
    width: float = Field(60.0, gt=0, le=360, description="how much of the circle", json_schema_extra={"unit": "deg"})
    edge: float = Field(
        20.0, ge=0, le=180, description="width over which both ends are soft", json_schema_extra={"unit": "deg"}
    )
    least: Sigmas = Field(4.0, description="how far a color must stand out of its noise to count; half counts there")
    smooth: Smooth = Field(2.0, description="how far pixels are averaged, so that noise does not tear the mask")

    def measure(self, frame: Frame) -> ColorMaskFacts:
        need_color(frame, "a mask by color")
        sky = _DIFFERENCES @ np.asarray(joint_sky(frame).levels)
        noise = noises(frame.planes, frame.coverage, mixes=_DIFFERENCES)
        return ColorMaskFacts(sky=tuple(sky), noise=tuple(n.sigma for n in noise))

    def reach(self, site: Site) -> int:
        return _gaussian(self.smooth, site)[1]

    def prepare(self, facts: MaskFound, site: Site) -> _Smoothed:
        return _Smoothed(facts[self.kind], *_gaussian(self.smooth, site))

    def weigh(self, tile: Tile, plan: _Smoothed) -> Plane:
        facts = plan.facts
        a, b = (_light(tile, mix, plan) - np.float32(s) for mix, s in zip(_DIFFERENCES, facts.sky, strict=True))
        noise = max(_color_noise(facts), 1e-12)
        off = np.abs((np.degrees(np.arctan2(b, a)) - np.float32(self.hue) + 180) % 360 - 180)
        strong = np.hypot(a, b) / np.float32(noise)
        return ramp(-off, -self.width / 2, self.edge) * ramp(strong, self.least, self.least)

    def words(self) -> str:
        low, high = (self.hue - self.width / 2) % 360, (self.hue + self.width / 2) % 360
        return f"{'not ' * self.outside}where the hue is {low:g} to {high:g} degrees"

    def explain(self, facts: MaskFacts) -> str:
        assert isinstance(facts, ColorMaskFacts)
        return f"noise of color {_color_noise(facts):.3g}"


def _color_noise(facts: ColorMaskFacts) -> float:
    """Noise of one of the two differences, on average."""
    return float(np.sqrt(np.mean(np.square(facts.noise))))


class StarMask(Mask):
    """On stars: each as far as its light stands out of the noise of a pixel, or a multiple of that."""

    kind: Literal["stars"] = "stars"
    size: float = Field(
        1.0, ge=0.1, le=5, description="radius, where 1 is the one at which a star's light sinks below the noise"
    )
    feather: float = Field(
        4.0, ge=0, le=500, description="width of the soft rim, half of it inside", json_schema_extra={"unit": "px"}
    )

    def measure(self, frame: Frame) -> StarMaskFacts:
        need_pixels(frame, "a mask of stars")
        return frame.once("stars of a mask", lambda: _stars(frame))

    def prepare(self, facts: MaskFound, site: Site) -> tuple[NDArray[np.float64], float]:
        found, scale = facts[self.kind], site.facts_scale
        assert isinstance(found, StarMaskFacts)
        x, y = ((np.asarray(v, np.float64) + 0.5) / scale - 0.5 for v in (found.x, found.y))
        lines = np.column_stack([x, y, x, y, self.size * np.asarray(found.radius, np.float64) / scale])
        return lines, self.feather / site.geometry.scale

    def weigh(self, tile: Tile, plan: tuple[NDArray[np.float64], float]) -> Plane:
        weights = np.empty((tile.core.height, tile.core.width), np.float32)
        line_weights(plan[0], plan[1], tile.core.y0, tile.core.x0, weights)
        return weights

    def words(self) -> str:
        return "between the stars" if self.outside else "on stars"

    def explain(self, facts: MaskFacts) -> str:
        assert isinstance(facts, StarMaskFacts)
        return f"{len(facts.x)} stars"


def _stars(frame: Frame) -> StarMaskFacts:
    found = find_stars(frame.planes, frame.coverage)
    noise = max(joint_sky(frame).luminance_noise, 1e-12)
    gamma = moffat_gamma(found.fwhm, _INDEX)
    # The peak from the flux: that of a saturated star was cut off, its flux was read from its wings.
    peak = found.flux * (_INDEX - 1) / (np.pi * gamma**2)
    radius = gamma * np.sqrt(np.maximum((np.maximum(peak, 0) / noise) ** (1 / _INDEX) - 1, 0))
    return StarMaskFacts(x=found.x, y=found.y, radius=np.maximum(radius, found.fwhm / 2))


class ObjectMask(Mask):
    """On extended light, nebulae and galaxies, by how far it stands out of the sky; stars do not count."""

    kind: Literal["object"] = "object"
    least: Sigmas = Field(6.0, description="how far light must stand out of the scatter of the sky; half counts there")
    edge: Sigmas = Field(6.0, description="width over which the rim is soft")

    def measure(self, frame: Frame) -> ObjectMaskFacts:
        need_pixels(frame, "a mask of the object")
        return frame.once("extended light of a mask", lambda: _object(frame))

    def prepare(self, facts: MaskFound, site: Site) -> tuple[NDArray[np.float32], float]:
        found = facts[self.kind]
        assert isinstance(found, ObjectMaskFacts)
        return np.asarray(found.significance), site.facts_scale / found.cell

    def weigh(self, tile: Tile, plan: tuple[NDArray[np.float32], float]) -> Plane:
        nodes, per_pixel = plan
        rows, columns = (
            ((np.arange(first, last) + 0.5) * per_pixel - 0.5).clip(0, count - 1)
            for first, last, count in zip(
                (tile.core.y0, tile.core.x0), (tile.core.y1, tile.core.x1), nodes.shape, strict=True
            )
        )
        return ramp(_between(nodes, rows, columns), self.least, self.edge)

    def words(self) -> str:
        return "off extended light" if self.outside else "on extended light"

    def explain(self, facts: MaskFacts) -> str:
        assert isinstance(facts, ObjectMaskFacts)
        share = float((np.asarray(facts.significance) >= self.least).mean())
        return f"extended light on {100 * share:.0f} % of the frame"


def _object(frame: Frame) -> ObjectMaskFacts:
    _, height, width = frame.planes.shape
    size = max(_SMALLEST, -(-max(height, width) // _CELLS))
    step = max(1, size // 8)
    mesh = background_mesh(frame.planes, _between_stars(frame), size, step, sigmas=False)
    if mesh.known.mean() < _FEWEST:  # a crowd of stars leaves nothing between them
        mesh = background_mesh(frame.planes, checked_coverage(frame.coverage, height, width), size, step, sigmas=False)
    if not mesh.known.any():
        raise WorkbenchError("a mask of the object cannot measure this frame: too few pixels of it are covered")
    # Mean over channels, as the mesh has it; its most common value is the sky.
    # Over a cell or so it is smoothed: noise of single cells would fray the rim.
    levels = np.asarray(cv2.GaussianBlur(mesh.filled().level, (0, 0), _FRAY), np.float64)
    sky = _most_common(levels[mesh.known])
    below = levels[mesh.known & (levels <= sky)]
    scatter = max(mad_sigma(np.concatenate([below - sky, sky - below])), 1e-9)
    return ObjectMaskFacts(cell=float(size), significance=((levels - sky) / scatter).astype(np.float32))


def _between_stars(frame: Frame) -> NDArray[np.uint8]:
    """Coverage of the frame (H, W) without its stars, somewhat farther than a pixel shows their light."""
    stars = frame.once("stars of a mask", lambda: _stars(frame))
    radius = _WIDER * np.asarray(stars.radius, np.float64)
    lines = np.column_stack([stars.x, stars.y, stars.x, stars.y, radius]).astype(np.float64)
    _, height, width = frame.planes.shape
    free = np.ones((height, width), np.uint8) if frame.coverage is None else (frame.coverage > 0).astype(np.uint8)

    def strip(rows: tuple[int, int]) -> None:
        on_star = np.empty((rows[1] - rows[0], width), np.float32)
        line_weights(lines, 0.0, rows[0], 0, on_star)
        free[slice(*rows)][on_star > 0] = 0

    in_order(strip, strips(height))
    return free


def _most_common(levels: NDArray[np.float64]) -> float:
    """Middle of the shortest interval that holds a third of the values."""
    ordered = np.sort(levels)
    count = min(max(len(ordered) // 3 + 1, 2), len(ordered))
    first = closest(ordered, count)
    return float(np.median(ordered[first : first + count]))


def _between(nodes: NDArray[np.float32], rows: NDArray[np.float64], columns: NDArray[np.float64]) -> Plane:
    """Values between nodes, straight along both axes: (rows, columns)."""

    def split(at: NDArray[np.float64], count: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        first = np.minimum(at.astype(np.int64), max(count - 2, 0))
        return first, (at - first).astype(np.float32)

    (i, u), (j, v) = split(rows, nodes.shape[0]), split(columns, nodes.shape[1])
    i1, j1 = np.minimum(i + 1, nodes.shape[0] - 1), np.minimum(j + 1, nodes.shape[1] - 1)
    along = nodes[:, j] + v * (nodes[:, j1] - nodes[:, j])
    return np.asarray(along[i] + u[:, None] * (along[i1] - along[i]), np.float32)

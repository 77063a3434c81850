"""Falloff of a frame: measured in cells of its sky, weighed against noise and doubt, and divided out of tiles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.measure.background.mesh import background_mesh
from workbench.measure.blocks import checked_coverage
from workbench.measure.lateral_color import unit_places
from workbench.measure.noise import quick_noise
from workbench.operations._catalog_light import catalog_light, share_held
from workbench.operations._gradient.cells import MOST_PER_SIDE, sample_cells
from workbench.operations._lens.falloff import TERMS, Falloff, StarLight, fit_falloff, transmission
from workbench.operations._sky_solution import PlainGrid
from workbench.operations.base import Frame

if TYPE_CHECKING:
    from scipy import stats
else:
    stats = on_first_use("scipy.stats")

__all__ = ["Brightening", "FrameFalloff", "brighten", "brightening", "light_held", "measure_falloff"]

F64 = NDArray[np.float64]
Planes = NDArray[np.float32]

#: Cells aimed at, and least side of one (px).
_CELLS, _LEAST_CELL = 700, 8.0
#: Falloff (logarithm in the corners) that is seen; least multiple of its error; most that channels may differ, as a
#: share of it; least gain of likelihood, which was below 0 in all of 67 scenes without falloff where one of 5 percent
#: seemed to be.
_SEEN, _SURE, _GRAY, _GAIN = 0.05, 3.0, 0.2, 5.0
#: Most that the sky may be off the model (root mean square, as a share): more is not sky.
_UNEVEN = 0.03
#: Least error of the logarithm in the corners: no sky is as plain as the model.
_LEAST_ERROR = 0.01
#: What the sky alone was found to be wrong by beyond its stated error, as a share of the falloff (docs/accuracy.md).
_SKY_WRONG = 0.1
#: And as a share of the glow beside it: a moon in the frame seems to take up to 0.3 of its own light from the corners.
_GLOW_WRONG = 0.1
#: Fewest stars of a catalogue that are asked, and most.
_FEWEST_STARS, _MOST_STARS = 30, 800
#: Radius of the disks in which their light is read, in widths of the widest tenth: in narrower ones stars scatter by
#: noise and by the pixels' places, in ones of 2 widths by their neighbors (5 percent in a field of one in 250 pixels).
_DISK, _WIDEST = 1.3, 0.9
#: What the share of a star beyond its disk is wrong by, of its change from the middle to the corners.
_SHARE_WRONG = 0.2
#: Without as much darkening of the corners in a plain fit, nothing is looked for.
_PLAIN = 0.03
#: Share of the falloff by which the variance may grow outwards before flats are thought to have been divided out.
_FLATTENED = 0.5
#: Darkest corners that a lens makes, and how much faster than the light the variance may fall outwards: photon noise
#: falls as the light at most, but what stars and galaxies in the middle of the frame add to it does not know that.
_DARKEST, _ROUGH = 0.2, 0.6
#: Pixels across a cell in which noise is read, and the middle and the corners (squared distance) that are compared.
_NOISE_CELL, _INNER, _OUTER = 32, 0.15, 0.5
#: Entries of a table of gains.
_TABLE = 4096


@dataclass(frozen=True)
class FrameFalloff:
    """Falloff of a frame, and how much of it is believed; see `CorrectFalloffFacts`."""

    k: F64
    middle: tuple[float, float]
    corners: float
    error: float
    taken: float
    glow: float
    noise_growth: float
    used: int
    stars: int = 0
    doubts: tuple[str, ...] = ()


def _half(shape: tuple[int, int]) -> float:
    return 0.5 * float(np.hypot(*shape))


def measure_falloff(frame: Frame) -> FrameFalloff:
    """Falloff of a frame by its sky, and by the stars of a catalogue where its place on the sky is known.

    Parameters
    ----------
    frame : Frame
        Linear.

    Returns
    -------
    FrameFalloff
    """
    planes, coverage = frame.planes, frame.coverage
    height, width = planes.shape[1:]
    center = ((width - 1) / 2, (height - 1) / 2)
    half = _half((height, width))
    spacing = max(_LEAST_CELL, float(np.sqrt(height * width / _CELLS)))
    cells = sample_cells(planes, coverage, spacing)
    u, v = (a.ravel() for a in np.meshgrid(*unit_places(cells.x, cells.y, (height, width))))
    level = cells.level.reshape(u.size, -1)
    good = cells.known.ravel() & (level > 0).all(axis=1)
    none = FrameFalloff(np.zeros(TERMS), center, 1.0, 0.0, 0.0, 0.0, 0.0, int(good.sum()))
    if good.sum() < _CELLS // 7:
        return none
    stars = _catalog_stars(frame)
    if stars is None and _plain(u[good], v[good], level[good]) < _PLAIN:
        return none
    per_cell = min(spacing, MOST_PER_SIDE)
    error = np.array(quick_noise(planes, coverage)) / np.median(level[good], axis=0) / per_cell
    found = fit_falloff(u[good], v[good], level[good], error, (width / 2 / half, height / 2 / half), stars)
    if found is None:
        return none
    middle = (center[0] + found.middle[0] * half, center[1] + found.middle[1] * half)
    lost = -float(np.log(_corners(found.k, middle, (height, width))))
    wrong = float(np.hypot(_SKY_WRONG * lost, _GLOW_WRONG * found.glow)) if stars is None else stars.common_error
    error_of = float(np.hypot(np.hypot(found.error, _LEAST_ERROR), wrong))
    growth = _noise_growth(planes, coverage)
    doubt = ""
    if lost > _SEEN:
        doubt = _doubt_of_sky(found, lost, error_of, growth) if stars is None else _doubt_of_stars(lost, error_of)
    taken = lost**2 / (lost**2 + error_of**2) if lost > _SEEN and not doubt else 0.0
    return FrameFalloff(
        found.k,
        middle,
        float(np.exp(-lost)),
        error_of,
        taken,
        found.glow,
        growth,
        found.used,
        0 if stars is None else stars.u.size,
        (doubt,) if doubt else (),
    )


def _doubt_of_sky(found: Falloff, lost: float, error: float, growth: float) -> str:
    """Why a falloff that the sky alone tells is not believed; empty where it is."""
    if np.log(max(growth, 1e-3)) > _FLATTENED * lost:
        return "The grain grows towards the corners, as where flat frames were divided out: no falloff is left."
    if not growth:
        return "The frame shows too little noise to tell falloff from an object in its middle."
    if np.exp(-lost) < _DARKEST or growth < _ROUGH * np.exp(-lost):
        return "The middle is brighter and rougher than a lens makes it, as where an object lies."
    if lost < _SURE * error or found.gain < _GAIN or found.tint > _GRAY * lost or found.residual > _UNEVEN:
        return (
            f"The sky is darker in the corners as by a falloff to {100 * np.exp(-lost):.0f} %, but glow or objects "
            "explain it nearly as well."
        )
    return ""


def _doubt_of_stars(lost: float, error: float) -> str:
    """Why a falloff that stars were asked about is not believed; empty where it is."""
    if lost >= _SURE * error:
        return ""
    return (
        f"Stars whose magnitudes are known tell a falloff to {100 * np.exp(-lost):.0f} % only within "
        f"{100 * error:.0f} %."
    )


def _catalog_stars(frame: Frame) -> StarLight | None:
    """Light of the catalogue's stars; None where the frame's place on the sky is not known or too few are seen."""
    if frame.wcs is None or isinstance(frame.wcs, PlainGrid) or frame.scale > 1:  # a draft knows no sky
        return None
    try:
        found = catalog_light(frame, disk=_DISK, widest=_WIDEST, most=_MOST_STARS)
    except WorkbenchError:  # no catalogue is installed
        return None
    if len(found.light) < _FEWEST_STARS:
        return None
    u, v = unit_places(found.stars.x, found.stars.y, frame.planes.shape[1:])
    beyond = light_held(u * u + v * v, found.stars.fwhm, found.radius)
    excess = 0.4 * np.log(10) * found.zero.mean(axis=1) - beyond
    error = np.sqrt(((found.error / found.light) ** 2).sum(axis=1)) / found.light.shape[1]
    return StarLight(u, v, excess, error, found.known.color, _SHARE_WRONG * float(np.ptp(beyond)))


def light_held(s: F64, width: F64, radius: float) -> F64:
    """Share of the light of stars that disks of one size hold, where a lens draws them wider in the corners.

    Parameters
    ----------
    s : ndarray, shape (N,)
        Squared distance from the middle of the frame, half a diagonal being 1.
    width : ndarray, shape (N,)
        Of the stars at half their height, px. Its logarithm is taken for straight in ``s`` (Theil 1950; Sen 1968).
    radius : float
        Of the disks, px.

    Returns
    -------
    ndarray, shape (N,)
        Logarithms of the shares.
    """
    slope, middle, *_ = stats.theilslopes(np.log(width), s)
    return np.asarray(np.log(share_held(radius / np.exp(middle + slope * s))))


def _plain(u: F64, v: F64, level: F64) -> float:
    """Darkening of the corners (logarithm) by a slope and a square, the brighter cells left out step by step."""
    value = np.log(level).mean(axis=1)
    s = u * u + v * v
    basis = np.stack([np.ones_like(u), u, v, s], axis=1)
    use = np.ones(u.size, np.bool_)
    found = 0.0
    for _ in range(5):
        solution = np.linalg.lstsq(basis[use], value[use], rcond=None)[0]
        left = value - basis @ solution
        spread = float(np.quantile(left[use], 0.5) - np.quantile(left[use], 0.1587))
        use = left < np.median(left[use]) + 2.5 * max(spread, 1e-6)
        found = max(found, -float(solution[3] * s.max()))
    return found


def _corners(k: F64, middle: tuple[float, float], shape: tuple[int, int]) -> float:
    """Mean (of logarithms) light in the corners."""
    height, width = shape
    x, y = np.meshgrid([0, width - 1], [0, height - 1])
    s = ((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / _half(shape) ** 2
    return float(np.exp(np.log(transmission(k, s)).mean()))


def _noise_growth(planes: Planes, coverage: NDArray[np.uint8] | None) -> float:
    """Variance in the corners over that in the middle; 0 where too little is seen."""
    height, width = planes.shape[1:]
    mesh = background_mesh(planes, checked_coverage(coverage, height, width), _NOISE_CELL, 2, levels=False)
    rows, columns = mesh.sigma.shape
    v = (np.arange(rows) + 0.5) * _NOISE_CELL - height / 2
    u = (np.arange(columns) + 0.5) * _NOISE_CELL - width / 2
    s = (v[:, None] ** 2 + u[None, :] ** 2) / _half((height, width)) ** 2
    inner, outer = (mesh.sigma[mesh.known & where] for where in (s < _INNER, s > _OUTER))
    if min(inner.size, outer.size) < 4 or not np.median(inner) > 0:
        return 0.0
    return float((np.median(outer) / np.median(inner)) ** 2)


class Brightening(NamedTuple):
    """Gains by the squared distance from the optical middle.

    Attributes
    ----------
    table : ndarray, shape (n,), float32
        Gains at even steps of that distance.
    middle : (float, float)
        Column and row, px of the frame.
    steps : float
        Steps of the table for a squared pixel.
    """

    table: NDArray[np.float32]
    middle: tuple[float, float]
    steps: float

    def gain_at(self, x: F64, y: F64) -> F64:
        """Gain at columns and rows that broadcast."""
        at = ((x - self.middle[0]) ** 2 + (y - self.middle[1]) ** 2) * self.steps
        return np.interp(at, np.arange(len(self.table)), self.table)


def brightening(
    k: F64,
    middle: tuple[float, float],
    taken: float,
    shape: tuple[int, int],
    scale: float,
    percent: float | None,
) -> Brightening | None:
    """What is multiplied in a frame reduced by ``scale``.

    Parameters
    ----------
    k : ndarray, shape (TERMS,)
    middle : (float, float)
        In pixels of the full frame of height and width ``shape``.
    taken : float
        Power of the falloff that is divided out.
    shape : (int, int)
    scale : float
    percent : float or None
        Light in the corners wished for in place of what ``taken`` says; the shape stays that of ``k``, or is the fourth
        power of the cosine about the frame's middle where there is none.

    Returns
    -------
    Brightening or None
        None where nothing changes.
    """
    if percent is not None:
        lost = -np.log(percent / 100)
        measured = -np.log(_corners(k, middle, shape))
        if measured > _SEEN / 2:
            taken = float(lost / measured)
        else:
            middle = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
            k, taken = np.array([(percent / 100) ** -0.5 - 1, *(0.0,) * (TERMS - 1)]), 1.0
    if taken <= 0 or not k.any():
        return None
    half = _half(shape)
    corner = np.maximum(np.abs(np.array(middle)), np.abs(np.array([shape[1] - 1, shape[0] - 1]) - np.array(middle)))
    farthest = float(((corner + scale) ** 2).sum()) / half**2
    s = np.linspace(0, farthest, _TABLE)
    table = (transmission(k, s) ** -taken).astype(np.float32)
    place = ((middle[0] + 0.5) / scale - 0.5, (middle[1] + 0.5) / scale - 0.5)
    return Brightening(table, place, (_TABLE - 1) / farthest * (scale / half) ** 2)


def brighten(pixels: Planes, y0: int, x0: int, plan: Brightening, out: Planes) -> None:
    """Write the brightened pixels of a tile.

    Parameters
    ----------
    pixels : ndarray, shape (C, h, w), float32
    y0, x0 : int
        Row and column of its first pixel in the frame.
    plan : Brightening
    out : ndarray, shape (C, h, w), float32
    """
    _brighten(pixels, y0 - plan.middle[1], x0 - plan.middle[0], plan.steps, plan.table, out)


@kernel
def _brighten(pixels: Planes, y: float, x: float, steps: float, table: NDArray[np.float32], out: Planes) -> None:
    channels, height, width = pixels.shape
    gains = np.empty(width, np.float32)
    last = table.size - 2
    for i in range(height):
        down = (y + i) * (y + i)
        for j in range(width):
            at = (down + (x + j) * (x + j)) * steps
            first = min(int(at), last)
            gains[j] = table[first] + np.float32(at - first) * (table[first + 1] - table[first])
        for c in range(channels):
            for j in range(width):
                out[c, i, j] = pixels[c, i, j] * gains[j]

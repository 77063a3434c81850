"""Which star of a list is which star of the catalogue: matching that grows from a few pairs to the whole frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.statistics import RAYLEIGH_MEDIAN
from workbench.sky.catalog import StarCatalog
from workbench.sky.fit import PlaneMap
from workbench.sky.gnomonic import to_plane

if TYPE_CHECKING:
    from scipy import spatial, special
else:
    spatial = on_first_use("scipy.spatial")
    special = on_first_use("scipy.special")

__all__ = ["Detections", "Matches", "grown", "log_chance", "pairs_by_place"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: By how much the region grows in which stars are matched, and how far off a star may be there: so many pixels, and a
#: share of the region's radius (a lens that bends by 2 % in its corners bends by a fifth of a percent on from where it
#: is known).
_GROWTH, _OFF_PX, _OFF_SHARE = 1.25, 2.0, 0.003
#: Orders of the map while it grows: from so many pairs on.
_ORDERS = ((120, 4), (40, 3), (20, 2), (0, 1))
#: Fewer pairs than these are none, and turns over the whole frame in which the map settles.
_FEWEST, _LAST_TURNS = 4, 3
#: Stars are matched in the end within so many sigma, and no nearer than a fraction of a pixel.
_SIGMAS, _NEAREST = 4.0, 0.75
#: A pair whose brightness is off by more than so many magnitudes from what most pairs say is no pair.
_MAGNITUDES_OFF = 2.0


class Detections(NamedTuple):
    """Stars found in a frame: places in px and light, brightest first."""

    x: Floats
    y: Floats
    flux: Floats


class Matches(NamedTuple):
    """Indices of detections and of catalogue stars that are the same, (N,) each."""

    found: Ints
    known: Ints


@dataclass(frozen=True)
class Grown:
    """Matches over the whole frame.

    Attributes
    ----------
    pairs : Matches
    tolerance : float
        Within how many pixels stars were matched at last.
    expected : int
        Catalogue stars that should lie in the frame.
    """

    pairs: Matches
    tolerance: float
    expected: int


def _mutual(tree: spatial.cKDTree, found: Floats, predicted: Floats, within: float) -> Matches:
    """Matches of which each is the nearest of the other."""
    apart, at = (np.asarray(v) for v in tree.query(predicted, distance_upper_bound=within))
    known = np.flatnonzero(np.isfinite(apart))
    at = at[known]
    back = spatial.cKDTree(predicted).query(found[at])[1]
    same = back == known
    return Matches(at[same].astype(np.int64), known[same].astype(np.int64))


def _alike(pairs: Matches, detections: Detections, stars: StarCatalog) -> Matches:
    """The pairs whose brightness agrees with that of the others."""
    light = -2.5 * np.log10(np.maximum(detections.flux[pairs.found], 1e-30))
    off = stars.magnitude[pairs.known] - light
    # The light of saturated stars is cut off: what is bright may look faint, by much.
    fits = np.abs(off - np.median(off)) <= _MAGNITUDES_OFF
    bright = stars.magnitude[pairs.known] <= np.quantile(stars.magnitude[pairs.known], 0.2)
    keep = fits | (bright & (off < np.median(off)))
    return Matches(pairs.found[keep], pairs.known[keep])


def grown(
    detections: Detections,
    stars: StarCatalog,
    first: Matches,
    shape: tuple[int, int],
    middle: tuple[float, float],
) -> Grown | None:
    """Match stars over the whole frame, from a few pairs in a part of it outwards.

    Parameters
    ----------
    detections : Detections
    stars : StarCatalog
        All that may lie in the frame.
    first : Matches
        Four at least.
    shape : tuple of int
        (height, width) of the frame.
    middle : tuple of float
        A place on the sky near all stars, degrees: where the plane touches it.

    Returns
    -------
    Grown or None
        None where the first pairs lead nowhere.
    """
    found = np.stack([detections.x, detections.y], axis=1)
    plane = np.stack(to_plane(stars.ra, stars.dec, *middle), axis=1)
    tree, pairs = spatial.cKDTree(found), first
    start = plane[pairs.known].mean(axis=0)
    distance = np.hypot(*(plane - start).T)
    unit = float(distance[pairs.known].max())
    radii = [unit]
    while radii[-1] < np.nanmax(distance):
        radii.append(radii[-1] * _GROWTH)
    last = len(radii) - 1
    for turn, radius in enumerate([*radii, *[radii[-1]] * _LAST_TURNS]):
        order = next(order for least, order in _ORDERS if len(pairs.found) >= least)
        places, sky = found[pairs.found], plane[pairs.known]
        origin = (float(start[0]), float(start[1]))
        to_pixel, off = PlaneMap.fitted(sky[:, 0], sky[:, 1], places, order, origin, unit)
        near = np.flatnonzero(distance <= radius)
        predicted = np.stack(to_pixel(plane[near, 0], plane[near, 1]), axis=1)
        inside = ((predicted >= -0.5) & (predicted < np.array(shape[::-1]) - 0.5)).all(axis=1)
        near, predicted = near[inside], predicted[inside]
        if len(near) < _FEWEST:
            return None
        sigma = float(np.median(off)) / RAYLEIGH_MEDIAN
        reach = float(np.hypot(*np.ptp(predicted, axis=0))) / 2
        within = max(_SIGMAS * sigma, _NEAREST) if turn > last else max(_OFF_PX, _OFF_SHARE * reach)
        got = _mutual(tree, found, predicted, within)
        pairs = _alike(Matches(got.found, near[got.known]), detections, stars)
        if len(pairs.found) < _FEWEST:
            return None
    return Grown(pairs, within, len(near))


def pairs_by_place(x: Floats, y: Floats, places: Floats, within: float) -> Matches:
    """Matches of a star list and a catalogue where the sky solution of the frame is known.

    Parameters
    ----------
    x, y : ndarray, shape (N,)
        Places in the frame, px.
    places : ndarray, shape (M, 2)
        Where the solution has the catalogue's stars, px; NaN behind the camera.
    within : float
        Pixels.

    Returns
    -------
    Matches
    """
    empty = np.zeros(0, np.int64)
    if len(x) == 0 or len(places) == 0:
        return Matches(empty, empty)
    usable = np.flatnonzero(np.isfinite(places).all(axis=1))
    found = np.stack([x, y], axis=1)
    got = _mutual(spatial.cKDTree(found), found, places[usable], within)
    return Matches(got.found, usable[got.known])


def log_chance(matched: int, expected: int, density: float, within: float) -> float:
    """Natural logarithm of the chance that so many of the expected stars meet detections of something else.

    Parameters
    ----------
    matched, expected : int
        Catalogue stars that met a detection, and all that lie in the frame.
    density : float
        Detections per square pixel.
    within : float
        Pixels.

    Returns
    -------
    float

    Notes
    -----
    A binomial tail, P(X >= matched), each star with the chance 1 - exp(-density pi within^2).
    """
    each = -np.expm1(-density * np.pi * within**2)
    k = np.arange(matched, expected + 1)
    logs = (
        special.gammaln(expected + 1)
        - special.gammaln(k + 1)
        - special.gammaln(expected - k + 1)
        + k * np.log(each)
        + (expected - k) * np.log1p(-each)
    )
    return float(special.logsumexp(logs)) if each < 1 else 0.0

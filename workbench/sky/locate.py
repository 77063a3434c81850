"""Where a list of stars lies on the sky: patterns, matching over the whole frame, a fitted map, and how sure it is.

How it works
------------
1. The brightest stars of a part of the frame are compared with a database of star patterns made for that size.
2. From the few stars that this names, matching with the catalogue grows over the whole frame (`matching`).
3. A tangent plane with SIP distortion is fitted to all pairs by robust least squares (`fit`), of the order that
   predicts best stars it was not fitted to.
4. How likely as many pairs are by chance, times the number of solutions that could have been tried, must be below one
   in a million: otherwise there is no solution.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.sky.catalog import StarCatalog, bundled
from workbench.sky.fit import TangentFit, best_order, fit_tangent
from workbench.sky.gnomonic import from_plane, to_plane
from workbench.sky.matching import Detections, Grown, Matches, grown, log_chance
from workbench.sky.orientation import Orientation, orientation
from workbench.sky.patterns import FINE_SIZES, SIZES, Announce, pattern_database, sizes_for
from workbench.sky.sphere import angle_between, directions, places

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["RADIAN", "UNKNOWN_EPOCH", "Located", "locate"]

Floats = NDArray[np.float64]

#: Arcseconds in a radian.
RADIAN = 206_264.806
#: Where no date is known: stars that moved by more than the rest by then are left out by the fit.
UNKNOWN_EPOCH = 2020.0
#: Stars that make patterns, at most; and fewest for a solution.
_MOST_IN_PATTERNS, _FEWEST = 60, 8
#: The brightest that are matched: of the catalogue's in a frame, and of those found, among which are others. Of 20,000
#: the map is no better, and takes five times as long.
_MOST_KNOWN, _MOST_FOUND = 5000, 8000
#: How far the stated field may be off, as a share; and the ratios of distances in a pattern, which distortion and a
#: wrong focal length bend in wide fields.
_FIELD_OFF, _RATIO_OFF = 0.1, 0.003
#: The second part that is looked at is larger by this; stars are looked for in a circle larger than the frame by that.
_WIDER, _MARGIN = 1.6, 1.15
#: Probability of a false solution that is allowed. Natural logarithm of how many solutions differ by more than a star's
#: tolerance: places on the sky, turns, scales, mirrored or not, for a frame of 4000 px (36); 3 for each coefficient of
#: the distortion.
_SURE, _LOG_SOLUTIONS, _LOG_EACH_TERM = 1e-6, 36.0, 3.0
#: Distortion of a larger share of the frame's half diagonal is no camera lens's, but a fisheye's.
_MOST_DISTORTION = 0.12


@dataclass(frozen=True, kw_only=True)
class Located:
    """Where a frame lies on the sky, and how sure that is.

    Attributes
    ----------
    wcs : astropy.wcs.WCS
        The sky solution; pixel (0, 0) is the first row's first pixel.
    center : tuple of float
        Right ascension and declination of the middle of the frame (ICRS), degrees.
    field : tuple of float
        Height and width in degrees.
    scale : float
        Arcseconds per pixel in the middle.
    rotation : float
        Direction of the frame's upper edge, degrees from north over east.
    mirrored : bool
        East lies to the right of north, as in no view of the sky.
    matched, expected : int
        Catalogue stars that were found, of the brightest that lie in the frame: about 5,000 at most.
    residual : float
        Root mean square distance of the matched stars from their places, px.
    order : int
        Of the polynomials; 1 is a tangent plane without distortion.
    distortion : float
        Largest shift by the distortion, px.
    false_match : float
        Upper bound of the probability that this is not where the camera pointed.
    epoch : float
        Julian year to which stars were moved.
    """

    wcs: WCS
    center: tuple[float, float]
    field: tuple[float, float]
    scale: float
    rotation: float
    mirrored: bool
    matched: int
    expected: int
    residual: float
    order: int
    distortion: float
    false_match: float
    epoch: float

    @property
    def turns_to_north(self) -> int:
        """Quarter turns clockwise (of the step `Turn`) that bring north nearest to the top."""
        return Orientation(self.rotation, self.mirrored).turns_to_north

    @property
    def residual_arcsec(self) -> float:
        """`residual` in arcseconds."""
        return self.residual * self.scale


def locate(
    detections: Detections,
    shape: tuple[int, int],
    scale: float,
    *,
    epoch: float = UNKNOWN_EPOCH,
    catalog: StarCatalog | None = None,
    progress: Announce | None = None,
    name: str = "the frame",
) -> Located:
    """Find where a list of stars lies on the sky; see `solve`.

    Parameters
    ----------
    detections : Detections
        Brightest first.
    shape : tuple of int
        (height, width) of the frame.
    scale : float
        About how many arcseconds a pixel has.
    epoch : float
        Julian year.
    catalog : StarCatalog, optional
    progress : callable, optional
    name : str
        For sentences.

    Returns
    -------
    Located

    Raises
    ------
    WorkbenchError
        When the field is too narrow or cannot be found.
    """
    stars = catalog or bundled()
    detections = Detections(*(column[:_MOST_FOUND] for column in detections))
    across = scale / 3600 * float(np.sqrt(shape[0] * shape[1]))
    sizes = sizes_for(across, own=catalog is not None)
    if not sizes:
        least = SIZES[-1] if catalog is None else FINE_SIZES[-1]
        fainter = "; a catalogue of your own with fainter stars helps" if catalog is None else ""
        raise WorkbenchError(
            f"{name} is {across:.2f} degrees across, too narrow for the stars that are known: "
            f"a field of {least:g} degrees or more can be found{fainter}"
        )
    if len(detections.x) < _FEWEST:
        raise WorkbenchError(
            f"{name} shows {len(detections.x)} stars, {_FEWEST} at least are needed to find where it lies"
        )
    for size in sizes:
        database = pattern_database(size, catalog, progress)
        for part in _parts(shape, scale, size):
            first = _named(database, detections, part, shape, scale)
            if first is None:
                continue
            found = _whole(detections, stars, first, shape, scale, epoch, name)
            if found is not None:
                return found
    raise WorkbenchError(
        f"where {name} lies on the sky was not found with {len(detections.x)} stars in a field of about "
        f"{across:.1f} degrees: check focal length and pixel size (they may be wrong by a tenth)"
    )


@dataclass(frozen=True)
class _Square:
    """A square of the frame: its middle (x, y) and half its side, px."""

    middle: tuple[float, float]
    half: float


def _parts(shape: tuple[int, int], scale: float, size: float) -> Iterator[_Square]:
    """Squares as large as the patterns: the middle, then around it."""
    height, width = shape
    cx, cy = (width - 1) / 2, (height - 1) / 2
    half = size * 3600 / scale / 2
    yield _Square((cx, cy), half)
    yield _Square((cx, cy), _WIDER * half)
    right, down = max(width / 2 - half, width / 6), max(height / 2 - half, height / 6)
    for sx, sy in ((-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (1, 1), (-1, 1), (1, -1)):
        yield _Square((cx + sx * right, cy + sy * down), half)


@dataclass(frozen=True)
class _Named:
    """Detections that a pattern named, and where those stars stand on the sky."""

    found: NDArray[np.int64]
    ra: Floats
    dec: Floats


def _named(database: Any, detections: Detections, part: _Square, shape: tuple[int, int], scale: float) -> _Named | None:
    """The stars of a part of the frame that a pattern of the database names."""
    (mx, my), half = part.middle, part.half
    inside = (np.abs(detections.x - mx) <= half) & (np.abs(detections.y - my) <= half)
    chosen = np.flatnonzero(inside)[:_MOST_IN_PATTERNS]
    if len(chosen) < _FEWEST:
        return None
    # As a camera would see the part that points at its middle: the plane of the frame touches the sky elsewhere.
    focal = RADIAN / scale
    x, y = detections.x[chosen] - (shape[1] - 1) / 2, detections.y[chosen] - (shape[0] - 1) / 2
    x, y = _pointed_at((mx - (shape[1] - 1) / 2) / focal, (my - (shape[0] - 1) / 2) / focal, x / focal, y / focal)
    side = round(2 * half)
    across = 2 * np.rad2deg(np.arctan(half / focal))
    solved = database.solve_from_centroids(
        np.stack([x * focal, y * focal, detections.flux[chosen]], axis=1),
        fov_estimate_deg=float(across),
        fov_max_error_deg=float(_FIELD_OFF * across),
        match_max_error=_RATIO_OFF,
        solve_timeout_ms=None,  # a clock would make the answer hang on how busy the computer is
        image_shape=(side, side),
    )
    if not solved:
        return None
    known = [database.get_star_by_id(int(number)) for number in solved.matched_catalog_ids]
    return _Named(
        chosen[np.asarray(solved.matched_centroids, np.int64)],
        np.array([star.ra_deg for star in known]),
        np.array([star.dec_deg for star in known]),
    )


def _pointed_at(a: float, b: float, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Coordinates in the plane of a camera turned towards (a, b), of points of the plane at distance 1."""
    forward = np.array([a, b, 1.0]) / np.sqrt(a * a + b * b + 1)
    right = np.array([1.0, 0.0, -a]) / np.hypot(1, a)
    down = np.cross(forward, right)
    rays = np.stack([x, y, np.ones_like(x)], axis=1)
    depth = rays @ forward
    return rays @ right / depth, rays @ down / depth


def _whole(
    detections: Detections,
    stars: StarCatalog,
    first: _Named,
    shape: tuple[int, int],
    scale: float,
    epoch: float,
    name: str,
) -> Located | None:
    """The solution of the whole frame that a few named stars lead to; None where they were named by chance."""
    height, width = shape
    ra0, dec0 = (float(v) for v in places(*(np.mean(v) for v in directions(first.ra, first.dec).T)))
    # From a rough map of the named stars: where the middle of the frame lies, and which stars may be in it.
    plane = np.stack(to_plane(first.ra, first.dec, ra0, dec0), axis=1)
    pixels = np.stack([detections.x, detections.y], axis=1)[first.found]
    design = np.column_stack([np.ones(len(pixels)), pixels])
    rough = np.linalg.lstsq(design, plane, rcond=None)[0]
    middle = np.array([1, (width - 1) / 2, (height - 1) / 2]) @ rough
    ra0, dec0 = (float(v[0]) for v in from_plane(middle[:1], middle[1:], ra0, dec0))
    corner = np.rad2deg(np.arctan(np.deg2rad(scale / 3600) * np.hypot(height, width) / 2))
    radius = _MARGIN * float(corner)
    around = stars.around(ra0, dec0, radius)
    share = height * width * (scale / RADIAN) ** 2 / (2 * np.pi * (1 - np.cos(np.deg2rad(radius))))
    around = around.select(np.arange(min(len(around), int(_MOST_KNOWN / share)))).at(epoch)
    at = np.argmax(around.directions @ directions(first.ra, first.dec).T, axis=0)
    matched = grown(detections, around, Matches(first.found, at), shape, (ra0, dec0))
    if matched is None or len(matched.pairs.found) < _FEWEST:
        return None
    return _judged(detections, around, matched, shape, (ra0, dec0), epoch, name)


def _judged(
    detections: Detections,
    around: StarCatalog,
    matched: Grown,
    shape: tuple[int, int],
    near: tuple[float, float],
    epoch: float,
    name: str,
) -> Located | None:
    """The fit to all pairs, if it is sure and a flat map."""
    found, known = matched.pairs
    x, y, ra, dec = detections.x[found], detections.y[found], around.ra[known], around.dec[known]
    fit = fit_tangent(x, y, ra, dec, shape, best_order(x, y, ra, dec, shape, near), near)
    count = int(fit.belongs.sum())
    coefficients = (fit.order + 1) * (fit.order + 2) - 6
    density = len(detections.x) / (shape[0] * shape[1])
    log_false = (
        log_chance(count, max(matched.expected, count), density, matched.tolerance)
        + _LOG_SOLUTIONS
        + _LOG_EACH_TERM * coefficients
    )
    if count < _FEWEST or log_false > np.log(_SURE):
        return None
    if fit.distortion > _MOST_DISTORTION * np.hypot(*shape) / 2:
        raise WorkbenchError(
            f"{name} bends by {fit.distortion:.0f} px against a flat map, as a fisheye's does; "
            "a sky solution is fitted to rectilinear lenses only"
        )
    return _described(fit, count, matched, shape, float(np.exp(max(log_false, -200.0))), epoch)


def _described(
    fit: TangentFit,
    count: int,
    matched: Grown,
    shape: tuple[int, int],
    false_match: float,
    epoch: float,
) -> Located:
    height, width = shape
    wcs = fit.wcs
    wcs.pixel_shape = (width, height)
    cx, cy = (width - 1) / 2, (height - 1) / 2
    ra, dec = (float(v) for v in wcs.all_pix2world(cx, cy, 0))
    lies = orientation(wcs, height, width)
    return Located(
        wcs=wcs,
        center=(ra, dec),
        field=(
            angle_between(*wcs.all_pix2world([cx, cx], [-0.5, height - 0.5], 0)),
            angle_between(*wcs.all_pix2world([-0.5, width - 0.5], [cy, cy], 0)),
        ),
        scale=fit.scale,
        rotation=lies.rotation,
        mirrored=lies.mirrored,
        matched=count,
        expected=matched.expected,
        residual=fit.rms,
        order=fit.order,
        distortion=fit.distortion,
        false_match=false_match,
        epoch=epoch,
    )

"""A sky solution from stars whose places are known: tangent plane with SIP distortion, by robust least squares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.statistics import BIWEIGHT_REACH, RAYLEIGH_MEDIAN
from workbench.sky.gnomonic import from_plane, to_plane

if TYPE_CHECKING:
    from astropy import wcs as solutions
    from astropy.wcs import WCS
else:
    solutions = on_first_use("astropy.wcs")

__all__ = ["PlaneMap", "TangentFit", "best_order", "fit_tangent", "robust_fit"]

Floats = NDArray[np.float64]

_ROUNDS, _SETTLED = 15, 1e-4
#: Errors are believed to be no smaller than this share of the frame: a list without noise would weigh three stars only.
_LEAST_ERROR = 1e-8
#: Stars for each coefficient before an order is tried, the highest order, and by how much a higher one must predict
#: better stars that it was not fitted to.
_STARS_PER_TERM, _HIGHEST, _WORTH = 3, 5, 0.02
_FOLDS = 5
#: Share of the stars, the nearest, that an order is judged by: the rest may be others.
_TRIMMED = 0.9
#: Stars that say which order is best: the brightest.
_JUDGES = 2000


def _terms(order: int) -> list[tuple[int, int]]:
    """Powers (p, q) of all terms up to an order, the lower orders first."""
    return [(n - q, q) for n in range(order + 1) for q in range(n + 1)]


@dataclass(frozen=True)
class PlaneMap:
    """Two polynomials of two variables, which are first shifted and divided to lie in about -1..1.

    Attributes
    ----------
    order : int
    coefficients : ndarray, shape (terms, 2)
    middle : tuple of 2 float
    unit : float
    """

    order: int
    coefficients: Floats
    middle: tuple[float, float]
    unit: float

    def __call__(self, a: Floats, b: Floats) -> tuple[Floats, Floats]:
        """Values of both at places.

        Parameters
        ----------
        a, b : ndarray, shape (N,)

        Returns
        -------
        first, second : ndarray, shape (N,)
        """
        first, second = (self._design(a, b, self.order, self.middle, self.unit) @ self.coefficients).T
        return first, second

    @staticmethod
    def _design(a: Floats, b: Floats, order: int, middle: tuple[float, float], unit: float) -> Floats:
        u, v = (np.asarray(a) - middle[0]) / unit, (np.asarray(b) - middle[1]) / unit
        return np.stack([u**p * v**q for p, q in _terms(order)], axis=-1)

    @classmethod
    def fitted(
        cls, a: Floats, b: Floats, targets: Floats, order: int, middle: tuple[float, float], unit: float
    ) -> tuple[PlaneMap, Floats]:
        """The robust fit to targets, and each star's distance from it.

        Parameters
        ----------
        a, b : ndarray, shape (N,)
            Places.
        targets : ndarray, shape (N, 2)
        order : int
        middle : tuple of 2 float
        unit : float

        Returns
        -------
        PlaneMap
        off : ndarray, shape (N,)
        """
        design = cls._design(a, b, order, middle, unit)
        coefficients, off = robust_fit(design, targets)
        return cls(order, coefficients, middle, unit), off


def robust_fit(design: Floats, targets: Floats) -> tuple[Floats, Floats]:
    """Least squares with weights by Tukey's biweight of the distances, which leave out what does not belong.

    Parameters
    ----------
    design : ndarray, shape (N, terms)
    targets : ndarray, shape (N, 2)

    Returns
    -------
    coefficients : ndarray, shape (terms, 2)
    off : ndarray, shape (N,)
        Distance of each target from the fit.
    """
    weight = np.ones(len(design))
    coefficients: Floats = np.zeros((design.shape[1], targets.shape[1]))
    off: Floats = np.zeros(len(design))
    sigma = np.inf
    least = _LEAST_ERROR * float(np.ptp(targets, axis=0).max())
    for _ in range(_ROUNDS):
        weighted = design * weight[:, None]
        # Variables lie within -1..1, so that the normal equations do.
        found = np.linalg.lstsq(weighted.T @ design, weighted.T @ targets, rcond=None)[0]
        coefficients = np.asarray(found, np.float64)
        miss = targets - design @ coefficients
        off = np.asarray(np.hypot(miss[:, 0], miss[:, 1]), np.float64)
        before, sigma = sigma, max(float(np.median(off)) / RAYLEIGH_MEDIAN, least)
        weight = np.maximum(1 - (off / (BIWEIGHT_REACH * sigma)) ** 2, 0) ** 2
        if np.count_nonzero(weight) < design.shape[1] or abs(before - sigma) <= _SETTLED * sigma:
            break
    return coefficients, off


@dataclass(frozen=True)
class TangentFit:
    """A fitted sky solution.

    Attributes
    ----------
    wcs : astropy.wcs.WCS
        TAN, or TAN-SIP from order 2 on; pixel (0, 0) is the first row's first pixel.
    order : int
    residual : ndarray, shape (N,)
        Distance of each star from its place, in pixels.
    rms : float
        Root mean square of the residuals of stars that belong, in pixels.
    belongs : ndarray, shape (N,), bool
        Stars that the robust fit gave a weight.
    scale : float
        Arcseconds per pixel in the middle.
    distortion : float
        Largest shift by the distortion over the frame, in pixels.
    """

    wcs: WCS
    order: int
    residual: Floats
    rms: float
    belongs: NDArray[np.bool_]
    scale: float
    distortion: float


def _middle_and_unit(shape: tuple[int, int]) -> tuple[tuple[float, float], float]:
    """Middle (x, y) of a frame, and half its diagonal, px."""
    height, width = shape
    return ((width - 1) / 2, (height - 1) / 2), float(np.hypot(height, width)) / 2


def fit_tangent(
    x: Floats, y: Floats, ra: Floats, dec: Floats, shape: tuple[int, int], order: int, near: tuple[float, float]
) -> TangentFit:
    """Fit a tangent plane with SIP distortion (Shupe et al. 2005, ADASS XIV, ASP Conf. Ser. 347, 491).

    Parameters
    ----------
    x, y : ndarray, shape (N,)
        Places in the frame, px.
    ra, dec : ndarray, shape (N,)
        Places on the sky, degrees.
    shape : tuple of int
        (height, width) of the frame.
    order : int
        Of the polynomial; 1: no distortion.
    near : tuple of float
        About where the middle of the frame lies on the sky, degrees.

    Returns
    -------
    TangentFit
    """
    middle, unit = _middle_and_unit(shape)
    ra0, dec0 = near
    for _ in range(4):
        plane = np.stack(to_plane(ra, dec, ra0, dec0), axis=1)
        fitted, off = PlaneMap.fitted(x, y, plane, order, middle, unit)
        away = fitted.coefficients[:1]
        moved = from_plane(away[:, 0], away[:, 1], ra0, dec0)
        ra0, dec0 = float(moved[0][0]), float(moved[1][0])
    linear = fitted.coefficients[1:3].T / unit
    scale = float(np.sqrt(abs(np.linalg.det(linear))))
    residual = off / scale
    sigma = float(np.median(residual)) / RAYLEIGH_MEDIAN
    belongs = residual <= max(BIWEIGHT_REACH * sigma, _LEAST_ERROR * unit)
    wcs = _written(fitted, linear, middle, (ra0, dec0))
    rms = float(np.sqrt(np.mean(residual[belongs] ** 2)))
    return TangentFit(wcs, order, residual, rms, belongs, 3600 * scale, _largest_shift(wcs, shape))


def _written(fitted: PlaneMap, linear: Floats, middle: tuple[float, float], sky: tuple[float, float]) -> WCS:
    order = fitted.order
    wcs = solutions.WCS(naxis=2)
    suffix = "-SIP" if order > 1 else ""
    wcs.wcs.ctype = ["RA---TAN" + suffix, "DEC--TAN" + suffix]
    wcs.wcs.cunit = ["deg", "deg"]
    wcs.wcs.radesys = "ICRS"
    wcs.wcs.crpix = [middle[0] + 1, middle[1] + 1]
    wcs.wcs.crval = list(sky)
    wcs.wcs.cd = linear
    if order > 1:
        a, b = np.zeros((2, order + 1, order + 1))
        for (p, q), pair in zip(_terms(order), fitted.coefficients, strict=True):
            if p + q > 1:
                a[p, q], b[p, q] = np.linalg.solve(linear, pair) / fitted.unit ** (p + q)
        ap, bp = _inverse(a, b, order, fitted.unit)
        wcs.sip = solutions.Sip(a, b, ap, bp, wcs.wcs.crpix)
    wcs.wcs.set()
    return wcs


def _shifts(a: Floats, b: Floats, u: Floats, v: Floats, order: int) -> tuple[Floats, Floats]:
    powers = [(p, q) for p, q in _terms(order) if p + q > 1]
    return sum(a[p, q] * u**p * v**q for p, q in powers), sum(b[p, q] * u**p * v**q for p, q in powers)


def _inverse(a: Floats, b: Floats, order: int, unit: float) -> tuple[Floats, Floats]:
    """Coefficients of the way back, fitted over the frame; readers that want the last digit iterate from there."""
    along = np.linspace(-unit, unit, 41)
    u, v = (grid.ravel() for grid in np.meshgrid(along, along))
    du, dv = _shifts(a, b, u, v, order)
    powers = [(p, q) for p, q in _terms(order) if p + q > 0]
    design = np.stack([((u + du) / unit) ** p * ((v + dv) / unit) ** q for p, q in powers], axis=1)
    back = np.linalg.lstsq(design, -np.stack([du, dv], axis=1), rcond=None)[0]
    ap, bp = np.zeros((2, order + 1, order + 1))
    for (p, q), pair in zip(powers, back, strict=True):
        ap[p, q], bp[p, q] = pair / unit ** (p + q)
    return ap, bp


def _largest_shift(wcs: WCS, shape: tuple[int, int]) -> float:
    if wcs.sip is None:
        return 0.0
    height, width = shape
    u, v = np.meshgrid(np.linspace(0, width - 1, 21), np.linspace(0, height - 1, 21))
    u, v = u.ravel() - (wcs.wcs.crpix[0] - 1), v.ravel() - (wcs.wcs.crpix[1] - 1)
    return float(np.hypot(*_shifts(wcs.sip.a, wcs.sip.b, u, v, wcs.sip.a_order)).max())


def best_order(x: Floats, y: Floats, ra: Floats, dec: Floats, shape: tuple[int, int], near: tuple[float, float]) -> int:
    """The lowest order that predicts stars it was not fitted to about as well as any.

    Parameters
    ----------
    x, y, ra, dec, shape, near
        As of `fit_tangent`; the best stars first.

    Returns
    -------
    int
        1 to 5.
    """
    middle, unit = _middle_and_unit(shape)
    x, y = x[:_JUDGES], y[:_JUDGES]
    plane = np.stack(to_plane(ra[:_JUDGES], dec[:_JUDGES], *near), axis=1)
    fold = np.arange(len(x)) % _FOLDS
    wrong: dict[int, float] = {}
    for order in range(1, _HIGHEST + 1):
        if order > 1 and len(x) < _STARS_PER_TERM * len(_terms(order)):
            break
        off = np.empty(len(x))
        for k in range(_FOLDS):
            held = fold == k
            fitted, _ = PlaneMap.fitted(x[~held], y[~held], plane[~held], order, middle, unit)
            off[held] = np.hypot(*(np.stack(fitted(x[held], y[held]), axis=1) - plane[held]).T)
        wrong[order] = float(np.sqrt(np.mean(np.sort(off)[: int(np.ceil(_TRIMMED * len(off)))] ** 2)))
    least = min(wrong.values())
    return min(order for order, error in wrong.items() if error <= (1 + _WORTH) * least)

"""Lateral color: how far each channel lies from green over the frame, by its stars.

A lens draws colors at slightly different scales, and air bends them by different amounts. Both are smooth over the
frame: an affine map, and terms of the third and fifth power of the distance from the lens's axis. The places of stars
are compared channel by channel, and several models are averaged by how much the stars ask for each (Akaike 1974, IEEE
Trans. Automatic Control 19, 716); how far they lie apart is part of the error (Buckland, Burnham & Augustin 1997,
Biometrics 53, 603). To take one model only, by the stricter criterion of Schwarz 1978, left more than 0.1 px in the
worst corner of 6 of 24 channels in place of 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.stars.channel_places import channel_places
from workbench.measure.stars.table import Stars
from workbench.measure.statistics import BIWEIGHT_REACH, RAYLEIGH_MEDIAN

if TYPE_CHECKING:
    from scipy import optimize
else:
    optimize = on_first_use("scipy.optimize")

__all__ = ["MODELS", "TERMS", "ChannelShift", "lateral_color", "shift_terms", "unit_places"]

Floats = NDArray[np.float64]

#: Of the model: shift; linear in place; towards and away from an axis that may lie off the middle, r^2 and r^4 times.
TERMS = 10
#: How many of the terms a model uses, simplest first: nothing but a shift, affine, and radial.
MODELS = (2, 6, 7, 9, 10)
#: Signal over noise of stars, in the mean of channels, and most of them, spread over the frame by so many squares.
_SNR, _MOST, _SQUARES = 15.0, 3000, 12
#: Fewest stars.
_FEWEST = 12
_ROUNDS = 12
#: Places along a side where the shift is looked at.
_GRID = 17


@dataclass(frozen=True, slots=True)
class ChannelShift:
    """How one channel lies against green.

    Attributes
    ----------
    coefficients : ndarray, shape (TERMS,), float64
        Of `shift_terms`, px; 0 of terms that the model does not use.
    corner, center : float
        Largest shift in a corner, and that in the middle of the frame, px.
    error : float
        Standard error of the shift, root mean square over the frame, px; the choice among models is part of it.
    size : float
        The shift's own root mean square over the frame, px.
    residual : float
        What stars lie apart after it, px: their median distance as the standard deviation of a coordinate.
    stars : int
        That it rests on.
    """

    coefficients: Floats
    corner: float
    center: float
    error: float
    size: float
    residual: float
    stars: int


def unit_places(x: Floats, y: Floats, shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Places (px) as distances from the middle of the frame across and down, half a diagonal being 1.

    Parameters
    ----------
    x, y : ndarray
        Column and row.
    shape : (int, int)
        Height and width of the frame.

    Returns
    -------
    u, v : ndarray
    """
    height, width = shape
    half = 0.5 * float(np.hypot(height, width))
    return (x - (width - 1) / 2) / half, (y - (height - 1) / 2) / half


def shift_terms(u: Floats, v: Floats) -> Floats:
    """What the shift is a sum of.

    Parameters
    ----------
    u, v : ndarray, shape (N,)
        As `unit_places` gives them.

    Returns
    -------
    ndarray, shape (2, N, TERMS), float64
        Across and down. The last but one pair is what a small move of the axis makes of r^2 (u, v).
    """
    r2 = u * u + v * v
    one, zero = np.ones_like(u), np.zeros_like(u)
    across = [one, zero, u, v, zero, zero, r2 * u, 3 * u * u + v * v, 2 * u * v, r2 * r2 * u]
    down = [zero, one, zero, zero, u, v, r2 * v, 2 * u * v, u * u + 3 * v * v, r2 * r2 * v]
    return np.stack([np.stack(across, axis=-1), np.stack(down, axis=-1)])


def lateral_color(
    planes: NDArray[np.float32], stars: Stars, coverage: NDArray[np.uint8] | None = None
) -> list[ChannelShift | None]:
    """How far each channel lies from the middle one.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        The linear frame.
    stars : Stars
        Found in it, by the mean of channels.
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    list of ChannelShift or None
        None for the middle channel, and where too few stars say it.
    """
    shape = planes.shape[1:]
    middle = len(planes) // 2
    good = stars.select(_spread_out(stars, shape))
    if len(planes) == 1 or len(good) < _FEWEST:
        return [None] * len(planes)
    at = channel_places(planes, good, coverage)
    found: list[ChannelShift | None] = []
    for c in range(len(planes)):
        dx, dy = at.x[:, c] - at.x[:, middle], at.y[:, c] - at.y[:, middle]
        seen = np.isfinite(dx)
        if c == middle or seen.sum() < _FEWEST:
            found.append(None)
            continue
        u, v = unit_places(at.x[seen, middle], at.y[seen, middle], shape)
        error = np.hypot(at.error[seen, c], at.error[seen, middle])
        found.append(_fitted(u, v, np.stack([dx[seen], dy[seen]]), error, shape))
    return found


def _spread_out(stars: Stars, shape: tuple[int, int]) -> NDArray[np.intp]:
    """Good stars, the brightest of each square of the frame."""
    good = np.flatnonzero(~stars.saturated & (stars.snr >= _SNR))
    row = np.clip((stars.y[good] * _SQUARES / shape[0]).astype(int), 0, _SQUARES - 1)
    column = np.clip((stars.x[good] * _SQUARES / shape[1]).astype(int), 0, _SQUARES - 1)
    taken = np.zeros(good.size, np.bool_)
    count = np.zeros((_SQUARES, _SQUARES), np.int64)
    most = _MOST // _SQUARES**2
    for k in np.argsort(-stars.snr[good], kind="stable"):
        if count[row[k], column[k]] < most:
            count[row[k], column[k]] += 1
            taken[k] = True
    return good[taken]


def _fitted(u: Floats, v: Floats, shift: Floats, error: Floats, shape: tuple[int, int]) -> ChannelShift:
    """The models averaged by how much the stars (2, N) ask for each."""
    terms = shift_terms(u, v)
    half = np.hypot(*shape) / 2
    gu, gv = np.meshgrid(*(np.linspace(-1, 1, _GRID) * side / 2 / half for side in (shape[1], shape[0])))
    grid = shift_terms(gu.ravel(), gv.ravel())
    # All models are judged by the same stars: those that the fullest believes.
    most = _most_terms(u.size)
    fullest = _robust(terms[..., :most], shift, error)
    sizes = [n for n in MODELS if n <= most]
    solutions, variance, score = np.zeros((len(sizes), TERMS)), np.empty(len(sizes)), np.empty(len(sizes))
    for k, n in enumerate(sizes):
        solutions[k, :n], covariance = _weighted(terms[..., :n], shift, fullest.weight)
        left = shift - np.einsum("ank,k->an", terms, solutions[k])
        chi2 = float((fullest.weight * (left**2).sum(axis=0)).sum())
        score[k] = chi2 + 2 * n
        variance[k] = np.einsum("ank,kl,anl->an", grid[..., :n], covariance, grid[..., :n]).sum(axis=0).mean()
    likely = np.exp(0.5 * (score.min() - score))
    coefficients = np.average(solutions, axis=0, weights=likely)
    apart = np.einsum("ank,mk->man", grid, solutions - coefficients)
    square = np.average(variance + (apart**2).sum(axis=1).mean(axis=1), weights=likely)
    moved = np.hypot(*(grid @ coefficients)).reshape(_GRID, _GRID)
    left = np.hypot(*(shift - terms @ coefficients))[fullest.weight > 0]
    return ChannelShift(
        coefficients,
        corner=float(moved[[0, 0, -1, -1], [0, -1, 0, -1]].max()),
        center=float(moved[_GRID // 2, _GRID // 2]),
        error=float(np.sqrt(square)),
        size=float(np.sqrt((moved**2).mean())),
        residual=float(np.median(left) / RAYLEIGH_MEDIAN),
        stars=fullest.count,
    )


def _most_terms(stars: int) -> int:
    """Terms that so many stars may be asked for: at least three stars a term."""
    return max(n for n in MODELS if 3 * n <= stars or n == MODELS[0])


@dataclass(frozen=True, slots=True)
class _Believed:
    """Weight of each star, one over the variance of its shift's coordinates; 0 of those that are not believed."""

    weight: Floats
    count: int


def _weighted(terms: Floats, shift: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Least squares: solution and its covariance."""
    rows = terms.reshape(-1, terms.shape[-1])
    both = np.concatenate([weight, weight])
    normal = rows.T @ (both[:, None] * rows)
    inverse = np.asarray(np.linalg.pinv(normal, hermitian=True), np.float64)
    return inverse @ (rows.T @ (both * shift.ravel())), inverse


def _robust(terms: Floats, shift: Floats, error: Floats) -> _Believed:
    """Weights by the biweight (Beaton & Tukey 1974) of distances from the fit, over errors and scatter beyond them."""
    left = np.hypot(*(shift - np.median(shift, axis=1)[:, None]))
    weight = np.ones_like(error)
    for _ in range(_ROUNDS):
        total = np.hypot(error, _own_scatter(left, error))
        inside = np.maximum(1 - (left / (BIWEIGHT_REACH * total)) ** 2, 0) ** 2
        weight = inside / total**2
        solution, _ = _weighted(terms, shift, weight)
        left = np.hypot(*(shift - terms @ solution))
    return _Believed(weight, int(np.count_nonzero(weight)))


def _own_scatter(left: Floats, error: Floats) -> float:
    """What coordinates scatter by beyond their errors: squares add up (Paule & Mandel 1982, J. Res. NBS 87, 377).

    Galaxies lie each its own way in each color, bright ones no less than faint ones. To scale all errors instead let
    the bright ones say most, and surely. The median stands in place of their sum of squares, for strays.
    """

    def excess(scatter: float) -> float:
        return float(np.median(left / np.hypot(error, scatter))) / RAYLEIGH_MEDIAN - 1

    if excess(0) <= 0:
        return 0.0
    return float(optimize.brentq(excess, 0, left.max()))

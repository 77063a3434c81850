"""Lateral color: how far each channel lies from green over the frame, by its stars.

A lens draws colors at slightly different scales, and air bends them by different amounts. Both are smooth over the
frame: an affine map for each channel, and terms of the third and fifth power of the distance from the lens's axis,
which all channels share. The places of stars are compared channel by channel, and several models are averaged by how
much the stars ask for each (Akaike 1974, IEEE Trans. Automatic Control 19, 716); how far they lie apart is part of the
error (Buckland, Burnham & Augustin 1997, Biometrics 53, 603). What other ways leave is in docs/accuracy.md: with an
axis for each channel, and the fifth power about the middle of the frame, more than 0.1 px in the worst corner of 2 of
24 channels; now of none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

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

__all__ = ["TERMS", "ChannelShift", "lateral_color", "shift_terms", "unit_places"]

Floats = NDArray[np.float64]

#: Of a shift: constant; linear in place; r^2 and r^4 times the place, each with what a small move of the axis makes.
TERMS = 12
_AFFINE, _THIRD, _FIFTH = (0, 1, 2, 3, 4, 5), 6, 9
#: Standard deviation of the axis about the middle of the frame, half a diagonal being 1. With 0.1 the same is left.
_AXIS = 0.04
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
        Of `shift_terms`, px.
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
        Across and down. The pairs behind r^2 (u, v) and r^4 (u, v) are what a small move of the axis makes of them.
    """
    r2 = u * u + v * v
    one, zero = np.ones_like(u), np.zeros_like(u)
    r4, mixed = r2 * r2, 4 * r2 * u * v
    across = [one, zero, u, v, zero, zero, r2 * u, 3 * u * u + v * v, 2 * u * v, r4 * u, r4 + 4 * r2 * u * u, mixed]
    down = [zero, one, zero, zero, u, v, r2 * v, 2 * u * v, u * u + 3 * v * v, r4 * v, mixed, r4 + 4 * r2 * v * v]
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
    seen: dict[int, _Shifts] = {}
    for c in range(len(planes)):
        dx, dy = at.x[:, c] - at.x[:, middle], at.y[:, c] - at.y[:, middle]
        known = np.isfinite(dx)
        if c != middle and known.sum() >= _FEWEST:
            u, v = unit_places(at.x[known, middle], at.y[known, middle], shape)
            error = np.hypot(at.error[known, c], at.error[known, middle])
            seen[c] = _Shifts.of(u, v, np.stack([dx[known], dy[known]]), error)
    found = dict(zip(seen, _fitted(list(seen.values()), shape), strict=True)) if seen else {}
    return [found.get(c) for c in range(len(planes))]


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


class _Shifts(NamedTuple):
    """How stars at u, v (N,) lie in a channel, (2, N) px; weight of each: one over the variance of a coordinate."""

    u: Floats
    v: Floats
    shift: Floats
    weight: Floats

    @classmethod
    def of(cls, u: Floats, v: Floats, shift: Floats, error: Floats) -> _Shifts:
        """Strays get no weight, and scatter beyond the errors is added to them."""
        most = _models(u.size)[-1].terms
        return cls(u, v, shift, _robust(shift_terms(u, v)[..., :most], shift, error))


class _ShiftModel(NamedTuple):
    """Which of `shift_terms` are used about the axis, and whether that lies where stars say."""

    affine: tuple[int, ...]
    radial: tuple[int, ...] = ()
    moves: bool = False

    @property
    def terms(self) -> int:
        """Of one channel, the axis counted as its own."""
        return len(self.affine) + len(self.radial) + 2 * self.moves

    def basis(self, u: Floats, v: Floats, axis: Floats) -> Floats:
        """(2, N, n): an affine map, and what is radial about the axis."""
        about = shift_terms(u - axis[0], v - axis[1])[..., self.radial]
        return np.concatenate([shift_terms(u, v)[..., self.affine], about], axis=-1)


_MODELS = (
    _ShiftModel((0, 1)),
    _ShiftModel(_AFFINE),
    _ShiftModel(_AFFINE, (_THIRD,)),
    _ShiftModel(_AFFINE, (_THIRD,), moves=True),
    _ShiftModel(_AFFINE, (_THIRD, _FIFTH), moves=True),
)


def _models(stars: int) -> list[_ShiftModel]:
    """Those that so many stars may be asked for, simplest first: three a term; the first for the fewest."""
    return [model for model in _MODELS if 3 * model.terms <= stars]


class _Fit(NamedTuple):
    """A model fitted to all channels.

    ``shifts`` (C, 2, G) on the grid and their ``variance`` (C, G); ``score`` is minus twice the logarithm of its
    likelihood, with twice the number of its parameters (Akaike 1974).
    """

    shifts: Floats
    variance: Floats
    score: float


def _fit(model: _ShiftModel, seen: list[_Shifts], gu: Floats, gv: Floats) -> _Fit:
    """A model fitted to all channels at once: its axis by what the best of all else leaves."""
    axis = np.zeros(2)

    def solved(axis: Floats) -> list[tuple[Floats, Floats, Floats]]:
        """Of each channel: solution, its covariance at this axis, and what is left, in standard deviations."""
        out = []
        for s in seen:
            basis = model.basis(s.u, s.v, axis)
            solution, covariance = _weighted(basis, s.shift, s.weight)
            out.append((solution, covariance, (np.sqrt(s.weight) * (s.shift - basis @ solution)).ravel()))
        return out

    def left(axis: Floats) -> Floats:
        return np.concatenate([*(off for *_, off in solved(axis)), axis / _AXIS])

    moved = np.zeros((2, 2))
    if model.moves:
        found = optimize.least_squares(left, axis, x_scale=_AXIS)
        axis = np.asarray(found.x, np.float64)
        slope = np.asarray(found.jac, np.float64)
        moved = np.asarray(np.linalg.inv(slope.T @ slope), np.float64)
    grid = model.basis(gu, gv, axis)
    rest = solved(axis)
    variance = [np.einsum("ank,kl,anl->n", grid, covariance, grid) for _, covariance, _ in rest]
    if model.moves:
        # What the axis, unsure in two directions, makes of the shift with all else fitted anew.
        root = np.linalg.cholesky(moved)
        for step in root.T:
            to = [model.basis(gu, gv, axis + step) @ solution for solution, *_ in solved(axis + step)]
            for c, (solution, *_) in enumerate(rest):
                variance[c] = variance[c] + ((to[c] - grid @ solution) ** 2).sum(axis=0)
    shifts = np.stack([grid @ solution for solution, *_ in rest])
    parameters = len(seen) * (model.terms - 2 * model.moves) + 2 * model.moves
    return _Fit(shifts, np.stack(variance), float((left(axis) ** 2).sum()) + 2 * parameters)


def _fitted(seen: list[_Shifts], shape: tuple[int, int]) -> list[ChannelShift]:
    """The models averaged by how much the stars ask for each."""
    half = np.hypot(*shape) / 2
    gu, gv = (
        a.ravel() for a in np.meshgrid(*(np.linspace(-1, 1, _GRID) * side / 2 / half for side in (shape[1], shape[0])))
    )
    fits = [_fit(model, seen, gu, gv) for model in _models(min(s.u.size for s in seen))]
    score = np.array([fit.score for fit in fits])
    likely = np.exp(0.5 * (score.min() - score))
    shifts = np.average([fit.shifts for fit in fits], axis=0, weights=likely)
    apart = [((fit.shifts - shifts) ** 2).sum(axis=1) + fit.variance for fit in fits]
    square = np.average(apart, axis=0, weights=likely).mean(axis=1)
    terms = shift_terms(gu, gv)
    out = []
    for c, s in enumerate(seen):
        # The axis lies near the middle: what its square makes is taken up by the terms on the way.
        coefficients = np.linalg.lstsq(terms.reshape(-1, TERMS), shifts[c].ravel(), rcond=None)[0]
        moved = np.hypot(*(terms @ coefficients)).reshape(_GRID, _GRID)
        left = np.hypot(*(s.shift - shift_terms(s.u, s.v) @ coefficients))[s.weight > 0]
        out.append(
            ChannelShift(
                coefficients,
                corner=float(moved[[0, 0, -1, -1], [0, -1, 0, -1]].max()),
                center=float(moved[_GRID // 2, _GRID // 2]),
                error=float(np.sqrt(square[c])),
                size=float(np.sqrt((moved**2).mean())),
                residual=float(np.median(left) / RAYLEIGH_MEDIAN),
                stars=int(np.count_nonzero(s.weight)),
            )
        )
    return out


def _weighted(terms: Floats, shift: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Least squares: solution and its covariance."""
    rows = terms.reshape(-1, terms.shape[-1])
    both = np.concatenate([weight, weight])
    normal = rows.T @ (both[:, None] * rows)
    inverse = np.asarray(np.linalg.pinv(normal, hermitian=True), np.float64)
    return inverse @ (rows.T @ (both * shift.ravel())), inverse


def _robust(terms: Floats, shift: Floats, error: Floats) -> Floats:
    """Weights by the biweight (Beaton & Tukey 1974) of distances from the fit, over errors and scatter beyond them."""
    left = np.hypot(*(shift - np.median(shift, axis=1)[:, None]))
    weight = np.ones_like(error)
    for _ in range(_ROUNDS):
        total = np.hypot(error, _own_scatter(left, error))
        inside = np.maximum(1 - (left / (BIWEIGHT_REACH * total)) ** 2, 0) ** 2
        weight = inside / total**2
        solution, _ = _weighted(terms, shift, weight)
        left = np.hypot(*(shift - terms @ solution))
    return weight


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

"""Filling drawn regions on arrays: a smooth ground fitted to what lies around, and grain like that around.

What lies around is averaged in cells, as medians, so that neither noise nor a faint star decides; cells with a star in
them are set aside by how far they stray from the fit. The ground is a cubic spline on a grid as fine as the region is
narrow, as close to the cells as their noise allows and as little bent as it can be where there are none (penalised
splines: Eilers & Marx 1996, Statistical Science 11, 89; bending: Duchon 1977).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.statistics import MAD_TO_SIGMA, row_medians

if TYPE_CHECKING:
    from scipy import sparse
    from scipy.sparse import linalg
else:
    sparse = on_first_use("scipy.sparse")
    linalg = on_first_use("scipy.sparse.linalg")

__all__ = ["Ground", "Surroundings", "fit_ground", "node_spacing", "reach_around", "surroundings"]

F64 = NDArray[np.float64]
Planes = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Nodes from the edge of a region to its middle; least and largest distance between them, px. Half and double the
#: number, and half and double the bending, leave as much in nine of ten regions (`benchmarks/filling.py`).
_NODES, _FINEST, _COARSEST = 5.0, 4.0, 64.0
#: How far around a region is looked at, in distances between nodes, and px at least.
_AROUND, _LEAST_AROUND = 4.0, 16.0
#: How much bending counts against distance from the cells.
_BENDING = 0.01
#: Rounds of setting cells aside (of `benchmarks/filling.py` five leave as much), and how many scatters away a cell
#: counts for nothing (Tukey's biweight).
_ROUNDS, _FAR = 3, 4.0
#: More columns than any grid has.
_WIDE = 1 << 24
#: How SuperLU takes a matrix that is symmetric and positive: the least fill, no pivots.
_SYMMETRIC: dict[str, Any] = {
    "permc_spec": "MMD_AT_PLUS_A",
    "diag_pivot_thresh": 0.0,
    "options": {"SymmetricMode": True},
}
_ROOT, _TRACE, _TINY = float(np.sqrt(2)), 3e-4, 1e-12


class Surroundings(NamedTuple):
    """Cells around a region.

    Attributes
    ----------
    y, x : ndarray, shape (M,)
        Mean places of their pixels.
    level : ndarray, shape (M, C)
        Medians.
    share : ndarray, shape (M,)
        How much of the cell is there, 0..1.
    grain : ndarray, shape (C, C)
        Covariance of pixels within the cells.
    """

    y: F64
    x: F64
    level: F64
    share: F64
    grain: F64


class Ground(NamedTuple):
    """A smooth surface: cubic splines about nodes that lie ``spacing`` px apart.

    Attributes
    ----------
    spacing : float
    nodes : ndarray, shape (N, 2), int64
        Row and column on the grid, in order; the node lies at that times the spacing.
    values : ndarray, shape (N, C), float64
    """

    spacing: float
    nodes: NDArray[np.int64]
    values: F64

    def at(self, y: F64, x: F64) -> tuple[F64, NDArray[np.bool_]]:
        """The surface (C, n) at places, and whether it reaches there (n,); every sum is taken in the same order."""
        keys = _keys(self.nodes[:, 0], self.nodes[:, 1])
        (iy, wy), (ix, wx) = _basis(y / self.spacing), _basis(x / self.spacing)
        total, there = np.zeros((self.values.shape[1], len(y))), np.ones(len(y), np.bool_)
        for a in range(4):
            for b in range(4):
                wanted = _keys(iy + a, ix + b)
                at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
                there &= keys[at] == wanted
                total += wy[:, a] * wx[:, b] * self.values[at].T
        return total, there


def node_spacing(half_width: float) -> float:
    """Distance between nodes for a region whose middle is this far from its edge, px."""
    return float(np.clip(half_width / _NODES, _FINEST, _COARSEST))


def reach_around(spacing: float) -> float:
    """How far around a region is looked at, px."""
    return max(_AROUND * spacing, _LEAST_AROUND)


def surroundings(planes: Planes, region: Mask, known: Mask, spacing: float, y0: int = 0, x0: int = 0) -> Surroundings:
    """What lies around a region: cells of half the ``spacing``, of pixels that are ``known``.

    Parameters
    ----------
    planes : ndarray, shape (C, h, w), float32
        A window of the frame.
    region, known : ndarray, shape (h, w), bool
    spacing : float
        Of the nodes, px.
    y0, x0 : int
        The window's first row and column.

    Returns
    -------
    Surroundings
        In pixels of the frame; empty where nothing is known.
    """
    side = max(4, round(spacing / 2))
    away = cv2.distanceTransform((~region).astype(np.uint8), cv2.DIST_L2, 5)
    y, x = np.nonzero(known & ~region & (away <= reach_around(spacing)))
    values = planes[:, y, x].astype(np.float64)
    ids, inverse, count = np.unique(_keys(y // side, x // side), return_inverse=True, return_counts=True)
    level = _medians(values, inverse, count)
    middle_y, middle_x = (np.bincount(inverse, at, len(ids)) / count + first for at, first in ((y, y0), (x, x0)))
    enough = count >= side * side / 4
    inside = (values - level.T[:, inverse])[:, enough[inverse]]
    share = np.minimum(count / side**2, 1.0)
    grain = _covariance(inside, side)
    return Surroundings(middle_y[enough], middle_x[enough], level[enough], share[enough], grain)


def _medians(values: F64, cell: NDArray[np.int64], count: NDArray[np.int64]) -> F64:
    """Medians (M, C) of values (C, n) by their cell (n,), of which each has so many (M,)."""
    order = np.argsort(cell, kind="stable")
    place = np.arange(len(cell)) - np.repeat(np.cumsum(count) - count, count)
    table, level = np.full((len(count), count.max(initial=0)), np.nan), np.empty((len(count), len(values)))
    for k, plane in enumerate(values):
        table[cell[order], place] = plane[order]
        level[:, k] = row_medians(table, count)
    return level


def _covariance(deviations: F64, side: int) -> F64:
    """Covariance of pixels from their deviations (C, n) from the median of their cell, outliers left out."""
    if deviations.shape[1] == 0:
        return np.zeros((len(deviations), len(deviations)))
    sigma = MAD_TO_SIGMA * np.median(np.abs(deviations), axis=1)
    usual = (np.abs(deviations) <= 3 * sigma[:, None]).all(axis=0)
    kept = deviations[:, usual]
    # Cut at three sigma a normal distribution keeps 0.973 of its variance; a median takes part of it with it.
    return np.asarray(kept @ kept.T / max(kept.shape[1], 1) / 0.973 / (1 - 1 / side**2))


def _basis(at: F64) -> tuple[NDArray[np.int64], F64]:
    """First of the four nodes around each place (in spacings), and their weights (n, 4)."""
    first = np.floor(at)
    t = at - first
    s = 1 - t
    weights = [s**3 / 6, (4 - 6 * t**2 + 3 * t**3) / 6, (4 - 6 * s**2 + 3 * s**3) / 6, t**3 / 6]
    return first.astype(np.int64) - 1, np.stack(weights, axis=-1)


def fit_ground(around: Surroundings, y: F64, x: F64, spacing: float) -> Ground:
    """The surface through what lies around a region, over the region.

    Parameters
    ----------
    around : Surroundings
    y, x : ndarray, shape (n,)
        Pixels of the region.
    spacing : float
        Between nodes, px.

    Returns
    -------
    Ground
        Nodes that the pixels of the region need.
    """
    m = len(around.y)
    (iy, wy), (ix, wx) = (_basis(np.concatenate(at) / spacing) for at in ((around.y, y), (around.x, x)))
    four = np.arange(4)
    keys = _keys((iy[:, None] + four)[:, :, None], (ix[:, None] + four)[:, None, :]).reshape(-1, 16)
    known = np.unique(keys)
    weights = (wy[:m, :, None] * wx[:m, None, :]).ravel()
    where = (np.repeat(np.arange(m), 16), np.searchsorted(known, keys[:m].ravel()))
    cells = sparse.csr_array((weights, where), shape=(m, len(known)))
    penalty = _BENDING * _bending(known)
    share = around.share
    values: Any = np.zeros((len(known), around.level.shape[1]))
    for _ in range(_ROUNDS):
        weighted: Any = cells.T @ sparse.diags_array(share)
        values = linalg.splu(sparse.csc_array(weighted @ cells + penalty), **_SYMMETRIC).solve(weighted @ around.level)
        residual = around.level - cells @ values
        scatter = MAD_TO_SIGMA * np.median(np.abs(residual), axis=0) + _TINY
        far = np.abs(residual / scatter).max(axis=1) / _FAR
        share = around.share * np.maximum(1 - np.minimum(far, 1) ** 2, 0) ** 2
    needed = np.unique(keys[m:])
    kept = np.searchsorted(known, needed)
    return Ground(spacing, np.column_stack(np.divmod(needed, _WIDE)) - _WIDE // 2, np.asarray(values)[kept])


def _keys(row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.int64]:
    """One number for a place on the grid; those of a row follow each other."""
    return np.asarray((row + _WIDE // 2) * _WIDE + column + _WIDE // 2)


def _bending(known: NDArray[np.int64]) -> sparse.csr_array:
    """Squares of second differences of nodes, summed (n, n); and a trace of first ones, so that there is one answer."""
    n = len(known)
    total = 1e-10 * sparse.eye_array(n, format="csr")
    along, down = 1, _WIDE
    bent = [[(0, 1.0), (step, -2.0), (2 * step, 1.0)] for step in (along, down)]
    bent.append([(0, _ROOT), (along, -_ROOT), (down, -_ROOT), (along + down, _ROOT)])
    sloped = [[(0, -_TRACE), (step, _TRACE)] for step in (along, down)]
    for steps in [*bent, *sloped]:
        at = [np.minimum(np.searchsorted(known, known + step), n - 1) for step, _ in steps]
        there = np.all([known[a] == known + step for a, (step, _) in zip(at, steps, strict=True)], axis=0)
        count = int(there.sum())
        rows = np.tile(np.arange(count), len(steps))
        entries = np.repeat([weight for _, weight in steps], count)
        differences = sparse.csr_array((entries, (rows, np.concatenate([a[there] for a in at]))), shape=(count, n))
        total = total + differences.T @ differences
    return total

"""Sky samples: the level of every cell of an even grid, with stars and other outliers inside the cell left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import in_order
from workbench.measure.statistics import count_below

__all__ = ["SkyCells", "auto_spacing", "cell_edges", "clipped_means", "sample_boxes", "sample_cells"]

F64 = NDArray[np.float64]

#: A cell is read at no more than this many places along a side: more adds time and hardly any precision.
MOST_PER_SIDE = 32
#: Cells aimed at when the spacing is left to the program.
AIM = 2400
#: A cell speaks for itself when at least this share of its places is covered.
LEAST_COVERED = 0.25


@dataclass(frozen=True, slots=True)
class SkyCells:
    """Levels of a grid of cells.

    Attributes
    ----------
    y, x : ndarray, shape (rows,) and (columns,), float64
        Cell centres in pixels.
    level : ndarray, shape (rows, columns, C), float64
        Mean of the cell's pixels after clipping; 0 where too little is covered.
    known : ndarray, shape (rows, columns), bool
        SkyCells that are covered well enough.
    """

    y: F64
    x: F64
    level: F64
    known: NDArray[np.bool_]

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        rows, columns = self.known.shape
        return rows, columns


def auto_spacing(height: int, width: int) -> float:
    """Cell size in pixels that gives about `AIM` cells, but no cell under 8 pixels."""
    return float(max(8.0, np.sqrt(height * width / AIM)))


def cell_edges(n: int, spacing: float) -> F64:
    """Edges of the cells along an axis of ``n`` pixels: evenly spaced, as near to ``spacing`` as fits."""
    return np.linspace(0.0, n, max(1, round(n / spacing)) + 1)


def _places(edges: F64) -> tuple[NDArray[np.intp], int]:
    """Pixel indices read along an axis, the same number in every cell, evenly spread; and that number."""
    size = float(edges[1] - edges[0])
    per_cell: int = min(max(int(size), 1), MOST_PER_SIDE)
    offsets = (np.arange(per_cell) + 0.5) * (size / per_cell)
    return (edges[:-1, None] + offsets).astype(np.intp).ravel(), per_cell


@kernel
def _clip_sorted(
    ordered: NDArray[np.float32], counts: NDArray[np.int64], above: float, below: float, out: NDArray[np.float64]
) -> None:
    """Mean of each ordered row between ``below`` and ``above`` deviations about the median.

    The deviation is the distance from the median down to the 15.87 % quantile: stars do not reach it.
    """
    for i in range(ordered.shape[0]):
        row = ordered[i]
        n = counts[i]
        if n == 0:
            out[i] = 0.0
            continue
        lo, hi = 0, n
        for _ in range(8):
            m = hi - lo
            median = 0.5 * (np.float64(row[lo + (m - 1) // 2]) + np.float64(row[lo + m // 2]))
            deviation = median - row[lo + int(0.1587 * (m - 1) + 0.5)]
            a = count_below(row, n, np.float32(median - below * deviation), False)
            b = count_below(row, n, np.float32(median + above * deviation), True)
            if b <= a or (a == lo and b == hi):
                break
            lo, hi = int(a), int(b)
        total = 0.0
        for k in range(lo, hi):
            total += row[k]
        out[i] = total / (hi - lo)


def clipped_means(samples: NDArray[np.float32], *, above: float = 2.5, below: float = 4.0) -> F64:
    """Mean of each row after clipping stars away; NaN samples are left out.

    Parameters
    ----------
    samples : ndarray, shape (N, n), float32
        Sorted in place.
    above, below : float
        Limits in deviations above and below the median. The deviation is measured on the darker side only.

    Returns
    -------
    ndarray, shape (N,), float64
        0 for a row without samples.
    """
    samples.sort(axis=1)
    counts = samples.shape[1] - np.isnan(samples[:, ::-1]).argmin(axis=1).astype(np.int64)
    counts[np.isnan(samples[:, 0])] = 0
    out = np.empty(len(samples))
    _clip_sorted(samples, counts, above, below, out)
    return out


def sample_cells(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None, spacing: float) -> SkyCells:
    """Level of every cell in every channel.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    coverage : ndarray, shape (H, W), uint8, or None
        Pixels with 0 are left out. So are pixels that are exactly 0, or not a number, in all channels: margins that no
        frame reached are filled so, and a cell keeps them under a low quantile where they are more than 16 % of it.
        Where this would leave no cell at all, zeros count.
    spacing : float
        Cell size in pixels; adapted a little so that cells fill the frame.

    Notes
    -----
    A cell is read at no more than 32 x 32 places: 0.1 s a plane at 24 MP.
    """
    cells = _sampled(planes, coverage, spacing, zeros_are_empty=True)
    return cells if cells.known.any() else _sampled(planes, coverage, spacing, zeros_are_empty=False)


def _sampled(
    planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None, spacing: float, *, zeros_are_empty: bool
) -> SkyCells:
    channels, height, width = planes.shape
    ye, xe = cell_edges(height, spacing), cell_edges(width, spacing)
    rows, my = _places(ye)
    columns, mx = _places(xe)
    ny, nx = len(ye) - 1, len(xe) - 1
    level = np.empty((ny, nx, channels))
    share = np.ones((ny, nx))

    def band(i: int) -> None:
        place = np.ix_(rows[i * my : (i + 1) * my], columns)
        read = [planes[c][place] for c in range(channels)]
        hidden = np.isnan(read[0])
        if zeros_are_empty:
            hidden |= np.logical_and.reduce([r == 0.0 for r in read])
        if coverage is not None:
            hidden |= coverage[place] == 0
        some = bool(hidden.any())
        for c in range(channels):
            if some:
                read[c][hidden] = np.nan
            samples = read[c].reshape(my, nx, mx).transpose(1, 0, 2).reshape(nx, my * mx)
            level[i, :, c] = clipped_means(samples)
        if some:
            share[i] = 1.0 - hidden.reshape(my, nx, mx).mean(axis=(0, 2))

    in_order(band, list(range(ny)))
    known = share >= LEAST_COVERED
    level[~known] = 0.0
    return SkyCells((ye[:-1] + ye[1:]) / 2 - 0.5, (xe[:-1] + xe[1:]) / 2 - 0.5, level, known)


def sample_boxes(
    planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None, y: F64, x: F64, size: float
) -> tuple[F64, NDArray[np.bool_]]:
    """Level (N, C) of boxes of ``size`` pixels around N places, and which of them are covered well enough."""
    channels, height, width = planes.shape
    level = np.zeros((len(y), channels))
    known = np.zeros(len(y), np.bool_)
    half = size / 2
    for i, (cy, cx) in enumerate(zip(y, x, strict=True)):
        y0, y1 = (int(np.clip(round(cy + s), 0, height)) for s in (-half, half))
        x0, x1 = (int(np.clip(round(cx + s), 0, width)) for s in (-half, half))
        box = (slice(min(y0, height - 1), max(y1, y0 + 1)), slice(min(x0, width - 1), max(x1, x0 + 1)))
        shown = np.ones(planes[0][box].shape, np.bool_) if coverage is None else coverage[box] > 0
        known[i] = shown.mean() >= LEAST_COVERED
        if known[i]:
            level[i] = clipped_means(np.stack([p[box][shown] for p in planes]))
    return level, known

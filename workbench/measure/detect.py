"""Compiled core of star finding: peaks of a matched blur, then position, size and light of each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Plane, Planes

__all__ = ["COLUMNS", "mean_plane", "measure_peaks", "peaks"]

Floats = NDArray[np.float64]

#: Columns of a row that `measure_peaks` writes.
COLUMNS = ("x", "y", "window_sum", "xx", "yy", "xy", "peak", "background", "contrast", "spread", "center_share")


@kernel
def mean_plane(planes: Planes, out: Plane) -> None:
    """Mean over channels of planes (C, h, w) of any strides."""
    c, h, w = planes.shape
    scale = np.float32(1.0 / c)
    for y in range(h):
        for x in range(w):
            total = planes[0, y, x]
            for k in range(1, c):
                total += planes[k, y, x]
            out[y, x] = total * scale


@kernel
def _interpolated(grid: Plane, size: int, y: float, x: float) -> float:
    """Bilinear value of a mesh whose cell (i, j) is centred at ((i + 0.5) size - 0.5, ...)."""
    v = (y + 0.5) / size - 0.5
    u = (x + 0.5) / size - 0.5
    i = min(max(int(np.floor(v)), 0), max(grid.shape[0] - 2, 0))
    j = min(max(int(np.floor(u)), 0), max(grid.shape[1] - 2, 0))
    fv = min(max(v - i, 0.0), 1.0)
    fu = min(max(u - j, 0.0), 1.0)
    i1 = min(i + 1, grid.shape[0] - 1)
    j1 = min(j + 1, grid.shape[1] - 1)
    top = grid[i, j] + fu * (grid[i, j1] - grid[i, j])
    low = grid[i1, j] + fu * (grid[i1, j1] - grid[i1, j])
    return top + fv * (low - top)


@kernel
def peaks(
    blurred: Plane,
    coverage: Coverage,
    y_first: int,
    y_last: int,
    y_frame: int,
    level: Plane,
    sigma: Plane,
    size: int,
    threshold: float,
    found: NDArray[np.int32],
) -> int:
    """Local maxima of rows ``y_first .. y_last`` of a strip that starts at frame row ``y_frame``.

    A maximum exceeds the mesh level by ``threshold`` times the mesh sigma (of the blurred plane) and its eight
    neighbours; of equal neighbours the first in reading order counts. Writes (y, x) in strip coordinates to
    ``found`` and returns how many there are (more than fit are counted, not written).
    """
    h, w = blurred.shape
    masked = coverage.size > 0
    row = np.empty(w, np.float32)
    n = 0
    cells = level.shape[1]
    nodes = np.empty(cells + 2, np.float32)
    for y in range(max(y_first, 1), min(y_last, h - 1)):
        v = (y + y_frame + 0.5) / size - 0.5
        i = min(max(int(np.floor(v)), 0), max(level.shape[0] - 2, 0))
        i1 = min(i + 1, level.shape[0] - 1)
        fv = min(max(v - i, 0.0), 1.0)
        for j in range(cells):
            b = level[i, j] + fv * (level[i1, j] - level[i, j])
            s = sigma[i, j] + fv * (sigma[i1, j] - sigma[i, j])
            nodes[j + 1] = b + threshold * s
        nodes[0] = nodes[1]
        nodes[cells + 1] = nodes[cells]
        half = size // 2
        for j in range(cells + 1):
            x0 = j * size - half
            slope = (nodes[j + 1] - nodes[j]) / size
            for x in range(max(x0, 0), min(x0 + size, w)):
                row[x] = nodes[j] + slope * (x - x0 + np.float32(0.5))
        for x in range(1, w - 1):
            p = blurred[y, x]
            if p <= row[x]:
                continue
            if p <= blurred[y, x - 1] or p < blurred[y, x + 1]:
                continue
            if p <= blurred[y - 1, x - 1] or p <= blurred[y - 1, x] or p <= blurred[y - 1, x + 1]:
                continue
            if p < blurred[y + 1, x - 1] or p < blurred[y + 1, x] or p < blurred[y + 1, x + 1]:
                continue
            if masked and coverage[y, x] == 0:
                continue
            if n < found.shape[0]:
                found[n, 0] = y
                found[n, 1] = x
            n += 1
    return n


@kernel
def _ring(image: Plane, coverage: Coverage, y: int, x: int, offsets: NDArray[np.int32], values: Plane) -> int:
    h, w = image.shape
    masked = coverage.size > 0
    n = 0
    for k in range(offsets.shape[0]):
        yy = y + offsets[k, 0]
        xx = x + offsets[k, 1]
        if 0 <= yy < h and 0 <= xx < w and not (masked and coverage[yy, xx] == 0):
            values[n] = image[yy, xx]
            n += 1
    return n


@kernel
def _half_sorted(values: Plane, n: int) -> None:
    """Insertion sort of a short list."""
    for i in range(1, n):
        v = values[i]
        j = i - 1
        while j >= 0 and values[j] > v:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = v


@kernel
def _median_spread(values: Plane, n: int) -> tuple[float, float]:
    """Median, and the noise above it: distance to the lower quartile in standard deviations (stars lie above)."""
    if n < 4:
        return np.nan, np.nan
    _half_sorted(values, n)
    median = np.float64(values[n // 2])
    return median, (median - values[n // 4]) / 0.6745


@kernel
def measure_peaks(
    image: Plane,
    blurred: Plane,
    coverage: Coverage,
    found: NDArray[np.int32],
    window: float,
    ring: NDArray[np.int32],
    rows: Floats,
) -> None:
    """Windowed position, moments and sum of each peak (y, x) of a strip, its ring background and contrast.

    Parameters
    ----------
    window : float
        Standard deviation of the round Gaussian window, pixels.
    ring : ndarray, shape (R, 2), int32
        Offsets (dy, dx) where the local background is sampled.
    rows : ndarray, shape (N, 11), float64
        One row of `COLUMNS` for each peak. Second moments are those under the window, not yet corrected for it.
    """
    h, w = image.shape
    masked = coverage.size > 0
    radius = int(np.ceil(3 * window))
    side = 2 * radius + 3
    wx = np.empty(side)
    wy = np.empty(side)
    values = np.empty(ring.shape[0], np.float32)
    inverse = -0.5 / (window * window)
    for k in range(found.shape[0]):
        py = found[k, 0]
        px = found[k, 1]
        n = _ring(blurred, coverage, py, px, ring, values)
        blurred_level, spread = _median_spread(values, n)
        n = _ring(image, coverage, py, px, ring, values)
        background, _ = _median_spread(values, n)
        # First guess: vertex of parabolas through the blurred peak.
        p = blurred[py, px]
        a = blurred[py, px - 1] - 2 * p + blurred[py, px + 1]
        b = blurred[py - 1, px] - 2 * p + blurred[py + 1, px]
        x = px + (0.5 * (blurred[py, px - 1] - blurred[py, px + 1]) / a if a < 0 else 0.0)
        y = py + (0.5 * (blurred[py - 1, px] - blurred[py + 1, px]) / b if b < 0 else 0.0)
        total = 0.0
        sxx = syy = sxy = 0.0
        y0 = max(py - radius, 0)
        y1 = min(py + radius, h - 1)
        x0 = max(px - radius, 0)
        x1 = min(px + radius, w - 1)
        for step in range(5):
            for i in range(x0, x1 + 1):
                wx[i - x0] = np.exp(inverse * (i - x) ** 2)
            for i in range(y0, y1 + 1):
                wy[i - y0] = np.exp(inverse * (i - y) ** 2)
            total = 0.0
            sx = sy = sxx = syy = sxy = 0.0
            for i in range(y0, y1 + 1):
                dy = i - y
                row = row_x = row_xx = 0.0
                for j in range(x0, x1 + 1):
                    if masked and coverage[i, j] == 0:
                        continue
                    v = wx[j - x0] * (image[i, j] - background)
                    dx = j - x
                    row += v
                    row_x += v * dx
                    row_xx += v * dx * dx
                g = wy[i - y0]
                total += g * row
                sx += g * row_x
                sy += g * row * dy
                sxx += g * row_xx
                sxy += g * row_x * dy
                syy += g * row * dy * dy
            if not total > 0:
                break
            mx = sx / total
            my = sy / total
            sxx = sxx / total - mx * mx
            syy = syy / total - my * my
            sxy = sxy / total - mx * my
            if step == 4:
                break
            # A window as wide as the star halves the shift it sees.
            x = min(max(x + 2 * mx, px - 1.5), px + 1.5)
            y = min(max(y + 2 * my, py - 1.5), py + 1.5)
            if mx * mx + my * my < 1e-7 and step > 0:
                break
        top = image[py, px]
        near = 0.0
        for i in range(max(py - 1, 0), min(py + 2, h)):
            for j in range(max(px - 1, 0), min(px + 2, w)):
                top = max(top, image[i, j])
                near += image[i, j] - background
        out = rows[k]
        out[0] = x
        out[1] = y
        out[2] = total
        out[3] = sxx
        out[4] = syy
        out[5] = sxy
        out[6] = top - background
        out[7] = background
        out[8] = p - blurred_level
        out[9] = spread
        out[10] = (top - background) / near if near > 0 else 1.0

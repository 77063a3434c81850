"""Compiled core of star finding: peaks of a matched blur, then position, size and light of each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Plane, Planes

__all__ = ["COLUMNS", "mean_plane", "measure_peaks", "peaks", "ranked", "window_sums"]

Floats = NDArray[np.float64]

#: Columns of a row that `measure_peaks` writes.
COLUMNS = ("x", "y", "window_sum", "xx", "yy", "xy", "peak", "background", "filtered", "spread", "center_share")


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
def _threshold_row(sigma: Plane, size: int, threshold: float, y: int, row: Plane) -> None:
    """``threshold`` times a mesh along frame row ``y``; cell (i, j) is centred at ((i + 0.5) size - 0.5, ...)."""
    rows, cells = sigma.shape
    v = (y + 0.5) / size - 0.5
    i = min(max(int(np.floor(v)), 0), max(rows - 2, 0))
    i1 = min(i + 1, rows - 1)
    fv = np.float32(min(max(v - i, 0.0), 1.0))
    half = size // 2
    for j in range(cells + 1):
        left, right = max(j - 1, 0), min(j, cells - 1)
        a = threshold * (sigma[i, left] + fv * (sigma[i1, left] - sigma[i, left]))
        b = threshold * (sigma[i, right] + fv * (sigma[i1, right] - sigma[i, right]))
        x0 = j * size - half
        for x in range(max(x0, 0), min(x0 + size, row.size)):
            row[x] = a + (b - a) * ((x - x0 + 0.5) / size)


@kernel
def peaks(
    filtered: Plane,
    coverage: Coverage,
    y_first: int,
    y_last: int,
    y_frame: int,
    sigma: Plane,
    size: int,
    threshold: float,
    found: NDArray[np.int32],
) -> int:
    """Local maxima of rows ``y_first .. y_last`` of a filtered strip that starts at frame row ``y_frame``.

    A maximum exceeds ``threshold`` times the mesh sigma (of the filtered image) and its eight neighbors; of equal
    neighbors the first in reading order counts. Writes (y, x) in strip coordinates to ``found`` and returns how
    many there are (more than fit are counted, not written).
    """
    h, w = filtered.shape
    masked = coverage.size > 0
    row = np.empty(w, np.float32)
    n = 0
    for y in range(max(y_first, 1), min(y_last, h - 1)):
        _threshold_row(sigma, size, threshold, y + y_frame, row)
        for x in range(1, w - 1):
            p = filtered[y, x]
            if p <= row[x]:
                continue
            if p <= filtered[y, x - 1] or p < filtered[y, x + 1]:
                continue
            if p <= filtered[y - 1, x - 1] or p <= filtered[y - 1, x] or p <= filtered[y - 1, x + 1]:
                continue
            if p < filtered[y + 1, x - 1] or p < filtered[y + 1, x] or p < filtered[y + 1, x + 1]:
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
def ranked(values: NDArray[np.float32], n: int, rank: int) -> np.float32:
    """The ``rank``-th smallest of the first ``n`` values, which are reordered (Hoare 1961, CACM 4, 321)."""
    lo, hi = 0, n - 1
    while lo < hi:
        pivot = values[(lo + hi) // 2]
        i, j = lo, hi
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if rank <= j:
            hi = j
        elif rank >= i:
            lo = i
        else:
            break
    found: np.float32 = values[rank]
    return found


@kernel
def _scatter(values: Plane, n: int, apart: int) -> float:
    """Noise along a ring of samples: differences of points so far apart that they are independent.

    Their 0.3 quantile: in a dense group most of a ring lies on neighbors, and a median made bright stars drown there.
    """
    if n <= apart:
        return np.nan
    steps = np.empty(n - apart, np.float32)
    for i in range(n - apart):
        steps[i] = abs(values[i + apart] - values[i])
    spread: float = ranked(steps, steps.size, (3 * steps.size) // 10) / (0.38532 * np.sqrt(2.0))
    return spread


@kernel
def _median(values: Plane, n: int) -> float:
    if n == 0:
        return np.nan
    median: float = np.float64(ranked(values, n, n // 2))
    return median


@kernel
def measure_peaks(  # noqa: C901, PLR0912, PLR0915 - one pass over a peak's pixels
    image: Plane,
    filtered: Plane,
    coverage: Coverage,
    found: NDArray[np.int32],
    window: float,
    stride: float,
    ring: NDArray[np.int32],
    rows: Floats,
) -> None:
    """Windowed position, moments and sum of each peak (y, x) of a strip, its ring background and contrast.

    Parameters
    ----------
    window : float
        Standard deviation of the round Gaussian window, pixels.
    stride : float
        Step towards the centre, in shifts that the window sees: 1 + (star width / window)^2 for a Gaussian star.
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
        n = _ring(filtered, coverage, py, px, ring, values)
        spread = _scatter(values, n, 3)
        n = _ring(image, coverage, py, px, ring, values)
        background = _median(values, n)
        # First guess: vertex of parabolas through the filtered peak.
        p = filtered[py, px]
        a = filtered[py, px - 1] - 2 * p + filtered[py, px + 1]
        b = filtered[py - 1, px] - 2 * p + filtered[py + 1, px]
        x = px + (0.5 * (filtered[py, px - 1] - filtered[py, px + 1]) / a if a < 0 else 0.0)
        y = py + (0.5 * (filtered[py - 1, px] - filtered[py + 1, px]) / b if b < 0 else 0.0)
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
            x = min(max(x + stride * mx, px - 1.5), px + 1.5)
            y = min(max(y + stride * my, py - 1.5), py + 1.5)
            if mx * mx + my * my < 1e-7 and step > 0:
                break
        top = image[py, px]
        near = 0.0
        for i in range(max(py - 1, 0), min(py + 2, h)):
            for j in range(max(px - 1, 0), min(px + 2, w)):
                if masked and coverage[i, j] == 0:
                    continue
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
        out[8] = p
        out[9] = spread
        out[10] = (top - background) / near if near > 0 else 1.0


@kernel
def window_sums(
    plane: Plane, coverage: Coverage, xy: Floats, window: float, ring: NDArray[np.int32], sums: Floats
) -> None:
    """Light of each place (N, 2: x, y) under a Gaussian window, above the median of its ring; places are not moved."""
    h, w = plane.shape
    radius = int(np.ceil(3 * window))
    inverse = -0.5 / (window * window)
    values = np.empty(ring.shape[0], np.float32)
    for k in range(xy.shape[0]):
        x, y = xy[k, 0], xy[k, 1]
        px, py = int(np.rint(x)), int(np.rint(y))
        sky = _median(values, _ring(plane, coverage, py, px, ring, values))
        total = 0.0
        for i in range(max(py - radius, 0), min(py + radius + 1, h)):
            for j in range(max(px - radius, 0), min(px + radius + 1, w)):
                if coverage.size > 0 and coverage[i, j] == 0:
                    continue
                total += np.exp(inverse * ((i - y) ** 2 + (j - x) ** 2)) * (plane[i, j] - sky)
        sums[k] = total

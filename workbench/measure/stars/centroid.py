"""Position, size and light of each peak under a Gaussian window, above the median of a ring around it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Plane
from workbench.measure.statistics import ranked

__all__ = ["PEAK", "measure_peaks", "median_of", "ring_values"]

Table = NDArray[Any]

#: What `measure_peaks` writes of a peak. ``xx``, ``yy``, ``xy`` are second moments under the window (px^2), ``spread``
#: the noise along the ring in the filtered image, ``center_share`` the share of 3 x 3 pixels' light in the highest.
PEAK = np.dtype(
    [
        (name, np.float64)
        for name in (
            "x",
            "y",
            "window_sum",
            "xx",
            "yy",
            "xy",
            "peak",
            "background",
            "filtered",
            "spread",
            "center_share",
        )
    ]
)


@kernel
def ring_values(image: Plane, coverage: Coverage, y: int, x: int, offsets: NDArray[np.int32], values: Plane) -> int:
    """Write the covered pixels at ``offsets`` (R, 2: dy, dx) around a pixel to ``values``; how many there are.

    Parameters
    ----------
    image : ndarray, shape (H, W), float32
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    y, x : int
    offsets : ndarray, shape (R, 2), int32
    values : ndarray, shape (R,), float32
        To be written.

    Returns
    -------
    int
    """
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
def median_of(values: Plane, n: int) -> float:
    """Median of the first ``n`` values, which are reordered; NaN of none.

    Parameters
    ----------
    values : ndarray, shape (N,), float32
    n : int

    Returns
    -------
    float
    """
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
    rows: Table,
) -> None:
    """Windowed position, moments and sum of each peak (y, x) of a strip, its ring background and contrast.

    Parameters
    ----------
    image, filtered : ndarray, shape (h, w), float32
        The strip, and the strip as the matched filter leaves it.
    coverage : ndarray, shape (h, w) or (0, 0), uint8
        0 where a pixel means nothing; empty stands for all covered.
    found : ndarray, shape (N, 2), int32
        The peaks.
    window : float
        Standard deviation of the round Gaussian window, pixels.
    stride : float
        Step towards the centre, in shifts that the window sees: 1 + (star width / window)^2 for a Gaussian star.
    ring : ndarray, shape (R, 2), int32
        Offsets (dy, dx) where the local background is sampled.
    rows : ndarray, shape (N,), of dtype `PEAK`
        Second moments are those under the window, not yet corrected for it.
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
        py = found[k, 0] + 0  # 64 bits, as others call `ring_values`
        px = found[k, 1] + 0
        n = ring_values(filtered, coverage, py, px, ring, values)
        spread = _scatter(values, n, 3)
        n = ring_values(image, coverage, py, px, ring, values)
        background = median_of(values, n)
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
        out.x, out.y = x, y
        out.window_sum = total
        out.xx, out.yy, out.xy = sxx, syy, sxy
        out.peak, out.background = top - background, background
        out.filtered, out.spread = p, spread
        out.center_share = (top - background) / near if near > 0 else 1.0

"""The noise of a stack: at the sky, with brightness, over the frame, and in each starlet scale.

The variance of a pixel of channel c is

    sigma_c^2 (1 + shot_c t) / field(u, v)^2,    t = (pixel - sky_c) field / sigma_c,

where ``field`` is a quadratic in frame coordinates (dividing by a flat field leaves more noise in the corners) and
``shot_c`` the growth of variance with light (photon noise). All of it is measured on patches spread over the frame,
where second differences show noise and little else: medians of absolute values step over stars, and the quieter
patches speak for the scales in which nebulosity hides the noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.measure import starlet
from workbench.measure.blocks import in_order
from workbench.operations._denoise.plan import TURN
from workbench.operations._denoise.reference import stabilise

__all__ = ["SCALES", "measure_noise"]

Planes = NDArray[np.float32]
Table = NDArray[np.float64]

SCALES = 5  #: scales that facts hold
_MEASURED = 4  # the fifth has too few independent samples in a patch
_PATCH = 224
_ROWS, _COLUMNS = 6, 8
_BINS = 6
_MAD = 1.482602
_QUIET = 0.3  # quantile over patches: objects can only add to the spread
_COARSE_EXCESS = 1.12  # a coarse scale may exceed what the one before makes likely by this much; more is structure


@dataclass(frozen=True, slots=True)
class _Patch:
    """Spread and level of the finest two scales in bins of brightness, channel by channel."""

    u: float
    v: float
    level: Table  #: (C,) median
    sigma: Table  #: (C,) spread of a pixel about its surroundings
    bin_level: Table  #: (C, bins)
    bin_variance: Table  #: (C, bins)
    count: int


def measure_noise(planes: Planes, covered: NDArray[np.bool_] | None) -> dict[str, Any]:
    """The noise model of linear planes (C, H, W) as plain data: ``sky, sigma, shot, field, scales``.

    ``sky``, ``sigma``, ``shot`` have a value per channel; ``field`` six coefficients of 1, u, v, u2, uv, v2;
    ``scales`` (C, 5) the noise in each starlet scale of the stabilised channels, luminance and color differences.
    All zero where no patch of the frame is covered.
    """
    channels, height, width = planes.shape
    boxes = _patches(height, width, covered)
    nothing = {
        "sky": [0.0] * channels,
        "sigma": [0.0] * channels,
        "shot": [0.0] * channels,
        "field": [1.0, 0, 0, 0, 0, 0],
        "scales": [[0.0] * SCALES] * channels,
    }
    if not boxes:
        return nothing
    found: list[_Patch] = in_order(lambda box: _look(planes, box), boxes)
    sigma = np.quantile([p.sigma for p in found], _QUIET, axis=0)
    sky = np.quantile([p.level for p in found], _QUIET, axis=0)
    if not (sigma > 0).all():
        return nothing | {"sky": sky.tolist()}
    shot, field = _growth(found, sky, sigma)
    model = (sky, sigma, shot, field)
    spreads = np.stack(in_order(lambda box: _scale_noise(planes, box, *model), boxes))
    scales = _plausible(np.quantile(spreads, _QUIET, axis=0))
    return {
        "sky": sky.tolist(),
        "sigma": sigma.tolist(),
        "shot": shot.tolist(),
        "field": field.tolist(),
        "scales": scales.tolist(),
    }


def _patches(height: int, width: int, covered: NDArray[np.bool_] | None) -> list[tuple[slice, slice]]:
    """Patches spread evenly over the frame and wholly covered; smaller ones where none of the first size is."""
    size = _PATCH
    while size >= 16:
        h, w = min(size, height), min(size, width)
        rows = np.unique(np.linspace(0, height - h, min(_ROWS, max(1, height // h))).round().astype(int))
        columns = np.unique(np.linspace(0, width - w, min(_COLUMNS, max(1, width // w))).round().astype(int))
        boxes = [np.s_[int(y) : int(y) + h, int(x) : int(x) + w] for y in rows for x in columns]
        if covered is not None:
            boxes = [box for box in boxes if covered[box].all()]
        if boxes:
            return boxes
        size //= 2
    return []


def _spread(values: NDArray[np.float32]) -> float:
    return _MAD * float(np.median(np.abs(values)))


def _tamed(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """A patch with stars cut down, or their wings would ring through the coarse scales."""
    middle = np.float32(np.median(plane))
    room = np.float32(4 * _spread(plane - middle))
    return np.clip(plane, middle - room, middle + room)


def _flat(waves: list[NDArray[np.float32]]) -> NDArray[np.bool_]:
    """Where a patch shows no star and no edge."""
    middle = waves[1] + waves[2]
    bright = (np.abs(middle) > 2.5 * _spread(middle)).astype(np.uint8)
    flat = cv2.dilate(bright, np.ones((7, 7), np.uint8)) == 0
    return flat if np.count_nonzero(flat) >= flat.size // 8 else np.ones_like(flat)


def _look(planes: Planes, box: tuple[slice, slice]) -> _Patch:
    _, height, width = planes.shape
    level, sigma, bin_level, bin_variance = [], [], [], []
    for plane in planes:
        waves, rest = starlet.scales(_tamed(plane[box]), _MEASURED)
        flat = _flat(waves)
        fine, smooth = waves[0][flat], (rest + waves[3])[flat]
        order = np.argsort(smooth, kind="stable")
        parts = np.array_split(order, _BINS)
        level.append(float(np.median(smooth)))
        sigma.append(_spread(sum(waves)[flat]))
        bin_level.append([float(np.median(smooth[p])) if p.size else level[-1] for p in parts])
        bin_variance.append([_spread(fine[p]) ** 2 if p.size else 0.0 for p in parts])
    u = (box[1].start + box[1].stop) / width - 1
    v = (box[0].start + box[0].stop) / height - 1
    shape = plane[box].shape
    return _Patch(
        u, v, np.array(level), np.array(sigma), np.array(bin_level), np.array(bin_variance), shape[0] * shape[1]
    )


def _growth(found: list[_Patch], sky: Table, sigma: Table) -> tuple[Table, Table]:
    """Growth of variance with light per channel, and the field, each fitted with the other held, three times."""
    level = np.stack([(p.bin_level - sky[:, None]) / sigma[:, None] for p in found])
    variance = np.stack([p.bin_variance for p in found])
    base = np.quantile(variance, _QUIET, axis=(0, 2))
    variance = variance / np.where(base > 0, base, 1)[:, None]
    u, v = np.array([p.u for p in found]), np.array([p.v for p in found])
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    field, weight = np.array([1.0, 0, 0, 0, 0, 0]), np.ones(len(found))
    shot = np.zeros(sky.size)
    # Photons alone, counted from a zero level of no light, would give this much; an offset in the data changes it.
    expected = np.where(sky > 10 * sigma, sigma / np.maximum(sky, 1e-12), 0.0)
    for _ in range(3):
        for c in range(sky.size):
            shot[c] = _slope(level[:, c] * weight[:, None], variance[:, c] * weight[:, None] ** 2, expected[c])
        if len(found) >= 12:
            t = np.maximum(1 + shot[:, None] * level, 0.25)
            field = _fit_field(terms, np.sqrt(np.median(variance / t, axis=(1, 2))))
            weight = terms @ field
    return shot, field


def _slope(level: Table, variance: Table, expected: float) -> float:
    """Slope of variance over level, drawn towards the expected one as far as the data leave it open."""
    x, y = level.ravel(), variance.ravel()
    use = np.ones(x.size, bool)
    a, b, error = 1.0, 0.0, np.inf
    for _ in range(4):
        if use.sum() < 8 or np.ptp(x[use]) <= 0:
            break
        xm, ym = x[use].mean(), y[use].mean()
        sxx = ((x[use] - xm) ** 2).sum()
        b = float(((x[use] - xm) * (y[use] - ym)).sum() / sxx)
        a = float(ym - b * xm)
        residual = y - a - b * x
        scatter = _MAD * float(np.median(np.abs(residual[use])))
        error = scatter / np.sqrt(sxx)
        use = np.abs(residual) <= 3 * max(scatter, 1e-9)
    slope, error = (b / a, error / a) if a > 0 else (0.0, np.inf)
    if expected <= 0:
        return float(max(slope, 0.0)) if slope > 3 * error else 0.0
    trust = 1 / (1 + (error / (0.25 * expected)) ** 2)
    return float(np.clip(trust * slope + (1 - trust) * expected, 0.0, 1.5 * expected))


def _fit_field(terms: Table, spread: Table) -> Table:
    """Quadratic through 1 / spread over the frame, patches with structure left out; 1 on average."""
    y = 1 / np.maximum(spread, 1e-9)
    use = np.ones(y.size, bool)
    fit = np.array([1.0, 0, 0, 0, 0, 0])
    for _ in range(4):
        fit = np.linalg.lstsq(terms[use], y[use], rcond=None)[0]
        residual = y - terms @ fit
        scatter = _MAD * float(np.median(np.abs(residual[use])))
        keep = np.abs(residual) <= 3 * max(scatter, 1e-3)
        if keep.sum() < 10:
            break
        use = keep
    weight = terms @ fit
    if not (weight.min() > 0.2 * weight.max()):
        return np.array([1.0, 0, 0, 0, 0, 0])
    return np.asarray(fit / np.quantile(weight, 1 - _QUIET))


def _scale_noise(
    planes: Planes, box: tuple[slice, slice], sky: Table, sigma: Table, shot: Table, field: Table
) -> Table:
    """Spread (C, measured) of the stabilised channels' scales in a patch."""
    channels, height, width = planes.shape
    u = (np.arange(box[1].start, box[1].stop) + 0.5) * 2 / width - 1
    v = (np.arange(box[0].start, box[0].stop) + 0.5) * 2 / height - 1
    turn = TURN if channels == 3 else np.eye(1)
    z = stabilise(planes[:, box[0], box[1]], sky, 1 / sigma, shot, turn, field, u, v)
    table = np.empty((channels, _MEASURED))
    for c, plane in enumerate(z):
        waves, _ = starlet.scales(_tamed(plane), _MEASURED)
        flat = _flat(waves)
        table[c] = [_spread(wave[flat]) for wave in waves]
    return table


def _plausible(spreads: Table) -> Table:
    """Scales 1..5 from the measured ones. Past the third, noise is white: what exceeds that by far is structure."""
    white = np.array(starlet.WHITE_NOISE)
    out = np.empty((spreads.shape[0], SCALES))
    out[:, :_MEASURED] = spreads
    for j in range(3, SCALES):
        likely = out[:, j - 1] * white[j] / white[j - 1]
        out[:, j] = np.clip(out[:, j], likely, _COARSE_EXCESS * likely) if j < _MEASURED else likely
    return out

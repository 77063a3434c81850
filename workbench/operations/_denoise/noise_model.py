"""The noise of a stack: at the sky, with brightness, over the frame, and in each starlet scale.

The variance of a pixel of channel c is

    sigma_c^2 (1 + shot_c t) / field(u, v)^2,    t = (pixel - sky_c) field / sigma_c,

where ``field`` is a quadratic in frame coordinates (dividing by a flat field leaves more noise in the corners) and
``shot_c`` the growth of variance with light (photon noise). All of it is measured on patches spread over the frame,
where second differences show noise and little else: medians of absolute values step over stars, and the quieter
patches speak for the scales in which nebulosity hides the noise. No limit is hard (`patches`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.measure import starlet
from workbench.measure.blocks import in_order
from workbench.measure.statistics import BIWEIGHT_REACH, MAD_TO_SIGMA
from workbench.operations._denoise import kernels
from workbench.operations._denoise.facts import SCALES, DenoiseFacts
from workbench.operations._denoise.patches import (
    between,
    middle,
    middles,
    patches,
    pixel_noise,
    plain,
    spread,
    tamed,
    thinned,
)
from workbench.operations._denoise.plan import TURN, knees

__all__ = ["measure_noise"]

Planes = NDArray[np.float32]
Table = NDArray[np.float64]

_MEASURED = 4  # the fifth has too few independent samples in a patch
_EVEN = np.array([1.0, 0, 0, 0, 0, 0])  # field of a frame with the same noise everywhere
_BINS = 6
_SOFT_EDGE = 0.1  # half of the way between two bins of brightness, as a share of both; at 0.25 growth is worse by half
_QUIET = 0.3  # quantile over patches: objects can only add to the spread
_LIGHT = (8.0, 12.0)  # sky, in units of its noise, over which it comes to be counted from a zero level of no light
_CLEAR = (2.5, 3.5)  # growth of variance with light, in units of its error, over which it comes to be believed
_OUT = (3.0, 4.0)  # size of a wave, in units of the noise, over which it comes to count as structure
_MOST_GROWTH = (1, 3.5, 1.35, 1.12)  # of noise from a scale to the next, in units of white noise


@dataclass(frozen=True, slots=True)
class _Patch:
    """Spread and level of the finest two scales in bins of brightness, channel by channel."""

    u: float
    v: float
    level: Table  #: (C,) median
    sigma: Table  #: (C,) spread of a pixel about its surroundings
    bin_level: Table  #: (C, bins)
    bin_variance: Table  #: (C, bins)


def measure_noise(planes: Planes, covered: NDArray[np.bool_] | None) -> DenoiseFacts:
    """The noise model of linear planes (C, H, W).

    ``sky``, ``sigma``, ``shot`` have a value per channel; ``field`` six coefficients of 1, u, v, u2, uv, v2; ``turn``
    (C, C) mixes the stabilised channels to luminance and color; ``scales`` (C, 5) is the noise in each of their
    starlet scales.
    All zero where no patch of the frame is covered.
    """
    channels, height, width = planes.shape
    boxes = patches(height, width, covered)
    nothing = DenoiseFacts(
        sky=[0.0] * channels,
        sigma=[0.0] * channels,
        shot=[0.0] * channels,
        field=_EVEN.tolist(),
        turn=(TURN if channels == 3 else np.eye(channels)).tolist(),
        scales=[[0.0] * SCALES] * channels,
    )
    if not boxes:
        return nothing
    looks: list[_Patch] = in_order(lambda box: _look(planes, box), boxes)
    alive = [bool((p.sigma > 0).all()) for p in looks]  # an empty border has no noise
    boxes = [box for box, use in zip(boxes, alive, strict=True) if use]
    found = [p for p, use in zip(looks, alive, strict=True) if use]
    if not found:
        return DenoiseFacts(**nothing.model_dump() | {"sky": np.median([p.level for p in looks], axis=0)})
    sigma = np.quantile([p.sigma for p in found], _QUIET, axis=0)
    sky = np.quantile([p.level for p in found], _QUIET, axis=0)
    shot, field = _growth(found, sky, sigma)
    model = (sky, sigma, shot, field)
    turn = _axes(np.stack(in_order(lambda box: _color_spread(planes, box, *model), boxes)))
    spreads = np.stack(in_order(lambda box: _scale_noise(planes, box, *model, turn), boxes))
    scales = _plausible(_shared(np.quantile(spreads, _QUIET, axis=0)))
    return DenoiseFacts(
        sky=sky.tolist(),
        sigma=sigma.tolist(),
        shot=shot.tolist(),
        field=field.tolist(),
        turn=turn.tolist(),
        scales=scales.tolist(),
    )


def _look(planes: Planes, box: tuple[slice, slice]) -> _Patch:
    _, height, width = planes.shape
    level, sigma, bin_level, bin_variance = [], [], [], []
    for plane in planes:
        waves, rest = starlet.scales(tamed(plane[box]), _MEASURED)
        flat = plain(waves)
        fine, smooth, weight = (thinned(p) for p in (waves[0], rest + waves[3], flat))
        level.append(middle(smooth, weight))
        sigma.append(pixel_noise(waves, flat))
        bins = weight * _bins(smooth, weight)
        halves = np.full(_BINS, 0.5)
        bin_level.append(middles(smooth, bins, halves))
        bin_variance.append((MAD_TO_SIGMA * middles(np.abs(fine), bins, halves)) ** 2)
    u = (box[1].start + box[1].stop) / width - 1
    v = (box[0].start + box[0].stop) / height - 1
    return _Patch(u, v, np.array(level), np.array(sigma), np.array(bin_level), np.array(bin_variance))


def _bins(values: NDArray[np.float32], weights: NDArray[np.float32]) -> Table:
    """Shares (bins, n) of values in bins of equal weight, by size; between two bins they pass from one to the next."""
    edges = middles(values, weights[None], np.arange(_BINS + 1) / _BINS)
    passed = [np.ones(values.size)]
    for k in range(1, _BINS):
        half = max(_SOFT_EDGE * (edges[k + 1] - edges[k - 1]), 1e-9 * abs(edges[k]), 1e-30)
        passed.append(between(values, edges[k] - half, edges[k] + half))
    return -np.diff([*passed, np.zeros(values.size)], axis=0)


def _growth(found: list[_Patch], sky: Table, sigma: Table) -> tuple[Table, Table]:
    """Growth of variance with light per channel, and the field, each fitted with the other held, three times."""
    level = np.stack([(p.bin_level - sky[:, None]) / sigma[:, None] for p in found])
    variance = np.stack([p.bin_variance for p in found])
    base = np.quantile(variance, _QUIET, axis=(0, 2))
    variance = variance / np.where(base > 0, base, 1)[:, None]
    u, v = np.array([p.u for p in found]), np.array([p.v for p in found])
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    field, weight = _EVEN.copy(), np.ones(len(found))
    shot = np.zeros(sky.size)
    # Photons alone, counted from a zero level of no light, would give this much; an offset in the data changes it.
    expected = sigma / np.maximum(sky, 1e-12)
    likely = between(sky / np.maximum(sigma, 1e-30), *_LIGHT)
    for _ in range(3):
        for c in range(sky.size):
            shot[c] = _slope(
                level[:, c] * weight[:, None], variance[:, c] * weight[:, None] ** 2, expected[c], likely[c]
            )
        if len(found) >= 12:
            t = np.maximum(1 + shot[:, None] * level, 0.25)
            field = _fit_field(terms, np.sqrt(np.median(variance / t, axis=(1, 2))))
            weight = terms @ field
    return shot, field


def _slope(level: Table, variance: Table, expected: float, likely: float) -> float:
    """Slope of variance over level, drawn towards the expected one as far as that is likely and the data leave it open.

    A straight line by Tukey's biweight (Beaton & Tukey 1974, Technometrics 16, 147).
    """
    x, y = level.ravel(), variance.ravel()
    weight, a, b, error = np.ones(x.size), 1.0, 0.0, np.inf
    for _ in range(4 if x.size >= 8 else 0):
        total = weight.sum()
        xm, ym = weight @ x / total, weight @ y / total
        sxx = weight @ (x - xm) ** 2
        if not sxx > 0:
            break
        b = float(weight @ ((x - xm) * (y - ym)) / sxx)
        a = float(ym - b * xm)
        residual = np.abs(y - a - b * x)
        scatter = max(MAD_TO_SIGMA * middle(residual, weight), 1e-9)
        error = scatter / np.sqrt(sxx)
        weight = _biweight(residual / scatter)
    slope, error = (b / a, error / a) if a > 0 else (0.0, np.inf)
    alone = max(slope, 0.0) * float(between(np.array(slope / max(error, 1e-30)), *_CLEAR))
    if likely == 0:
        return alone
    trust = 1 / (1 + (error / (0.25 * expected)) ** 2)
    drawn = float(np.clip(trust * slope + (1 - trust) * expected, 0.0, 1.5 * expected))
    return likely * drawn + (1 - likely) * alone


def _biweight(residuals: Table) -> Table:
    """Tukey's weights of residuals in units of their spread; never quite nothing, so that any fit has a solution."""
    return np.asarray(np.maximum(1 - (residuals / BIWEIGHT_REACH) ** 2, 0.03) ** 2)


def _fit_field(terms: Table, spread: Table) -> Table:
    """Quadratic through 1 / spread over the frame, patches with structure left out; 1 on average."""
    y = 1 / np.maximum(spread, 1e-9)
    root = np.ones(y.size)
    fit = _EVEN.copy()
    for _ in range(4):
        fit = np.linalg.lstsq(terms * root[:, None], y * root, rcond=None)[0]
        residual = np.abs(y - terms @ fit)
        scatter = MAD_TO_SIGMA * middle(residual, root**2)
        root = np.sqrt(_biweight(residual / max(scatter, 1e-3)))
    weight = terms @ fit
    # One that falls to a fifth somewhere is no field.
    sure = float(between(weight.min() / max(weight.max(), 1e-30), 0.2, 0.3))
    if sure == 0:
        return _EVEN.copy()
    return np.asarray(sure * fit / np.quantile(weight, 1 - _QUIET) + (1 - sure) * _EVEN)


def _stabilised(
    planes: Planes, box: tuple[slice, slice], sky: Table, sigma: Table, shot: Table, field: Table, turn: Table
) -> Planes:
    channels, height, width = planes.shape
    rows, columns = box
    across = (np.arange(columns.start, columns.stop) + 0.5) * 2 / width - 1
    down = (np.arange(rows.start, rows.stop) + 0.5) * 2 / height - 1
    out = np.empty((channels, rows.stop - rows.start, columns.stop - columns.start), np.float32)
    s, w, g, k, t, f, u, v = (
        np.ascontiguousarray(a, np.float32) for a in (sky, 1 / sigma, shot, knees(shot), turn, field, across, down)
    )
    kernels.stabilise(np.ascontiguousarray(planes[:, rows, columns]), 0, 0, s, w, g, k, t, f, u, v, out)
    return out


def _color_spread(
    planes: Planes, box: tuple[slice, slice], sky: Table, sigma: Table, shot: Table, field: Table
) -> Table:
    """Mean products (C, C) of the channels' third scale in a patch where it stands out of the noise, in noise units.

    The brightest are cut to 30: they would speak for themselves only.
    """
    channels = len(planes)
    z = _stabilised(planes, box, sky, sigma, shot, field, np.eye(channels))
    scales = [starlet.scales(plane, 3)[0] for plane in z]
    noise = np.mean(_plausible(np.array([[spread(wave) for wave in waves] for waves in scales]))[:, 2])
    wave = np.stack([waves[2] for waves in scales]).reshape(channels, -1).astype(np.float64)
    size = np.sqrt((wave**2).sum(axis=0)) / (noise if noise > 0 else 1.0)
    out = size > _OUT[0]
    wave = wave[:, out] * (np.minimum(1, 30 / size[out]) / (noise if noise > 0 else 1.0))
    return np.asarray((between(size[out], *_OUT) * wave) @ wave.T / size.size)


def _axes(spreads: Table) -> Table:
    """Luminance and two color axes (C, C): along the most, second and least structure, rows orthonormal.

    These are the principal axes of what stands out of the noise (Hotelling 1933). What most structure shares decides
    best between structure and noise; and color grain that goes along no structure can all be taken away. Without
    structure to tell, the axes are those of `TURN`.
    """
    channels = spreads.shape[1]
    if channels != len(TURN):
        return np.eye(channels)
    usual = TURN.T @ np.diag([0.03, 0.01, 0.003]) @ TURN
    _, columns = np.linalg.eigh(spreads.mean(axis=0) + usual)
    turn = columns[:, ::-1].T
    sign = np.sign((turn * TURN).sum(axis=1))
    return np.asarray(turn * np.where(sign == 0, 1.0, sign)[:, None])


def _scale_noise(
    planes: Planes,
    box: tuple[slice, slice],
    sky: Table,
    sigma: Table,
    shot: Table,
    field: Table,
    turn: Table,
) -> Table:
    """Spread (C, measured) of the stabilised, turned channels' scales in a patch."""
    channels = len(planes)
    z = _stabilised(planes, box, sky, sigma, shot, field, turn)
    table = np.empty((channels, _MEASURED))
    for c, plane in enumerate(z):
        waves, _ = starlet.scales(tamed(plane), _MEASURED)
        flat = plain(waves)
        table[c] = [spread(wave, flat) for wave in waves]
    return table


def _shared(spreads: Table) -> Table:
    """Scales (C, n) of luminance held to what those of color allow.

    Noise of separate channels is no larger in luminance than in the color differences, where structure is weak: both
    are averages of the channels' variances. A demosaicing that shares noise between channels shows in scale 1 first.
    """
    out = spreads.copy()
    if len(out) == len(TURN):
        separate = np.sqrt((out[1:] ** 2).mean(axis=0))
        most = max(1.0, out[0, 0] / separate[0]) if separate[0] > 0 else 1.0
        out[0, 1:] = np.minimum(out[0, 1:], most * separate[1:])
    return out


def _plausible(spreads: Table) -> Table:
    """Scales 1..5 (C, 5) from the measured ones (C, n), with what must be structure cut off.

    Noise has no reason to grow from scale to scale faster than interpolation makes it, and past the third it is white.
    """
    white = np.array(starlet.WHITE_NOISE)
    measured = spreads.shape[1]
    out = np.empty((spreads.shape[0], SCALES))
    out[:, :measured] = spreads
    for j in range(1, SCALES):
        likely = out[:, j - 1] * white[j] / white[j - 1]
        if j < measured:
            out[:, j] = np.clip(out[:, j], likely if j > 2 else 0, _MOST_GROWTH[j] * likely)
        else:
            out[:, j] = likely
    return out

"""Plain numpy twins of the compiled kernels: they state what is computed, and tests hold the kernels to them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "finish",
    "noise_of",
    "removed",
    "share",
    "smooth",
    "stabilise",
    "starlet",
    "unstabilise",
    "upsample",
    "weights",
]

Array = NDArray[Any]
_B3 = (1 / 16, 4 / 16, 6 / 16, 4 / 16, 1 / 16)
_CUBIC = (-1 / 16, 9 / 16, 9 / 16, -1 / 16)
KNEE_VARIANCE = 0.25  #: share of the sky's variance below which the stabiliser is a straight line


def weights(field: Array, u: Array, v: Array) -> Array:
    """Weight of noise (h, w): the field's quadratic at frame coordinates ``u`` (w,) and ``v`` (h,)."""
    u, v = u[None, :], v[:, None]
    w = field[0] + field[1] * u + field[2] * v + field[3] * u * u + field[4] * u * v + field[5] * v * v
    return np.asarray(np.maximum(w, 0.1))


def _knee(shot: Array) -> Array:
    return np.where(shot > 0, (KNEE_VARIANCE - 1) / np.maximum(shot, 1e-12), -1e30)[:, None, None]


def stabilise(
    pixels: Array, sky: Array, per_sigma: Array, shot: Array, turn: Array, field: Array, u: Array, v: Array
) -> NDArray[np.float32]:
    """Pixels (C, h, w) to noise units of equal variance, then to luminance and color differences.

    With t = (x - sky) weight / sigma, whose variance is 1 + shot t, the stabilised value is the integral of
    dt / sqrt(variance): 2 t / (1 + sqrt(1 + shot t)) - the square root of Anscombe (1948) and Starck, Murtagh &
    Bijaoui (1998) with its zero moved to the sky, so that it stays exact when shot is 0. Where the variance would
    fall below a quarter of the sky's it goes on as the tangent. Stacks hold many photons a pixel: the small-count
    bias that exact inverses mend is far below the noise here.
    """
    sky, per_sigma, shot = (np.asarray(a, float) for a in (sky, per_sigma, shot))
    t = (pixels - sky[:, None, None]) * per_sigma[:, None, None] * weights(np.asarray(field, float), u, v)
    s = np.maximum(t, _knee(shot))
    z = 2 * s / (1 + np.sqrt(1 + shot[:, None, None] * s)) + 2 * (t - s)
    return np.tensordot(np.asarray(turn, float), z, 1).astype(np.float32)


def unstabilise(
    stable: Array, sky: Array, per_sigma: Array, shot: Array, turn: Array, field: Array, u: Array, v: Array
) -> Array:
    """The exact inverse of `stabilise`: t = z + shot z^2 / 4."""
    sky, per_sigma, shot = (np.asarray(a, float) for a in (sky, per_sigma, shot))
    z = np.tensordot(np.asarray(turn, float).T, stable, 1)
    knee = _knee(shot)
    k = 2 * knee / (1 + np.sqrt(1 + shot[:, None, None] * knee))
    s = np.maximum(z, k)
    t = s + shot[:, None, None] * s * s / 4 + (z - s) / 2
    return np.asarray(t / (per_sigma[:, None, None] * weights(np.asarray(field, float), u, v)) + sky[:, None, None])


def _taps(source: Array, taps: tuple[float, ...], hole: int, axis: int) -> Array:
    n = source.shape[axis] - hole * (len(taps) - 1)
    parts = [tap * np.take(source, np.arange(k * hole, k * hole + n), axis) for k, tap in enumerate(taps)]
    return np.asarray(np.sum(parts, axis=0))


def smooth(source: Array, hole: int) -> Array:
    """B3-spline smoothing of (C, h, w) with taps ``hole`` apart; ``2 hole`` smaller on each side."""
    return _taps(_taps(source, _B3, hole, -2), _B3, hole, -1)


def starlet(source: Array, scales: int) -> tuple[list[Array], Array]:
    """Scales (finest first) and smooth rest of (C, h, w), mirrored at its edges; they add up to ``source``."""
    waves = []
    for j in range(scales):
        pad = 2 * 2**j
        rest = smooth(np.pad(source, [(0, 0), (pad, pad), (pad, pad)], mode="reflect"), 2**j)
        waves.append(source - rest)
        source = rest
    return waves, source


def share(wave: Array, hole: int, per_variance: Array, limit: Array, support: Array) -> Array:
    """The share of a scale (C, h, w) that is taken for noise; ``2 hole`` smaller on each side.

    The local power P of the wave, B3-weighted over 5 x 5 taps ``hole`` apart and in units of the noise power, says
    how likely it is structure. The share is min(1, limit / P)^2: an empirical Wiener gain made steeper, so that what
    is clearly structure is left alone. Color differences must find structure in the luminance as well, for edges of
    color lie where edges of light lie: there it is min(1, limit / P + support / P of luminance)^2.
    """
    per_power = 1 / np.maximum(smooth(wave**2, hole) * np.asarray(per_variance)[:, None, None], 1e-12)
    ratio = np.asarray(limit)[:, None, None] * per_power
    ratio[1:] += np.asarray(support)[1:, None, None] * per_power[:1]
    return np.asarray(np.minimum(ratio, 1) ** 2)


def removed(wave: Array, share: Array, echo: float, coarser: Array) -> tuple[Array, Array]:
    """Noise in a scale (C, h, w), and what is kept of its luminance (h, w).

    Smoothing widens fourfold in variance from scale to scale, so of smooth structure a scale shows a quarter of what
    the next coarser one shows (the second derivative times half the variance). What was kept there, ``coarser``
    (h, w), therefore says what structure hides in a wave taken for noise: ``echo`` times as much is left in place.
    """
    noise = share * wave
    noise[0] -= share[0] * echo * coarser
    return noise, wave[0] - share[0] * wave[0]


def upsample(source: Array) -> Array:
    """A grid (C, h, w) at half its step, by the cubic through four points; from node 1 to node -2, both included."""
    for axis in (-2, -1):
        n = source.shape[axis]
        between = _taps(source, _CUBIC, 1, axis)
        nodes = np.take(source, np.arange(1, n - 1), axis)
        shape = list(source.shape)
        shape[axis] = 2 * (n - 2) - 1
        out = np.empty(shape)
        index: list[Any] = [slice(None)] * 3
        index[axis] = slice(0, None, 2)
        out[tuple(index)] = nodes
        index[axis] = slice(1, None, 2)
        out[tuple(index)] = between
        source = out
    return source


def noise_of(stable: Array, per_variance: Array, limit: Array, support: Array, echo: Array) -> Array:
    """Noise of a whole frame of stabilised channels (C, H, W), mirrored at its edges.

    ``per_variance``, ``limit``, ``support`` (scales, C) and ``echo`` (scales,). Scale j >= 3 (1 = finest) is looked
    at on the grid of every 2^(j-2)-th pixel, and its noise and what it keeps are interpolated between the nodes, grid
    by grid.
    """
    count = len(per_variance)
    margin = 16 * 2 ** max(count - 2, 0)
    channels, height, width = stable.shape
    wide = np.pad(np.asarray(stable, float), [(0, 0), (margin, margin), (margin, margin)], mode="reflect")
    waves, _ = starlet(wide, count)
    both = np.zeros((channels + 1, 1, 1))  # noise so far, and the luminance kept in the scale before
    for j in range(count - 1, -1, -1):
        pad, step = 2 * 2**j, 2 ** max(j - 1, 0)
        padded = np.pad(waves[j], [(0, 0), (pad, pad), (pad, pad)], mode="reflect")
        part = share(padded, 2**j, per_variance[j], limit[j], support[j])[:, ::step, ::step]
        wave = waves[j][:, ::step, ::step]
        if 0 < j < count - 1:
            both = upsample(np.pad(both, [(0, 0), (2, 2), (2, 2)], mode="edge"))[:, 2:, 2:]
            both = both[:, : wave.shape[1], : wave.shape[2]]
        noise, kept = removed(wave, part, echo[j], both[-1])
        both = np.concatenate([both[:-1] + noise, kept[None]])
    return both[:-1, margin : margin + height, margin : margin + width]


def finish(pixels: Array, clean: Array, amount: float) -> Array:
    """``pixels`` moved towards ``clean`` by ``amount``."""
    return np.asarray(pixels + amount * (clean - pixels))

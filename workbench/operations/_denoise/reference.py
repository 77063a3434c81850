"""Plain numpy twins of the compiled kernels: they state what is computed, and tests hold the kernels to them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.operations._denoise import kernels, peaks

__all__ = [
    "finish",
    "given_back",
    "leveled",
    "lowered",
    "noise_of",
    "removed",
    "share",
    "smooth",
    "stabilise",
    "starlet",
    "unstabilise",
    "upsample",
    "weights",
    "without_faults",
]

Array = NDArray[Any]
#: The B3 spline of the starlet, and a cubic between four points (Starck, Murtagh; from memory).
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


def without_faults(plane: Array, noise: float) -> Array:
    """A plane (h, w) with single pixels that no neighbor bears out brought back; two pixels of rim stay.

    Off the mean of the ring of 16 around it a pixel may lie by `peaks.ROOM` times the noise, by the four neighbors'
    own offset over `peaks.LEAN`, and by `peaks.SPREAD` times what the eight neighbors' second highest and second
    lowest differ by beyond `peaks.GUARD` times the noise.
    """
    h, w = plane.shape
    at = {(i, j): plane[2 + i : h - 2 + i, 2 + j : w - 2 + j] for i in range(-2, 3) for j in range(-2, 3)}
    ring = np.mean([at[p] for p in at if max(map(abs, p)) == 2], axis=0, dtype=np.float64)
    lean = (np.mean([at[p] for p in ((-1, 0), (1, 0), (0, -1), (0, 1))], axis=0, dtype=np.float64) - ring) / peaks.LEAN
    near = np.sort([at[p] for p in at if max(map(abs, p)) == 1], axis=0)
    free = peaks.ROOM * noise + peaks.SPREAD * np.maximum(near[6] - near[1] - peaks.GUARD * noise, 0)
    out = plane.copy()
    out[2:-2, 2:-2] = ring + np.clip(at[0, 0] - ring, np.minimum(lean, 0) - free, np.maximum(lean, 0) + free)
    return out


def lowered(plane: Array, hole: int, noise: float, least: float, passes: int) -> tuple[Array, Array]:
    """A plane (h, w) with what stands out in the scale of ``hole`` leveled, and where; ``2 hole`` pixels of rim stay.

    A mark grows from 0 to 1 within `peaks.BAND` to either side of ``least`` times the noise. In each pass all pixels go
    `peaks.PUSH` times their mark times the way to the mean of what surrounds them, and those beside pixels marked
    before are marked as far as they stand out by `peaks.RIM` times the noise, and no more than those are.
    """
    plane, edge = plane.copy(), 2 * hole
    inner = plane[edge:-edge, edge:-edge]
    marks = np.zeros(inner.shape)
    for n in range(passes):
        out = inner - smooth(plane[None], hole)[0]
        limit = least if n == 0 else peaks.RIM
        share = np.clip((out / noise - limit + peaks.BAND) / (2 * peaks.BAND), 0, 1)
        if n > 0:
            near = np.pad(marks, 1)
            h, w = out.shape
            share = np.minimum(share, np.max([near[i : i + h, j : j + w] for i in range(3) for j in range(3)], axis=0))
        marks = np.maximum(marks, share)
        inner -= peaks.PUSH * marks * out
    return plane, np.pad(marks, edge)


def leveled(plane: Array, noise: Array, least: Array) -> tuple[Array, Array, Array]:
    """What `peaks.level` makes of a plane (h, w): leveled, with its stars but without faults, and marks (2, h, w)."""
    sound = without_faults(plane, noise[0])
    first, in_first = lowered(sound, 1, noise[0], least[0], peaks.PASSES[0])
    once = smooth(first[None], 1)[0]
    second, in_second = lowered(once, 2, noise[1], least[1], peaks.PASSES[1])
    first[2:-2, 2:-2] += second - once
    return first, sound, np.stack([in_first, np.pad(in_second, 2)])


def share(
    wave: Array,
    hole: int,
    per_variance: Array,
    limit: Array,
    support: Array,
    most: float = 1.0,
    marks: Array | None = None,
) -> Array:
    """The share of a scale (C, h, w) that is taken for noise; ``2 hole`` smaller on each side.

    The local power P of the wave, B3-weighted over 5 x 5 taps ``hole`` apart and in units of the noise power, says
    how likely it is structure. The share is min(1, limit / P)^2: an empirical Wiener gain made steeper, so that what
    is clearly structure is left alone. Color differences must find structure in the luminance as well, for edges of
    color lie where edges of light lie: there it is min(1, limit / P + support / P of luminance)^2.

    No more than ``most`` is taken anywhere. Where light was leveled in one of the two finest scales (``hole`` 1 and 2;
    ``marks`` is (2, h, w)), the luminance of that scale is kept, and color has all the support it wants. In the finest
    one the limit is `kernels.HINTED` times as high where the next one was leveled. Marks between 0 and 1 do it in part.
    """
    inner = np.s_[..., 2 * hole : -2 * hole, 2 * hole : -2 * hole]
    per_power = 1 / np.maximum(smooth(wave**2, hole) * np.asarray(per_variance)[:, None, None], 1e-12)
    ratio = np.asarray(limit)[:, None, None] * per_power
    free, hint = np.ones(1), np.zeros(1)
    if marks is not None and hole <= 2:
        free, hint = 1 - marks[inner][hole - 1], marks[inner][1] * (2 - hole)
    ratio[0] *= 1 - (1 - kernels.HINTED) * hint
    ratio[1:] += np.asarray(support)[1:, None, None] * per_power[:1] * free
    out = most * np.minimum(ratio, 1) ** 2
    out[0] *= free
    return np.asarray(out)


def removed(wave: Array, share: Array, echo: float, coarser: Array) -> tuple[Array, Array]:
    """Noise in a scale (C, h, w), and what is kept of its luminance (h, w).

    Smoothing widens fourfold in variance from scale to scale, so of smooth structure a scale shows a quarter of what
    the next coarser one shows (the second derivative times half the variance). What was kept there, ``coarser``
    (h, w), therefore says what structure hides in a wave taken for noise: ``echo`` times as much is left in place.
    """
    noise = share * wave
    noise[0] -= share[0] * echo * coarser
    return noise, wave[0] - share[0] * wave[0]


def given_back(noise: Array, marks: Array) -> Array:
    """What of the luminance's noise (h, w) is light of stars: its mean over what is leveled around, B3-weighted.

    Little of a star is clear of noise in the finest and the coarser scales, and what is taken there for noise is its
    light all the same: where stars were leveled noise has a mean. ``marks`` (2, h, w) say where.
    """
    mark = np.pad(np.maximum(marks[0], marks[1]), 2)
    total, weights = (smooth(p[None], 1)[0] for p in (mark * np.pad(noise, 2), mark))
    mean = np.divide(total, weights, out=np.zeros_like(total), where=weights > 0)
    return np.asarray(mark[2:-2, 2:-2] * mean)


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


def noise_of(
    stable: Array, per_variance: Array, limit: Array, support: Array, echo: Array, most: Array, least: Array
) -> Array:
    """Noise of a whole frame of stabilised channels (C, H, W), mirrored at its edges.

    ``per_variance``, ``limit``, ``support`` (scales, C), ``echo``, ``most`` (scales,) and ``least`` (2,). Scale j >= 3
    (1 = finest) is looked at on the grid of every 2^(j-2)-th pixel, and its noise and what it keeps are interpolated
    between the nodes, grid by grid.
    """
    count = len(per_variance)
    step = 2**count  # grids lie as they do in the frame
    margin = 16 * 2 ** max(count - 2, 0) + -(-2 * peaks.REACH // step) * step
    channels, height, width = stable.shape
    wide = np.pad(np.asarray(stable, float), [(0, 0), (margin, margin), (margin, margin)], mode="reflect")
    before = wide[0].copy()
    wide[0], sound, marks = leveled(before, 1 / np.sqrt(per_variance[:2, 0]), least)
    waves, _ = starlet(wide, count)
    both = np.zeros((channels + 1, 1, 1))  # noise so far, and the luminance kept in the scale before
    for j in range(count - 1, -1, -1):
        pad, step = 2 * 2**j, 2 ** max(j - 1, 0)
        padded = np.pad(waves[j], [(0, 0), (pad, pad), (pad, pad)], mode="reflect")
        where = np.pad(marks, [(0, 0), (pad, pad), (pad, pad)], mode="reflect")
        part = share(padded, 2**j, per_variance[j], limit[j], support[j], most[j], where)[:, ::step, ::step]
        wave = waves[j][:, ::step, ::step]
        if 0 < j < count - 1:
            both = upsample(np.pad(both, [(0, 0), (2, 2), (2, 2)], mode="edge"))[:, 2:, 2:]
            both = both[:, : wave.shape[1], : wave.shape[2]]
        noise, kept = removed(wave, part, echo[j], both[-1])
        both = np.concatenate([both[:-1] + noise, kept[None]])
    both[0] += before - sound - given_back(both[0], marks)
    return both[:-1, margin : margin + height, margin : margin + width]


def finish(pixels: Array, clean: Array, amount: float) -> Array:
    """``pixels`` moved towards ``clean`` by ``amount``."""
    return np.asarray(pixels + amount * (clean - pixels))

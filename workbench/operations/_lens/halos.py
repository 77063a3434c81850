"""Halos around stars taken out of pixels, pixel by pixel: no pixel looks at another one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.stars.moffat import moffat_gamma, moffat_profile
from workbench.measure.stars.sizes import TYPICAL_ALPHA

__all__ = ["HaloPlan", "plan_halos", "take_halos"]

Floats = NDArray[np.float64]
Index = NDArray[np.int64]
Planes = NDArray[np.float32]

#: Samples of a profile per pixel of the full frame.
_PER_PX = 4
#: What is fainter than this share of the noise is not taken.
_FAINT = 0.02
#: What stands for no light where light falls off as a power, as a share of the least that is seen.
_NOTHING = 1e-3


@dataclass(frozen=True, slots=True)
class HaloPlan:
    """Halos ready for pixels of one frame.

    Attributes
    ----------
    x, y, radius, cut_off : ndarray, shape (N,)
        Places, how far each halo is seen, and how far its star is cut off; pixels of the frame.
    light : ndarray, shape (N, C)
    which : ndarray, shape (N,), int
        Halo of each star.
    share : ndarray, shape (H, K, S, C)
        Share that each halo has of the common one at the nodes of ``ring``, by sector.
    back : ndarray, shape (N, C)
        Light of each star's halo as far as it is seen, for a star of light 1: it goes back to the core.
    ring, core : ndarray, shape (T,)
        At every ``1 / per_px`` pixels of the frame: between which nodes it lies, as a broken number, and the core of
        a star of light 1.
    common : ndarray, shape (T, C)
        The halo of a star of light 1 there.
    per_px : float
    samples : int
        Points a pixel is sampled at along each side: above 1 where pixels are large against stars.
    """

    x: Floats
    y: Floats
    radius: Floats
    cut_off: Floats
    light: Floats
    which: Index
    share: Floats
    back: Floats
    ring: Floats
    core: Floats
    common: Floats
    per_px: float
    samples: int


def plan_halos(
    x: Floats, y: Floats, cut_off: Floats, light: Floats, radius: Floats, profile: Floats, own: Floats, fwhm: float,
    noise: Floats, scale: float,
) -> HaloPlan:  # fmt: skip
    """Make halos ready for a frame whose pixels are ``scale`` full-resolution pixels wide.

    A halo goes on into the core as it begins, falls off from ring to ring as a power of the radius, and comes to
    nothing as far beyond the last ring as that is from the one before.

    Parameters
    ----------
    x, y, cut_off : ndarray, shape (N,)
        Places of the stars, and the radius within which they are cut off, px.
    light : ndarray, shape (N, C)
    radius : ndarray, shape (R,)
        Of the rings at which halos are given, px.
    profile : ndarray, shape (R, C)
        The halo of a star of light 1, 1/px^2.
    own : ndarray, shape (M, R, S, C)
        Those of the first stars, by sector.
    fwhm : float
        Of the core, px.
    noise : ndarray, shape (C,)
        Of a pixel.
    scale : float

    Returns
    -------
    HaloPlan
    """
    share = np.divide(own, profile[:, None], out=np.zeros_like(own), where=profile[:, None] > 0)
    share = np.concatenate([share, np.ones((1, *share.shape[1:]))])
    share = np.concatenate([share[:, :1], share, share[:, -1:]], axis=1)
    nodes = np.concatenate([[0.0], radius, [2 * radius[-1] - radius[-2]]])
    r = np.arange(np.ceil(nodes[-1]) * _PER_PX + 1) / _PER_PX
    ring = np.interp(r, nodes, np.arange(nodes.size))
    common = _between(r, radius, profile) * np.interp(r, nodes[-2:], [1.0, 0.0])[:, None]
    sharp = moffat_profile(r, moffat_gamma(fwhm, TYPICAL_ALPHA), TYPICAL_ALPHA)
    around = 2 * np.pi * r / _PER_PX
    # Light of each halo within each radius: what is too faint to be taken is not given back.
    low = np.minimum(ring.astype(np.int64), nodes.size - 2)
    beyond, own_share = (ring - low)[:, None], share.mean(axis=2)
    of_ring = (1 - beyond) * own_share[:, low] + beyond * own_share[:, low + 1]
    light_within = (of_ring * common * around[:, None]).cumsum(axis=1)
    which = np.minimum(np.arange(x.size), len(own))
    seen = _seen(light, profile, radius, noise)
    last = np.minimum(np.ceil(seen * _PER_PX).astype(np.int64), r.size - 1)
    return HaloPlan(
        (x + 0.5) / scale - 0.5, (y + 0.5) / scale - 0.5, seen / scale, cut_off / scale, light, which, share,
        light_within[which, last], ring, sharp / (sharp @ around), common, _PER_PX * scale,
        max(1, int(np.ceil(scale - 1e-6))),
    )  # fmt: skip


def _between(r: Floats, radius: Floats, profile: Floats) -> Floats:
    """Profiles at radii ``r``, as powers of the radius from one ring to the next: a chord lies above a steep fall."""
    least = np.where(profile > 0, profile, np.inf).min(axis=0, initial=np.inf) * _NOTHING
    fall = np.log(np.maximum(profile, np.where(np.isfinite(least), least, 1.0)))
    at, nodes = np.log(np.clip(r, radius[0], radius[-1])), np.log(radius)
    return np.stack([np.exp(np.interp(at, nodes, f)) * p.any() for f, p in zip(fall.T, profile.T, strict=True)], axis=1)


def _seen(light: Floats, profile: Floats, radius: Floats, noise: Floats) -> Floats:
    """How far halos stand out of a little of the noise, and at least as far as the first ring."""
    above = light[:, None] * profile > _FAINT * noise
    last = above.any(axis=2).sum(axis=1)
    return np.asarray(np.concatenate([radius, [2 * radius[-1] - radius[-2]]])[last])


@kernel
def _take(
    y0: int, x0: int, near: Index, x: Floats, y: Floats, radius: Floats, cut_off: Floats, light: Floats, which: Index,
    held: Floats, back: Floats, ring: Floats, core: Floats, common: Floats, per_px: float, samples: int, out: Planes,
) -> None:  # fmt: skip
    channels, height, width = out.shape
    sectors = held.shape[2]
    share = 1.0 / (samples * samples)
    change = np.empty(channels)
    for i in near:
        h = which[i]
        alike = h == held.shape[0] - 1
        far = radius[i] + 0.5
        for row in range(max(int(np.ceil(y[i] - far)) - y0, 0), min(int(np.floor(y[i] + far)) - y0, height - 1) + 1):
            for col in range(max(int(np.ceil(x[i] - far)) - x0, 0), min(int(np.floor(x[i] + far)) - x0, width - 1) + 1):
                change[:] = 0.0
                for s in range(samples * samples):
                    dx = x0 + col - x[i] + ((s % samples) + 0.5) / samples - 0.5
                    dy = y0 + row - y[i] + ((s // samples) + 0.5) / samples - 0.5
                    r = np.sqrt(dx * dx + dy * dy)
                    k = int(r * per_px)
                    if r > radius[i] or r < cut_off[i] or k >= ring.size - 1:
                        continue
                    f = r * per_px - k
                    node = (1.0 - f) * ring[k] + f * ring[k + 1]
                    a = min(int(node), held.shape[1] - 2)
                    u = node - a
                    q, p, v = 0, 0, 0.0
                    if not alike:
                        turn = np.arctan2(dy, dx) * (sectors / (2.0 * np.pi)) - 0.5
                        floor = int(np.floor(turn))
                        v = turn - floor
                        q, p = floor % sectors, (floor + 1) % sectors
                    sharp = (1.0 - f) * core[k] + f * core[k + 1]
                    for c in range(channels):
                        inner = (1.0 - v) * held[h, a, q, c] + v * held[h, a, p, c]
                        outer = (1.0 - v) * held[h, a + 1, q, c] + v * held[h, a + 1, p, c]
                        halo = ((1.0 - u) * inner + u * outer) * ((1.0 - f) * common[k, c] + f * common[k + 1, c])
                        change[c] += share * (halo - sharp * back[i, c])
                for c in range(channels):
                    value = out[c, row, col]
                    # Light that is given back may reach white, and nothing beyond.
                    out[c, row, col] = min(value - light[i, c] * change[c], max(value, np.float32(1.0)))


def take_halos(pixels: Planes, y0: int, x0: int, plan: HaloPlan, out: Planes) -> None:
    """Take halos out of a piece of the frame and give their light back to the cores.

    Parameters
    ----------
    pixels : ndarray, shape (C, h, w), float32
        The piece; its first pixel is row ``y0``, column ``x0`` of the frame.
    plan : HaloPlan
    out : ndarray, shape (C, h, w), float32
    """
    out[...] = pixels
    _, height, width = pixels.shape
    reach = plan.radius + 1
    inside = (plan.x > x0 - reach) & (plan.x < x0 + width + reach) & (plan.y > y0 - reach)
    near = np.flatnonzero(inside & (plan.y < y0 + height + reach))
    if near.size:
        _take(
            y0, x0, near, plan.x, plan.y, plan.radius, plan.cut_off, plan.light, plan.which, plan.share, plan.back,
            plan.ring, plan.core, plan.common, plan.per_px, plan.samples, out,
        )  # fmt: skip

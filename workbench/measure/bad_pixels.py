"""Pixels that do not show the sky but themselves: hot ones, and those that calibration left too dark.

A defect is a single site of the sensor's mosaic. What calibration and rejection leave of it in a stack is a spot in one
color, hardly wider than a pixel: linear demosaicing spreads a site over its nearest neighbors only, at half the height.
A star is drawn by the lens, in all colors and over more pixels.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Planes, checked_coverage, in_order, strips
from workbench.measure.statistics import MAD_TO_SIGMA, sort

__all__ = ["MARGIN", "RING", "BadPixels", "find_bad_pixels", "find_bad_pixels_numpy", "ring_level"]

#: Pixels around one that are looked at to judge it.
MARGIN = 2
#: Pixels at a distance of two, all around: what the place would look like without the defect.
RING = 16
_SIGMA_PER_MAD = np.float32(MAD_TO_SIGMA)
#: Share of the wanted height that a quick look at four pixels of the ring asks for.
_QUICK = np.float32(0.5)
#: Noise of four pixels is twice that of one; the local scatter, of 16 values, tends to ask for an eighth too much.
_PER_BLOCK = np.float32(0.57)
#: Share of a spot's light that another color may have before it passes for a star. Demosaicing by differences between
#: the colors leaves a quarter of a red or blue site in each (OpenCV's, by gradients); of a green one it leaves more.
_OTHER_COLORS = np.float32(0.3)
#: A color with so large a share of a spot's light, and so many times its own noise, is filled with it.
_SHARED, _SEEN = np.float32(0.2), np.float32(6)


class BadPixels(NamedTuple):
    """Where they are and how they stand out; arrays (N,), by channel, row and column.

    Attributes
    ----------
    channel, y, x : ndarray of int64
    excess : ndarray of float32
        Height above the surroundings; negative where a pixel is too dark.
    shared : ndarray, shape (N, C), bool
        Channels that have light of it, its own among them.
    """

    channel: NDArray[np.int64]
    y: NDArray[np.int64]
    x: NDArray[np.int64]
    excess: NDArray[np.float32]
    shared: NDArray[np.bool_]

    def select(self, wanted: NDArray[np.bool_] | NDArray[np.int64]) -> BadPixels:
        """Some of them.

        Parameters
        ----------
        wanted : ndarray, shape (N,), bool, or shape (M,), int64

        Returns
        -------
        BadPixels
        """
        channel, y, x, excess, shared = self
        return BadPixels(channel[wanted], y[wanted], x[wanted], excess[wanted], shared[wanted])


def find_bad_pixels(
    planes: Planes,
    sigma: NDArray[Any] | list[float],
    coverage: NDArray[Any] | None = None,
    *,
    above: float,
    sharp: float,
) -> BadPixels:
    """Find a frame's defects.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear light.
    sigma : ndarray, shape (C,), or list of float
        Noise of a pixel by channel. A channel without noise is left out.
    coverage : ndarray, shape (H, W), optional
        Nothing is found where it is 0.
    above, sharp : float
        See `_find`.

    Returns
    -------
    BadPixels

    Notes
    -----
    Cost at 24 MP in three channels: about 60 ms on two cores.
    """
    channels, height, width = planes.shape
    covered = checked_coverage(coverage, height, width)
    noise = np.asarray(sigma, np.float32)

    def part(rows: tuple[int, int]) -> BadPixels:
        top, bottom = max(rows[0] - MARGIN, 0), min(rows[1] + MARGIN, height)
        strip, bounds = planes[:, top:bottom], (noise, np.float32(above), np.float32(sharp))
        room, n = 0, 64
        while n > room:
            room = n
            places, excess = np.empty((room, 3), np.int64), np.empty(room, np.float32)
            shared = np.empty((room, channels), np.bool_)
            n = _find(strip, *bounds, places, excess, shared)
        channel, y, x = places[:n].T
        return BadPixels(channel, y + top, x, excess[:n], shared[:n])

    found = BadPixels(*(np.concatenate(values) for values in zip(*in_order(part, strips(height)), strict=True)))
    if covered.size:
        found = found.select(covered[found.y, found.x] > 0)
    return found.select(np.lexsort((found.x, found.y, found.channel)))


@kernel
def _ring(plane: Planes, y: int, x: int, ring: Planes) -> None:
    """Write the sorted values at a distance of two pixels to ``ring``."""
    n = 0
    for i in range(-2, 3):
        step = 1 if abs(i) == 2 else 4
        for j in range(-2, 3, step):
            value = plane[y + i, x + j]
            k = n
            while k > 0 and ring[k - 1] > value:
                ring[k] = ring[k - 1]
                k -= 1
            ring[k] = value
            n += 1


@kernel
def ring_level(plane: Planes, y: int, x: int, ring: Planes) -> np.float32:
    """The median at a distance of two pixels; leaves the sorted values in ``ring`` (`RING`).

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    y, x : int
    ring : ndarray, shape (N,), float32
        Memory of the call.

    Returns
    -------
    float32
    """
    _ring(plane, y, x, ring)
    return np.float32(np.float32(0.5) * (ring[7] + ring[8]))


@kernel
def _light(plane: Planes, y: int, x: int, level: np.float32) -> np.float32:
    """Light above ``level`` in 3 x 3 pixels, weighted as demosaicing spreads a site."""
    side = plane[y - 1, x] + plane[y + 1, x] + plane[y, x - 1] + plane[y, x + 1]
    corner = plane[y - 1, x - 1] + plane[y - 1, x + 1] + plane[y + 1, x - 1] + plane[y + 1, x + 1]
    return np.float32(plane[y, x] + np.float32(0.5) * side + np.float32(0.25) * corner - np.float32(4) * level)


@kernel
def _block(plane: Planes, y: int, x: int, sign: np.float32, level: np.float32) -> np.float32:
    """Light above ``level`` in the 2 x 2 pixels that have most, as the height of one that is as hard to take for noise.

    A spot that alignment has spread over four pixels stands out no less than it did in one.
    """
    up, down, left, right = plane[y - 1, x], plane[y + 1, x], plane[y, x - 1], plane[y, x + 1]
    i = -1 if sign * up > sign * down else 1
    j = -1 if sign * left > sign * right else 1
    beside = (up if i < 0 else down) + (left if j < 0 else right)
    return np.float32(_PER_BLOCK * (plane[y, x] + beside + plane[y + i, x + j] - np.float32(4) * level))


@kernel
def _peak(plane: Planes, y: int, x: int, sign: np.float32) -> bool:
    """Whether a pixel is above (with ``sign`` -1: below) its four neighbors; of two equal ones the first."""
    v = sign * plane[y, x]
    across = v > sign * plane[y, x - 1] and v >= sign * plane[y, x + 1]
    return bool(across and v > sign * plane[y - 1, x] and v >= sign * plane[y + 1, x])


@kernel
def _judged(
    planes: Planes, c: int, y: int, x: int, sign: np.float32, sigma: Planes, above: np.float32, sharp: np.float32
) -> np.float32:
    """Excess of a defect; 0 where there is none."""
    plane, none = planes[c], np.float32(0)
    ring = np.empty(RING, np.float32)
    level = ring_level(plane, y, x, ring)
    height = sign * (plane[y, x] - level)
    for k in range(RING):
        ring[k] = abs(ring[k] - level)
    sort(ring, RING)
    scatter = _SIGMA_PER_MAD * np.float32(0.5) * (ring[7] + ring[8])
    if not max(height, sign * _block(plane, y, x, sign, level)) > above * max(sigma[c], scatter):
        return none
    side = plane[y - 1, x] + plane[y + 1, x] + plane[y, x - 1] + plane[y, x + 1]
    if sign * (np.float32(0.25) * side - level) > sharp * height:
        return none
    own = sign * _light(plane, y, x, level)
    for other in range(len(planes)):
        if other != c:
            light = sign * _light(planes[other], y, x, ring_level(planes[other], y, x, ring))
            if light > _OTHER_COLORS * own + sigma[other]:
                return none
    return np.float32(sign * height)


@kernel
def _share(planes: Planes, own: int, y: int, x: int, sigma: Planes, shared: NDArray[np.bool_]) -> None:
    """Write which channels have light of a defect."""
    ring = np.empty(RING, np.float32)
    whole = _light(planes[own], y, x, ring_level(planes[own], y, x, ring))
    sign = np.float32(1) if whole > 0 else np.float32(-1)
    for c in range(len(planes)):
        light = sign * _light(planes[c], y, x, ring_level(planes[c], y, x, ring))
        shared[c] = c == own or light > max(_SHARED * sign * whole, _SEEN * sigma[c])


@kernel
def _find(
    planes: Planes,
    sigma: Planes,
    above: np.float32,
    sharp: np.float32,
    places: NDArray[np.int64],
    excess: NDArray[np.float32],
    shared: NDArray[np.bool_],
) -> int:
    """Find defects in planes (C, h, w), but for `MARGIN` pixels at the edges.

    Parameters
    ----------
    planes : ndarray, shape (C, h, w), float32
    sigma : ndarray, shape (C,), float32
        Noise of a pixel by channel; a channel where it is 0 is left out.
    above : float32
        How many times that noise, or the scatter around where this is larger, a defect stands out: in its pixel, or
        in the 2 x 2 pixels over which alignment has spread it.
    sharp : float32
        Share of its height that the four nearest pixels may have on average; a star has more.
    places : ndarray, shape (N, 3), int64
        Takes channel, row and column.
    excess : ndarray, shape (N,), float32
    shared : ndarray, shape (N, C), bool
        Takes which channels have light of it.

    Returns
    -------
    int
        How many there are; those beyond N are counted and not kept.
    """
    channels, h, w = planes.shape
    height = np.empty(w, np.float32)
    quarter, n = np.float32(0.25), 0
    for c in range(channels):
        bound, plane = _QUICK * above * sigma[c], planes[c]
        for y in range(MARGIN, h - MARGIN if bound > 0 else MARGIN):
            for x in range(MARGIN, w - MARGIN):
                far = plane[y - 2, x] + plane[y + 2, x] + plane[y, x - 2] + plane[y, x + 2]
                height[x] = plane[y, x] - quarter * far
            for x in range(MARGIN, w - MARGIN):
                if abs(height[x]) > bound:  # few places are
                    sign = np.float32(1) if height[x] > 0 else np.float32(-1)
                    if _peak(plane, y, x, sign):
                        found = _judged(planes, c, y, x, sign, sigma, above, sharp)
                        if found != 0:
                            if n < len(places):
                                places[n, 0], places[n, 1], places[n, 2] = c, y, x
                                excess[n] = found
                                _share(planes, c, y, x, sigma, shared[n])
                            n += 1
    return n


def find_bad_pixels_numpy(
    planes: Planes, sigma: NDArray[Any] | list[float], *, above: float, sharp: float
) -> BadPixels:
    """The plain numpy twin of `find_bad_pixels`, for a frame that is covered everywhere.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear light.
    sigma : ndarray, shape (C,), or list of float
    above, sharp : float

    Returns
    -------
    BadPixels
    """
    m, noise = MARGIN, np.asarray(sigma, np.float32)[:, None, None]

    def at(i: int, j: int) -> Planes:
        h, w = planes.shape[1:]
        return planes[:, m + i : h - m + i, m + j : w - m + j]

    here, sides, corners = (
        at(0, 0),
        [at(-1, 0), at(1, 0), at(0, -1), at(0, 1)],
        [at(i, j) for i in (-1, 1) for j in (-1, 1)],
    )
    ring = np.stack([at(i, j) for i in range(-m, m + 1) for j in range(-m, m + 1) if max(abs(i), abs(j)) == m])
    level = np.median(ring, axis=0)
    scatter = _SIGMA_PER_MAD * np.median(np.abs(ring - level), axis=0)
    light = here + 0.5 * sum(sides) + 0.25 * sum(corners) - 4 * level
    found = np.zeros(here.shape, np.float32)
    for sign in (1, -1):
        height = sign * (here - level)
        before, after = np.stack([sides[0], sides[2]]), np.stack([sides[1], sides[3]])
        wanted = (sign * here > sign * before).all(axis=0) & (sign * here >= sign * after).all(axis=0)
        far = (at(-2, 0) + at(2, 0) + at(0, -2) + at(0, 2)) / 4
        wanted &= sign * (here - far) > _QUICK * above * noise
        rows, cols = (np.where(sign * a > sign * b, a, b) for a, b in (sides[:2], sides[2:]))
        up, left = sign * sides[0] > sign * sides[1], sign * sides[2] > sign * sides[3]
        corner = np.select([up & left, up & ~left, ~up & left], corners[:3], corners[3])
        block = sign * _PER_BLOCK * (here + rows + cols + corner - 4 * level)
        wanted &= (np.maximum(height, block) > above * np.maximum(noise, scatter)) & (noise > 0)
        wanted &= sign * (sum(sides) / 4 - level) <= sharp * height
        for c in range(len(planes)):
            for other in set(range(len(planes))) - {c}:
                wanted[c] &= sign * light[other] <= _OTHER_COLORS * sign * light[c] + noise[other]
        found[wanted] = (sign * height)[wanted]
    channel, y, x = np.nonzero(found)
    own, lights = light[channel, y, x][:, None], light[:, y, x].T
    shared = np.sign(own) * lights > np.maximum(_SHARED * np.abs(own), _SEEN * np.asarray(sigma, np.float32))
    shared |= channel[:, None] == np.arange(len(planes))
    return BadPixels(channel, y + m, x + m, found[channel, y, x], shared)

"""Taking star light out of pixels, in part or whole, pixel by pixel: no pixel looks at another one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations._stars.cutout import wing_share
from workbench.operations._stars.star_model import STEP, StarModel, profile_table
from workbench.operations.rows import copy_into

__all__ = ["StarPlan", "left_by_model", "plan_stars", "take_light", "take_light_numpy"]

Floats = NDArray[np.float64]
Index = NDArray[np.int64]
Planes = NDArray[np.float32]

_PER_FWHM = 1.0 / STEP
#: Side of the cells of the star index, pixels of the frame at hand.
CELL = 128
#: Rows worked on at a time, so that the sums stay in cache.
_ROWS = 64
#: Share of the footprint over which the model fades to nothing.
_FADE = 0.25
#: A pixel brighter than its stars' model says lets them have so much of the model more, and so much of the noise; what
#: is above that is light of something else, and stays.
_MORE, _MORE_NOISE = 0.25, 2.0
#: Height, in units of white, from which pixels would count beside the model: never.
_NO_TRUST = 1e9


@dataclass(frozen=True, slots=True)
class StarPlan:
    """A star model ready for pixels of one frame: positions in that frame, stars listed by cell.

    Attributes
    ----------
    place : ndarray, shape (N, 4), float64
        x, y, half side of the footprint's square, inverse of the core radius; pixels of the frame.
    form : ndarray, shape (N, 3), float64
        rho^2 in FWHM^2 from pixel offsets of the frame.
    edge, core, wings : ndarray, shape (N,)
    shrink, dim : ndarray, shape (N,)
        Width and brightness of the star afterwards, shares of what they were.
    peak, limit : ndarray, shape (N, C)
    ground : ndarray, shape (N, C, 6)
    table : ndarray, shape (T, C), float32
    sigma : float
        Noise of the mean of channels.
    start, found : ndarray, int64
        Stars (ascending) of cell k are ``found[start[k]:start[k + 1]]``; cells run row by row.
    across : int
        Cells in a row.
    samples : int
        Points a pixel is sampled at along each side: above 1 where pixels are large against stars.
    """

    place: Floats
    form: Floats
    edge: Floats
    core: Floats
    wings: Floats
    shrink: Floats
    dim: Floats
    peak: Floats
    limit: Floats
    ground: Floats
    table: Planes
    sigma: float
    start: Index
    found: Index
    across: int
    samples: int

    def near(self, y0: int, x0: int, height: int, width: int) -> Index:
        """Stars that may touch a rectangle, ascending."""
        rows = range(max(y0, 0) // CELL, (y0 + height - 1) // CELL + 1)
        cols = range(max(x0, 0) // CELL, (x0 + width - 1) // CELL + 1)
        cells = [r * self.across + c for r in rows for c in cols]
        return np.unique(np.concatenate([self.found[self.start[k] : self.start[k + 1]] for k in cells]))


def plan_stars(
    model: StarModel, shrink: Floats, dim: Floats, sigma: float, height: int, width: int, scale: float = 1.0
) -> StarPlan:
    """Make a model ready for a frame of ``height`` x ``width`` pixels, each ``scale`` full-resolution pixels wide.

    Parameters
    ----------
    model : StarModel
    shrink, dim : ndarray, shape (N,)
        Width and brightness of each star afterwards as shares; 1, 1 leaves it as it is, and ``dim`` 0 takes it out.
    sigma : float
        Noise of the mean of channels at full resolution.
    """
    x, y = (model.x + 0.5) / scale - 0.5, (model.y + 0.5) / scale - 0.5
    radius = model.radius / scale + 0.5
    place = np.stack([x, y, radius, scale / np.maximum(model.core * model.fwhm, 1e-6)], axis=1)
    across, down = -(-width // CELL), -(-height // CELL)
    start, found = _cells(x, y, radius, across, down)
    samples = max(1, int(np.ceil(scale - 1e-6)))
    return StarPlan(
        place, model.form * scale**2, model.edge, model.core, model.wings, shrink, dim, model.peak, model.limit,
        model.ground, profile_table(model.rho, model.profile), sigma / scale, start, found, across, samples,
    )  # fmt: skip


def _cells(x: Floats, y: Floats, radius: Floats, across: int, down: int) -> tuple[Index, Index]:
    first_col = np.clip(np.floor((x - radius) / CELL).astype(np.int64), 0, across - 1)
    last_col = np.clip(np.floor((x + radius) / CELL).astype(np.int64), 0, across - 1)
    first_row = np.clip(np.floor((y - radius) / CELL).astype(np.int64), 0, down - 1)
    last_row = np.clip(np.floor((y + radius) / CELL).astype(np.int64), 0, down - 1)
    stars, cells = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for r in range(int((last_row - first_row).max(initial=0)) + 1):
        for c in range(int((last_col - first_col).max(initial=0)) + 1):
            touched = np.flatnonzero((first_row + r <= last_row) & (first_col + c <= last_col))
            stars.append(touched)
            cells.append((first_row[touched] + r) * across + first_col[touched] + c)
    star, cell = np.concatenate(stars), np.concatenate(cells)
    order = np.lexsort((star, cell))
    start = np.searchsorted(cell[order], np.arange(across * down + 1)).astype(np.int64)
    return start, star[order]


@kernel
def _fading(rho: float, edge: float) -> float:
    """1 inside the footprint, smoothly down to 0 at its edge."""
    t = (edge - rho) / (edge * _FADE)
    return 1.0 if t >= 1.0 else t * t * (3.0 - 2.0 * t)


@kernel
def _both_profiles(
    rho: float, narrow: float, peak: Floats, limit: Floats, core: float, wings: float, table: Planes, before: Floats
) -> float:  # fmt: skip
    """Light at ``rho`` to ``before`` (C,); returns light at ``narrow`` over light at ``rho``, at most 1."""
    top = table.shape[0] - 2
    a, b = min(rho * _PER_FWHM, float(top)), min(narrow * _PER_FWHM, float(top))
    ka, kb = int(a), int(b)
    fa, fb = a - ka, b - kb
    here, there = wing_share(rho, core, wings), wing_share(narrow, core, wings)
    total, after = 0.0, 0.0
    for c in range(peak.size):
        before[c] = min(here * peak[c] * ((1.0 - fa) * table[ka, c] + fa * table[ka + 1, c]), limit[c])
        after += min(there * peak[c] * ((1.0 - fb) * table[kb, c] + fb * table[kb + 1, c]), limit[c])
        total += before[c]
    return min(after / total, 1.0) if total > 0.0 else 1.0


@kernel
def _add_star(
    i: int, y0: int, x0: int, place: Floats, form: Floats, edge: Floats, core: Floats, shrink: float, dim: float,
    peak: Floats, limit: Floats, wings: Floats, ground: Floats, table: Planes, samples: int, light: Planes,
    taken: Planes, under: Planes, weight: Planes,
) -> None:  # fmt: skip
    channels, h, w = light.shape
    x, y, radius, per_core = place[i, 0], place[i, 1], place[i, 2], place[i, 3]
    share = 1.0 / (samples * samples)
    before, full, gone = np.empty(channels), np.empty(channels), np.empty(channels)
    for row in range(max(int(np.ceil(y - radius)) - y0, 0), min(int(np.floor(y + radius)) - y0, h - 1) + 1):
        for col in range(max(int(np.ceil(x - radius)) - x0, 0), min(int(np.floor(x + radius)) - x0, w - 1) + 1):
            dx0, dy0 = x0 + col - x, y0 + row - y
            for c in range(channels):
                full[c], gone[c] = 0.0, 0.0
            seen = False
            for s in range(samples * samples):
                dx = dx0 + ((s % samples) + 0.5) / samples - 0.5
                dy = dy0 + ((s // samples) + 0.5) / samples - 0.5
                rho2 = form[i, 0] * dx * dx + 2.0 * form[i, 1] * dx * dy + form[i, 2] * dy * dy
                if rho2 >= edge[i] * edge[i]:
                    continue
                seen = True
                rho = np.sqrt(rho2)
                fade = share * _fading(rho, edge[i])
                kept = dim * _both_profiles(rho, rho / shrink, peak[i], limit[i], core[i], wings[i], table, before)
                for c in range(channels):
                    full[c] += fade * before[c]
                    gone[c] += fade * (1.0 - kept) * before[c]
            if not seen:
                continue
            mean = 0.0
            for c in range(channels):
                mean += full[c] / channels
            weight[row, col] += np.float32(mean)
            u, v = dx0 * per_core, dy0 * per_core
            for c in range(channels):
                level = ground[i, c, 0] + ground[i, c, 1] * u + ground[i, c, 2] * v
                level += (
                    ground[i, c, 3] * (u * u - v * v)
                    + ground[i, c, 4] * 2.0 * u * v
                    + ground[i, c, 5] * (u * u + v * v)
                )
                light[c, row, col] += np.float32(full[c])
                taken[c, row, col] += np.float32(gone[c])
                under[c, row, col] += np.float32(mean * level)


@kernel
def _take(
    pixels: Planes, y0: int, x0: int, stars: Index, place: Floats, form: Floats, edge: Floats, core: Floats,
    shrink: Floats, dim: Floats, peak: Floats, limit: Floats, wings: Floats, ground: Floats, table: Planes,
    sigma: float, trust: float, samples: int, out: Planes,
) -> None:  # fmt: skip
    channels, h, w = pixels.shape
    rows = min(_ROWS, h)
    light = np.empty((channels, rows, w), np.float32)
    taken = np.empty((channels, rows, w), np.float32)
    under = np.empty((channels, rows, w), np.float32)
    weight = np.empty((rows, w), np.float32)
    noise2 = np.float32((trust * sigma) ** 2)
    more, more_noise = np.float32(_MORE), np.float32(_MORE_NOISE * np.sqrt(channels) * sigma)
    for first in range(0, h, rows):
        n = min(rows, h - first)
        light[:], taken[:], under[:], weight[:] = np.float32(0), np.float32(0), np.float32(0), np.float32(0)
        for i in stars:
            if place[i, 1] + place[i, 2] >= y0 + first and place[i, 1] - place[i, 2] <= y0 + first + n:
                _add_star(
                    i, y0 + first, x0, place, form, edge, core, shrink[i], dim[i], peak, limit, wings, ground, table,
                    samples, light[:, :n], taken[:, :n], under[:, :n], weight[:n],
                )  # fmt: skip
        for c in range(channels):
            for r in range(n):
                for col in range(w):
                    p = pixels[c, first + r, col]
                    m, total = weight[r, col], light[c, r, col]
                    if m > 0.0 and total > 0.0:
                        # Where the star stands clear of the noise, its own pixels tell its light; else the model.
                        gain = m * m / (m * m + noise2)
                        misfit = min(p - under[c, r, col] / m - total, more * total + more_noise)
                        p -= taken[c, r, col] / total * (total + gain * misfit)
                    out[c, first + r, col] = p


def take_light(pixels: Planes, y0: int, x0: int, plan: StarPlan, trust: float, out: Planes) -> None:
    """Reduce the stars of ``plan`` in a piece of the frame.

    Parameters
    ----------
    pixels : ndarray, shape (C, h, w), float32
        The piece; its first pixel is row ``y0``, column ``x0`` of the frame.
    plan : StarPlan
    trust : float
        Height of a star in units of the noise at which its own pixels and the model count alike.
    out : ndarray, shape (C, h, w), float32
        May be ``pixels`` itself.
    """
    stars = plan.near(y0, x0, pixels.shape[1], pixels.shape[2])
    if stars.size == 0:
        if out is not pixels:
            out[...] = pixels
        return
    _take(
        pixels, y0, x0, stars, plan.place, plan.form, plan.edge, plan.core, plan.shrink, plan.dim, plan.peak,
        plan.limit, plan.wings, plan.ground, plan.table, plan.sigma, trust, plan.samples, out,
    )  # fmt: skip


@kernel
def _touching(
    y0: int, x0: int, h: int, w: int, place: Floats, start: Index, found: Index, across: int, near: Index
) -> Index:
    """Stars whose footprint's square touches a rectangle of the frame, ascending; they lie in ``near``."""
    n = 0
    for row in range(y0 // CELL, (y0 + h - 1) // CELL + 1):
        for col in range(x0 // CELL, (x0 + w - 1) // CELL + 1):
            cell = row * across + col
            for k in range(start[cell], start[cell + 1]):
                i = found[k]
                x, y, r = place[i, 0], place[i, 1], place[i, 2]
                if x + r < x0 or x - r > x0 + w - 1 or y + r < y0 or y - r > y0 + h - 1:
                    continue
                at = n
                while at > 0 and near[at - 1] > i:
                    at -= 1
                if at > 0 and near[at - 1] == i:  # from another cell
                    continue
                for later in range(n, at, -1):
                    near[later] = near[later - 1]
                near[at] = i
                n += 1
    return near[:n]


@kernel
def _left(
    planes: Planes, ys: Index, xs: Index, half: int, place: Floats, form: Floats, edge: Floats, core: Floats,
    shrink: Floats, dim: Floats, peak: Floats, limit: Floats, wings: Floats, ground: Floats, table: Planes,
    sigma: float, start: Index, found: Index, across: int, samples: int, out: Floats,
) -> None:  # fmt: skip
    channels, height, width = planes.shape
    near = np.empty(place.shape[0], np.int64)
    for s in range(ys.size):
        top, left = max(ys[s] - half, 0), max(xs[s] - half, 0)
        h, w = min(ys[s] + half + 1, height) - top, min(xs[s] + half + 1, width) - left
        square = np.empty((channels, h, w), np.float32)
        for c in range(channels):
            for y in range(h):
                copy_into(planes[c, top + y, left : left + w], square[c, y])
        stars = _touching(top, left, h, w, place, start, found, across, near)
        _take(
            square, top, left, stars, place, form, edge, core, shrink, dim, peak, limit, wings, ground, table, sigma,
            _NO_TRUST, samples, square,
        )  # fmt: skip
        for y in range(h):
            for x in range(w):
                total = square[0, y, x]
                for c in range(1, channels):
                    total += square[c, y, x]
                out[s, top + y - ys[s] + half, left + x - xs[s] + half] = total / np.float32(channels)


def left_by_model(planes: Planes, plan: StarPlan, ys: Index, xs: Index, half: int) -> Floats:
    """What the stars of a plan leave of squares when the light taken off is the model's alone.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    plan : StarPlan
    ys, xs : ndarray, shape (n,), int64
        The pixels in the middle of the squares, in the frame.
    half : int
        Half of a square's side, without its middle.

    Returns
    -------
    ndarray, shape (n, 2 half + 1, 2 half + 1), float64
        Mean over channels; 0 beyond the frame's sides.
    """
    out = np.zeros((ys.size, 2 * half + 1, 2 * half + 1))
    _left(
        planes, ys, xs, half, plan.place, plan.form, plan.edge, plan.core, plan.shrink, plan.dim, plan.peak, plan.limit,
        plan.wings, plan.ground, plan.table, plan.sigma, plan.start, plan.found, plan.across, plan.samples, out,
    )  # fmt: skip
    return out


def take_light_numpy(planes: Planes, plan: StarPlan, trust: float) -> Planes:
    """What `take_light` does to a whole frame, in plain float64 numpy."""
    channels, h, w = planes.shape
    light, taken, under = (np.zeros((channels, h, w)) for _ in range(3))
    weight = np.zeros((h, w))
    table = plan.table.astype(np.float64)
    rows = np.arange(len(table))
    offsets = (np.arange(plan.samples) + 0.5) / plan.samples - 0.5
    for i, (x, y, _, per_core) in enumerate(plan.place):
        dx, dy = np.arange(w) - x, (np.arange(h) - y)[:, None]
        full, gone = np.zeros((channels, h, w)), np.zeros((channels, h, w))
        for oy in offsets:
            for ox in offsets:
                f0, f1, f2 = plan.form[i]
                rho = np.sqrt(f0 * (dx + ox) ** 2 + 2 * f1 * (dx + ox) * (dy + oy) + f2 * (dy + oy) ** 2)
                t = np.clip((plan.edge[i] - rho) / (plan.edge[i] * _FADE), 0, 1)
                fade = t * t * (3 - 2 * t) / plan.samples**2
                before, after = (
                    np.stack([
                        np.minimum(
                            plan.peak[i, c]
                            * np.interp(r * _PER_FWHM, rows, table[:, c])
                            * (1 + (plan.wings[i] - 1) * np.clip(2 * r / plan.core[i] - 1, 0, 1)),
                            plan.limit[i, c],
                        )
                        for c in range(channels)
                    ])
                    for r in (rho, rho / plan.shrink[i])
                )  # fmt: skip
                total = before.sum(axis=0)
                ratio = np.minimum(np.divide(after.sum(axis=0), total, out=np.ones_like(total), where=total > 0), 1)
                full += fade * before
                gone += fade * (1 - plan.dim[i] * ratio) * before
        u, v = dx * per_core, dy * per_core
        mean = full.mean(axis=0)
        g = plan.ground[i][:, :, None, None]
        level = (
            g[:, 0]
            + g[:, 1] * u
            + g[:, 2] * v
            + g[:, 3] * (u * u - v * v)
            + g[:, 4] * 2 * u * v
            + g[:, 5] * (u * u + v * v)
        )
        light, taken, under, weight = light + full, taken + gone, under + mean * level, weight + mean
    gain = weight**2 / (weight**2 + (trust * plan.sigma) ** 2)
    seen = (light > 0) & (weight > 0)
    ground = np.divide(under, weight, out=np.zeros_like(under), where=seen)
    share = np.divide(taken, light, out=np.zeros_like(taken), where=seen)
    most = _MORE * light + _MORE_NOISE * np.sqrt(channels) * plan.sigma
    misfit = np.minimum(planes - ground - light, most)
    return np.asarray(planes - share * (light + gain * misfit), np.float32)

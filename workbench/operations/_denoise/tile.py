"""The way through a tile: stars leveled, coarse scales on ever wider grids, then the two finest in bands of rows.

Scale j (1 = finest) needs its smoothing only at every 2^(j-2)-th pixel to be known well: taps with holes fall on that
grid exactly, so the values there are the undecimated transform's, and only the noise taken away is interpolated.
That makes all coarse scales together cheaper than one fine one.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.operations._denoise import kernels, peaks
from workbench.operations._denoise.plan import DenoisePlan
from workbench.operations.base import Tile

__all__ = ["denoise"]

Planes = NDArray[np.float32]

_BAND = 96  # rows at a time for the fine scales: the arrays of a band stay in a core's cache
_SIDE = 2  # pixels around a pixel among which light of stars is looked for in what was taken for noise
_FINE = 10 + _SIDE  # pixels around a band that scales 1 and 2 and their windows look at
_store = threading.local()


def _scratch(name: str, shape: tuple[int, ...]) -> Planes:
    """Memory of this thread for ``name``, kept for its next tile: fresh memory costs more than the work on it."""
    size = int(np.prod(shape))
    held: Planes | None = getattr(_store, name, None)
    if held is None or held.size < size:
        held = np.empty(size, np.float32)
        setattr(_store, name, held)
    return held[:size].reshape(shape)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Input of a coarse scale on a grid of every ``step``-th pixel, and its smoothing.

    The first node whose noise they let know lies at frame position ``y0``, ``x0``.
    """

    fine: Planes
    rest: Planes
    step: int
    y0: int
    x0: int


@dataclass(frozen=True, slots=True)
class _Grid:
    """Noise (C planes) and kept luminance (the last) at every ``step``-th pixel, from frame position ``y0``, ``x0``."""

    values: Planes
    step: int
    y0: int
    x0: int


@dataclass(frozen=True, slots=True)
class _Stable:
    """A tile in units of equal noise: leveled luminance, color, and the luminance that is to come back (C + 1, h, w).

    ``marks`` (2, h, w) say where the luminance was leveled (`peaks.level`).
    """

    planes: Planes
    marks: Planes

    @property
    def leveled(self) -> Planes:
        """Leveled luminance and color (C, h, w)."""
        return self.planes[:-1]


def denoise(tile: Tile, plan: DenoisePlan, out: Planes) -> None:
    """Write the core of ``tile`` without noise to ``out``."""
    geometry, core, r = tile.geometry, tile.core, tile.reach
    _, height, width = tile.pixels.shape
    u = _across(core.x0 - r, width, geometry.width)
    v = _across(core.y0 - r, height, geometry.height)
    stable = _stable(tile, plan, u, v)
    coarse = _coarse(stable, tile, plan) if plan.scales > 2 else None
    for top in range(0, core.height, _BAND):
        rows = min(_BAND, core.height - top)
        _band(stable, tile, plan, u, v, coarse, top, rows, out)


def _across(first: int, count: int, size: int) -> NDArray[np.float32]:
    """Frame coordinate -1..1 of ``count`` pixels from ``first``; beyond the edge it stays at the edge."""
    return np.clip((np.arange(first, first + count) + 0.5) * 2 / size - 1, -1, 1).astype(np.float32)


def _stable(tile: Tile, plan: DenoisePlan, u: Planes, v: Planes) -> _Stable:
    p = plan
    channels, h, w = tile.pixels.shape
    planes = _scratch("stable", (channels + 1, h, w))
    marks = _scratch("marks", (2, h, w))
    kernels.stabilise(tile.pixels, 0, 0, p.sky, p.per_sigma, p.shot, p.knee, p.turn, p.field, u, v, planes[:channels])
    noise = 1 / np.sqrt(p.per_variance[:2, 0])
    peaks.level(planes[0], noise, p.least, _scratch("level", (3, h, w)), planes[channels], marks)
    return _Stable(planes, marks)


def _smooth(source: Planes, hole: int, name: str) -> Planes:
    _, h, w = source.shape
    return _smooth_box(source, 0, 0, h, w, hole, name)


def _smooth_box(source: Planes, y: int, x: int, rows: int, columns: int, hole: int, name: str) -> Planes:
    """Smoothing of a box of ``source`` that begins at pixel (y, x), ``2 hole`` smaller on each side."""
    out = _scratch(name, (len(source), rows - 4 * hole, columns - 4 * hole))
    kernels.smooth(source, y, x, hole, 0, rows - 4 * hole, out)
    return out


def _twice_smoothed(stable: _Stable, y: int, x: int) -> Planes:
    """Smoothing after scale 2 at every second pixel, the first centred on tile pixel (y, x)."""
    channels, height, width = stable.planes.shape
    rows, columns = (height - y - 7) // 2 + 1, (width - x - 7) // 2 + 1
    out = _scratch("grid1", (channels - 1, rows, columns))
    for top in range(0, rows, _BAND // 2):
        n = min(_BAND // 2, rows - top)
        # The second smoothing's taps are two pixels apart: of the first no more than its own grid is ever looked at.
        once = _scratch("once", (channels - 1, n + 4, columns + 4))
        kernels.halved(stable.leveled, y - 6 + 2 * top, x - 6, n + 4, once)
        kernels.smooth(once, 0, 0, 1, top, n, out)
    return out


def _coarse(stable: _Stable, tile: Tile, plan: DenoisePlan) -> _Grid:
    """Noise of scales 3 and up on the grid of every second pixel, wide enough around the core to interpolate."""
    core, r, last = tile.core, tile.reach, plan.scales - 2
    # All grids begin at a multiple of the coarsest step, in frame coordinates: the same nodes whatever the tile.
    align, first = 2**last, 6 + peaks.REACH
    y, x = first + -(core.y0 - r + first) % align, first + -(core.x0 - r + first) % align
    fine = _twice_smoothed(stable, y, x)
    y0, x0 = core.y0 - r + y, core.x0 - r + x
    scales: list[_Scale] = []
    for k in range(1, last + 1):
        step = 2**k
        rest = _smooth(fine, 2, f"rest{k}")
        scales.append(_Scale(fine, rest, step, y0 + 8 * step, x0 + 8 * step))
        y0, x0 = y0 + 4 * step, x0 + 4 * step
        if k < last:
            channels, h, w = rest.shape
            i, j = y0 // step % 2, x0 // step % 2  # the next grid's nodes lie at multiples of its own step
            fine = _scratch(f"grid{k + 1}", (channels, (h - i + 1) // 2, (w - j + 1) // 2))
            fine[...] = rest[:, i::2, j::2]
            y0, x0 = y0 + i * step, x0 + j * step
    return _noise(scales, tile, plan)


def _noise(scales: list[_Scale], tile: Tile, plan: DenoisePlan) -> _Grid:
    """The noise of all coarse scales, from the coarsest up, over just the nodes that the core needs."""
    core = tile.core
    spans = [(core.y0 - _SIDE, core.y1 - 1 + _SIDE, core.x0 - _SIDE, core.x1 - 1 + _SIDE)]
    for scale in scales:
        s = scale.step
        y0, y1, x0, x1 = spans[-1]
        spans.append((y0 // s * s - s, -(-y1 // s) * s + s, x0 // s * s - s, -(-x1 // s) * s + s))
    total: _Grid | None = None
    for k in range(len(scales), 0, -1):
        scale, (y0, y1, x0, x1) = scales[k - 1], spans[k]
        s = scale.step
        part = _scratch(f"part{k}", (scale.fine.shape[0] + 1, (y1 - y0) // s + 1, (x1 - x0) // s + 1))
        part.fill(0)
        if total is not None:
            kernels.upsample_add(total.values, (y0 - total.y0) // s, (x0 - total.x0) // s, part)
        at = (y0 - scale.y0) // s, (x0 - scale.x0) // s
        _remove(scale.fine, (0, 0), scale.rest, 2, *at, plan, k + 1, part)
        total = _Grid(part, s, y0, x0)
    assert total is not None
    return total


_UNMARKED = np.zeros((2, 1, 1), np.float32)


def _remove(
    fine: Planes,
    begin: tuple[int, int],
    coarse: Planes,
    hole: int,
    top: int,
    left: int,
    plan: DenoisePlan,
    scale: int,
    out: Planes,
    marks: Planes = _UNMARKED,
    place: tuple[int, int] = (0, 0),
) -> None:
    y, x = begin
    p = plan
    levels = p.per_variance[scale], p.limit[scale], p.support[scale], float(p.echo[scale]), float(p.most[scale])
    kernels.removed(fine, y, x, coarse, hole, top, left, *levels, marks, *place, scale, out)


def _band(
    stable: _Stable,
    tile: Tile,
    plan: DenoisePlan,
    u: Planes,
    v: Planes,
    coarse: _Grid | None,
    top: int,
    rows: int,
    out: Planes,
) -> None:
    """``rows`` rows of the core from ``top``: noise of scales 2 and 1, then the noise of all scales taken away."""
    core, r, p = tile.core, tile.reach, plan
    y, x = r + top - _FINE, r - _FINE
    fine = stable.leveled
    once = _smooth_box(fine, y, x, rows + 2 * _FINE, core.width + 2 * _FINE, 1, "once")
    twice = _smooth(once, 2, "twice")
    wide = _scratch("wide", (len(fine) + 1, rows + 2 * _SIDE, core.width + 2 * _SIDE))
    wide.fill(0)
    if coarse is not None:
        kernels.upsample_add(coarse.values, core.y0 + top - _SIDE - coarse.y0, core.x0 - _SIDE - coarse.x0, wide)
    _remove(once, (0, 0), twice, 2, 0, 0, plan, 1, wide, stable.marks, (y + 2, x + 2))
    inside = _FINE - _SIDE - 4
    _remove(fine, (y, x), once, 1, inside, inside, plan, 0, wide, stable.marks, (y, x))
    peaks.give_back(wide, stable.marks, r + top - _SIDE, r - _SIDE, _scratch("back", (2, *wide.shape[1:])))
    model = p.sky, p.per_sigma, p.shot, p.knee, p.turn, p.field
    kernels.finish(tile.pixels, r + top, r, stable.planes, wide, *model, u, v, p.amount, top, out)

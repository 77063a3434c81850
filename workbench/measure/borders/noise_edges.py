"""Borders seen by noise alone: where fewer frames were averaged, noise is higher by the root of their share.

The model of the noise
----------------------
Where a share ``s`` of the frames recorded a pixel on light ``L``, its variance is ``(a + b L) / s``: read noise and
photons. Along each side of the frame, noise and light are measured in short pieces of every row (what a pixel has
beyond its expectation by its neighbors, which makes noise that hangs together as good as noise that does not, and
slopes and structure hardly count); ``a`` and ``b`` are fitted to the pieces inside, and what a row's noise has beyond
them, ``-0.5 ln(s)`` for missing frames, is the *excess*.

A border or not
---------------
Frames end on straight lines, and are rigid: a night that was turned tilts the lines of all four sides alike. Of all
turns the one is taken by which an excess that falls inwards explains most of what is seen on all sides together
(`tilts_of_turn`); a side keeps to it or is straight. Of the lines of that tilt, the one is taken whose outside has most
excess over that of nine tenths of the frames, against the rows next to it on the inside. It is a border when the excess
is alike in all pieces of the side (`sureness`): where a galaxy, a cluster or clouds reach toward the edge it is not.
Frames that are shifted leave borders on all sides: once one is sure, or all together are, the others need less proof.

The share of the frames
-----------------------
Shifts differ from frame to frame, so the share falls little by little across the line, and nights differ in framing.
Nothing is assumed of how but that it falls outward: the excess is averaged along the line and made to fall inwards
(isotonic regression; Barlow et al. 1972, "Statistical inference under order restrictions").

When it fails
-------------
A share of 0.88 raises noise by 1 % over one of 0.9: where few frames make the difference, the contour lies anywhere
between the two. Frames of 600 x 900 pixels show it to 2 px on nearly all sides of nights that were not turned; where
they were, the border bends, and three sides of four are right (`benchmarks/borders.py`). Borders deeper than a fifth
of the frame are not looked for. Frames under about 100 rows are not measured.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.blocks import Planes, in_order
from workbench.measure.borders.row_noise import FEWEST, SideRows, side_rows
from workbench.measure.statistics import MAD_TO_SIGMA

if TYPE_CHECKING:
    from scipy import ndimage, optimize
else:
    ndimage, optimize = on_first_use("scipy.ndimage"), on_first_use("scipy.optimize")

__all__ = [
    "CONTOUR",
    "BorderSide",
    "EdgeLine",
    "NoiseBorders",
    "clearest",
    "frame_share",
    "noise_borders",
    "sureness",
    "tilts_of_turn",
]

Floats = NDArray[np.float64]

#: Excess of a pixel that nine tenths of the frames recorded. Their contour is where the smoothed share says the second
#: number, as smoothing takes 0.02 off there: with 0.9 borders come out 0.5 px too wide.
_EXCESS, CONTOUR = -0.5 * np.log(0.9), 0.88
#: Brightness classes of pieces that the noise's growth with light is fitted to.
_CLASSES = 8
#: Neighboring rows share noise: sums over rows vary by this much more than those of independent ones.
_SHARED = 1.7
#: Cells count no farther than so many deviations from the noise inside: to find a line, and to tell how much noise is
#: higher outside of it (below, above).
_WILD, _BOUNDS = 2.0, (-3.0, 4.0)
#: Rows inside of a contour that tell what noise is without a border.
_BESIDE = 48
#: Gain in log likelihood that a contour must bring, and beside a border that is sure.
_CLEAR, _CLEAR_BESIDE = 12.0, 5.0
#: Gain in log likelihood that a turn of nights must bring a side that shows it, and all sides together.
_TILTED, _TOGETHER = 2.0, 4.0
#: What it must bring more where one side alone shows it: an object that reaches toward that edge looks like it.
_ALONE = 6.0
#: Signs of the tilts that one turn gives to the top, right, bottom and left.
_SIGNS = (1, 1, -1, -1)
#: Turn between nights that is nothing special (radians); ten times as much costs 4 of log likelihood.
_TURN = 0.015
#: Steepest line (about 3.4 degrees), and the longest way down as a share of the rows searched.
_STEEPEST, _DROP = 0.06, 0.8
#: Standard errors from which a border is sure, and from which it is told as a doubt. Of 120 true sides of independent
#: stacks all but one reach 8.2; of real and independent frames without borders none does 5.2 (M51).
_SURE, _MAYBE = 7.5, 4.0
#: All sides together are as sure from here on (M51: 6.9; the least of 25 stacks: 8.8, nebula and walking pattern),
#: and then each side from the second number on. How much deeper than the deepest sure one such a border may be: a
#: factor, and pixels.
_SURE_TOGETHER, _SURE_BESIDE, _FARTHER, _SLACK = 8.0, 2.0, 2.0, 4
#: Share of what light explains of noise that may be wrong.
_UNSURE_OF_LIGHT = 0.5
#: Standard deviation (px) of the smoothing of a side's profile.
_SMOOTH = 2.0
#: Share of a row's pieces that is left out at either end of their order, and standard deviation (px) of the smoothing
#: before: clusters and galaxies at the edge are there.
_TRIM, _ROUGH = 0.2, 1.0
#: Parts in which a side that may bend is read, and the share of the side that each takes.
_PARTS, _PART = 3, 0.5


@dataclass(frozen=True, slots=True)
class BorderSide:
    """One side of the frame, from its edge inwards.

    Attributes
    ----------
    excess : ndarray, shape (rows, pieces), float64
        Log noise of a row in a piece beyond what its light explains, inside 0; NaN where nothing is known.
    explained : ndarray, shape (rows, pieces), float64
        Log noise that light explains.
    at : ndarray, shape (pieces,), float64
        Place of each piece along the side, from its middle (px).
    length, searched : int
        Of the side, and rows in which a border is looked for (px).
    cell : float
        Scatter of the excess inside.
    """

    excess: Floats
    explained: Floats
    at: Floats
    length: int
    searched: int
    cell: float

    def bounded(self) -> Floats:
        """The excess, outliers brought in.

        Returns
        -------
        ndarray, shape (rows, pieces), float64
            From -3 to 4 deviations of the inside.
        """
        return np.clip(self.excess, _BOUNDS[0] * self.cell, _BOUNDS[1] * self.cell)


@dataclass(frozen=True, slots=True)
class EdgeLine:
    """Where nine tenths of the frames begin along a side, or would begin.

    Attributes
    ----------
    depth, tilt : float
        Of its middle (px), and its slope.
    gain : float
        In log likelihood, over no border.
    """

    depth: float
    tilt: float
    gain: float

    def off(self, at: Floats) -> NDArray[np.int64]:
        """Rows by which it lies deeper than in its middle.

        Parameters
        ----------
        at : ndarray, shape (N,)
            Places along the side, in pixels from its middle.

        Returns
        -------
        ndarray, shape (N,), int64
        """
        return np.rint(self.tilt * at).astype(np.int64)


@dataclass(frozen=True, slots=True)
class NoiseBorders:
    """What noise tells of all four sides: top, right, bottom, left.

    Attributes
    ----------
    share : tuple of (ndarray or None), shapes (rows, length), float32
        Share of the frames in the first rows of a side, from its edge inwards; None where no border is sure.
    doubtful : tuple of bool
        Sides on which noise is higher at the edge, but not so evenly that it must be a border.
    """

    share: tuple[NDArray[np.float32] | None, ...]
    doubtful: tuple[bool, ...]


def _growth(sides: list[SideRows]) -> tuple[Floats, Floats]:
    """Variance without light and its growth with light, by channel, from the inner rows of all sides."""
    inner = [(s.noise[len(s.noise) // 2 :], s.light[len(s.light) // 2 :]) for s in sides]
    channels = inner[0][0].shape[-1]
    noise, light = (np.concatenate([part[i].reshape(-1, channels) for part in inner]) for i in (0, 1))
    base, growth = np.ones(channels), np.zeros(channels)
    for c in range(channels):
        known = np.isfinite(noise[:, c])
        if np.count_nonzero(known) < _CLASSES * FEWEST:
            continue
        order = np.argsort(light[known, c], kind="stable")
        classes = np.array_split(order, _CLASSES)
        variance = np.array([np.exp(2 * np.median(noise[known, c][k])) for k in classes])
        level = np.array([np.median(light[known, c][k]) for k in classes])
        unit = float(np.max(np.abs(level))) or 1.0
        # Relative errors are alike: rows over their variance.
        rows = np.stack([np.ones_like(level), np.maximum(level, 0) / unit], axis=1) / variance[:, None]
        (base[c], growth[c]), _ = optimize.nnls(rows, np.ones_like(level))
        growth[c] /= unit
    return base, growth


def _side(rows: SideRows, base: Floats, growth: Floats) -> BorderSide | None:
    """Excess of noise over what light explains; None where too little of the inside is known."""
    expected = 0.5 * np.log(np.maximum(base + growth * np.maximum(rows.light, 0), 1e-30))
    excess = rows.noise - expected
    inner = slice(-(len(excess) // 3), None)
    usable = np.isfinite(excess[inner]).all(axis=2).mean(axis=0) > 0.5
    if np.count_nonzero(usable) < FEWEST:
        return None
    excess = excess[:, usable]
    excess -= np.nanmedian(excess[inner], axis=0)
    # Each channel counts by how even its noise is: demosaiced frames without dithers leave a pattern in some.
    weight = 1 / np.maximum(np.nanmedian(np.abs(excess[inner]), axis=(0, 1)), 1e-9) ** 2
    weight /= weight.sum()
    excess, explained = excess @ weight, expected[:, usable] @ weight
    excess -= np.nanmedian(excess[inner], axis=0)
    cell = MAD_TO_SIGMA * float(np.nanmedian(np.abs(excess[inner])))
    if not cell > 0:
        return None
    return BorderSide(np.ascontiguousarray(excess), explained, rows.at[usable], rows.length, rows.searched, cell)


def _gains(side: BorderSide) -> Floats:
    """Log likelihood (rows + 1, pieces) that a border of each depth brings a piece, over one that just is none.

    What noise is without a border, the rows next to it on the inside tell as far as a piece's noise is uneven, where
    stars and structure disturb it; else all rows of the inside, where it is 0.
    """
    excess = np.clip(side.excess, -_WILD * side.cell, _WILD * side.cell)
    known = np.isfinite(excess)
    total, count = (
        np.concatenate([np.zeros((1, side.at.size)), np.cumsum(v, axis=0)]) for v in (np.where(known, excess, 0), known)
    )
    first = np.arange(side.searched + 1)
    last = np.minimum(first + _BESIDE, len(excess))
    start = len(excess) // 3
    end = min(start + _BESIDE, len(excess))
    seen = count[end] > count[start]
    middle = (total[end] - total[start])[seen] / (count[end] - count[start])[seen]
    scatter = _SHARED * side.cell**2
    spread = MAD_TO_SIGMA * float(np.median(np.abs(middle))) if seen.any() else 0.0
    uneven = max(spread**2 - scatter / _BESIDE, 1e-9)
    inside = (total[last] - total[first]) / (count[last] - count[first] + scatter / uneven)
    beyond = total[first] - count[first] * (inside + _EXCESS)
    return np.asarray(beyond * (2 * _EXCESS / scatter), np.float64)


def clearest(side: BorderSide, tilt: float = 0.0) -> EdgeLine:
    """The line outside of which noise is higher by most, whether or not it is a border.

    Parameters
    ----------
    side : BorderSide
    tilt : float
        Of the line.

    Returns
    -------
    EdgeLine
    """
    gains = _gains(side)
    depth, piece = np.arange(-4, len(gains) - 1), np.arange(side.at.size)
    row = np.clip(np.rint(depth[:, None] + tilt * side.at), 0, len(gains) - 1).astype(np.intp)
    gain = gains[row, piece].sum(axis=1)
    most = int(gain.argmax())
    return EdgeLine(float(depth[most]), tilt, float(gain[most]))


def _tilt_gains(side: BorderSide, tilts: Floats) -> Floats:
    """Log likelihood of an excess that falls inwards in parallel to lines of each tilt, over no excess."""
    excess = np.clip(side.excess, -_WILD * side.cell, _WILD * side.cell)
    known = np.isfinite(excess)
    excess[~known] = 0
    gains = np.full(len(tilts), -np.inf)
    for k, tilt in enumerate(tilts):
        if abs(tilt) * side.length > _DROP * side.searched:
            continue
        off = np.rint(tilt * side.at).astype(int)
        first = -int(off.max())
        total, count = np.zeros((2, side.searched - int(off.min()) - first))
        for o, e, n in zip(off, excess.T, known.T, strict=True):
            total[-o - first : side.searched - o - first] += e[: side.searched]
            count[-o - first : side.searched - o - first] += n[: side.searched]
        some = count > 0
        mean, count = total[some] / count[some], count[some]
        falling = optimize.isotonic_regression(mean, weights=count, increasing=False).x
        gains[k] = np.sum(count * np.maximum(falling, 0) ** 2) / (2 * _SHARED * side.cell**2)
    return gains


def tilts_of_turn(sides: Sequence[BorderSide | None]) -> list[float]:
    """Tilt of each side's border: none, or that of nights which were turned, one for all sides.

    Frames are rigid: what is turned against the others by an angle ends on lines of that tilt on all sides. A side may
    be straight all the same where another night reaches less far.

    Parameters
    ----------
    sides : sequence of BorderSide or None
        Top, right, bottom and left.

    Returns
    -------
    list of float
    """
    longest = max((side.length for side in sides if side is not None), default=1)
    step = 4 / longest  # a line is off by no more than one row at its ends
    n = int(_STEEPEST / step)
    turns = step * np.arange(-n, n + 1, dtype=np.float64)
    gains = np.full((len(sides), len(turns)), -np.inf)
    for k, (side, sign) in enumerate(zip(sides, _SIGNS, strict=True)):
        if side is not None:
            found = _tilt_gains(side, sign * turns)
            gains[k] = found - found[n] - _TILTED
    together = np.maximum(gains, 0).sum(axis=0) - np.log1p(0.5 * (turns / _TURN) ** 2)
    together[(gains > 0).sum(axis=0) < 2] -= _ALONE
    best = int(together.argmax())
    if together[best] < _TOGETHER:
        return [0.0] * len(sides)
    return [float(sign * turns[best]) if gain > 0 else 0.0 for sign, gain in zip(_SIGNS, gains[:, best], strict=True)]


def sureness(side: BorderSide, line: EdgeLine) -> float:
    """By how many of its standard errors noise is higher outside of a line than next to it on the inside.

    Frames end on a line: noise is higher by the same in every piece outside of it. Where a galaxy or a cluster reaches
    toward the edge it is higher in some pieces and lower in others, so the error is read from how far the pieces
    differ. What light explains is itself not sure, by `_UNSURE_OF_LIGHT` of it.

    Parameters
    ----------
    side : BorderSide
    line : EdgeLine

    Returns
    -------
    float
    """
    depth = np.clip(line.depth + line.off(side.at), 0, side.searched).astype(int)
    excess = side.bounded()
    higher, explained, rows = [], [], []
    for d, noise, light in zip(depth, excess.T, side.explained.T, strict=True):
        known = np.isfinite(noise)
        outside, inside = np.flatnonzero(known[:d]), d + np.flatnonzero(known[d : d + _BESIDE])
        if outside.size and inside.size >= _BESIDE // 4:
            higher.append(noise[outside].mean() - noise[inside].mean())
            explained.append(abs(light[outside].mean() - light[inside].mean()))
            rows.append(d)
    if len(rows) < FEWEST:
        return 0.0
    weight = np.asarray(rows, np.float64) / np.sum(rows)
    mean = float(weight @ higher)
    error = np.sqrt(np.sum((weight * (np.asarray(higher) - mean)) ** 2) * len(rows) / (len(rows) - 1))
    return mean / float(np.hypot(error, _UNSURE_OF_LIGHT * (weight @ explained)) + 1e-12)


def frame_share(side: BorderSide, line: EdgeLine, *, bends: bool) -> NDArray[np.float32]:
    """Share of the frames in the first rows along a side.

    It falls towards the edge in parallel to a line: the excess is averaged along the line and made to fall inwards
    (isotonic regression); a share ``s`` raises it by ``-0.5 ln(s)``. What it is without a border, rows on the inside of
    the line tell, from half of `_BESIDE` on: there, all frames count as recorded. Where nights were turned against each
    other, each ends on a line of its own and the border bends: then it is read in parts of the side that overlap, and
    goes over from one to the next.

    Parameters
    ----------
    side : BorderSide
    line : EdgeLine
    bends : bool
        Whether nights were turned.

    Returns
    -------
    ndarray, shape (rows, length), float32
        1 beyond the rows in which a border was looked for.
    """
    at = np.arange(side.length, dtype=np.float64) - 0.5 * (side.length - 1)
    depth: NDArray[np.int64] = np.arange(len(side.excess))[:, None] - line.off(at)[None]
    middles = np.linspace(-0.5, 0.5, _PARTS) * side.length * (1 - _PART)
    within = [np.abs(side.at - middle) <= 0.5 * _PART * side.length for middle in middles]
    if not bends or min(np.count_nonzero(some) for some in within) < FEWEST:
        share = _parallel(side, line)(depth)
    else:
        place = np.clip((at - middles[0]) / (middles[1] - middles[0]), 0, _PARTS - 1)
        share = np.zeros(depth.shape, np.float32)
        for k, some in enumerate(within):
            part = replace(side, excess=side.excess[:, some], explained=side.explained[:, some], at=side.at[some])
            share += np.maximum(1 - np.abs(place - k), 0).astype(np.float32) * _parallel(part, line)(depth)
    share[side.searched :] = 1
    return share


def _parallel(side: BorderSide, line: EdgeLine) -> Callable[[NDArray[np.int64]], NDArray[np.float32]]:
    """Share of the frames by how deep (px) a pixel lies, counted in parallel to a line from where that begins."""
    off = line.off(side.at)
    rows = len(side.excess)
    first = -int(off.max())
    along = np.full((rows - int(off.min()) - first, off.size), np.nan)
    for o, noise, column in zip(off, side.bounded().T, along.T, strict=True):
        column[-o - first : rows - o - first] = noise
    count = np.isfinite(along).sum(axis=1)
    known = np.flatnonzero(count)
    first, count = first + int(known[0]), count[known[0] : known[-1] + 1]
    profile = _middle_mean(along[known[0] : known[-1] + 1])
    begin = max(int(line.depth) - first, 0)
    inside = slice(begin + _BESIDE // 2, begin + 2 * _BESIDE)
    if count[inside].any():
        profile -= np.average(profile[inside], weights=count[inside])
    profile = ndimage.gaussian_filter1d(profile, _SMOOTH, mode="nearest")[: inside.start]
    weights = np.maximum(count[: inside.start], 1e-3)
    falling = optimize.isotonic_regression(profile, weights=weights, increasing=False).x
    share = np.append(np.exp(-2 * np.maximum(falling, 0)), 1).astype(np.float32)
    return lambda depth: share[np.clip(depth - first, 0, len(share) - 1)]


def _middle_mean(rows: Floats) -> Floats:
    """Mean of the middle of each row (N, pieces), without the lowest and the highest share of it."""
    known = np.isfinite(rows)
    weight = ndimage.gaussian_filter1d(known.astype(np.float64), _ROUGH, axis=0, mode="constant")
    rows = ndimage.gaussian_filter1d(np.where(known, rows, 0), _ROUGH, axis=0, mode="constant") / np.maximum(
        weight, 1e-9
    )
    rows = np.sort(np.where(known, rows, np.inf), axis=1)
    count = known.sum(axis=1)
    rank = np.arange(rows.shape[1])[None]
    cut = np.floor(_TRIM * count)[:, None]
    middle = (rank >= cut) & (rank < count[:, None] - cut)
    return np.asarray(np.where(middle, rows, 0).sum(axis=1) / np.maximum(middle.sum(axis=1), 1))


def _without_corners(side: BorderSide, before: float, after: float) -> BorderSide:
    """The side without the pieces that lie within the borders at its ends."""
    half = 0.5 * side.length
    spacing = float(np.diff(side.at).min()) if side.at.size > 1 else side.length
    keep = (side.at - spacing / 2 >= before - half) & (side.at + spacing / 2 <= half - after)
    if keep.all() or np.count_nonzero(keep) < FEWEST:
        return side
    excess, explained = (np.ascontiguousarray(v[:, keep]) for v in (side.excess, side.explained))
    return replace(side, excess=excess, explained=explained, at=side.at[keep])


def noise_borders(planes: Planes, bad: NDArray[np.uint8]) -> NoiseBorders:
    """Borders that noise tells on each side.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    bad : ndarray, shape (H, W), uint8
        1 where a pixel is known to mean nothing.

    Returns
    -------
    NoiseBorders
    """
    turned, bad_turned = planes.transpose(0, 2, 1), bad.T
    measured = in_order(
        lambda side: side_rows(*side),
        [
            (planes, bad),
            (turned[:, ::-1], bad_turned[::-1]),
            (planes[:, ::-1], bad[::-1]),
            (turned, bad_turned),
        ],
    )
    known = [rows for rows in measured if rows is not None]
    base, growth = _growth(known) if known else (np.ones(len(planes)), np.zeros(len(planes)))
    sides = [None if rows is None else _side(rows, base, growth) for rows in measured]
    # At their ends, sides lie in the borders of their neighbors: they are judged without.
    lines = [EdgeLine(0, 0.0, 0.0) if side is None else clearest(side) for side in sides]
    top, right, bottom, left = (max(line.depth, 0.0) if line.gain >= _CLEAR else 0.0 for line in lines)
    ends = [(left, right), (top, bottom), (left, right), (top, bottom)]
    rest = [None if side is None else _without_corners(side, *cut) for side, cut in zip(sides, ends, strict=True)]
    tilts = tilts_of_turn(rest)

    def judged(at: int) -> _Edge | None:
        side = rest[at]
        return None if side is None else _judged(side, clearest(side, tilts[at]))

    seen = in_order(judged, range(len(sides)))
    # Frames that are shifted against each other leave borders on all sides: what is proved once needs no other proof.
    edges = [edge for edge in seen if edge is not None and edge.sure > 0]
    surest = max((edge.sure for edge in edges), default=0.0)
    proved = surest >= _SURE or np.sqrt(sum(edge.sure**2 for edge in edges)) >= _SURE_TOGETHER
    if proved:
        deepest = max(edge.deepest for edge in edges if edge.sure >= min(_SURE, surest))
        seen = [None if edge is None else _beside_sure(edge, deepest) for edge in seen]
    needed = _SURE_BESIDE if proved else _SURE
    return NoiseBorders(
        tuple(
            None if edge is None or edge.sure < needed else frame_share(edge.side, edge.line, bends=any(tilts))
            for edge in seen
        ),
        tuple(edge is not None and _MAYBE <= edge.sure < needed for edge in seen),
    )


@dataclass(frozen=True, slots=True)
class _Edge:
    """The clearest line of a side, and how sure it is a border."""

    side: BorderSide
    line: EdgeLine
    sure: float

    @property
    def deepest(self) -> float:
        """Depth of the line where it is deepest."""
        half = 0.5 * self.side.length
        return float(np.clip(self.line.depth + self.line.off(np.array([-half, half])).max(), 0, self.side.searched))


def _judged(side: BorderSide, line: EdgeLine, needed: float = _CLEAR) -> _Edge:
    """How sure the clearest line of a side is a border; not at all where it gains less than is needed."""
    return _Edge(side, line, sureness(side, line) if line.gain >= needed else 0.0)


def _beside_sure(edge: _Edge, deepest: float) -> _Edge:
    """An edge that is not sure, looked for no deeper than others let expect."""
    if edge.sure >= _SURE:
        return edge
    side = replace(edge.side, searched=min(edge.side.searched, int(_FARTHER * deepest) + _SLACK))
    return _judged(side, clearest(side, edge.line.tilt), _CLEAR_BESIDE)

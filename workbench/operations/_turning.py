"""Turning a frame by any angle, on arrays: where its pixels come from, what fits inside it, and one resampling."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.filters import separable

__all__ = ["MARGIN", "Turning", "inner_size", "outer_size", "turn_coverage", "turn_planes"]

Planes = NDArray[np.float32]
Place = NDArray[np.float64]
Coverage = NDArray[np.uint8]

#: Rounding of places, in pixels, that must not decide what lies in a frame.
_TINY = 1e-7
#: How far beyond the centers of the outermost pixels a frame reaches.
_EDGE = 0.5 + 1e-7
#: Samples on each side that a coefficient of the spline is made of.
_SPREAD = 11
#: Samples from the sixteen around a place on to which one that means nothing is felt by more than 0.3 %.
_FELT = 4
#: Samples on each side of a place that its value hangs on; one more, as rounding may put it past a whole number.
MARGIN = _SPREAD + 3


def cosine_and_sine(degrees: float) -> tuple[float, float]:
    """Both of an angle, exact at quarter turns."""
    quarters, rest = divmod(degrees, 90.0)
    if rest == 0:
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarters) % 4]
    radians = np.deg2rad(degrees)
    return float(np.cos(radians)), float(np.sin(radians))


def outer_size(height: int, width: int, degrees: float) -> tuple[int, int]:
    """Rows and columns of the frame that holds all of a turned one."""
    cosine, sine = (abs(v) for v in cosine_and_sine(degrees))
    h, w = height - 1, width - 1  # between the centers of the outermost pixels
    return int(np.ceil(w * sine + h * cosine - _TINY)) + 1, int(np.ceil(w * cosine + h * sine - _TINY)) + 1


def inner_size(height: int, width: int, degrees: float) -> tuple[int, int]:
    """Rows and columns of the upright frame of the largest area that lies inside a turned one, about its middle.

    Its corners lie on the edges of the turned frame: two of them on the long edges where that is narrow, else all four.
    """
    cosine, sine = (abs(v) for v in cosine_and_sine(degrees))
    h, w = float(height - 1), float(width - 1)
    long, short = max(h, w), min(h, w)
    if sine == 0 or cosine == 0:
        inner_w, inner_h = (w, h) if sine == 0 else (h, w)
    elif short <= 2 * sine * cosine * long:
        one, other = 0.5 * short / sine, 0.5 * short / cosine
        inner_w, inner_h = (one, other) if w >= h else (other, one)
    else:
        both = cosine**2 - sine**2
        inner_w, inner_h = (w * cosine - h * sine) / both, (h * cosine - w * sine) / both
    return int(np.floor(inner_h + _TINY)) + 1, int(np.floor(inner_w + _TINY)) + 1


@dataclass(frozen=True, slots=True)
class Turning:
    """A frame turned about its middle.

    Attributes
    ----------
    degrees : float
        Clockwise as it is seen, rows downwards.
    height, width : int
        Of the frame before.
    out_height, out_width : int
        Of the frame after.
    whole : bool
        Whether all of the old frame lies in it, and empty corners too; else nothing but the old frame.
    """

    degrees: float
    height: int
    width: int
    out_height: int
    out_width: int
    whole: bool

    @classmethod
    def of(cls, height: int, width: int, degrees: float, *, whole: bool) -> Turning:
        """The turned frame with all of the old one in it, or with nothing but that."""
        return cls(degrees, height, width, *(outer_size if whole else inner_size)(height, width, degrees), whole)

    @property
    def matrix(self) -> Place:
        """Where an old place goes, without the shift, (2, 2): ``new = matrix @ old + shift`` as (x, y)."""
        cosine, sine = cosine_and_sine(self.degrees)
        return np.array([[cosine, -sine], [sine, cosine]])

    @property
    def shift(self) -> Place:
        """In pixels, (2,)."""
        return np.asarray(self._middle(self.out_height, self.out_width) - self.matrix @ self._old_middle)

    @property
    def source(self) -> Place:
        """Where pixels of the turned frame come from, (2, 3): ``source[:, :2] @ (x, y) + source[:, 2]``."""
        back = self.matrix.T
        return np.column_stack([back, self._old_middle - back @ self._middle(self.out_height, self.out_width)])

    @property
    def _old_middle(self) -> Place:
        return self._middle(self.height, self.width)

    @staticmethod
    def _middle(height: int, width: int) -> Place:
        return np.array([(width - 1) / 2, (height - 1) / 2])


@cache
def spline_taps() -> NDArray[np.float32]:
    """Filter that makes coefficients of a cubic B-spline of samples, so that it goes through them all.

    The inverse of (1, 4, 1) / 6, whose taps fall to 0.27 of each other (Unser, Aldroubi & Eden 1993, IEEE Trans. Signal
    Processing 41, 821); cut where they are 1e-6.
    """
    pole = np.sqrt(3) - 2
    taps = np.sqrt(3) * pole ** np.abs(np.arange(-_SPREAD, _SPREAD + 1.0))
    return np.asarray(taps / taps.sum(), np.float32)


@kernel
def _weights(past: float, out: NDArray[np.float32]) -> None:
    """Values of the four splines around a place, ``past`` the second one by 0 to 1."""
    left = 1.0 - past
    out[0] = left * left * left / 6
    out[1] = (4 - 6 * past * past + 3 * past * past * past) / 6
    out[2] = (4 - 6 * left * left + 3 * left * left * left) / 6
    out[3] = past * past * past / 6


@kernel
def _turn(
    splines: Planes,
    lowest: Planes,
    y0: int,
    x0: int,
    place: Place,
    size: tuple[int, int],
    core: tuple[int, int],
    out: Planes,
) -> None:
    channels, height, width = out.shape
    across, down = np.empty(4, np.float32), np.empty(4, np.float32)
    for i in range(height):
        for j in range(width):
            r, c = float(core[0] + i), float(core[1] + j)
            x = place[0, 0] * c + place[0, 1] * r + place[0, 2]
            y = place[1, 0] * c + place[1, 1] * r + place[1, 2]
            if x < -_EDGE or y < -_EDGE or x > size[1] - 1 + _EDGE or y > size[0] - 1 + _EDGE:
                for k in range(channels):
                    out[k, i, j] = 0.0
                continue
            left, top = np.floor(x), np.floor(y)
            _weights(x - left, across)
            _weights(y - top, down)
            first_x, first_y = int(left) - 1 - x0, int(top) - 1 - y0
            for k in range(channels):
                total = np.float32(0.0)
                for a in range(4):
                    row = np.float32(0.0)
                    for b in range(4):
                        row += across[b] * splines[k, first_y + a, first_x + b]
                    total += down[a] * row
                out[k, i, j] = max(total, lowest[k, first_y, first_x])


def turn_planes(source: Planes, y0: int, x0: int, turning: Turning, core: tuple[int, int], out: Planes) -> None:
    """Resample ``source`` to ``out``, once, by a cubic spline through its samples; outside the old frame it is 0.

    No value is darker than the darkest of the sixteen samples around it: no ring is dug around a hard edge. Quarter
    turns move samples and change none.

    Parameters
    ----------
    source : ndarray, shape (C, h, w), float32
        Input from row ``y0`` and column ``x0`` of the old frame on, with `MARGIN` pixels around what is needed.
    y0, x0 : int
    turning : Turning
    core : tuple of int
        Row and column in the turned frame of ``out[:, 0, 0]``.
    out : ndarray, shape (C, h_out, w_out), float32
    """
    if turning.degrees % 90 == 0:
        x, y = _places(turning.source, core, out.shape[1:])
        out[...] = source[:, np.rint(y).astype(np.int64) - y0, np.rint(x).astype(np.int64) - x0]
        return
    splines, lowest = np.empty_like(source), np.empty_like(source)
    sixteen = np.ones((4, 4), np.uint8)
    for plane, spline, low in zip(source, splines, lowest, strict=True):
        spline[:] = separable(plane, spline_taps())
        cv2.erode(plane, sixteen, dst=low, anchor=(0, 0))  # of a sample and those that follow it
    _turn(splines, lowest, y0, x0, turning.source, (turning.height, turning.width), core, out)


def _places(place: Place, core: tuple[int, int], size: tuple[int, ...]) -> Place:
    """Columns and rows that the pixels of a turned frame come from, (2, h, w)."""
    row, column = np.mgrid[core[0] : core[0] + size[0], core[1] : core[1] + size[1]]
    across, down, first = place[:, :, None, None].swapaxes(0, 1)
    return np.asarray(across * column + down * row + first)


@kernel
def _turn_coverage(coverage: Coverage, sound: Coverage, place: Place, out: Coverage) -> None:
    height, width = coverage.shape
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            x = place[0, 0] * j + place[0, 1] * i + place[0, 2]
            y = place[1, 0] * j + place[1, 1] * i + place[1, 2]
            out[i, j] = 0
            if x < -_EDGE or y < -_EDGE or x > width - 1 + _EDGE or y > height - 1 + _EDGE:
                continue
            nearest = coverage[min(max(int(np.rint(y)), 0), height - 1), min(max(int(np.rint(x)), 0), width - 1)]
            if abs(x - np.rint(x)) < _TINY and abs(y - np.rint(y)) < _TINY:
                out[i, j] = nearest
                continue
            left, top = int(np.floor(x)), int(np.floor(y))
            whole = True
            for r in range(top - 1, top + 3):
                for c in range(left - 1, left + 3):
                    if sound[min(max(r, 0), height - 1), min(max(c, 0), width - 1)] == 0:
                        whole = False
            if whole:
                out[i, j] = nearest


def turn_coverage(coverage: Coverage | None, turning: Turning) -> Coverage | None:
    """Coverage of the turned frame: 0 outside the old one and where an uncovered pixel has more than 0.3 % of weight.

    Parameters
    ----------
    coverage : ndarray, shape (H, W), uint8, or None
        None: all covered.
    turning : Turning

    Returns
    -------
    ndarray, shape (H', W'), uint8, or None
        None where all is covered.
    """
    if coverage is None and not turning.whole:
        return None
    if coverage is None:
        coverage = np.full((turning.height, turning.width), 255, np.uint8)
    out = np.empty((turning.out_height, turning.out_width), np.uint8)
    coverage = np.ascontiguousarray(coverage)
    sound = np.asarray(cv2.erode(coverage, np.ones((2 * _FELT + 1, 2 * _FELT + 1), np.uint8)), np.uint8)
    _turn_coverage(coverage, sound, turning.source, out)
    return out

"""Light read at places a little beside each pixel, by a windowed sinc: the one resampling that aligns a channel."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.lateral_color import shift_terms, unit_places
from workbench.operations._resize import LOBES, windowed_sinc

__all__ = ["Motion", "motion_of", "move", "move_numpy"]

Plane = NDArray[np.float32]
Floats = NDArray[np.float64]

#: Places between two pixels at which the windowed sinc is tabulated.
_PHASES = 1024
#: The shift along a row is a polynomial of this degree.
_DEGREE = 5


class Motion(NamedTuple):
    """Where each pixel of a channel is read: polynomials along rows, of the place across (`unit_places`).

    Attributes
    ----------
    coefficients : ndarray, shape (TERMS,), float64
        Of `shift_terms`, in pixels of the frame.
    shape : (int, int)
        Height and width of the frame.
    reach : int
        Pixels that are looked at around a pixel.
    """

    coefficients: Floats
    shape: tuple[int, int]
    reach: int


def motion_of(coefficients: Floats, shape: tuple[int, int]) -> Motion:
    """The motion of a channel whose light lies by the sum of `shift_terms` beside its place.

    Parameters
    ----------
    coefficients : ndarray, shape (TERMS,)
        In pixels of the frame.
    shape : (int, int)
        Height and width of the frame.

    Returns
    -------
    Motion
    """
    rows, columns = (np.linspace(-0.5, n - 0.5, 33) for n in shape)
    x, y = (a.ravel() for a in np.meshgrid(columns, rows))
    farthest = np.abs(shift_terms(*unit_places(x, y, shape)) @ coefficients).max()
    return Motion(coefficients, shape, int(np.ceil(farthest)) + LOBES + 1)


def _table() -> Plane:
    """Weights (phases + 1, 2 LOBES) of the pixels around a place between two of them."""
    t = np.arange(1 - LOBES, LOBES + 1) - np.linspace(0, 1, _PHASES + 1)[:, None]
    weights = windowed_sinc(t)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), np.float32)


_WEIGHTS = _table()


def _along_rows(motion: Motion, rows: NDArray[np.int64]) -> Floats:
    """Coefficients (2, rows, degree + 1) of the shift across and down as a polynomial of u, for each row."""
    (_, v) = unit_places(np.zeros(rows.size), rows.astype(np.float64), motion.shape)
    a = motion.coefficients
    one, v2 = np.ones_like(v), v * v
    zero = np.zeros_like(v)
    across = [
        a[0] * one + a[3] * v + a[7] * v2 + a[10] * v2 * v2,
        a[2] * one + a[6] * v2 + 2 * a[8] * v + a[9] * v2 * v2 + 4 * a[11] * v2 * v,
        3 * a[7] * one + 6 * a[10] * v2,
        a[6] * one + 2 * a[9] * v2 + 4 * a[11] * v,
        5 * a[10] * one,
        a[9] * one,
    ]
    down = [
        a[1] * one + a[5] * v + a[6] * v2 * v + 3 * a[8] * v2 + a[9] * v2 * v2 * v + 5 * a[11] * v2 * v2,
        a[4] * one + 2 * a[7] * v + 4 * a[10] * v2 * v,
        a[6] * v + a[8] * one + 2 * a[9] * v2 * v + 6 * a[11] * v2,
        4 * a[10] * v,
        a[9] * v + a[11] * one,
        zero,
    ]
    return np.stack([np.stack(across, axis=-1), np.stack(down, axis=-1)])


def move(plane: Plane, y0: int, x0: int, motion: Motion, out: Plane) -> None:
    """Write the light of a channel, read beside each pixel, to ``out``.

    A windowed sinc along rows and then along columns (Duchon 1979, J. Appl. Meteor. 18, 1016). Rows are read by the
    shift of their own pixels, not of those that they are read for: thousandths of a pixel in frames of megapixels.
    Nothing becomes darker than the darkest of the 4 x 4 pixels around the place, or the sinc would dig rings around
    sharp stars; a spot of a single pixel gains light by that, a star 2 px wide does not.

    Parameters
    ----------
    plane : ndarray, shape (h + 2 reach, w + 2 reach), float32
        The channel, with ``motion.reach`` pixels around ``out``.
    y0, x0 : int
        Row and column of ``out[0, 0]`` in the frame.
    motion : Motion
    out : ndarray, shape (h, w), float32
    """
    h, w = out.shape
    r = motion.reach
    across = _along_rows(motion, np.arange(y0 - r, y0 + h + r))[0]
    down = _along_rows(motion, np.arange(y0, y0 + h))[1]
    u, _ = unit_places(np.arange(x0, x0 + w, dtype=np.float64), np.zeros(w), motion.shape)
    middle, least = np.empty((h + 2 * r, w), np.float32), np.empty((h + 2 * r, w), np.float32)
    _read_across(plane, across, u, r, _WEIGHTS, middle, least)
    _read_down(middle, least, down, u, r, _WEIGHTS, out)


@kernel
def _shift(a: Floats, u: float) -> float:
    total = a[_DEGREE]
    for k in range(_DEGREE - 1, -1, -1):
        total = total * u + a[k]
    shift: float = total
    return shift


@kernel
def _read_across(
    plane: Plane, across: Floats, u: Floats, reach: int, weights: Plane, middle: Plane, least: Plane
) -> None:
    rows, w = middle.shape
    taps = weights.shape[1]
    for i in range(rows):
        row = plane[i]
        for j in range(w):
            at = j + reach + _shift(across[i], u[j])
            first = int(np.floor(at))
            weight = weights[int(np.rint((at - first) * _PHASES))]
            first += 1 - LOBES
            total = weight[0] * row[first]
            for k in range(1, taps):
                total += weight[k] * row[first + k]
            middle[i, j] = total
            low = row[first + LOBES - 2]
            for k in range(LOBES - 1, LOBES + 2):
                low = min(low, row[first + k])
            least[i, j] = low


@kernel
def _read_down(middle: Plane, least: Plane, down: Floats, u: Floats, reach: int, weights: Plane, out: Plane) -> None:
    h, w = out.shape
    taps = weights.shape[1]
    for i in range(h):
        for j in range(w):
            at = i + reach + _shift(down[i], u[j])
            first = int(np.floor(at))
            weight = weights[int(np.rint((at - first) * _PHASES))]
            first += 1 - LOBES
            total = weight[0] * middle[first, j]
            for k in range(1, taps):
                total += weight[k] * middle[first + k, j]
            low = least[first + LOBES - 2, j]
            for k in range(LOBES - 1, LOBES + 2):
                low = min(low, least[first + k, j])
            out[i, j] = max(total, low)


def move_numpy(plane: Plane, coefficients: Floats) -> Plane:
    """What `move` computes for a whole frame, mirrored outside: rows, then columns, in float64 numpy."""
    height, width = plane.shape
    reach = motion_of(coefficients, (height, width)).reach
    wide = np.pad(plane.astype(np.float64), reach, mode="reflect")
    row, column = np.mgrid[-reach : height + reach, :width]
    place = unit_places(column.astype(np.float64), row.astype(np.float64), (height, width))
    dx, dy = shift_terms(*place) @ coefficients
    taps = np.arange(1 - LOBES, LOBES + 1)
    near = slice(LOBES - 2, LOBES + 2)

    def read(at: Floats, values: Floats, least: Floats) -> tuple[Floats, Floats]:
        """Along the last axis."""
        first = np.floor(at).astype(np.int64)
        t = taps - (at - first)[..., None]
        weight = np.sinc(t) * np.sinc(t / LOBES)
        index = first[..., None] + taps
        weight /= weight.sum(axis=-1, keepdims=True)
        taken, low = (np.take_along_axis(a[:, None], index.reshape(len(a), -1)[:, None], 2) for a in (values, least))
        return (taken.reshape(index.shape) * weight).sum(-1), low.reshape(index.shape)[..., near].min(-1)

    middle, least = read(column + reach + dx, wide, wide)
    value, low = read((row + reach + dy)[reach:-reach].T, middle.T, least.T)
    return np.asarray(np.maximum(value, low).T, np.float32)

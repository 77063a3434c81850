"""The smooth sky of a frame in few terms: no more of them than the levels of cells ask for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.measure.lateral_color import unit_places
from workbench.measure.statistics import MAD_TO_SIGMA

__all__ = ["SmoothSky", "smooth_sky"]

F64 = NDArray[np.float64]
Terms = Callable[[F64, F64], list[F64]]

#: More terms than a plane's are taken where they leave less than this share of its scatter, and there are so many cells
#: for each: of scenes with falloff they leave 0.01 to 0.08, of nebulae and galaxies that fill the frame 0.18 and more.
_LESS, _CELLS = 0.1, 5
#: Still more of them where they leave less than this share of what the fewer leave.
_BETTER = 0.5
#: Rounds of weighing cells anew, and scatters from which on one counts less (Huber 1964, Ann. Math. Statist. 35, 73).
_ROUNDS, _FAR = 10, 2.0


def _plane(u: F64, v: F64) -> list[F64]:
    return [np.ones_like(u), u, v]


def _falloff(u: F64, v: F64) -> list[F64]:
    """A plane, and what a lens loses towards the corners, in even powers of the distance from the middle."""
    return [*_plane(u, v), *((u * u + v * v) ** k for k in (1, 2, 3, 4))]


def _bent(u: F64, v: F64) -> list[F64]:
    return [u**i * v**j for i in range(5) for j in range(5 - i)]


@dataclass(frozen=True, slots=True)
class SmoothSky:
    """A smooth surface over a frame of ``shape`` (H, W)."""

    shape: tuple[int, int]
    terms: Terms
    coefficients: F64

    def at(self, y: Any, x: Any) -> F64:
        """Its level at places of the frame.

        Parameters
        ----------
        y, x : array-like
            Rows and columns in pixels, of shapes that broadcast.

        Returns
        -------
        ndarray
            Of the shape that they broadcast to, in the unit of the levels.
        """
        return np.asarray(_design(self.terms, y, x, self.shape) @ self.coefficients)


def _design(terms: Terms, y: Any, x: Any, shape: tuple[int, int]) -> F64:
    """Terms at places as `unit_places` gives them, along a last axis."""
    u, v = np.broadcast_arrays(*unit_places(np.asarray(x, np.float64), np.asarray(y, np.float64), shape))
    return np.stack(terms(u, v), axis=-1)


def smooth_sky(y: Any, x: Any, levels: Any, shape: tuple[int, int]) -> list[SmoothSky]:
    """The smooth surface through the bulk of some levels: a plane, falloff about the middle, or four orders of a bend.

    Parameters
    ----------
    y, x : array-like, shape (n,)
        Row and column in pixels.
    levels : array-like, shape (C, n)
    shape : (int, int)
        Height and width of the frame.

    Returns
    -------
    list of SmoothSky
        One for each channel, of the same terms. There are more of them than a plane's only where they leave less than a
        tenth of the scatter (median absolute deviation) in every channel: light of objects is not so smooth.
    """
    values = np.asarray(levels, np.float64)
    count, cells = values.shape
    best, limit = [SmoothSky(shape, _plane, np.zeros(3))] * count, np.full(count, np.inf)
    for terms in (_plane, _falloff, _bent):
        design = _design(terms, y, x, shape)
        if cells < _CELLS * design.shape[1]:
            break
        fits = [_robust(design, channel) for channel in values]
        scatter = np.array([left for _, left in fits])
        if (scatter < limit).all():
            best = [SmoothSky(shape, terms, c) for c, _ in fits]
            limit = (_LESS if terms is _plane else _BETTER) * scatter
    return best


def _robust(design: F64, values: F64) -> tuple[F64, float]:
    """Coefficients by reweighted least squares, and the scatter of what is left."""
    weight: F64 = np.ones(len(values))
    coefficients: F64 = np.zeros(design.shape[1])
    scatter = 0.0
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)
        coefficients = np.asarray(np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0], np.float64)
        off = np.abs(values - design @ coefficients)
        scatter = MAD_TO_SIGMA * float(np.median(off))
        if not scatter > 0:
            break
        weight = 1 / np.maximum(off / (_FAR * scatter), 1)
    return coefficients, scatter

"""Sky solutions that follow a frame through a crop, a turn or a change of size."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import comb
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use

if TYPE_CHECKING:
    from astropy import wcs as solutions
    from astropy.wcs import WCS, Sip
else:
    solutions = on_first_use("astropy.wcs")

__all__ = ["PixelMap", "PlainGrid"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PixelMap:
    """Where an old pixel position lies in the new frame: ``new = size * turn @ old + shift``, as (x, y).

    Attributes
    ----------
    turn : tuple of 4 float
        Row-major 2 x 2 matrix of a turn or a mirror: its rows are unit vectors at right angles.
    size : float
        New pixels per old pixel, above 1 when enlarging.
    shift : tuple of 2 float
        In new pixels; pixel centres are at integers and the first pixel is (0, 0).
    """

    turn: tuple[float, float, float, float] = (1, 0, 0, 1)
    size: float = 1.0
    shift: tuple[float, float] = (0.0, 0.0)

    @property
    def matrix(self) -> Array:
        """The linear part without the size, (2, 2)."""
        return np.array(self.turn, dtype=np.float64).reshape(2, 2)

    def point(self, xy: Array) -> Array:
        """New position of an old one, (2,)."""
        moved: Array = self.size * (self.matrix @ xy) + np.array(self.shift)
        return moved

    def solution(self, wcs: WCS | None, height: int, width: int) -> WCS | None:
        """The sky solution of the new frame of ``height`` x ``width``; every source keeps its sky position.

        The linear terms and SIP distortion polynomials follow exactly. A solution with tabulated
        distortions cannot, and None is returned rather than a wrong one.
        """
        if wcs is None:
            return None
        if isinstance(wcs, PlainGrid):
            return cast("WCS", wcs.moved(self))
        old = wcs if wcs.naxis == 2 else wcs.celestial
        if old.cpdis1 or old.cpdis2 or old.det2im1 or old.det2im2:
            return None
        new = old.deepcopy()
        # FITS counts pixels from 1.
        new.wcs.crpix = self.point(np.asarray(old.wcs.crpix) - 1.0) + 1.0
        if old.wcs.has_cd():
            new.wcs.cd = old.wcs.cd @ self.matrix.T / self.size
        else:
            pc, cdelt = old.wcs.get_pc(), old.wcs.get_cdelt()
            if old.wcs.has_crota():  # the older rotation keyword cannot express a mirror
                del new.wcs.crota
            new.wcs.pc = pc @ self.matrix.T
            new.wcs.cdelt = cdelt / self.size
        if old.sip is not None:
            new.sip = self._distortion(old.sip, new.wcs.crpix)
        new.pixel_shape = (width, height)
        new.wcs.set()
        return new

    def _distortion(self, sip: Sip, crpix: Array) -> Sip:
        """SIP polynomials in the new pixels (Shupe et al. 2005, ADASS XIV, ASP Conf. Ser. 347, 491)."""
        forward = self._polynomials(sip.a, sip.b)
        backward = self._polynomials(sip.ap, sip.bp)
        return solutions.Sip(*forward, *backward, crpix)

    def _polynomials(self, a: Array | None, b: Array | None) -> tuple[Array | None, Array | None]:
        # Distortion f(u) becomes size * turn @ f(turn^T u' / size); a monomial becomes all those of its degree.
        if a is None or b is None:
            return None, None
        terms = [(k, p, q) for k, poly in enumerate((a, b)) for p, q in zip(*np.nonzero(poly), strict=True)]
        n = max([len(a), len(b), *(p + q + 1 for _, p, q in terms)])
        xx, xy, yx, yy = self.turn
        moved = np.zeros((2, n, n))
        for k, p, q in terms:
            shares = np.convolve(_binomial(xx, yx, p), _binomial(xy, yy, q))  # by the power of v'
            powers = np.arange(p + q + 1)
            moved[k, p + q - powers, powers] += (a, b)[k][p, q] * self.size ** (1.0 - p - q) * shares
        a_new, b_new = np.einsum("ij,jpq->ipq", self.matrix, moved)
        return a_new, b_new


def _binomial(a: float, b: float, power: int) -> Array:
    """Coefficients of ``(a u + b v) ** power``, by the power of v."""
    return np.array([comb(power, k) * a ** (power - k) * b**k for k in range(power + 1)], np.float64)


@dataclass(frozen=True)
class PlainGrid:
    """A sky solution whose 'sky' is the stack itself: the position of a pixel is its (x, y) on the stack.

    Travels through a recipe in place of a `WCS`, and is one for whoever asks for more than `PixelMap` needs. Without
    it astropy would be loaded for the first picture of every stack, which takes longer than the picture.

    Attributes
    ----------
    place : ndarray, shape (2, 3)
        ``place[:, :2] @ (x, y) + place[:, 2]`` is the position on the stack; pixel centres are at integers.
    """

    place: Array

    def moved(self, by: PixelMap) -> PlainGrid:
        """The grid of the frame that ``by`` leads to."""
        matrix = self.place[:, :2] @ by.matrix.T / by.size
        return PlainGrid(np.column_stack([matrix, self.place[:, 2] - matrix @ np.array(by.shift)]))

    @cached_property
    def as_solution(self) -> WCS:
        """The same as astropy writes it."""
        grid = solutions.WCS(naxis=2)
        grid.wcs.crpix, grid.wcs.crval, grid.wcs.cd = [1.0, 1.0], self.place[:, 2], self.place[:, :2]
        grid.wcs.set()
        return grid

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return getattr(self.as_solution, name)

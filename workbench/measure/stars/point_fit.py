"""A star on uneven ground, by one matrix product: height, place and growth of the field's profile on a quadratic."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Plane
from workbench.measure.stars.moffat import moffat_gamma

__all__ = ["FITTED", "PointSpread", "Template", "fit_at", "fit_points", "is_whole"]

Floats = NDArray[np.float64]
Table = NDArray[Any]

#: A fitted point: place, height, signal over the ground's scatter (left to the caller), growth against the field's
#: FWHM, and height over the scatter of the pixels about the fit.
FITTED = np.dtype([(name, np.float64) for name in ("x", "y", "height", "snr", "growth", "clearness")])

#: Half side of the fitted square in FWHM: larger ones meet more ground that no quadratic follows.
_HALF = 1.05
#: Places within a pixel, along each axis, that a template is made for.
_PHASES = 3
#: Step of the derivatives: pixels, and share of the FWHM.
_SMALL = 0.05
#: Star and both shifts, and the six terms of the ground.
_TERMS = 9
#: Farthest place of a star from its peak's pixel, px along an axis.
_FAR = 1.1


@dataclass(frozen=True, slots=True)
class PointSpread:
    """What a star of the field looks like, but for its size: Moffat index, longer over shorter axis, direction."""

    alpha: float
    elongation: float
    angle_deg: float

    def over(self, dy: Floats, dx: Floats, fwhm: Floats | float) -> Floats:
        """Profile of height 1 at offsets from its centre, in pixels.

        Parameters
        ----------
        dy, dx : ndarray, shape (...)
        fwhm : float or ndarray, shape (...)
            In pixels.

        Returns
        -------
        ndarray, shape (...)
        """
        root = np.sqrt(self.elongation)
        c, s = np.cos(np.deg2rad(self.angle_deg)), np.sin(np.deg2rad(self.angle_deg))
        u, v = (dx * c + dy * s) / root, (dy * c - dx * s) * root
        return np.asarray((1 + (u * u + v * v) / moffat_gamma(fwhm, self.alpha) ** 2) ** -self.alpha)


@dataclass(frozen=True, slots=True)
class Template:
    """A linear fit of a star on quadratic ground in a square of pixels, for places within the middle pixel.

    Attributes
    ----------
    half : int
        Half side of the square.
    basis : ndarray, shape (phases, phases, 11, n), float64
        Rows to multiply with the pixels: nine of an orthonormal basis (star, its two shifts, ground), then height
        and height x growth of a fit in which the star may also grow.
    solve : ndarray, shape (phases, phases, 3, 9), float64
        Height and height x shift (across, down) from the nine.
    """

    half: int
    basis: Floats
    solve: Floats

    @classmethod
    def of(cls, spread: PointSpread, fwhm: float) -> Template:
        """The template of stars of one FWHM in pixels.

        Parameters
        ----------
        spread : PointSpread
        fwhm : float

        Returns
        -------
        Template
        """
        half = max(round(_HALF * fwhm), 2)
        y, x = (a.astype(np.float64).ravel() for a in np.mgrid[-half : half + 1, -half : half + 1])
        phase = (np.arange(_PHASES) - _PHASES // 2) / _PHASES
        q, r = np.linalg.qr(_design(spread, fwhm, y - phase[:, None, None], x - phase[:, None]))
        grown = np.linalg.inv(r)[..., [0, _TERMS], :] @ np.swapaxes(q, -1, -2)
        basis = np.concatenate([np.swapaxes(q, -1, -2)[..., :_TERMS, :], grown], axis=-2)
        solve = np.linalg.inv(r[..., :_TERMS, :_TERMS])[..., :3, :]
        return cls(half, np.ascontiguousarray(basis), np.ascontiguousarray(solve))


def _design(spread: PointSpread, fwhm: float, y: Floats, x: Floats) -> Floats:
    """Columns of the fit at offsets from the star (along a last axis): star, shifts, ground, growth."""
    e = _SMALL
    star = (
        spread.over(y, x, fwhm),
        (spread.over(y, x - e, fwhm) - spread.over(y, x + e, fwhm)) / (2 * e),
        (spread.over(y - e, x, fwhm) - spread.over(y + e, x, fwhm)) / (2 * e),
    )
    growth = (spread.over(y, x, fwhm * (1 + e)) - spread.over(y, x, fwhm * (1 - e))) / (2 * e)
    ground = (np.ones_like(x), x, y, x * x, x * y, y * y)
    return np.stack(np.broadcast_arrays(*star, *ground, growth), axis=-1)


@kernel
def is_whole(coverage: Coverage, shape: tuple[int, int], y: int, x: int, half: int) -> bool:
    """Whether the square around a pixel lies within the image and is covered.

    Parameters
    ----------
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    shape : tuple of (int, int)
        Of the image.
    y, x : int
    half : int
        Half the side, in pixels.

    Returns
    -------
    bool
    """
    if y < half or x < half or y + half >= shape[0] or x + half >= shape[1]:
        return False
    if coverage.size > 0:
        for i in range(y - half, y + half + 1):
            for j in range(x - half, x + half + 1):
                if coverage[i, j] == 0:
                    return False
    return True


@kernel
def fit_at(image: Plane, py: int, px: int, half: int, basis: Floats, solve: Floats, row: Any) -> bool:
    """Fit a star at pixel (py, px) and write a row of `FITTED` but for snr; False where none is near.

    The square is whole.

    Parameters
    ----------
    image : ndarray, shape (H, W), float32
    py, px : int
        Row and column.
    half : int
        Half the side of the square, in pixels.
    basis, solve : ndarray, (phases, phases, ...)
        Of the `Template`.
    row : record of dtype `FITTED`
        To be written.

    Returns
    -------
    bool
    """
    phases = basis.shape[0]
    i = j = phases // 2
    found = np.empty(basis.shape[2])
    zero = image[py, px]
    height = dx = dy = squares = 0.0
    # The second round has the template of the place that the first one found.
    for _ in range(2):
        found[:] = 0
        squares = 0.0
        k = 0
        for y in range(py - half, py + half + 1):
            for x in range(px - half, px + half + 1):
                value = np.float64(image[y, x] - zero)
                squares += value * value
                for m in range(found.size):
                    found[m] += basis[i, j, m, k] * value
                k += 1
        height = shift_x = shift_y = 0.0
        for m in range(_TERMS):
            height += solve[i, j, 0, m] * found[m]
            shift_x += solve[i, j, 1, m] * found[m]
            shift_y += solve[i, j, 2, m] * found[m]
            squares -= found[m] * found[m]
        if not height > 0:
            return False
        dx = (j - phases // 2) / phases + shift_x / height
        dy = (i - phases // 2) / phases + shift_y / height
        if abs(dx) > _FAR or abs(dy) > _FAR:
            return False
        i = min(max(int(np.rint(dy * phases)) + phases // 2, 0), phases - 1)
        j = min(max(int(np.rint(dx * phases)) + phases // 2, 0), phases - 1)
    row.x, row.y, row.height = px + dx, py + dy, height
    row.growth = found[_TERMS + 1] / found[_TERMS] if found[_TERMS] > 0 else np.inf
    row.clearness = height / np.sqrt(max(squares, 1e-300) / ((2 * half + 1) ** 2 - _TERMS))
    return True


@kernel
def _put(row: Any, value: float) -> None:
    row.x = row.y = row.height = row.snr = row.growth = row.clearness = value


@kernel
def fit_points(
    image: Plane, coverage: Coverage, at: NDArray[np.int32], half: int, basis: Floats, solve: Floats, rows: Table
) -> None:
    """Fit a star at each pixel (N, 2: y, x) into rows (N,) of `FITTED`.

    NaN where the square is not whole; all 0 where no star could be fitted.

    Parameters
    ----------
    image : ndarray, shape (H, W), float32
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    at : ndarray, shape (N, 2), int32
    half : int
        Half the side of the square, in pixels.
    basis, solve : ndarray, (phases, phases, ...)
        Of the `Template`.
    rows : ndarray, shape (N,), of dtype `FITTED`
        To be written.
    """
    for k in range(at.shape[0]):
        row, y, x = rows[k], at[k, 0] + 0, at[k, 1] + 0  # 64 bits, as others call `fit_at`
        if not is_whole(coverage, image.shape, y, x, half):
            _put(row, np.nan)
            continue
        _put(row, 0.0)
        fit_at(image, y, x, half, basis, solve, row)

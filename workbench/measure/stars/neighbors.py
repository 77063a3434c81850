"""Neighbors taken off a crowded frame, so that chosen stars stand alone: the light of all stars is fitted together.

How it works
------------
Where the stars are is known, from a catalogue. In each channel the frame is an even sky with a slope, and a Moffat
profile of one width at every place; how bright each is says least squares, all at once (LSQR: Paige & Saunders 1982,
ACM Trans. Math. Softw. 8, 43; that crowded stars are fitted together: Stetson 1987, PASP 99, 191, from memory). The
width is the one that leaves least in the middle of the frame. Then all but the chosen stars are subtracted. These are
left as they were, so that no error of the profile gets into their light but by way of their neighbors'.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.blocks import Coverage, Plane, Planes, in_order
from workbench.measure.stars.moffat import moffat_gamma, moffat_profile
from workbench.measure.stars.sizes import TYPICAL_ALPHA

if TYPE_CHECKING:
    from scipy import optimize, sparse
    from scipy.sparse import linalg
else:
    optimize = on_first_use("scipy.optimize")
    sparse = on_first_use("scipy.sparse")
    linalg = on_first_use("scipy.sparse.linalg")

__all__ = ["without_neighbors"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: A star's profile ends so many widths from its middle, beyond which is 0.3 % of its light; 5.5 moves no gain by more
#: than a thousandth, and takes half as long again.
_END = 4.0
#: Stars whose width is sought, in the middle of the frame; how far from the first guess it may be, and how well it is
#: found.
_JUDGES, _NARROWER, _WIDER, _TO = 400, 0.5, 1.5, 0.005
#: The width is not read within so many widths of saturated pixels: there all depends on the profile's wings.
_AWAY = 2.0
#: Turns of the solver; after 60 gains and slopes of three fields with a star for each 85 px are within a thousandth.
_TURNS = 30


class _Cutout(NamedTuple):
    """Rows and columns of a part of the frame."""

    top: int
    bottom: int
    left: int
    right: int


def without_neighbors(
    planes: Planes, coverage: Coverage, x: Floats, y: Floats, stays: Mask, *, fwhm: float, saturation: float
) -> tuple[Planes, Coverage]:
    """The frame without stars.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear light.
    coverage : ndarray, shape (H, W) or (0, 0), uint8
        0 where a pixel means nothing; empty stands for all covered.
    x, y : ndarray, shape (N,)
        Places of all stars that are known, px; some may lie a little beyond the frame.
    stays : ndarray, shape (N,), bool
        Stars that are not taken off.
    fwhm : float
        About how wide stars are, px.
    saturation : float
        Pixel value from which a pixel is not believed, in any channel.

    Returns
    -------
    planes : ndarray, shape (C, H, W), float32
    coverage : ndarray, shape (H, W), uint8
        0 on saturated pixels and around them, too.

    Notes
    -----
    Two and a half seconds of a processor for three channels of 400,000 pixels and 5,000 stars.
    """
    height, width = planes.shape[1:]
    saturated = np.asarray((planes >= saturation).any(axis=0), np.uint8)
    seen = np.ones((height, width), np.bool_) if not coverage.size else coverage > 0
    good = seen & (cv2.dilate(saturated, np.ones((3, 3), np.uint8)) == 0)
    reach = round(_AWAY * fwhm)
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    plain = good & (cv2.dilate(saturated, disk) == 0)
    whole, middle = _Cutout(0, height, 0, width), _middle(height, width, len(x))

    def cleared(plane: Plane) -> Plane:
        sharp = _width(plane, plain, x, y, middle, fwhm)
        light, _, design = _fitted(plane, good, x, y, whole, sharp)
        light[stays] = 0
        return np.asarray(plane - (design @ light).reshape(plane.shape), np.float32)

    return np.stack(in_order(cleared, list(planes))), good.astype(np.uint8)


def _middle(height: int, width: int, stars: int) -> _Cutout:
    """The middle of the frame, as large as holds about `_JUDGES` stars."""
    half = 0.5 * min(1.0, np.sqrt(_JUDGES / max(stars, 1)))
    top, left = (round((0.5 - half) * side) for side in (height, width))
    return _Cutout(top, height - top, left, width - left)


def _width(plane: Plane, good: Mask, x: Floats, y: Floats, part: _Cutout, fwhm: float) -> float:
    """FWHM of the stars of a part, px: the one that leaves least."""
    edge = _END * _WIDER * fwhm
    near = (x > part.left - edge) & (x < part.right + edge) & (y > part.top - edge) & (y < part.bottom + edge)
    x, y = x[near], y[near]
    found = optimize.minimize_scalar(
        lambda guess: _fitted(plane, good, x, y, part, float(np.exp(guess)))[1],
        bounds=(float(np.log(_NARROWER * fwhm)), float(np.log(_WIDER * fwhm))),
        method="bounded",
        options={"xatol": _TO},
    )
    return float(np.exp(found.x))


def _fitted(
    plane: Plane, good: Mask, x: Floats, y: Floats, part: _Cutout, fwhm: float
) -> tuple[Floats, float, sparse.csr_matrix]:
    """Light of each star, the sum of squares that is left, and what a part's pixels have of a star's light."""
    cut = np.s_[part.top : part.bottom, part.left : part.right]
    values = plane[cut].astype(np.float64)
    design = _profiles(x, y, part, fwhm)
    rows, columns = (np.linspace(-1, 1, n) for n in values.shape)
    sky = np.stack([np.ones(values.shape), *np.meshgrid(columns, rows)], axis=-1).reshape(-1, 3)
    # Weights that allow for errors of the profile move gains by a tenth of their error, and the sky by 0.02 mag.
    weight = good[cut].ravel().astype(np.float64)
    weighted = sparse.diags(weight) @ sparse.hstack([design, sparse.csr_matrix(sky)], format="csr")
    scale = np.sqrt(np.asarray(weighted.multiply(weighted).sum(axis=0)).ravel())
    scale[scale == 0] = 1.0
    above = weight * (values - np.median(values)).ravel()
    solved = linalg.lsqr(weighted @ sparse.diags(1 / scale), above, atol=1e-8, btol=1e-8, iter_lim=_TURNS)
    return solved[0][: len(x)] / scale[: len(x)], float(solved[3] ** 2), design


def _profiles(x: Floats, y: Floats, part: _Cutout, fwhm: float) -> sparse.csr_matrix:
    """Share of each star's light in each pixel of a part: (pixels, N)."""
    reach = int(np.ceil(_END * fwhm))
    along = np.arange(-reach, reach + 1)
    dy, dx = (step.ravel() for step in np.meshgrid(along, along, indexing="ij"))
    inside = dy**2 + dx**2 <= reach**2
    rows, columns = np.rint(y)[:, None] + dy[inside], np.rint(x)[:, None] + dx[inside]
    share = moffat_profile(
        np.hypot(rows - y[:, None], columns - x[:, None]), float(moffat_gamma(fwhm, TYPICAL_ALPHA)), TYPICAL_ALPHA
    )
    here = (rows >= part.top) & (rows < part.bottom) & (columns >= part.left) & (columns < part.right)
    width = part.right - part.left
    pixel = (rows - part.top) * width + columns - part.left
    star = np.broadcast_to(np.arange(len(x))[:, None], here.shape)
    size = ((part.bottom - part.top) * width, len(x))
    return sparse.csr_matrix((share[here], (pixel[here].astype(np.int64), star[here])), shape=size)

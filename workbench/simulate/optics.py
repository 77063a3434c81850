"""The lens: the shape of a star anywhere in the frame, and stars drawn at sub-pixel places.

A star in the stack is an elliptical Moffat function sampled at pixel centres (Moffat 1969, A&A 3, 455),

    I(d) = F (alpha - 1) / (pi gx gy) (1 + d^T Q d)^-alpha,

with ``FWHM = 2 gamma sqrt(2^(1/alpha) - 1)`` along each axis, plus a faint round halo of exponent 2. Shapes add as
squared widths: seeing and lens (round), tracking drift (one direction), field curvature (round, growing from the
centre) and coma (radial, growing from the centre).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.simulate.scene import Optics

__all__ = ["HALO_ALPHA", "Shapes", "draw_stars", "draw_stars_plainly", "moffat_fwhm", "moffat_gamma", "shapes"]

HALO_ALPHA = 2.0
Table = NDArray[np.float64]


def moffat_fwhm(gamma: float, alpha: float) -> float:
    """FWHM = 2 gamma sqrt(2^(1/alpha) - 1).

    Parameters
    ----------
    gamma, alpha : float
        Width in pixels, and index.

    Returns
    -------
    float
        In pixels.
    """
    return float(2.0 * gamma * np.sqrt(2.0 ** (1.0 / alpha) - 1.0))


def moffat_gamma(fwhm: float, alpha: float) -> float:
    """Return the width parameter that has this FWHM.

    Parameters
    ----------
    fwhm, alpha : float
        Width in pixels, and index.

    Returns
    -------
    float
        In pixels.
    """
    return float(fwhm / (2.0 * np.sqrt(2.0 ** (1.0 / alpha) - 1.0)))


@dataclass(frozen=True, slots=True)
class Shapes:
    """Ellipses of stars: geometric-mean FWHM (px), major over minor axis, angle from +x towards +y in degrees."""

    fwhm_px: Table
    elongation: Table
    angle_deg: Table


def shapes(optics: Optics, x: Table, y: Table, shape: tuple[int, int]) -> Shapes:
    """Return the shapes of stars at ``x``, ``y`` in a frame of ``shape``.

    Parameters
    ----------
    optics : Optics
    x, y : ndarray, shape (N,)
        Columns and rows.
    shape : tuple of (int, int)
        In pixels.

    Returns
    -------
    Shapes
    """
    height, width = shape
    half = 0.5 * float(np.hypot(height, width))
    u, v = (x - 0.5 * (width - 1)) / half, (y - 0.5 * (height - 1)) / half
    r2 = u * u + v * v
    # Squared widths along x, along y, and mixed.
    base = optics.fwhm_px**2
    k = optics.elongation
    drift = base * (k - 1.0 / k)
    angle = np.deg2rad(optics.angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    round_part = base / k + base * ((1.0 + optics.curvature * r2) ** 2 - 1.0)
    radial = base * ((1.0 + optics.coma) ** 2 - 1.0)  # times r2, split over the axes by u and v
    xx = round_part + drift * c * c + radial * u * u
    yy = round_part + drift * s * s + radial * v * v
    xy = drift * c * s + radial * u * v
    mean, diff = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    major, minor = np.sqrt(mean + diff), np.sqrt(mean - diff)
    return Shapes(np.sqrt(major * minor), major / minor, np.rad2deg(0.5 * np.arctan2(2.0 * xy, xx - yy)))


@dataclass(frozen=True, slots=True)
class Stamps:
    """Stars made ready for drawing: quadratic forms, heights, and radii beyond which they are left out."""

    table: Table  # (n, 8): x, y, qxx, qxy, qyy, height share, radius, halo radius
    flux: NDArray[np.float32]  # (n, C)
    halo_flux: NDArray[np.float32]  # (n, C)
    alpha: float
    halo_gamma: float


def stamps(optics: Optics, x: Table, y: Table, flux: Table, form: Shapes, *, faintest: float) -> Stamps:
    """Prepare stars for `draw_stars`; light below ``faintest`` (white-level units) is not drawn."""
    alpha = optics.alpha
    root_k = np.sqrt(form.elongation)
    g1 = form.fwhm_px * root_k / (2.0 * np.sqrt(2.0 ** (1.0 / alpha) - 1.0))
    g2 = g1 / form.elongation
    angle = np.deg2rad(form.angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    qxx = (c / g1) ** 2 + (s / g2) ** 2
    qyy = (s / g1) ** 2 + (c / g2) ** 2
    qxy = c * s * (1.0 / g1**2 - 1.0 / g2**2)
    height = (alpha - 1.0) / (np.pi * g1 * g2)
    core = flux * (1.0 - optics.halo_share)
    halo = flux * optics.halo_share * np.asarray(optics.halo_color) / np.mean(optics.halo_color)
    halo_gamma = moffat_gamma(optics.halo_px, HALO_ALPHA)
    halo_height = (HALO_ALPHA - 1.0) / (np.pi * halo_gamma**2)
    ratio = np.maximum(core.max(axis=1) * height / faintest, 1.0)
    radius = np.maximum(g1 * np.sqrt(ratio ** (1.0 / alpha) - 1.0), 2.0 * form.fwhm_px)
    halo_ratio = np.maximum(halo.max(axis=1) * halo_height / faintest, 1.0)
    halo_radius = halo_gamma * np.sqrt(np.maximum(halo_ratio ** (1.0 / HALO_ALPHA) - 1.0, 0.0))
    table = np.stack([x, y, qxx, qxy, qyy, height, radius, halo_radius], axis=1)
    halo32 = (halo * halo_height).astype(np.float32)
    return Stamps(table, core.astype(np.float32), halo32, alpha, halo_gamma)


@kernel
def _draw(
    out: NDArray[np.float32],
    y0: int,
    table: Table,
    flux: NDArray[np.float32],
    halo_flux: NDArray[np.float32],
    alpha: float,
    halo_gamma: float,
) -> None:
    channels, rows, width = out.shape
    power = np.float32(-alpha)
    inverse = np.float32(1.0 / (halo_gamma * halo_gamma))
    one = np.float32(1.0)
    for i in range(table.shape[0]):
        x, y = table[i, 0], table[i, 1]
        height = np.float32(table[i, 5])
        qxx, qxy, qyy = np.float32(table[i, 2]), np.float32(table[i, 3]), np.float32(table[i, 4])
        for part in range(2):
            radius = table[i, 6 + part]
            if radius <= 0.0:
                continue
            top = max(int(np.ceil(y - radius)), y0)
            bottom = min(int(np.floor(y + radius)), y0 + rows - 1)
            left = max(int(np.ceil(x - radius)), 0)
            right = min(int(np.floor(x + radius)), width - 1)
            for row in range(top, bottom + 1):
                dy = np.float32(row - y)
                for col in range(left, right + 1):
                    dx = np.float32(col - x)
                    if part == 0:
                        q = qxx * dx * dx + np.float32(2.0) * qxy * dx * dy + qyy * dy * dy
                        value = height * (one + q) ** power
                        for c in range(channels):
                            out[c, row - y0, col] += value * flux[i, c]
                    else:
                        h = one / (one + (dx * dx + dy * dy) * inverse)
                        value = h * h
                        for c in range(channels):
                            out[c, row - y0, col] += value * halo_flux[i, c]


def draw_stars(out: NDArray[np.float32], y0: int, stars: Stamps) -> None:
    """Add stars to rows ``y0 ...`` of a frame: ``out`` (C, rows, W) is changed.

    Parameters
    ----------
    out : ndarray, shape (C, rows, W), float32
        Added to, in white levels.
    y0 : int
        Its first row in the frame.
    stars : Stamps
    """
    y, reach = stars.table[:, 1], np.maximum(stars.table[:, 6], stars.table[:, 7])
    near = (y + reach >= y0) & (y - reach <= y0 + out.shape[1])
    if near.any():
        _draw(out, y0, stars.table[near], stars.flux[near], stars.halo_flux[near], stars.alpha, stars.halo_gamma)


def draw_stars_plainly(out: NDArray[np.float32], y0: int, stars: Stamps) -> None:
    """The same as `draw_stars` in plain numpy, for reading and for the test that they agree.

    Parameters
    ----------
    out : ndarray, shape (C, rows, W), float32
        Added to, in white levels.
    y0 : int
        Its first row in the frame.
    stars : Stamps
    """
    _, rows, width = out.shape
    row, col = np.arange(y0, y0 + rows)[:, None], np.arange(width)[None, :]
    for (x, y, qxx, qxy, qyy, height, radius, halo), flux, halo_flux in zip(
        stars.table, stars.flux, stars.halo_flux, strict=True
    ):
        dx, dy = col - x, row - y
        core = height * (1.0 + qxx * dx**2 + 2.0 * qxy * dx * dy + qyy * dy**2) ** -stars.alpha
        core = np.where((abs(dx) <= radius) & (abs(dy) <= radius), core, 0.0)
        wide = (1.0 + (dx**2 + dy**2) / stars.halo_gamma**2) ** -HALO_ALPHA
        wide = np.where((abs(dx) <= halo) & (abs(dy) <= halo), wide, 0.0)
        out += (flux[:, None, None] * core + halo_flux[:, None, None] * wide).astype(np.float32)

"""How large stars are: each candidate from its moments, and the field's stars over the frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import Coverage, Planes
from workbench.measure.stars.detect import Candidates
from workbench.measure.stars.moffat import WindowTable
from workbench.measure.stars.point_fit import PointSpread
from workbench.measure.stars.profile import fit_profile
from workbench.measure.stars.shape import mean_shape, shape_of
from workbench.measure.surface import evaluate, fit_surface

__all__ = ["LARGEST", "SMALLEST", "TYPICAL_ALPHA", "Sizes", "sizes_of"]

Floats = NDArray[np.float64]

#: Sizes, as shares of the field's FWHM at the place, between which a peak is a star; faint ones scatter more.
SMALLEST, LARGEST = 0.65, 1.4
#: Moffat index before the frame's own is known.
TYPICAL_ALPHA = 3.0
#: Stars that tell the common profile: at least this bright, and so many of them.
_BRIGHT_SNR = 25.0
_PROFILE_STARS = 250
_SURFACE_STARS = 1000
#: Smallest FWHM that the surface over the frame may fall to, as a share of the typical one.
_LEAST = 0.3


@dataclass(slots=True)
class Sizes:
    """Size of every candidate, and of a star at its place."""

    fwhm: Floats
    elongation: Floats
    angle_deg: Floats
    field: Floats
    spread: PointSpread
    table: WindowTable
    surface: Floats
    least: float
    shape: tuple[int, int]

    def field_at(self, x: Floats, y: Floats) -> Floats:
        """FWHM of a star, in pixels, at places of the frame.

        Parameters
        ----------
        x, y : ndarray, shape (N,)
            Columns and rows, pixel centres at integers.

        Returns
        -------
        ndarray, shape (N,)
        """
        return np.maximum(evaluate(self.surface, x, y, self.shape), self.least)


def sizes_of(planes: Planes, coverage: Coverage, found: Candidates, usable: NDArray[np.bool_]) -> Sizes:
    """Turn windowed moments into FWHM with the index that the bright stars' common profile tells.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear.
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    found : Candidates
    usable : ndarray, shape (N,), bool
        Which may tell the common profile.

    Returns
    -------
    Sizes
        In pixels.
    """
    shape = (planes.shape[1], planes.shape[2])
    window, snr = found.by.window, found.snr
    major, minor, angle = shape_of(found.table, window)
    x, y = found.table["x"], found.table["y"]
    alpha, stretch = TYPICAL_ALPHA, 1.0
    for final in (False, True):
        look = WindowTable(alpha, window, found.by.ring_radii[0])
        long, short = look.fwhm_of(major), look.fwhm_of(minor)
        fwhm = np.sqrt(long * short) * stretch
        typical = float(look.fwhm_of(np.array([found.by.sigma]))[0]) * stretch
        good = usable & (snr > _BRIGHT_SNR) & (fwhm > SMALLEST * typical) & (fwhm < LARGEST * typical)
        told = np.flatnonzero(good)
        told = told[np.argsort(-snr[told], kind="stable")[:_SURFACE_STARS]]
        surface = fit_surface(x[told], y[told], fwhm[told], shape)
        if not good.any():
            surface[0] = typical
        field = np.maximum(evaluate(surface, x, y, shape), _LEAST * typical)
        if final:
            break
        pick = np.flatnonzero(good & (np.abs(fwhm / field - 1) < 0.25))
        pick = pick[np.argsort(-snr[pick], kind="stable")[:_PROFILE_STARS]]
        stars = (column[pick] for column in (x, y, field, long / short, angle))
        profile = fit_profile(planes, coverage, *stars)
        # What the profile says a FWHM is, over what the table will make of the same stars.
        again = WindowTable(profile.alpha, window, found.by.ring_radii[0])
        width = np.sqrt(again.fwhm_of(major[pick]) * again.fwhm_of(minor[pick]))
        alpha, stretch = profile.alpha, float(np.median(profile.stretch * field[pick] / width)) if pick.size else 1.0
    shaped = mean_shape(long[told] / short[told], angle[told]) if told.size else (1.0, 0.0)
    spread = PointSpread(alpha, *shaped)
    return Sizes(fwhm, long / short, angle, field, spread, look, surface, _LEAST * typical, shape)

"""The point spread of a field: one Moffat profile, and how its width changes over the frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure.blocks import as_planes, checked_coverage
from workbench.measure.stars.moffat import moffat_gamma, moffat_profile
from workbench.measure.stars.profile import fit_profile
from workbench.measure.stars.shape import mean_shape
from workbench.measure.stars.table import Stars
from workbench.measure.surface import evaluate, fit_surface

__all__ = ["PsfModel", "field_psf", "without_knots"]

Floats = NDArray[np.float64]

#: Signal-to-noise ratio from which a star's shape is worth using, and how many stars the common profile needs.
_BRIGHT_SNR = 25.0
_PROFILE_STARS = 400
_SURFACE_STARS = 2000
_ENOUGH = 20
#: Stars wider by `_WIDER` than the narrowest around them, of which there are `_FEWEST` at least, do not tell how narrow
#: stars are where the typical one is wider by `_MOSTLY`: most are knots of a galaxy or nebula then. In real frames of
#: M51, Orion and a deep field it is 1.28, 1.32 and 1.22 times as wide; in M13, two more, and 30 scenes of GalSim with
#: nebulae, galaxies and dense fields (``benchmarks/stars_apart.py``, seeds 500, 97100 and 97300) 1.000 to 1.003 times.
_WIDER, _MOSTLY, _FEWEST, _ROUNDS = 0.08, 0.1, 15, 20


@dataclass(frozen=True, slots=True)
class PsfModel:
    """Moffat point spread with a width that varies smoothly over the field.

    Attributes
    ----------
    gamma, alpha : float
        Core width in pixels and index of ``(1 + (r / gamma)^2)^-alpha``, the recorded profile: what the pixels hold,
        their own width included.
    fwhm_px : float
        FWHM of that profile in pixels, the median over the frame.
    elongation, angle_deg : float
        Longer over shorter axis; direction of the longer axis from +x towards +y (down), -90 .. 90.
    shape : tuple of int
        (height, width) of the frame.
    field : tuple of float
        Coefficients of FWHM / fwhm_px in 1, u, v, u^2, uv, v^2 with u, v = -1 .. 1 across the frame.
    stars : int
        Stars that were used.
    """

    gamma: float
    alpha: float
    fwhm_px: float
    elongation: float
    angle_deg: float
    shape: tuple[int, int]
    field: tuple[float, ...] = (1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    stars: int = 0

    def profile(self, r: NDArray[np.floating] | float) -> Floats:
        """Moffat profile of unit flux at radius ``r`` (pixels).

        Parameters
        ----------
        r : float or ndarray, shape (...)
            In pixels.

        Returns
        -------
        ndarray
            Of the shape of ``r``, in flux a square pixel.
        """
        return moffat_profile(r, self.gamma, self.alpha)

    def fwhm_at(self, x: NDArray[np.floating] | float, y: NDArray[np.floating] | float) -> Floats:
        """FWHM in pixels at a place of the frame.

        Parameters
        ----------
        x, y : float or ndarray, shape (...)
            Column and row, pixel centres at integers.

        Returns
        -------
        ndarray
        """
        return np.asarray(self.fwhm_px * evaluate(self.field, x, y, self.shape))

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "gamma": self.gamma,
            "alpha": self.alpha,
            "fwhm_px": self.fwhm_px,
            "elongation": self.elongation,
            "angle_deg": self.angle_deg,
            "shape": list(self.shape),
            "field": list(self.field),
            "stars": self.stars,
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> PsfModel:
        """Build from plain data.

        Parameters
        ----------
        data : dict

        Returns
        -------
        PsfModel
        """
        return cls(**{**data, "shape": tuple(data["shape"]), "field": tuple(data["field"])})


def field_psf(planes: NDArray[np.float32], stars: Stars, coverage: NDArray[np.uint8] | None = None) -> PsfModel:
    """Point spread of a frame from its stars.

    Parameters
    ----------
    planes : ndarray, shape (H, W) or (C, H, W), float32
        The linear frame the stars were found in, or one of its channels; channels are averaged.
    stars : Stars
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    PsfModel

    Raises
    ------
    WorkbenchError
        When there is no unsaturated star.

    Notes
    -----
    FWHM over the frame: a quadratic surface through the FWHM of bright stars. Index and final FWHM: a Moffat profile
    fitted to the median radial profile of up to 400 of them, each drawn to the size the surface has at its place.
    A few hundredths of a second whatever the frame's size.
    """
    planes = as_planes(planes)
    shape = (planes.shape[1], planes.shape[2])
    cov = checked_coverage(coverage, *shape)
    usable = stars.select(~stars.saturated)
    if len(usable) == 0:
        raise WorkbenchError("the frame has no unsaturated star to measure the point spread from")
    bright = usable.select(usable.snr > _BRIGHT_SNR)
    if len(bright) < _ENOUGH:
        bright = usable.select(np.argsort(-usable.snr, kind="stable")[:_ENOUGH])
    bright = bright.select(np.argsort(-bright.snr, kind="stable")[:_SURFACE_STARS])
    bright = without_knots(bright, shape)
    surface = fit_surface(bright.x, bright.y, bright.fwhm, shape)
    rows, columns = (np.linspace(0, n - 1, 33) for n in shape)
    typical = float(np.median(evaluate(surface, columns[None, :], rows[:, None], shape)))
    at_star = np.maximum(evaluate(surface, bright.x, bright.y, shape), 0.3 * typical)
    elongation, angle = mean_shape(bright.elongation, bright.angle_deg)
    near = np.flatnonzero(np.abs(bright.fwhm / at_star - 1) < 0.25)[:_PROFILE_STARS]
    alike = np.full(near.size, elongation), np.full(near.size, angle)
    profile = fit_profile(planes, cov, bright.x[near], bright.y[near], at_star[near], *alike)
    fwhm = typical * profile.stretch
    return PsfModel(
        gamma=moffat_gamma(fwhm, profile.alpha),
        alpha=profile.alpha,
        fwhm_px=fwhm,
        elongation=elongation,
        angle_deg=angle,
        shape=shape,
        field=tuple(float(c) / typical for c in surface),
        stars=len(near),
    )


def without_knots(bright: Stars, shape: tuple[int, int]) -> Stars:
    """Bright stars without those that are wider than the narrowest around them, where most are: all of them elsewhere.

    In a galaxy or nebula most of what is found may be its knots. Nothing but a star is as narrow as a star.

    Parameters
    ----------
    bright : Stars
        Unsaturated.
    shape : (int, int)
        Height and width of the frame.

    Returns
    -------
    Stars
    """
    if len(bright) < _ENOUGH:
        return bright
    kept = np.ones(len(bright), np.bool_)
    for _ in range(_ROUNDS):
        surface = fit_surface(bright.x[kept], bright.y[kept], bright.fwhm[kept], shape)
        wide = bright.fwhm / evaluate(surface, bright.x, bright.y, shape)
        narrow = wide < 1 + _WIDER
        if np.count_nonzero(narrow) < _FEWEST or np.array_equal(narrow, kept):
            break
        kept = narrow
    return bright.select(kept) if np.median(wide) > 1 + _MOSTLY else bright

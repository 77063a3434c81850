"""All light of stars that stand alone, in apertures wide enough to hold it, and how sure it is; by photutils."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.blocks import Planes

if TYPE_CHECKING:
    from photutils import aperture
else:
    aperture = on_first_use("photutils.aperture")

__all__ = ["ApertureLight", "aperture_light"]

Floats = NDArray[np.float64]


class ApertureLight(NamedTuple):
    """Light of each star in each channel (N, C), and its standard error."""

    light: Floats
    error: Floats


def aperture_light(planes: Planes, x: Floats, y: Floats, *, radius: float, ring: float) -> ApertureLight:
    """Light within a circle around each place, above the median of a ring around the circle.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear light.
    x, y : ndarray, shape (N,)
        Column and row in pixels; circle and ring must lie in the frame.
    radius : float
        Of the circle, px. A pixel on its edge counts by the share that lies inside.
    ring : float
        Width of the ring, px.

    Returns
    -------
    ApertureLight
        In pixel values x pixels. The error is that of the sky, by the scatter in the ring: of the circle's pixels and
        of the level taken off (a median's, pi / 2 times the variance of a mean; common practice). A star's own photon
        noise is not in it.
    """
    places = np.column_stack([x, y])
    circle = aperture.CircularAperture(places, radius)
    around = aperture.CircularAnnulus(places, radius, radius + ring)
    light, error = np.empty((2, len(x), len(planes)))
    for c, plane in enumerate(planes):
        sky = aperture.ApertureStats(plane, around, sum_method="center")
        within, _ = circle.do_photometry(plane)
        pixels = sky.center_aper_area.value
        light[:, c] = within - circle.area * sky.median
        error[:, c] = sky.mad_std * np.sqrt(circle.area + np.pi / 2 * circle.area**2 / pixels)
    return ApertureLight(light, error)

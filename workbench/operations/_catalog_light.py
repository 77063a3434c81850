"""All light of a frame's stars that a catalogue knows and that stand alone, beside what the catalogue says of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.stars import Stars
from workbench.measure.stars.apertures import aperture_light
from workbench.measure.stars.moffat import moffat_gamma
from workbench.measure.stars.sizes import TYPICAL_ALPHA
from workbench.operations._known_stars import known_stars
from workbench.operations.base import Frame
from workbench.sky.catalog import StarCatalog, visual_magnitude
from workbench.sky.star_light import channel_magnitudes

if TYPE_CHECKING:
    from scipy import spatial
else:
    spatial = on_first_use("scipy.spatial")

__all__ = ["HOLDS_ALL", "CatalogLight", "catalog_light", "share_held"]

Floats = NDArray[np.float64]

#: Share of the white level from which a pixel is not believed; signal over noise of stars that count.
_UNSATURATED, _LEAST_SNR = 0.75, 20.0
#: Radius of a disk that holds all but 2 percent of a star, and width of the ring of sky around any, in a star's widths.
HOLDS_ALL, _RING = 2.5, 1.0
#: Share of its light that is taken off with the ring, and that another star in the disk may have.
_IN_RING, _BESIDE = 0.012, 0.03


class CatalogLight(NamedTuple):
    """Stars of known magnitude and color, brightest first.

    Attributes
    ----------
    frame : Frame
        In which they were measured: in the densest fields without the catalogue's other stars.
    stars : Stars
    known : StarCatalog
        The catalogue's row for each.
    light : ndarray, shape (N, C)
        Of each channel, above 0, in pixel values x pixels.
    error : ndarray, shape (N, C)
        Of the light, by the sky's noise.
    zero : ndarray, shape (N, C)
        Magnitude that a pixel value of 1 would have, by each star.
    radius : float
        Of the disks, px.
    """

    frame: Frame
    stars: Stars
    known: StarCatalog
    light: Floats
    error: Floats
    zero: Floats
    radius: float


def catalog_light(frame: Frame, *, disk: float = HOLDS_ALL, widest: float = 0.5, most: int) -> CatalogLight:
    """Light of the catalogue's stars in disks.

    Parameters
    ----------
    frame : Frame
        Linear light, 1.0 white, its place on the sky known.
    disk : float
        Radius of the disks in widths of a star.
    widest : float
        Share of the stars that are no wider than this width.
    most : int
        Stars, the brightest.

    Returns
    -------
    CatalogLight
        As much as a star like most has in the disk more than in the ring around it counts as all of its light.

    Raises
    ------
    WorkbenchError
        When the frame has no sky solution, or the catalogue is not installed.
    """
    found = frame.once("unsaturated stars of the catalogue", lambda: known_stars(frame, _UNSATURATED))
    frame, others, stars, known = found
    width = float(np.quantile(stars.fwhm, widest)) if len(stars) else 1.0
    radius, ring = disk * width, _RING * width + 1
    _, height, across = frame.planes.shape
    reach = radius + ring + 1
    inside = (stars.x > reach) & (stars.x < across - reach) & (stars.y > reach) & (stars.y < height - reach)
    lone = _alone(stars, others, radius + width)
    good = np.flatnonzero(inside & lone & (stars.snr >= _LEAST_SNR) & np.isfinite(known.color))[:most]
    stars, known = stars.select(good), known.select(good)
    if not good.size:
        nothing = np.zeros((0, len(frame.planes)))
        return CatalogLight(frame, stars, known, nothing, nothing, nothing, radius)
    seen = aperture_light(frame.planes, stars.x, stars.y, radius=radius, ring=ring)
    light = seen.light / (share_held(disk) - _IN_RING)
    magnitudes = channel_magnitudes(visual_magnitude(known), known.color)
    if len(frame.planes) == 1:
        magnitudes = magnitudes[:, 1:2]
    lit = (light > 0).all(axis=1)
    light = light[lit]
    return CatalogLight(
        frame,
        stars.select(lit),
        known.select(lit),
        light,
        seen.error[lit],
        magnitudes[lit] + 2.5 * np.log10(light),
        radius,
    )


def share_held(radius: Any) -> Any:
    """Share of a star's light that a disk holds.

    Parameters
    ----------
    radius : float or ndarray
        Of the disk, in widths of the star at half its height.

    Returns
    -------
    float or ndarray
        Of a Moffat star of index 3: 1 - (1 + (r / gamma)^2)^-2 (Moffat 1969, A&A 3, 455).
    """
    return 1 - (1 + (radius / moffat_gamma(1.0, TYPICAL_ALPHA)) ** 2) ** (1 - TYPICAL_ALPHA)


def _alone(stars: Stars, others: Stars, within: float) -> NDArray[np.bool_]:
    """Whether no other star within so many px has more than a little of a star's light."""
    if len(stars) == 0:
        return np.zeros(0, np.bool_)
    near = spatial.cKDTree(np.c_[others.x, others.y]).query_ball_point(np.c_[stars.x, stars.y], within)
    # The star itself is one of them.
    beside = [float(np.sort(others.flux[at])[:-1].sum()) for at in near]
    return np.asarray(np.array(beside) <= _BESIDE * stars.flux)

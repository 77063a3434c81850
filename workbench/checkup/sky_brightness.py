"""How bright the sky was that night, in magnitudes per square arcsecond: by stars whose magnitudes are known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.measure.background.sky import common_level
from workbench.measure.stars import Stars
from workbench.measure.stars.apertures import aperture_light
from workbench.measure.statistics import MAD_TO_SIGMA, MEDIAN_PRICE
from workbench.operations._known_stars import known_stars
from workbench.operations.base import Frame
from workbench.operations.findings import SkyBrightness
from workbench.sky.catalog import visual_magnitude
from workbench.sky.star_light import channel_magnitudes

if TYPE_CHECKING:
    from astropy.wcs import WCS
    from astropy.wcs import utils as sky_solutions
    from scipy import spatial
else:
    sky_solutions = on_first_use("astropy.wcs.utils")
    spatial = on_first_use("scipy.spatial")

__all__ = ["NATURAL", "sky_brightness"]

#: A sky without any lamp or Moon, V (Falchi et al. 2016, Science Advances 2, e1600377).
NATURAL = 22.0
#: Share of the white level from which a pixel is not believed; signal over noise of stars that count, how many of the
#: brightest, and fewest.
_UNSATURATED, _LEAST_SNR, _MOST, _FEWEST = 0.75, 20.0, 300, 8
#: Radius of the disk around a star, and width of the ring of sky around it, in widths of a star; share of its light
#: that the disk keeps (of a Moffat star of index 3 it misses 1.8 %, and 1.2 % are taken off with the ring), and that
#: another star in it may have.
_DISK, _RING, _HELD, _BESIDE = 2.5, 1.0, 0.97, 0.03
#: Error of magnitudes in the bands of a camera, and of what a disk holds, beside the scatter of the stars.
_SYSTEMATIC = 0.04


def sky_brightness(
    planes: NDArray[np.float32],
    coverage: NDArray[np.uint8] | None,
    wcs: WCS,
    acquisition: Acquisition,
    levels: tuple[float, ...],
) -> SkyBrightness | None:
    """Brightness of the sky by the stars of a catalogue.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear light, 1.0 white.
    coverage : ndarray, shape (H, W), uint8, or None
    wcs : astropy.wcs.WCS
    acquisition : Acquisition
        Its date says where stars stand.
    levels : tuple of float
        Of the sky by channel. A stacking program that took something off, or put it on, changes the result as much.

    Returns
    -------
    SkyBrightness or None
        None where the catalogue is not installed, or too few of its stars are usable, or a level is not above zero.
    """
    if min(levels) <= 0:
        return None
    frame = Frame(planes, coverage=coverage, acquisition=acquisition, wcs=wcs)
    try:
        found = known_stars(frame, _UNSATURATED)
    except WorkbenchError:
        return None
    if found.frame is not frame:
        planes = found.frame.planes
        levels = tuple(common_level(plane, found.frame.coverage) for plane in planes)
    _, others, stars, known = found
    width = float(np.median(stars.fwhm)) if len(stars) else 1.0
    disk, ring = _DISK * width, _RING * width + 1
    _, height, across = planes.shape
    reach = disk + ring + 1
    inside = (stars.x > reach) & (stars.x < across - reach) & (stars.y > reach) & (stars.y < height - reach)
    lone = _alone(stars, others, disk + width)
    good = np.flatnonzero(inside & lone & (stars.snr >= _LEAST_SNR) & np.isfinite(known.color))[:_MOST]
    if good.size < _FEWEST:
        return None
    stars, known = stars.select(good), known.select(good)
    light = aperture_light(planes, stars.x, stars.y, radius=disk, ring=ring).light / _HELD
    magnitudes = channel_magnitudes(visual_magnitude(known), known.color)
    if len(planes) == 1:
        magnitudes = magnitudes[:, 1:2]
    lit = (light > 0).all(axis=1)
    if lit.sum() < _FEWEST:
        return None
    each = magnitudes[lit] + 2.5 * np.log10(light[lit])
    zero = np.median(each, axis=0)
    scatter = MAD_TO_SIGMA * np.median(np.abs(each - zero), axis=0)
    error = np.hypot(MEDIAN_PRICE * scatter / np.sqrt(lit.sum()), _SYSTEMATIC)
    area = float(sky_solutions.proj_plane_pixel_area(wcs)) * 3600**2
    sky = zero - 2.5 * np.log10(np.array(levels) / area)
    return SkyBrightness(
        tuple(float(v) for v in zero), tuple(float(v) for v in sky), tuple(float(v) for v in error), int(lit.sum())
    )


def _alone(stars: Stars, others: Stars, within: float) -> NDArray[np.bool_]:
    """Whether no other star within so many px has more than a little of a star's light."""
    if len(stars) == 0:
        return np.zeros(0, np.bool_)
    near = spatial.cKDTree(np.c_[others.x, others.y]).query_ball_point(np.c_[stars.x, stars.y], within)
    # The star itself is one of them.
    beside = [float(np.sort(others.flux[at])[:-1].sum()) for at in near]
    return np.asarray(np.array(beside) <= _BESIDE * stars.flux)

"""How bright the sky was that night, in magnitudes per square arcsecond: by stars whose magnitudes are known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.measure.background.sky import common_level
from workbench.measure.statistics import MAD_TO_SIGMA, MEDIAN_PRICE
from workbench.operations._catalog_light import catalog_light
from workbench.operations.base import Frame
from workbench.operations.findings import SkyBrightness

if TYPE_CHECKING:
    from astropy.wcs import utils as sky_solutions
else:
    sky_solutions = on_first_use("astropy.wcs.utils")

__all__ = ["NATURAL", "sky_brightness"]

#: A sky without any lamp or Moon, V (Falchi et al. 2016, Science Advances 2, e1600377).
NATURAL = 22.0
#: How many stars count, the brightest, and fewest.
_MOST, _FEWEST = 300, 8
#: Error of magnitudes in the bands of a camera, and of what a disk holds, beside the scatter of the stars.
_SYSTEMATIC = 0.04


def sky_brightness(frame: Frame, levels: tuple[float, ...]) -> SkyBrightness | None:
    """Brightness of the sky by the stars of a catalogue.

    Parameters
    ----------
    frame : Frame
        Linear light, 1.0 white; its date says where stars stand. Its place on the sky must be known.
    levels : tuple of float
        Of the sky by channel. A stacking program that took something off, or put it on, changes the result as much.

    Returns
    -------
    SkyBrightness or None
        None where the catalogue is not installed, or too few of its stars are usable, or a level is not above zero.
    """
    if min(levels) <= 0:
        return None
    try:
        found = catalog_light(frame, most=_MOST)
    except WorkbenchError:
        return None
    if found.frame is not frame:
        levels = tuple(common_level(plane, found.frame.coverage) for plane in found.frame.planes)
    if len(found.light) < _FEWEST:
        return None
    zero = np.median(found.zero, axis=0)
    scatter = MAD_TO_SIGMA * np.median(np.abs(found.zero - zero), axis=0)
    error = np.hypot(MEDIAN_PRICE * scatter / np.sqrt(len(found.zero)), _SYSTEMATIC)
    area = float(sky_solutions.proj_plane_pixel_area(frame.wcs)) * 3600**2
    sky = zero - 2.5 * np.log10(np.array(levels) / area)
    return SkyBrightness(
        tuple(float(v) for v in zero), tuple(float(v) for v in sky), tuple(float(v) for v in error), len(found.zero)
    )

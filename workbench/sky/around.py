"""The catalogue's stars in a frame whose sky solution is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from workbench.sky.catalog import StarCatalog, bundled
from workbench.sky.locate import UNKNOWN_EPOCH
from workbench.sky.solution import julian_year
from workbench.sky.sphere import directions

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["field_circle", "stars_around"]


def field_circle(wcs: WCS, height: int, width: int) -> tuple[float, float, float]:
    """Middle of a frame on the sky, and the radius of the circle that holds it, in degrees.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    height, width : int
        Of the frame, px.

    Returns
    -------
    ra, dec, radius : float
    """
    x = np.array([(width - 1) / 2, -0.5, width / 2, width - 0.5, -0.5, width - 0.5, -0.5, width / 2, width - 0.5])
    y = np.array([(height - 1) / 2, -0.5, -0.5, -0.5, height / 2, height / 2, height - 0.5, height - 0.5, height - 0.5])
    ra, dec = wcs.all_pix2world(x, y, 0)
    rays = directions(ra, dec)
    radius = float(np.rad2deg(np.arccos(np.clip(rays[1:] @ rays[0], -1, 1)).max()))
    return float(ra[0]), float(dec[0]), radius


def stars_around(
    wcs: WCS, height: int, width: int, date: str | None, catalog: StarCatalog | None = None
) -> StarCatalog:
    """The catalogue's stars in the circle around a frame, where they stood at a date, brightest first.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    height, width : int
        Of the frame, px.
    date : str or None
        ISO 8601.
    catalog : StarCatalog, optional
        Default: the bundled one.

    Returns
    -------
    StarCatalog
    """
    epoch = julian_year(date)
    ra, dec, radius = field_circle(wcs, height, width)
    return (catalog or bundled()).around(ra, dec, 1.01 * radius).at(UNKNOWN_EPOCH if epoch is None else epoch)

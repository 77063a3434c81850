"""What lies where in a frame whose sky solution is known: north and east, and the catalogue's stars."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.sky.catalog import StarCatalog, bundled
from workbench.sky.locate import UNKNOWN_EPOCH
from workbench.sky.solution import julian_year
from workbench.sky.sphere import directions

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["STEP", "field_circle", "north_and_east", "pixels_of", "stars_around"]

Floats = NDArray[np.float64]

#: Degrees by which directions in the frame are read.
STEP = 1e-3


def pixels_of(wcs: WCS, ra: Any, dec: Any) -> Floats:
    """Places in the frame of places on the sky.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    ra, dec : array_like
        Degrees; they broadcast.

    Returns
    -------
    ndarray, shape (N, 2), float64
        x and y, px; NaN behind the camera.
    """
    ra, dec = np.broadcast_arrays(np.atleast_1d(np.asarray(ra, float)), np.atleast_1d(np.asarray(dec, float)))
    return np.stack(wcs.all_world2pix(ra, dec, 0, quiet=True), axis=1)


def north_and_east(wcs: WCS, ra: float, dec: float) -> tuple[Floats, Floats, Floats]:
    """A place in the frame, and which way north and east are there.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    ra, dec : float
        Degrees.

    Returns
    -------
    here, north, east : ndarray, shape (2,), float64
        x and y, px: the place, and where `STEP` to the north and to the east leads from there.
    """
    up = 1 if dec < 89.9 else -1  # there is nothing north of the pole
    here, north, east = pixels_of(
        wcs, [ra, ra, ra + STEP / max(np.cos(np.deg2rad(dec)), 1e-6)], [dec, dec + up * STEP, dec]
    )
    return here, up * (north - here), east - here


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

"""How a frame lies against north: from a sky solution, in the middle of the frame."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from workbench.sky.gnomonic import to_plane

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["Orientation", "orientation"]


class Orientation(NamedTuple):
    """How a frame lies against north.

    Attributes
    ----------
    rotation : float
        Direction of the frame's upper edge, degrees from north over east, -180 to 180.
    mirrored : bool
        East lies to the right of north, as in no view of the sky.
    """

    rotation: float
    mirrored: bool

    @property
    def to_north(self) -> float:
        """Degrees clockwise, -180 to 180, by which the frame is to be turned for north to be at its top."""
        return self.rotation if self.mirrored else -self.rotation

    @property
    def turns_to_north(self) -> int:
        """Quarter turns clockwise (of the step `Turn`) that bring north nearest to the top, 0 to 3."""
        return round(self.to_north / 90) % 4


def orientation(wcs: WCS, height: int, width: int) -> Orientation:
    """How a frame lies against north, in its middle.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
        The frame's sky solution, with its distortion.
    height, width : int
        Of the frame, px.

    Returns
    -------
    Orientation

    Notes
    -----
    At a pole of the sky north is where the frame's own middle has it; within a pixel of one it has no meaning.
    """
    x, y = (width - 1) / 2, (height - 1) / 2
    # Half a pixel to each side: the map is smooth, and a pole may be near.
    ra, dec = wcs.all_pix2world([x, x, x, x - 0.5, x + 0.5], [y, y - 0.5, y + 0.5, y, y], 0)
    east, north = to_plane(ra, dec, float(ra[0]), float(dec[0]))
    up = east[1] - east[2], north[1] - north[2]
    right = east[4] - east[3], north[4] - north[3]
    # A view of the sky with north up has east on the left.
    return Orientation(float(np.rad2deg(np.arctan2(*up))), bool(up[1] * right[0] - up[0] * right[1] > 0))

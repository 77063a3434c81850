"""What lies under the pointer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.acquisition import Tone
from workbench.bench.panels.viewer.sky import StackSky
from workbench.bench.sides import Side
from workbench.engine.transform import Transform
from workbench.measure.stars import Stars

if TYPE_CHECKING:
    from astropy.coordinates import SkyCoord

__all__ = ["probe"]

#: A star further away than this many of its own widths is not the one under the pointer.
_NEAR = 3.0


def probe(
    side: Side, y: int, x: int, stars: Stars | None, sky: StackSky | None = None, *, near: float = 4.0
) -> dict[str, Any]:
    """Values at pixel (y, x) of the frame shown; ``stars`` were measured on the stack.

    Parameters
    ----------
    side : Side
    y, x : int
        Row and column.
    stars : Stars or None
    sky : StackSky or None
        Where the stack was located.
    near : float
        How far off a star of a catalogue may lie, px.

    Returns
    -------
    dict
        ``y, x, linear`` (before the stretch, or None), ``display`` (or None while linear), ``sky`` (text or None),
        ``star`` ({fwhm_px, distance} or None), ``names`` (of what a catalogue knows there).
    """
    preview, upto = side.preview, side.upto
    height, width, _ = preview.shape(upto)
    y, x = int(np.clip(y, 0, height - 1)), int(np.clip(x, 0, width - 1))
    here = preview.region(y, x, 1, 1, upto=upto, layer=side.layer)[0, 0].tolist()
    display, linear = (here, None) if preview.tone(upto) == Tone.DISPLAY else (None, here)
    stretch = side.stretch
    if stretch is not None and (place := _same_pixel(side.transform(upto, stretch), y, x)):
        linear = preview.region(*place, 1, 1, upto=stretch, layer=side.layer)[0, 0].tolist()
    return {
        "y": y,
        "x": x,
        "linear": linear,
        "display": display,
        "sky": _sky(side, y, x),
        "star": _star(stars, side.transform(0, upto), y, x),
        "names": _names(sky, side.transform(upto, 0), y, x, near),
    }


def _names(sky: StackSky | None, way: Transform | None, y: int, x: int, near: float) -> list[str]:
    if sky is None or way is None:
        return []
    column, row = way.points(x, y).tolist()
    return sky.at(column, row, way.size * near)


def _same_pixel(way: Transform | None, y: int, x: int) -> tuple[int, int] | None:
    """Row and column of a pixel in the frame that ``way`` leads to, where pixels have kept their size."""
    if way is None or not np.isclose(way.size, 1.0):
        return None
    column, row = np.rint(way.points(x, y)).astype(int).tolist()
    return row, column


def _sky(side: Side, y: int, x: int) -> str | None:
    wcs = side.preview.sky_solution(side.upto)
    if wcs is None or not wcs.has_celestial:
        return None
    place: SkyCoord = wcs.pixel_to_world(x, y)
    return str(place.to_string("hmsdms", precision=0))


def _star(stars: Stars | None, way: Transform | None, y: int, x: int) -> dict[str, float] | None:
    if stars is None or way is None or len(stars) == 0:
        return None
    star_x, star_y = way.points(stars.x, stars.y)
    distance = np.hypot(star_x - x, star_y - y)
    nearest = int(np.argmin(distance))
    fwhm = way.size * float(stars.fwhm[nearest])
    if distance[nearest] > _NEAR * fwhm:
        return None
    return {"fwhm_px": round(fwhm, 2), "distance": round(float(distance[nearest]), 2)}

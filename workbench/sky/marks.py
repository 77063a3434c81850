"""What is to be marked in a frame whose sky solution is known, in its pixels: objects, stars, lines of the grid."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.sky.around import STEP, field_circle, north_and_east, pixels_of, stars_around
from workbench.sky.names import SkyObject, named_stars, objects_in

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["GridLine", "Mark", "grid_lines", "object_marks", "star_marks"]

Floats = NDArray[np.float64]

#: Steps of the grid in degrees, those of right ascension in minutes of time; points of a line.
_STEPS = np.array([1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1200, 1800]) / 60
_TIME_STEPS = np.array([1 / 12, 1 / 6, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 240])
_POINTS = 121
#: Lines that lead out of the frame are followed for this share of its longer side.
_BEYOND = 0.1
#: Objects without a name of Messier's or the people's are shown from a size of this share of the shorter side on, or
#: when brighter than a magnitude; stars to a magnitude.
_LARGE, _BRIGHT, _BRIGHT_STAR = 0.02, 10.5, 4.6


@dataclass(frozen=True, slots=True)
class Mark:
    """A name, where it belongs, and the ellipse of what it names.

    Attributes
    ----------
    text : str
    x, y : float
        In px.
    axes : tuple of float
        Of the ellipse in px; 0 for a star.
    angle : float
        Of its longer axis, degrees from +x to +y.
    """

    text: str
    x: float
    y: float
    axes: tuple[float, float] = (0.0, 0.0)
    angle: float = 0.0

    def reach(self, dx: float, dy: float) -> float:
        """How far the ellipse goes in a direction, px.

        Parameters
        ----------
        dx, dy : float

        Returns
        -------
        float
        """
        if min(self.axes) <= 0:
            return 0.0
        a, b = self.axes[0] / 2, self.axes[1] / 2
        turn = np.arctan2(dy, dx) - np.deg2rad(self.angle)
        return float(a * b / np.hypot(b * np.cos(turn), a * np.sin(turn)))


class GridLine(NamedTuple):
    """A line of right ascension or declination: places (N, 2), x and y in px, and its value in words."""

    points: Floats
    text: str


def star_marks(wcs: WCS, height: int, width: int, date: str | None) -> Iterator[Mark]:
    """Bright stars of a frame that have names, the brightest first.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    height, width : int
        Of the frame, px.
    date : str or None
        ISO 8601.

    Yields
    ------
    Mark
    """
    for name, ra, dec, visual in named_stars(stars_around(wcs, height, width, date)):
        x, y = pixels_of(wcs, ra, dec)[0]
        if visual <= _BRIGHT_STAR and 0 <= x <= width - 1 and 0 <= y <= height - 1:
            yield Mark(name, float(x), float(y))


def object_marks(wcs: WCS, height: int, width: int, most: int) -> list[Mark]:
    """Deep-sky objects of a frame with their ellipses: best known, brightest and largest first.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    height, width : int
        Of the frame, px.
    most : int

    Returns
    -------
    list of Mark
    """
    ra, dec, radius = field_circle(wcs, height, width)
    scale = 2 * radius / float(np.hypot(height, width))
    found: list[Mark] = []
    for one in objects_in(ra, dec, radius):
        large = one.size[0] / scale >= _LARGE * min(height, width)
        if len(found) == most:
            break
        if not (large or one.common or one.name.startswith("M ") or one.magnitude <= _BRIGHT):
            continue
        mark = _object(wcs, one)
        if 0 <= mark.x <= width - 1 and 0 <= mark.y <= height - 1:
            found.append(mark)
    return found


def _object(wcs: WCS, one: SkyObject) -> Mark:
    """An object's name and ellipse: its axes turned from north over east into the frame."""
    here, north, east = north_and_east(wcs, one.ra, one.dec)
    turn = np.deg2rad(one.angle)
    along = (np.cos(turn) * north + np.sin(turn) * east) / STEP
    across = (np.cos(turn) * east - np.sin(turn) * north) / STEP
    axes = (one.size[0] * float(np.hypot(*along)), one.size[1] * float(np.hypot(*across)))
    text = f"{one.name}  {one.common}" if one.common else one.name
    return Mark(text, float(here[0]), float(here[1]), axes, float(np.rad2deg(np.arctan2(along[1], along[0]))))


def grid_lines(wcs: WCS, height: int, width: int, lines: int = 4) -> Iterator[GridLine]:
    """Lines of right ascension and declination through a frame, at round values.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    height, width : int
        Of the frame, px.
    lines : int
        About how many cross the shorter side.

    Yields
    ------
    GridLine
        A line that leaves the frame and comes back is several.
    """
    ra, dec, radius = field_circle(wcs, height, width)
    short = 2 * radius * min(height, width) / float(np.hypot(height, width))
    step = float(_STEPS[np.argmin(np.abs(np.log(_STEPS / (short / lines))))])
    low, high = max(dec - radius, -90.0), min(dec + radius, 90.0)
    if high >= 90 or low <= -90:
        wide = 180.0
    else:
        wide = min(float(np.rad2deg(np.arcsin(min(1, np.sin(np.deg2rad(radius)) / np.cos(np.deg2rad(dec)))))), 180)
    minutes = short / lines * 4 / max(np.cos(np.deg2rad(dec)), 0.02)
    time_step = float(_TIME_STEPS[np.argmin(np.abs(np.log(_TIME_STEPS / minutes)))]) / 4
    along = np.linspace(-1, 1, _POINTS)
    for value in np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step:
        sign = "-" if value < -1e-9 else "+" if value > 1e-9 else ""
        whole, part = divmod(round(abs(value) * 60), 60)
        text = f"{sign}{whole}°" + (f" {part:02d}'" if part else "")
        yield from _inside(wcs, ra + wide * along, np.full(_POINTS, value), (height, width), text)
    for value in np.arange(np.ceil((ra - wide) / time_step), np.floor((ra + wide) / time_step) + 1) * time_step:
        if value - ra <= -180:
            continue
        seconds = round((value % 360) * 240) % 86_400
        hours, rest = divmod(seconds, 3600)
        text = f"{hours} h" + (f" {rest // 60:02d} min" if rest else "") + (f" {rest % 60:02d} s" if rest % 60 else "")
        yield from _inside(wcs, np.full(_POINTS, value), dec + (high - low) / 2 * along, (height, width), text)


def _inside(wcs: WCS, ra: Floats, dec: Floats, shape: tuple[int, int], text: str) -> Iterator[GridLine]:
    """The parts of a line that lie in the frame or near it."""
    height, width = shape
    kept = np.abs(dec) <= 90
    if not kept.any():
        return
    points = pixels_of(wcs, ra[kept] % 360, dec[kept])
    margin = _BEYOND * max(height, width)
    within = (points > -margin) & (points < np.array([width, height]) + margin)  # NaN is not
    near = np.asarray(within.all(axis=1))
    for part in np.split(np.arange(len(points)), np.flatnonzero(np.diff(near.astype(int))) + 1):
        if near[part[0]] and len(part) > 1:
            yield GridLine(points[part], text)

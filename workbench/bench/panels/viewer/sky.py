"""What the sky has where the open stack lies on it: names, grid and north, in pixels of the stack, found once."""

from __future__ import annotations

import threading
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.engine.transform import Transform
from workbench.errors import WorkbenchError
from workbench.sky.around import north_and_east, pixels_of, stars_around
from workbench.sky.catalog import StarCatalog, need_extra, visual_magnitude
from workbench.sky.marks import GridLine, Mark, grid_lines, object_marks, star_marks
from workbench.sky.names import CREDIT, STAR_NAMES
from workbench.sky.sphere import angle_between
from workbench.sky.star_light import temperature
from workbench.stack import Stack

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["SKY_OVERLAYS", "StackSky", "sky_of"]

#: Overlays of stacks that were located: name -> words for the switch.
SKY_OVERLAYS = {"names": "Names", "grid": "North and grid"}
#: Objects at most, lines of the coarsest grid across the shorter side, how much finer the next ones are, and one of how
#: many points of a line is sent.
_MOST, _LINES, _FINER, _THINNED = 150, 4, (1.0, 2.5, 7.0), 3
#: Names under the pointer at most.
_MOST_NAMED = 4


class _Stars(NamedTuple):
    """The catalogue's stars of a frame, and where they lie in it, px."""

    known: StarCatalog
    x: NDArray[np.float64]
    y: NDArray[np.float64]


def sky_of(stack: Stack) -> StackSky | None:
    """The sky of a stack; None where it was not located.

    Parameters
    ----------
    stack : Stack

    Returns
    -------
    StackSky or None
    """
    wcs = stack.wcs
    return None if wcs is None or not wcs.has_celestial else StackSky(stack, wcs)


class StackSky:
    """Names, grid and north of a stack that was located. What is asked for is found when it is first asked for."""

    def __init__(self, stack: Stack, wcs: WCS) -> None:
        self._wcs = wcs
        self._height, self._width, _ = stack.shape
        self._date = stack.acquisition.date
        # The picture and the readout may ask at once.
        self._finding = threading.Lock()

    def find(self) -> None:
        """Find the names now.

        Raises
        ------
        WorkbenchError
            When the extra ``sky`` is not installed.
        """
        with self._finding:
            _ = self._objects, self._bright

    @cached_property
    def _objects(self) -> list[Mark]:
        need_extra("pyongc")
        return object_marks(self._wcs, self._height, self._width, _MOST)

    @cached_property
    def _bright(self) -> list[Mark]:
        return list(star_marks(self._wcs, self._height, self._width, self._date))

    @cached_property
    def _stars(self) -> _Stars:
        known = stars_around(self._wcs, self._height, self._width, self._date)
        return _Stars(known, *pixels_of(self._wcs, known.ra, known.dec).T)

    @cached_property
    def _grids(self) -> list[list[GridLine]]:
        lines = (round(_LINES * finer) for finer in _FINER)
        return [list(grid_lines(self._wcs, self._height, self._width, count)) for count in lines]

    # -- as plain data -------------------------------------------------------------------------------------------

    def names(self, way: Transform) -> dict[str, Any]:
        """Names as plain data for the page.

        Parameters
        ----------
        way : Transform
            From the stack to the frame shown.

        Returns
        -------
        dict
            ``says`` (for the legend) and ``marks``: text, x, y, long and short axis, angle in degrees; the first ones
            matter most.
        """
        self.find()
        marks = []
        for mark in [*self._bright, *self._objects]:
            x, y = way.points(mark.x, mark.y).tolist()
            size = [round(way.size * axis, 2) for axis in mark.axes]
            marks.append([mark.text, round(x, 2), round(y, 2), *size, round(float(way.angle(mark.angle)), 1)])
        return {"says": CREDIT[0].lower() + CREDIT[1:], "marks": marks}

    def grid(self, way: Transform) -> dict[str, Any]:
        """North, the scale and lines of right ascension and declination, as plain data for the page.

        Parameters
        ----------
        way : Transform
            From the stack to the frame shown.

        Returns
        -------
        dict
            ``north``, ``east`` (directions, x and y, length 1), ``scale`` (degrees a pixel), and ``levels``, each finer
            than the one before: ``finer`` (how many times) and ``lines`` (text, and points x, y).
        """
        height, width = self._height, self._width
        x, y = (width - 1) / 2, (height - 1) / 2
        ra, dec = (float(v) for v in self._wcs.all_pix2world(x, y, 0))
        ways = [way.matrix @ each for each in north_and_east(self._wcs, ra, dec)[1:]]
        north, east = (np.round(each / np.hypot(*each), 4).tolist() for each in ways)
        scale = angle_between(*self._wcs.all_pix2world([x, x + 1], [y, y], 0)) / way.size
        levels = []
        for finer, lines in zip(_FINER, self._grids, strict=True):
            moved = [[line.text, np.round(way.points(*line.points[::_THINNED].T).T, 1).tolist()] for line in lines]
            levels.append({"finer": finer, "lines": moved})
        return {"north": north, "east": east, "scale": scale, "levels": levels}

    def at(self, x: float, y: float, near: float) -> list[str]:
        """What lies at a place of the stack, in words; nothing where the extra ``sky`` is not installed.

        Parameters
        ----------
        x, y : float
            In px.
        near : float
            How far off a star may lie, px.

        Returns
        -------
        list of str
            A star first, then objects, the smallest first.
        """
        try:
            with self._finding:
                objects, stars = self._objects, self._stars
        except WorkbenchError:
            return []
        around = []
        for mark in objects:
            away = float(np.hypot(x - mark.x, y - mark.y))
            if away <= max(mark.reach(x - mark.x, y - mark.y), near):
                around.append((mark.axes[0], mark.text.replace("  ", ", ")))
        told = [text for _, text in sorted(around)]
        if len(stars.x):
            away_all = np.hypot(stars.x - x, stars.y - y)
            k = int(np.nanargmin(away_all))
            if away_all[k] <= near:
                told.insert(0, _star_words(stars.known, k))
        return told[:_MOST_NAMED]


def _star_words(stars: StarCatalog, k: int) -> str:
    hip, color = int(stars.hip[k]), float(stars.color[k])
    name = STAR_NAMES.get(hip) or (f"HIP {hip}" if hip else "star")
    words = f"{name}, V {float(visual_magnitude(stars.select(np.array([k])))[0]):.1f}"
    if not np.isfinite(color):
        return words
    return f"{words}, B-V {color:.2f} (about {round(float(temperature(np.array(color))), -2):,.0f} K)"

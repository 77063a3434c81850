"""Where a place of one frame of a recipe lies in another one: through crops, turns and changes of size.

A plain grid is carried along in place of a sky solution, so that every step that changes the frame moves it by the rule
by which it moves the sky.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from workbench.acquisition import Acquisition
from workbench.operations._sky_solution import PlainGrid
from workbench.operations.base import Facts, FrameOperation, Geometry
from workbench.recipe.model import RecipeData, Step
from workbench.stack import Stack

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["Array", "Transform", "carried", "place_of", "plain_grid"]

Array = NDArray[np.float64]


def plain_grid(x: float = 1.0, y: float = 1.0) -> WCS:
    """A grid whose 'sky position' of a pixel is its (x, y) on the stack; a pixel is ``x`` by ``y`` of the stack's.

    Parameters
    ----------
    x, y : float
        In pixels of the stack.

    Returns
    -------
    astropy.wcs.WCS
    """
    return cast("WCS", PlainGrid(np.array([[x, 0.0, 0.5 * x - 0.5], [0.0, y, 0.5 * y - 0.5]])))


def place_of(grid: WCS | None) -> Array | None:
    """Where pixels of the frame lie on the stack, (2, 3): ``place[:, :2] @ (x, y) + place[:, 2]``, as (x, y).

    Pixel centres are at integers. None where a step did not say where the sky went.

    Parameters
    ----------
    grid : astropy.wcs.WCS or None

    Returns
    -------
    ndarray, shape (2, 3), float64, or None
    """
    if grid is None or isinstance(grid, PlainGrid):
        return None if grid is None else grid.place
    matrix = np.asarray(grid.wcs.cd, np.float64)
    first = np.asarray(grid.wcs.crval, np.float64) + matrix @ (1.0 - np.asarray(grid.wcs.crpix, np.float64))
    return np.column_stack([matrix, first])


def carried(grid: WCS | None, steps: Iterable[tuple[Step, Facts, Geometry]]) -> Array | None:
    """Where the pixels of the frame after some steps lie, by the grid of the frame before them.

    Parameters
    ----------
    grid : WCS
        As `plain_grid` makes it.
    steps : iterable of (Step, Facts, Geometry)
        Each with the frame that it sees.

    Returns
    -------
    ndarray, shape (2, 3), or None
        As of `place_of`; None where a step does not tell.
    """
    acquisition = Acquisition()
    for step, facts, geometry in steps:
        if isinstance(step.operation, FrameOperation):
            _, grid, acquisition = step.operation.carry(
                facts, coverage=None, wcs=grid, acquisition=acquisition, geometry=geometry
            )
    return place_of(grid)


@dataclass(frozen=True, slots=True)
class Transform:
    """Where places of one frame lie in another: ``new = matrix @ old + shift``, (x, y) with pixel centres at integers.

    Attributes
    ----------
    matrix : ndarray, shape (2, 2)
        Turns, mirrors and one size for both axes.
    shift : ndarray, shape (2,)
        In pixels of the new frame.
    frame : tuple of 2 int
        Height and width of the old frame.
    """

    matrix: Array
    shift: Array
    frame: tuple[int, int]

    @classmethod
    def to_stack(cls, geometry: Geometry, steps: Iterable[tuple[Step, Facts]]) -> Transform | None:
        """From the frame after ``steps`` to the stack's own, ``geometry``; None where a step does not tell.

        Parameters
        ----------
        geometry : Geometry
        steps : iterable of (Step, Facts)

        Returns
        -------
        Transform or None
        """
        seen = []
        for step, facts in steps:
            seen.append((step, facts, geometry))
            if isinstance(step.operation, FrameOperation):
                geometry = step.operation.out_geometry(facts, geometry)
        place = carried(plain_grid(), seen)
        return None if place is None else cls(place[:, :2], place[:, 2], (geometry.height, geometry.width))

    @classmethod
    def between(
        cls, stack: Stack, recipe: RecipeData, facts: Mapping[int, Facts], start: int | None, end: int | None = None
    ) -> Transform | None:
        """From the frame after ``start`` steps to that after ``end`` (None: all); None while facts are missing.

        Parameters
        ----------
        stack : Stack
        recipe : RecipeData
        facts : mapping of int to Facts
        start, end : int or None
            How many steps.

        Returns
        -------
        Transform or None
        """
        first, last = _of_stack(stack, recipe, facts, start), _of_stack(stack, recipe, facts, end)
        if first is None or last is None:
            return None
        back = np.linalg.inv(last.matrix)
        return cls(back @ first.matrix, back @ (first.shift - last.shift), first.frame)

    @property
    def place(self) -> Array:
        """Matrix and shift side by side, (2, 3)."""
        return np.column_stack([self.matrix, self.shift])

    @property
    def size(self) -> float:
        """New pixels per old pixel."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix))))

    @property
    def upright(self) -> bool:
        """Whether rows stay rows or become columns."""
        least = 1e-9 * self.size
        return bool((np.abs(np.diag(self.matrix)) < least).all() or (np.abs(np.diag(self.matrix[::-1])) < least).all())

    def points(self, x: ArrayLike, y: ArrayLike) -> Array:
        """New x and y, (2, ...), of old ones.

        Parameters
        ----------
        x, y : array_like, shape (...)
            Columns and rows, pixel centres at integers.

        Returns
        -------
        ndarray, shape (2, ...), float64
        """
        old = np.stack([np.asarray(x, np.float64), np.asarray(y, np.float64)])
        moved: Array = np.tensordot(self.matrix, old, 1) + self.shift.reshape(2, *[1] * (old.ndim - 1))
        return moved

    def angle(self, degrees: ArrayLike) -> Array:
        """New direction, in degrees from +x towards +y, of an old one.

        Parameters
        ----------
        degrees : array_like, shape (...)

        Returns
        -------
        ndarray, shape (...), float64
        """
        radians = np.radians(np.asarray(degrees, np.float64))
        x, y = np.tensordot(self.matrix, np.stack([np.cos(radians), np.sin(radians)]), 1)
        turned: Array = np.degrees(np.arctan2(y, x))
        return turned

    def region(self, region: Mapping[str, Any]) -> dict[str, Any]:
        """A drawn thing in any of its forms (rectangle, ellipse, polygon, stroke, circle, line) in the new frame.

        Parameters
        ----------
        region : mapping
            In pixels of the old frame.

        Returns
        -------
        dict
        """
        moved = dict(region)
        if "points" in region:
            moved["points"] = self.points(*np.transpose(region["points"])).T.tolist()
            if "radius" in region:
                moved["radius"] = self.size * region["radius"]
        elif "outer" in region:
            moved["x"], moved["y"] = self.points(region["x"], region["y"]).tolist()
            moved["outer"] = self.size * region["outer"]
        elif "shape" not in region and "x0" in region:  # a line keeps which end is which
            (moved["x0"], moved["x1"]), (moved["y0"], moved["y1"]) = self.points(
                [region["x0"], region["x1"]], [region["y0"], region["y1"]]
            ).tolist()
        elif "along" in region:
            moved["x"], moved["y"] = self.points(region["x"], region["y"]).tolist()
            moved["along"], moved["across"] = self.size * region["along"], self.size * region["across"]
            moved["angle_deg"] = float(self.angle(region["angle_deg"]))
        elif self.upright:
            x, y = np.sort(self.points([region["x0"], region["x1"]], [region["y0"], region["y1"]])).tolist()
            moved |= {"x0": x[0], "y0": y[0], "x1": x[1], "y1": y[1]}
        else:
            moved = {key: value for key, value in region.items() if key not in {"x0", "y0", "x1", "y1"}}
            x, y = [region["x0"], region["x1"]], [region["y0"], region["y1"]]
            corners = self.points([x[0], x[1], x[1], x[0]], [y[0], y[0], y[1], y[1]])
            moved |= {"shape": "polygon", "points": corners.T.tolist()}
        if region.get("feather"):
            moved["feather"] = self.size * region["feather"]
        return moved


def _of_stack(stack: Stack, recipe: RecipeData, facts: Mapping[int, Facts], upto: int | None) -> Transform | None:
    """From the frame after ``upto`` steps to the stack; None while facts are missing."""
    height, width, channels = stack.shape
    steps: list[tuple[Step, Facts]] = []
    for index, step in enumerate(recipe.steps[:upto]):
        if not step.on or not isinstance(step.operation, FrameOperation):
            continue
        if index not in facts and step.operation.measures():
            return None
        steps.append((step, facts.get(index) or step.operation.facts_type()))
    return Transform.to_stack(Geometry(height, width, channels), steps)

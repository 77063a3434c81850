"""A labelled copy of a picture: grid, north, scale, deep-sky objects and bright stars; or the labels alone, as SVG."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.io import write_text
from workbench.lazy import on_first_use
from workbench.sky.around import north_and_east
from workbench.sky.catalog import need_extra
from workbench.sky.marks import Mark, grid_lines, object_marks, star_marks
from workbench.sky.names import CREDIT
from workbench.sky.sphere import angle_between
from workbench.stack import Stack

if TYPE_CHECKING:
    from astropy.wcs import WCS
    from matplotlib import figure, patches, patheffects
    from matplotlib.backends import backend_agg
else:
    figure = on_first_use("matplotlib.figure")
    patches = on_first_use("matplotlib.patches")
    patheffects = on_first_use("matplotlib.patheffects")
    backend_agg = on_first_use("matplotlib.backends.backend_agg")

__all__ = ["Labels", "annotate", "annotation_svg", "checked_solution", "labels_of", "save_labelled"]

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

#: Height of letters as a share of the frame's shorter side, and least in px.
_LETTER, _LEAST_LETTER = 0.017, 9.0
_INK, _HALO, _GRID = (1.0, 0.95, 0.82), (0.02, 0.02, 0.05), (0.75, 0.83, 0.95)
_LENGTHS = np.array([1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200]) / 60


@dataclass(frozen=True, slots=True)
class Labels:
    """What is written on a picture.

    Attributes
    ----------
    placed : tuple of (Mark, Box)
        Names, and the box (left, top, right, bottom, px) that each was given; none overlaps another.
    left_out : tuple of str
        Names for which there was no room.
    """

    placed: tuple[tuple[Mark, Box], ...]
    left_out: tuple[str, ...]


def annotate(picture: Stack, *, grid: bool = True, objects: bool = True, stars: bool = True, most: int = 40) -> Stack:
    """Write names, grid, north and scale on a copy of a finished picture.

    Parameters
    ----------
    picture : Stack
        Display-referred, with a sky solution.
    grid : bool
        Lines of right ascension and declination.
    objects, stars : bool
        Names of deep-sky objects and of bright stars.
    most : int
        Objects at most, those first that are known best, are brightest and largest.

    Returns
    -------
    Stack
        In color.

    Raises
    ------
    WorkbenchError
        When the picture is linear or has no sky solution, or the extra ``sky`` is not installed.
    """
    drawn, _ = _drawn(picture, grid=grid, objects=objects, stars=stars, most=most)
    canvas: Any = backend_agg.FigureCanvasAgg(drawn)
    canvas.draw()
    ink = np.asarray(canvas.buffer_rgba())
    pixels = np.repeat(picture.pixels, 3, axis=2) if picture.shape[2] == 1 else picture.pixels.copy()
    touched = ink[:, :, 3] > 0
    alpha = ink[touched][:, 3:].astype(np.float32) / 255
    pixels[touched] = pixels[touched] * (1 - alpha) + ink[touched][:, :3].astype(np.float32) / 255 * alpha
    return replace(picture, pixels=pixels)


def annotation_svg(
    picture: Stack, *, grid: bool = True, objects: bool = True, stars: bool = True, most: int = 40
) -> str:
    """The same as `annotate` writes, alone, as an SVG picture of the same size, to be laid over.

    Parameters
    ----------
    picture : Stack
    grid, objects, stars, most
        As of `annotate`.

    Returns
    -------
    str
    """
    drawn, _ = _drawn(picture, grid=grid, objects=objects, stars=stars, most=most)
    file = io.StringIO()
    drawn.savefig(file, format="svg", transparent=True, metadata={"Date": None, "Description": CREDIT})
    return file.getvalue()


def save_labelled(
    picture: Stack,
    path: Path,
    *,
    grid: bool = True,
    objects: bool = True,
    stars: bool = True,
    overwrite: bool = False,
) -> None:
    """Write a labelled copy of a picture, or with a name in .svg the labels alone.

    Parameters
    ----------
    picture : Stack
    path : Path
    grid, objects, stars
        As of `annotate`.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    WorkbenchError
        As of `annotate`, and when the file exists.
    """
    if path.suffix.lower() == ".svg":
        write_text(path, annotation_svg(picture, grid=grid, objects=objects, stars=stars), overwrite=overwrite)
    else:
        annotate(picture, grid=grid, objects=objects, stars=stars).save(path, overwrite=overwrite)


def labels_of(picture: Stack, *, objects: bool = True, stars: bool = True, most: int = 40) -> Labels:
    """Which names are written where.

    Parameters
    ----------
    picture : Stack
    objects, stars, most
        As of `annotate`.

    Returns
    -------
    Labels
    """
    return _drawn(picture, grid=False, objects=objects, stars=stars, most=most)[1]


def _drawn(picture: Stack, *, grid: bool, objects: bool, stars: bool, most: int) -> tuple[Any, Labels]:
    if picture.tone != Tone.DISPLAY:
        raise WorkbenchError(f"{picture.source.name} is linear: run a recipe on it first, and label the picture")
    wcs = checked_solution(picture)
    height, width, _ = picture.shape
    letter = max(_LETTER * min(height, width), _LEAST_LETTER)
    sheet = _Sheet(height, width, letter)
    wanted = [
        *(star_marks(wcs, height, width, picture.acquisition.date) if stars else ()),
        *(object_marks(wcs, height, width, most) if objects else ()),
    ]
    _put_scale(sheet, wcs)
    _put_north(sheet, wcs)
    if grid:
        _put_grid(sheet, wcs)
    placed, left_out = [], []
    for mark in wanted:
        box = sheet.room(mark)
        if box is None:
            left_out.append(mark.text)
            continue
        placed.append((mark, box))
        sheet.name(mark, box)
    return sheet.figure, Labels(tuple(placed), tuple(left_out))


def checked_solution(picture: Stack) -> WCS:
    """The sky solution of a picture or stack that is to be labelled.

    Parameters
    ----------
    picture : Stack

    Returns
    -------
    astropy.wcs.WCS

    Raises
    ------
    WorkbenchError
        When it has none, or the extra ``sky`` is not installed.
    """
    if picture.wcs is None:
        raise WorkbenchError(
            f"where {picture.source.name} lies on the sky is not known: run 'workbench solve' on the stack "
            "(wb.solve in Python), then the recipe; the picture keeps it"
        )
    need_extra("pyongc")
    return picture.wcs


# -- drawing -----------------------------------------------------------------------------------------------------


def _box(x: float, y: float, w: float, h: float) -> Box:
    """The box of a width and height around a middle."""
    return x - w / 2, y - h / 2, x + w / 2, y + h / 2


class _Sheet:
    """A transparent figure of the picture's size, in its pixels, that knows where letters stand already."""

    def __init__(self, height: int, width: int, letter: float) -> None:
        self.height, self.width, self.letter = height, width, letter
        dpi = 72.0  # one point is one pixel
        self.figure = figure.Figure(figsize=(width / dpi, height / dpi), dpi=dpi, frameon=False)
        self.axes = self.figure.add_axes((0, 0, 1, 1))
        self.axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5))
        self.axes.axis("off")
        self.taken: list[Box] = []
        canvas: Any = backend_agg.FigureCanvasAgg(self.figure)
        self._measure = canvas.get_renderer()

    @property
    def _effects(self) -> list[Any]:
        return [patheffects.withStroke(linewidth=0.22 * self.letter, foreground=(*_HALO, 0.75))]

    def extent(self, text: str, size: float = 1.0) -> tuple[float, float]:
        """Width and height of letters, px."""
        drawn = self.axes.text(0, 0, text, fontsize=size * self.letter)
        box = drawn.get_window_extent(self._measure)
        drawn.remove()
        return float(box.width), float(box.height)

    def free(self, box: Box) -> bool:
        """Whether a box lies in the frame and on no other."""
        left, top, right, bottom = box
        edge = 0.4 * self.letter
        if left < edge or top < edge or right > self.width - edge or bottom > self.height - edge:
            return False
        return not any(left < r and right > a and top < b and bottom > t for a, t, r, b in self.taken)

    def room(self, mark: Mark) -> Box | None:
        """A free box for a name, beside what it names; None where there is none."""
        w, h = self.extent(mark.text)
        # Beside, above and below, then on the diagonals; the longer way out the second time.
        for far in (1.0, 1.35):
            for dx, dy in ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (1, 1), (-1, -1), (-1, 1)):
                gap = max(mark.reach(dx, dy), 0.6 * self.letter * (mark.axes[0] > 0)) + 0.7 * self.letter
                d = gap * far * (0.75 if dx and dy else 1.0)
                box = _box(mark.x + dx * (d + w / 2), mark.y + dy * (d + h / 2), w, h)
                if self.free(box):
                    return box
        inside = _box(mark.x, mark.y, w, h)
        # What fills the frame has its name in its middle.
        return inside if max(mark.axes) > 2 * w and self.free(inside) else None

    def write(self, box: Box, text: str, *, size: float = 1.0, color: Any = _INK) -> None:
        """Letters in a box, which is taken from then on."""
        left, top, right, bottom = box
        self.axes.text(
            (left + right) / 2,
            (top + bottom) / 2,
            text,
            fontsize=size * self.letter,
            color=color,
            ha="center",
            va="center",
            path_effects=self._effects,
            snap=False,  # a small E alone is all level and upright lines, and would lose two of them to whole pixels
        )
        self.taken.append(box)

    def name(self, mark: Mark, box: Box) -> None:
        """A name in its box, and what it names."""
        self.write(box, mark.text)
        least = 1.2 * self.letter
        if mark.axes[0] <= 0:  # a star: a tick on the side of its name
            left, top, right, bottom = box
            away = np.array([np.clip(mark.x, left, right) - mark.x, np.clip(mark.y, top, bottom) - mark.y])
            way = away / max(float(np.hypot(*away)), 1e-9)
            start, end = (
                np.array([mark.x, mark.y]) + 0.3 * self.letter * way,
                np.array([mark.x, mark.y]) + 0.8 * away,
            )
            self.line(np.stack([start, end]), _INK)
            return
        self.axes.add_patch(
            patches.Ellipse(
                (mark.x, mark.y),
                max(mark.axes[0], least),
                max(mark.axes[1], least),
                angle=mark.angle,
                fill=False,
                edgecolor=(*_INK, 0.85),
                linewidth=0.09 * self.letter,
            )
        )

    def line(self, points: Floats, color: tuple[float, float, float], alpha: float = 0.9, width: float = 0.09) -> None:
        """A line through points (N, 2)."""
        self.axes.plot(points[:, 0], points[:, 1], color=color, alpha=alpha, linewidth=width * self.letter)


def _put_scale(sheet: _Sheet, wcs: WCS) -> None:
    """A bar of a round length at the lower right."""
    x, y = sheet.width - 2 * sheet.letter, sheet.height - 2 * sheet.letter
    step = 0.02 * sheet.width
    scale = angle_between(*wcs.all_pix2world([x, x - step], [y, y], 0)) / step
    fitting = _LENGTHS[0.25 * sheet.width * scale >= _LENGTHS]
    if fitting.size == 0:
        return
    length = float(fitting[-1])
    px = length / scale
    sheet.line(np.array([[x - px, y], [x, y]]), _INK, width=0.2)
    text = f"{length:g}°" if length >= 1 else f"{60 * length:.0f}'"
    w, h = sheet.extent(text)
    sheet.write((x - px / 2 - w / 2, y - h - 0.5 * sheet.letter, x - px / 2 + w / 2, y - 0.5 * sheet.letter), text)
    sheet.taken.append((x - px, y - 0.5 * sheet.letter, x, y + 0.5 * sheet.letter))


def _put_north(sheet: _Sheet, wcs: WCS) -> None:
    """Arrows to north and east at the lower left, as they point there."""
    length = 3.2 * sheet.letter
    aside = length + 2.2 * sheet.letter
    middle = np.array([aside, sheet.height - aside])
    ra, dec = (float(v) for v in wcs.all_pix2world(*middle, 0))
    _, north, east = north_and_east(wcs, ra, dec)
    for letter, way in (("N", north), ("E", east)):
        unit = way / np.hypot(*way)
        tip = middle + length * unit
        sheet.axes.annotate(
            "",
            xy=tuple(tip),
            xytext=tuple(middle),
            arrowprops={"arrowstyle": "-|>", "color": _INK, "lw": 0.1 * sheet.letter, "shrinkA": 0, "shrinkB": 0},
        )
        w, h = sheet.extent(letter)
        at = middle + (length + 0.9 * sheet.letter) * unit
        sheet.write(_box(at[0], at[1], w, h), letter)
    sheet.taken.append((*(middle - 0.6 * length), *(middle + 0.6 * length)))


def _put_grid(sheet: _Sheet, wcs: WCS) -> None:
    """Lines of right ascension and declination, each with its value where it meets the frame."""
    for line in grid_lines(wcs, sheet.height, sheet.width):
        sheet.line(line.points, _GRID, alpha=0.45, width=0.06)
        _grid_label(sheet, line.points, line.text)


def _grid_label(sheet: _Sheet, points: Floats, text: str) -> None:
    """The value of a line just inside the frame, where the line enters it."""
    w, h = sheet.extent(text, 0.8)
    inset = np.array([w / 2 + 0.6 * sheet.letter, h / 2 + 0.6 * sheet.letter])
    fine = np.stack(
        [np.interp(np.linspace(0, 1, 600), np.linspace(0, 1, len(points)), points[:, k]) for k in (0, 1)], 1
    )
    inside = ((fine >= inset) & (fine <= np.array([sheet.width, sheet.height]) - inset)).all(axis=1)
    for k in (*np.flatnonzero(inside)[:1], *np.flatnonzero(inside)[-1:]):
        box = _box(fine[k, 0], fine[k, 1], w, h)
        if sheet.free(box):
            sheet.write(box, text, size=0.8, color=_GRID)
            return

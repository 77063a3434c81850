"""A labelled copy of a picture: grid, north, scale, deep-sky objects and bright stars; or the labels alone, as SVG."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.sky.around import STEP, field_circle, north_and_east, pixels_of, stars_around
from workbench.sky.catalog import need_extra
from workbench.sky.names import CREDIT, SkyObject, named_stars, objects_in
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

__all__ = ["Labels", "annotate", "annotation_svg", "labels_of"]

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

#: Height of letters as a share of the frame's shorter side, and least in px.
_LETTER, _LEAST_LETTER = 0.017, 9.0
_INK, _HALO, _GRID = (1.0, 0.95, 0.82), (0.02, 0.02, 0.05), (0.75, 0.83, 0.95)
#: Lines of the grid across the shorter side, about; steps in degrees, those of right ascension in minutes of time.
_LINES = 4
_STEPS = np.array([1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1200, 1800]) / 60
_TIME_STEPS = np.array([0.5, 1, 2, 5, 10, 20, 30, 60, 120, 240])
#: Objects without a name of Messier's or the people's are shown from a size of this share of the shorter side on, or
#: when brighter than a magnitude; stars to a magnitude.
_LARGE, _BRIGHT, _BRIGHT_STAR = 0.02, 10.5, 4.6
_LENGTHS = np.array([1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200]) / 60


@dataclass(frozen=True, slots=True)
class Label:
    """A name, where it belongs (x, y in px), and the ellipse of what it names (axes in px, degrees from +x to +y)."""

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


@dataclass(frozen=True, slots=True)
class Labels:
    """What is written on a picture.

    Attributes
    ----------
    placed : tuple of (Label, Box)
        Names, and the box (left, top, right, bottom, px) that each was given; none overlaps another.
    left_out : tuple of str
        Names for which there was no room.
    """

    placed: tuple[tuple[Label, Box], ...]
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
    wcs = _checked(picture)
    height, width, _ = picture.shape
    letter = max(_LETTER * min(height, width), _LEAST_LETTER)
    sheet = _Sheet(height, width, letter)
    wanted = [
        *(_stars(wcs, picture) if stars else ()),
        *(_objects(wcs, height, width, most) if objects else ()),
    ]
    _put_scale(sheet, wcs)
    _put_north(sheet, wcs)
    if grid:
        _put_grid(sheet, wcs)
    placed, left_out = [], []
    for label in wanted:
        box = sheet.room(label)
        if box is None:
            left_out.append(label.text)
            continue
        placed.append((label, box))
        sheet.name(label, box)
    return sheet.figure, Labels(tuple(placed), tuple(left_out))


def _checked(picture: Stack) -> WCS:
    if picture.tone != Tone.DISPLAY:
        raise WorkbenchError(f"{picture.source.name} is linear: run a recipe on it first, and label the picture")
    if picture.wcs is None:
        raise WorkbenchError(
            f"where {picture.source.name} lies on the sky is not known: run 'workbench solve' on the stack "
            "(wb.solve in Python), then the recipe; the picture keeps it"
        )
    need_extra("pyongc")
    return picture.wcs


# -- what is named -----------------------------------------------------------------------------------------------


def _stars(wcs: WCS, picture: Stack) -> Iterator[Label]:
    height, width, _ = picture.shape
    known = stars_around(wcs, height, width, picture.acquisition.date)
    for name, ra, dec, visual in named_stars(known):
        x, y = pixels_of(wcs, ra, dec)[0]
        if visual <= _BRIGHT_STAR and 0 <= x <= width - 1 and 0 <= y <= height - 1:
            yield Label(name, float(x), float(y))


def _objects(wcs: WCS, height: int, width: int, most: int) -> list[Label]:
    ra, dec, radius = field_circle(wcs, height, width)
    scale = 2 * radius / float(np.hypot(height, width))
    found = []
    for one in objects_in(ra, dec, radius):
        large = one.size[0] / scale >= _LARGE * min(height, width)
        if not (large or one.common or one.name.startswith("M ") or one.magnitude <= _BRIGHT):
            continue
        label = _object(wcs, one)
        if 0 <= label.x <= width - 1 and 0 <= label.y <= height - 1:
            found.append(label)
        if len(found) == most:
            break
    return found


def _object(wcs: WCS, one: SkyObject) -> Label:
    """An object's name and ellipse: its axes turned from north over east into the frame."""
    here, north, east = north_and_east(wcs, one.ra, one.dec)
    turn = np.deg2rad(one.angle)
    along = (np.cos(turn) * north + np.sin(turn) * east) / STEP
    across = (np.cos(turn) * east - np.sin(turn) * north) / STEP
    axes = (one.size[0] * float(np.hypot(*along)), one.size[1] * float(np.hypot(*across)))
    text = f"{one.name}  {one.common}" if one.common else one.name
    return Label(text, float(here[0]), float(here[1]), axes, float(np.rad2deg(np.arctan2(along[1], along[0]))))


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

    def room(self, label: Label) -> Box | None:
        """A free box for a name, beside what it names; None where there is none."""
        w, h = self.extent(label.text)
        # Beside, above and below, then on the diagonals; the longer way out the second time.
        for far in (1.0, 1.35):
            for dx, dy in ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (1, 1), (-1, -1), (-1, 1)):
                gap = max(label.reach(dx, dy), 0.6 * self.letter * (label.axes[0] > 0)) + 0.7 * self.letter
                d = gap * far * (0.75 if dx and dy else 1.0)
                box = _box(label.x + dx * (d + w / 2), label.y + dy * (d + h / 2), w, h)
                if self.free(box):
                    return box
        inside = _box(label.x, label.y, w, h)
        # What fills the frame has its name in its middle.
        return inside if max(label.axes) > 2 * w and self.free(inside) else None

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
        )
        self.taken.append(box)

    def name(self, label: Label, box: Box) -> None:
        """A name in its box, and what it names."""
        self.write(box, label.text)
        least = 1.2 * self.letter
        if label.axes[0] <= 0:  # a star: a tick on the side of its name
            left, top, right, bottom = box
            away = np.array([np.clip(label.x, left, right) - label.x, np.clip(label.y, top, bottom) - label.y])
            way = away / max(float(np.hypot(*away)), 1e-9)
            start, end = (
                np.array([label.x, label.y]) + 0.3 * self.letter * way,
                np.array([label.x, label.y]) + 0.8 * away,
            )
            self.line(np.stack([start, end]), _INK)
            return
        self.axes.add_patch(
            patches.Ellipse(
                (label.x, label.y),
                max(label.axes[0], least),
                max(label.axes[1], least),
                angle=label.angle,
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
    ra, dec, radius = field_circle(wcs, sheet.height, sheet.width)
    short = 2 * radius * min(sheet.height, sheet.width) / float(np.hypot(sheet.height, sheet.width))
    step = float(_STEPS[np.argmin(np.abs(np.log(_STEPS / (short / _LINES))))])
    low, high = max(dec - radius, -90.0), min(dec + radius, 90.0)
    pole = high >= 90 or low <= -90
    wide = (
        180.0
        if pole
        else min(float(np.rad2deg(np.arcsin(min(1, np.sin(np.deg2rad(radius)) / np.cos(np.deg2rad(dec)))))), 180)
    )
    minutes = short / _LINES * 4 / max(np.cos(np.deg2rad(dec)), 0.02)
    time_step = float(_TIME_STEPS[np.argmin(np.abs(np.log(_TIME_STEPS / minutes)))]) / 4
    along = np.linspace(-1, 1, 121)
    for value in np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step:
        sign = "-" if value < -1e-9 else "+" if value > 1e-9 else ""
        whole, part = divmod(round(abs(value) * 60), 60)
        _grid_line(
            sheet, wcs, ra + wide * along, np.full(121, value), f"{sign}{whole}°" + (f" {part:02d}'" if part else "")
        )
    for value in np.arange(np.ceil((ra - wide) / time_step), np.floor((ra + wide) / time_step) + 1) * time_step:
        if value - ra <= -180:
            continue
        seconds = round((value % 360) * 240) % 86_400
        hours, rest = divmod(seconds, 3600)
        text = f"{hours} h" + (f" {rest // 60:02d} min" if rest else "") + (f" {rest % 60:02d} s" if rest % 60 else "")
        _grid_line(sheet, wcs, np.full(121, value), dec + (high - low) / 2 * along, text)


def _grid_line(sheet: _Sheet, wcs: WCS, ra: Floats, dec: Floats, text: str) -> None:
    kept = np.abs(dec) <= 90
    if not kept.any():
        return
    points = pixels_of(wcs, ra[kept] % 360, dec[kept])
    margin = 0.1 * max(sheet.height, sheet.width)
    within = (points > -margin) & (points < np.array([sheet.width, sheet.height]) + margin)  # NaN is not
    near = np.asarray(within.all(axis=1))
    for part in np.split(np.arange(len(points)), np.flatnonzero(np.diff(near.astype(int))) + 1):
        if near[part[0]] and len(part) > 1:
            sheet.line(points[part], _GRID, alpha=0.45, width=0.06)
            _grid_label(sheet, points[part], text)


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

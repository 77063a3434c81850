"""Measuring a stack for its checkup."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.checkup.gradient import background_gradient
from workbench.checkup.report import Checkup
from workbench.checkup.rules import advise
from workbench.checkup.sky_brightness import sky_brightness
from workbench.engine.tile_pool import TilePool
from workbench.io.scratch import Scratch
from workbench.io.source_file import AnyPath
from workbench.measure.background.sky import common_level
from workbench.measure.banding import quick_banding
from workbench.measure.blocks import strips, together
from workbench.measure.borders import Borders, find_borders
from workbench.measure.clipping import black_fraction, clipped_fraction
from workbench.measure.lateral_color import lateral_color
from workbench.measure.noise import noise, quick_noise
from workbench.measure.stars import Stars, find_stars
from workbench.measure.stars.color_halo import color_halos
from workbench.measure.stars.shape import mean_shape
from workbench.operations._lens.darkening import brighten
from workbench.operations._sky_solution import PixelMap
from workbench.operations.base import Frame, Geometry
from workbench.operations.defects import MendPixels
from workbench.operations.findings import Gradient, StarField
from workbench.operations.lens import CorrectFalloff, worth_moving
from workbench.stack import Stack
from workbench.threads import one_thread_libraries

__all__ = ["check", "star_field"]

Planes = NDArray[np.float32]

#: Stars with a higher signal-to-noise ratio have a shape worth measuring.
_SHAPE_SNR = 20.0
#: Stars needed before their typical shape is told, and in the middle and the corners before the two are compared.
_FEW = 12
#: Rows or columns that must be left inside the borders, or the borders are not believed.
_LEAST_LEFT = 32
#: Pixels that a measured border is widened by.
_SAFETY = 4


@one_thread_libraries()
def check(stack: Stack, *, scratch: AnyPath | None = None) -> Checkup:
    """Measure a stack and say what it needs.

    Parameters
    ----------
    stack : Stack
        Never changed. Meant for linear stacks; for others the tone is the first thing said.
    scratch : path, optional
        A folder on disk where copies of the frame lie, for stacks larger than memory.

    Returns
    -------
    Checkup
        Print it, show it in a notebook, or take ``.to_dict()``.

    Notes
    -----
    Borders are measured first, and everything else inside them; borders and stars only in linear light. Cost: one
    planar copy of the frame, and a second or two at 24 megapixels.
    """
    pool = TilePool(scratch=None if scratch is None else Scratch(scratch))
    linear = stack.tone == Tone.LINEAR
    # Of the pixels as they lie, only a rim is read for borders: what is laid out in planes is what lies inside of them.
    as_read = np.moveaxis(stack.pixels, 2, 0)
    borders = find_borders(as_read, stack.coverage) if linear else Borders(0, 0, 0, 0)
    rows, columns = _inside(borders, stack.shape[:2])
    top, left = rows.start, columns.start
    planes, _ = pool.planar(stack.pixels[rows, columns])
    coverage = None if stack.coverage is None else np.ascontiguousarray(stack.coverage[rows, columns])
    wcs = None
    if linear and stack.wcs is not None:
        wcs = PixelMap(shift=(-left, -top)).solution(stack.wcs, *planes.shape[1:])
        wcs = wcs if wcs is not None and wcs.has_celestial else None
    frame = Frame(planes, coverage=coverage, acquisition=stack.acquisition, wcs=wcs)
    # Side by side, the longest first: each leaves a core idle now and then.
    (stars, lateral, halo), (corners, gradient), (hot, dark), stripes, found, levels, clipped, black = together(
        lambda: _stars(planes, coverage) if linear else (StarField(), None, 0.0),
        lambda: _sky_shape(frame, linear, pool.make),
        lambda: _defects(planes, coverage) if linear else (0, 0),
        lambda: quick_banding(planes[len(planes) // 2], coverage) if linear else (0.0, 0.0),
        # Each channel in its own cells, as `noise` chooses them.
        lambda: [noise(plane, coverage) for plane in planes],
        lambda: [common_level(plane, coverage) for plane in planes],
        lambda: clipped_fraction(planes, coverage),
        lambda: black_fraction(planes, coverage),
    )
    brightness = None if wcs is None else sky_brightness(frame, tuple(levels))
    measured = Checkup(
        file=stack.source.name,
        shape=stack.shape,
        tone=stack.tone,
        sky=tuple(levels),
        noise=tuple(n.sigma for n in found),
        correlation=found[len(found) // 2].correlation,
        gradient=gradient,
        borders=borders,
        clipped_fraction=clipped,
        black_fraction=black,
        stars=stars,
        hot_pixels=hot,
        dark_pixels=dark,
        lateral_color=lateral,
        banding=stripes,
        color_halo=halo,
        corner_light=corners,
        sky_brightness=brightness,
        acquisition=stack.acquisition,
        source=stack.source,
    )
    return advise(measured)


def _inside(borders: Borders, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Rows and columns of the frame inside the borders, where enough is left for borders to be believed."""
    height, width = shape
    # A step or two further in, as the crop goes: one row of fewer frames left inside misleads every large mesh.
    top, right, bottom, left = (
        side + _SAFETY * (side > 0) for side in (borders.top, borders.right, borders.bottom, borders.left)
    )
    rows, columns = slice(top, height - bottom), slice(left, width - right)
    if min(rows.stop - rows.start, columns.stop - columns.start) < _LEAST_LEFT:
        return slice(0, height), slice(0, width)
    return rows, columns


def _defects(planes: Planes, coverage: NDArray[np.uint8] | None) -> tuple[int, int]:
    """Pixels that `MendPixels` would fill: hot ones, and those too dark."""
    facts = MendPixels().measure(Frame(planes, coverage=coverage))
    return sum(facts.hot), sum(facts.dark)


def _sky_shape(
    frame: Frame, linear: bool, make: Callable[[tuple[int, int, int]], Planes]
) -> tuple[float | None, Gradient]:
    """Light in the corners, if falloff is told, and the gradient of the frame without it."""
    planes, coverage = frame.planes, frame.coverage
    step = CorrectFalloff()
    facts = step.measure(frame) if linear else None
    if facts is None or not facts.taken:
        return None, background_gradient(planes, coverage)
    even = make(planes.shape)
    _, height, width = planes.shape
    plan = step.prepare(facts, Geometry(height, width, len(planes)))
    assert plan is not None
    for y0, y1 in strips(height):
        brighten(planes[:, y0:y1], y0, 0, plan, even[:, y0:y1])
    return facts.corners**facts.taken, background_gradient(even, coverage)


def _stars(planes: Planes, coverage: NDArray[np.uint8] | None) -> tuple[StarField, float | None, float]:
    """The stars as a whole, how far their colors lie apart in the corners, and what is in their colored halos."""
    stars = find_stars(planes, coverage)
    shifts = [shift for shift in lateral_color(planes, stars, coverage) if shift is not None]
    apart = max((shift.corner if worth_moving(shift) else 0.0 for shift in shifts), default=None)
    halos = color_halos(planes, stars, np.array(quick_noise(planes, coverage)), coverage)
    return star_field(stars, planes.shape[1:]), apart, float(np.where(halos.sure, halos.share, 0).max())


def star_field(stars: Stars, shape: tuple[int, int]) -> StarField:
    """A star list seen as a whole: size and mean shape, the corners against the middle, how much they cover.

    Parameters
    ----------
    stars : Stars
    shape : tuple of (int, int)
        Rows and columns of the frame.

    Returns
    -------
    StarField
    """
    count, saturated = len(stars), int(np.count_nonzero(stars.saturated))
    good = stars.select(~stars.saturated & (stars.snr > _SHAPE_SNR) & np.isfinite(stars.fwhm))
    if len(good) < _FEW:
        return StarField(count, saturated)
    fwhm = float(np.median(good.fwhm))
    elongation, angle = mean_shape(good.elongation, good.angle_deg)
    height, width = shape
    off_axis = np.hypot(good.x - (width - 1) / 2, good.y - (height - 1) / 2) / (0.5 * np.hypot(height, width))
    corner, middle = off_axis > 0.75, off_axis < 0.4
    growth = stretched = None
    if np.count_nonzero(corner) >= _FEW and np.count_nonzero(middle) >= _FEW:
        growth = float(np.median(good.fwhm[corner]) / np.median(good.fwhm[middle]))
        stretched = float(np.median(good.elongation[corner]))
    bright = int(np.count_nonzero(stars.snr > _SHAPE_SNR))
    cover = min(1.0, bright * np.pi * (1.5 * fwhm) ** 2 / (height * width))
    return StarField(count, saturated, fwhm, elongation, angle, growth, stretched, float(cover))

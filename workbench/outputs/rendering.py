"""From a finished picture to the pixels of an output: resized, sharpened for its size, framed, in its color space."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure.filters import gaussian
from workbench.operations._resize import lanczos_axis, resample_planes
from workbench.operations.colorspace import luminance_weights, srgb_decode, srgb_encode
from workbench.outputs.settings import Output

__all__ = ["Layout", "in_space", "layout", "resized", "sharpened"]

Planes = NDArray[np.float32]

#: More enlargement than this shows nothing new.
LARGEST = 4.0
#: Height of letters as a share of the shorter side, and px at least; height of a line in letters.
_LETTER, LEAST_LETTER, LINE = 0.02, 9, 1.6
#: Sharpening reaches this far: px on a screen, mm on paper (what an eye at arm's length can just tell apart).
_SCREEN, _PAPER = 0.6, 0.1

#: Red, green, blue and white of each space as CIE x, y: IEC 61966-2-1, SMPTE EG 432-1, ITU-R BT.2020.
_PRIMARIES = {
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
    "display_p3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
    "rec2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
}
_WHITE = (0.3127, 0.3290)


class Layout(NamedTuple):
    """Where a picture lies in its output, in pixels.

    Attributes
    ----------
    height, width : int
        Of the whole.
    top, left : int
        First row and column of the picture.
    rows, columns : int
        Of the picture.
    letter : int
        Height of the caption's letters.
    """

    height: int
    width: int
    top: int
    left: int
    rows: int
    columns: int
    letter: int


def layout(output: Output, height: int, width: int, lines: int = 0) -> Layout:
    """Where a picture of ``height`` x ``width`` px lies in an output, with ``lines`` of caption below it.

    Parameters
    ----------
    output : Output
    height, width : int
    lines : int

    Returns
    -------
    Layout

    Raises
    ------
    WorkbenchError
        When border and caption leave no room, or the picture would have to be enlarged beyond use.
    """
    paper = _paper(output, height, width)
    if paper is not None:
        letter, edge, below = _around(output, float(min(paper)), lines)
        room = (paper[0] - edge - below, paper[1] - 2 * edge)
        scale = min(room[0] / height, room[1] / width)
    else:
        scale = _scale(output, height, width, lines)
        letter, edge, below = _around(output, scale * min(height, width), lines)
    rows, columns = round(scale * height), round(scale * width)
    if rows < 1 or columns < 1:
        raise WorkbenchError(f"output {output.name}: border and caption leave no room for the picture: make it larger")
    if scale > LARGEST:
        raise WorkbenchError(
            f"output {output.name}: the picture would be enlarged {scale:.1f} times, and more than {LARGEST:g} times "
            "shows nothing new: choose a smaller size or fewer dpi"
        )
    if paper is None:
        return Layout(rows + edge + below, columns + 2 * edge, edge, edge, rows, columns, letter)
    # In the middle of what the caption leaves.
    return Layout(*paper, edge + (room[0] - rows) // 2, edge + (room[1] - columns) // 2, rows, columns, letter)


def _around(output: Output, short: float, lines: int) -> tuple[int, int, int]:
    """Height of the letters, width of the border, and rows below the picture, by the shorter side they go with."""
    letter, edge = max(LEAST_LETTER, round(_LETTER * short)), round(output.border * short)
    return letter, edge, max(edge, round((LINE * lines + 1.2) * letter)) if lines else edge


def _paper(output: Output, height: int, width: int) -> tuple[int, int] | None:
    """Rows and columns of the paper, turned as the picture is; None where its size is not given."""
    if output.width_cm is None or output.height_cm is None:
        return None
    sides = [max(1, round(cm / 2.54 * output.dpi)) for cm in (output.height_cm, output.width_cm)]
    upright = height > width
    return (max(sides), min(sides)) if upright else (min(sides), max(sides))


def _scale(output: Output, height: int, width: int, lines: int) -> float:
    """New pixels per pixel, so that the whole has the size that is asked for, to a pixel."""
    if output.long_side is None and output.width_cm is None:
        return 1.0
    wanted = output.long_side if output.width_cm is None else output.width_cm / 2.54 * output.dpi
    assert wanted is not None
    scale = wanted / (width if output.long_side is None else max(height, width))
    for _ in range(8):  # border and letters go with the size of the picture
        _, edge, below = _around(output, max(scale, 0.0) * min(height, width), lines)
        scale = (wanted - 2 * edge) / width
        if output.long_side is not None:
            scale = min(scale, (wanted - edge - below) / height)
    return max(scale, 0.0)


def resized(planes: Planes, rows: int, columns: int) -> Planes:
    """A picture (C, H, W), sRGB-encoded, at another size, averaged in linear light.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    rows, columns : int

    Returns
    -------
    ndarray, shape (C, rows, columns), float32
    """
    channels, height, width = planes.shape
    if (rows, columns) == (height, width):
        return np.ascontiguousarray(planes)
    y, x = lanczos_axis(rows, height / rows), lanczos_axis(columns, width / columns)
    (y0, y1), (x0, x1) = y.span(0, rows), x.span(0, columns)
    made = np.empty((channels, rows, columns), np.float32)
    for plane, out in zip(planes, made, strict=True):
        light = srgb_decode(plane).astype(np.float32)
        around = np.pad(
            light, ((max(-y0, 0), max(y1 - height, 0)), (max(-x0, 0), max(x1 - width, 0))), mode="symmetric"
        )
        resample_planes(around[None], y, x, min(y0, 0), min(x0, 0), (0, 0), out[None])
    return srgb_encode(made).astype(np.float32)


def sharpened(planes: Planes, output: Output) -> Planes:
    """The picture with its finest detail raised, as wide as an eye tells apart; no edge gets a halo.

    The difference of luminance from its blur is added to all channels alike, and the result is limited to the range of
    the luminance in the 3 x 3 pixels around.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        sRGB-encoded.
    output : Output

    Returns
    -------
    ndarray, shape (C, H, W), float32
    """
    if output.sharpen == 0:
        return planes
    on_paper = output.width_cm is not None
    sigma = max(_SCREEN, _PAPER / 25.4 * output.dpi) if on_paper else _SCREEN
    weights = luminance_weights(len(planes)).astype(np.float32)
    bright = np.tensordot(weights, planes, 1).astype(np.float32)
    raised = bright + np.float32(output.sharpen) * (bright - gaussian(bright, sigma))
    square = np.ones((3, 3), np.uint8)
    np.clip(raised, cv2.erode(bright, square), cv2.dilate(bright, square), out=raised)
    return np.asarray(planes + (raised - bright))


@cache
def _to_xyz(space: str) -> NDArray[np.float64]:
    """Linear light of a space to CIE XYZ, (3, 3): primaries scaled so that they make its white together."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in _PRIMARIES[space]]).T
    white = np.array([_WHITE[0] / _WHITE[1], 1.0, (1 - sum(_WHITE)) / _WHITE[1]])
    return np.asarray(columns * np.linalg.solve(columns, white))


def in_space(planes: Planes, space: str) -> Planes:
    """A picture (C, H, W), sRGB-encoded, in the code values of another color space; gray stays as it is.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    space : {"srgb", "display_p3", "rec2020"}

    Returns
    -------
    ndarray, shape (C, H, W), float32
        0 to 1: each of the spaces holds the one before it.
    """
    if space == "srgb" or len(planes) == 1:
        return planes
    matrix = np.linalg.solve(_to_xyz(space), _to_xyz("srgb"))
    light = np.clip(np.tensordot(matrix, srgb_decode(planes), 1), 0, 1)
    if space == "display_p3":
        return srgb_encode(light).astype(np.float32)
    a, b = 1.09929682680944, 0.018053968510807  # ITU-R BT.2020, table 4
    return np.where(light < b, 4.5 * light, a * np.maximum(light, b) ** 0.45 - (a - 1)).astype(np.float32)

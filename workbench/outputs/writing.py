"""The pixels of an output and its file, whole or not at all."""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench import io
from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.io.metadata import icc
from workbench.outputs.captions import caption_lines, lettering
from workbench.outputs.rendering import Layout, in_space, layout, resized, sharpened
from workbench.outputs.settings import Output
from workbench.stack import Stack

__all__ = ["output_file", "placed", "rendered", "save_output"]

#: Code values of sRGB of paper and border, and of letters on it.
_PAPER = {"white": (1.0, 0.15), "black": (0.0, 0.75), "gray": (0.35, 0.95)}
#: A JPEG of lower quality shows its blocks.
_LEAST_QUALITY = 40


def output_file(picture: str | PathLike[str], output: Output) -> Path:
    """Where an output of a picture goes: ``night.picture.tif`` has ``night.web.jpg`` beside it.

    Parameters
    ----------
    picture : path
    output : Output

    Returns
    -------
    Path
    """
    path = Path(picture)
    name = path.name[:-3] if path.suffix.lower() == ".gz" else path.name
    stem = name.removesuffix(".zip") if name.endswith(".zarr.zip") else name
    return path.with_name(f"{Path(stem).stem.removesuffix('.picture')}.{output.name}{output.suffix}")


def placed(picture: Stack, output: Output) -> Layout:
    """Where a picture lies in an output, caption and border counted.

    Parameters
    ----------
    picture : Stack
        Finished: display.
    output : Output

    Returns
    -------
    Layout

    Raises
    ------
    WorkbenchError
        When the picture is linear, or the output cannot be made of it.
    """
    if picture.tone is Tone.LINEAR:
        raise WorkbenchError(f"output {output.name}: the picture is still linear light: put a stretch into the recipe")
    height, width, _ = picture.shape
    return layout(output, height, width, len(caption_lines(output, picture.acquisition)))


def rendered(picture: Stack, output: Output) -> NDArray[np.float32]:
    """The pixels of an output in the code values of its color space.

    Parameters
    ----------
    picture : Stack
        Finished: display.
    output : Output

    Returns
    -------
    ndarray, shape (H, W, C), float32
        0 to 1.

    Raises
    ------
    WorkbenchError
        When the picture is linear, or the output cannot be made of it.
    """
    place, lines = placed(picture, output), caption_lines(output, picture.acquisition)
    planes = np.clip(picture.planes, 0, 1)
    image = np.clip(sharpened(resized(planes, place.rows, place.columns), output), 0, 1)
    paper, ink = _PAPER[output.border_color]
    whole = np.full((len(planes), place.height, place.width), paper, np.float32)
    whole[:, place.top : place.top + place.rows, place.left : place.left + place.columns] = image
    if lines:
        below = whole[:, place.top + place.rows :]
        below += lettering(lines, place) * np.float32(ink - paper)
    return np.ascontiguousarray(np.moveaxis(in_space(whole, output.profile), 0, 2))


def save_output(
    picture: Stack,
    output: Output,
    path: str | PathLike[str],
    *,
    overwrite: bool = False,
    protect: Iterable[str | PathLike[str]] = (),
) -> None:
    """Write an output of a finished picture.

    Parameters
    ----------
    picture : Stack
    output : Output
    path : path
        Of the file, with the suffix of its format.
    overwrite : bool
        Whether an existing file may be replaced.
    protect : iterable of path
        Files that are not replaced in any case.

    Raises
    ------
    WorkbenchError
        When the file exists or cannot be written, or the output cannot be made: nothing is written then.
    """
    io.checked_output(path, overwrite, protect=protect)
    pixels = rendered(picture, output)
    about: dict[str, Any] = {"tone": Tone.DISPLAY, "alt_text": output.alt_text or None}
    about["profile"] = icc.profile(output.profile) if pixels.shape[2] > 1 and output.profile != "srgb" else None
    about["dpi"] = output.dpi if output.width_cm is not None else None
    if output.format == "jpeg":
        pixels = np.rint(pixels * 255).astype(np.uint8)  # once, not for each quality that is tried
        about["quality"] = _quality(output, pixels, about)
    io.encode(path, pixels, overwrite=overwrite, protect=protect, **about)


def _quality(output: Output, pixels: NDArray[Any], about: dict[str, Any]) -> int:
    """The best quality of a JPEG that is small enough."""
    if output.max_kb is None:
        return output.quality

    def fits(quality: int) -> bool:
        assert output.max_kb is not None
        return io.encoded_size("picture.jpg", pixels, quality=quality, **about) <= 1000 * output.max_kb

    best, low = output.quality, min(_LEAST_QUALITY, output.quality)
    if fits(best):
        return best
    if not fits(low):
        raise WorkbenchError(
            f"output {output.name}: even at quality {low} the JPEG is larger than {output.max_kb} kB: make the picture "
            "smaller, or allow more"
        )
    while best - low > 1:  # low fits, best does not
        middle = (low + best) // 2
        low, best = (middle, best) if fits(middle) else (low, middle)
    return low

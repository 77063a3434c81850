"""The caption below a picture: a text of one's own, and how the picture was taken."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition
from workbench.lazy import on_first_use
from workbench.outputs.rendering import LINE, Layout
from workbench.outputs.settings import Output

if TYPE_CHECKING:
    import matplotlib as mpl
    from PIL import Image, ImageDraw, ImageFont
else:
    mpl = on_first_use("matplotlib")
    Image, ImageDraw, ImageFont = (on_first_use(f"PIL.{name}") for name in ("Image", "ImageDraw", "ImageFont"))

__all__ = ["acquired_words", "caption_lines", "lettering"]


def acquired_words(taken: Acquisition) -> str:
    """How frames were taken, in one line; empty where nothing is known. Where that was is left to the person to tell.

    Parameters
    ----------
    taken : Acquisition

    Returns
    -------
    str
    """
    parts = []
    if taken.frames is not None and taken.exposure_s is not None:
        total = taken.frames * taken.exposure_s
        long = f"{total / 3600:.3g} h" if total >= 3600 else f"{total / 60:.3g} min"
        parts.append(f"{taken.frames} \u00d7 {taken.exposure_s:g} s = {long}")
    elif taken.exposure_s is not None:
        parts.append(f"{taken.exposure_s:g} s")
    if taken.focal_length_mm is not None:
        parts.append(f"{taken.focal_length_mm:g} mm")
    if taken.f_number is not None:
        parts.append(f"f/{taken.f_number:g}")
    if taken.iso is not None:
        parts.append(f"ISO {taken.iso:g}")
    parts += [word for word in (taken.camera, taken.filter) if word]
    if taken.date:
        parts.append(taken.date.partition("T")[0])
    return " · ".join(parts)


def caption_lines(output: Output, taken: Acquisition) -> list[str]:
    """Lines of the caption, from the top.

    Parameters
    ----------
    output : Output
    taken : Acquisition

    Returns
    -------
    list of str
    """
    own = [line.strip() for line in output.caption.splitlines()]
    return [line for line in [*own, acquired_words(taken) if output.acquired else ""] if line]


def lettering(lines: list[str], place: Layout) -> NDArray[np.float32]:
    """How much of each pixel below the picture is ink, (h, W) float32; lines too long for it get smaller letters.

    Parameters
    ----------
    lines : list of str
    place : Layout

    Returns
    -------
    ndarray, shape (h, W), float32
        0..1; h are the rows from the picture's last one to the end.
    """
    height = place.height - place.top - place.rows
    sheet = Image.new("L", (place.width, height))
    draw = ImageDraw.Draw(sheet)
    file = str(Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf")
    step = LINE * place.letter
    middle = 0.5 * height - 0.5 * step * (len(lines) - 1)
    for i, line in enumerate(lines):
        letter = place.letter
        while letter > 6 and ImageFont.truetype(file, letter).getlength(line) > 0.96 * place.width:
            letter -= 1
        font = ImageFont.truetype(file, letter)
        draw.text((place.width / 2, middle + i * step), line, fill=255, font=font, anchor="mm")
    return np.asarray(sheet, np.float32) / np.float32(255)

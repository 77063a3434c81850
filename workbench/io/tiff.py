"""Reading TIFF: every flavor that stacking and editing programs write, through tifffile and imagecodecs."""

from __future__ import annotations

import contextlib
import os
import threading
from pathlib import Path
from typing import Any, cast

import numpy as np
import tifffile
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.io import headers, icc, xmp
from workbench.io.canvas import Canvas, check_size, file_opener, stream_rows
from workbench.io.decoded import Raw, Wishes
from workbench.io.white import integer_white

__all__ = ["read_tiff"]

_COLOR = 3
_MAX_PAGES = 1000
_READ_AHEAD = 1 << 24  #: bytes of packed strips or tiles held at a time
#: The most each compression can shrink (its longest code for its shortest output); others by a generous guess.
_RATIO = {1: 1, 5: 2048, 8: 1100, 32773: 64, 32946: 1100, 50000: 50_000, 34926: 50_000}
_OTHER_RATIO = 50_000
_WHITE_LEVEL = 50717  # DNG 1.7: WhiteLevel
_UNUSABLE = {
    3: "has indexed colors (a palette)",
    4: "is a transparency mask",
    5: "is in printing colors (CMYK)",
    8: "is in CIE Lab colors",
    9: "is in ICC Lab colors",
    10: "is in ITU Lab colors",
    32803: "is a raw sensor mosaic",
    34892: "is linear raw data in a camera's own container",
}
_ASSOCIATED = 1


def read_tiff(path: Path, wishes: Wishes) -> Raw:
    """Read the first full-resolution page.

    Raises
    ------
    WorkbenchError
        When the page is not gray or RGB, or too damaged to read.
    """
    with tifffile.TiffFile(path) as file:
        page, remarks = _full_page(file)
        layout = _Layout(page, path)
        white = None
        stated = _stated_white(page)
        if layout.integer:
            white = integer_white(layout.bits, signed=layout.dtype.kind == "i", given=wishes.white_level, stated=stated)
        orientation = int(_tag(page, 274, 1)) if _tag(page, 274, 1) in range(1, 9) else 1
        if wishes.rows == "bottom-up":
            orientation = (0, 4, 3, 2, 1, 6, 5, 8, 7)[orientation]
        canvas = Canvas(
            layout.height,
            layout.width,
            layout.colors,
            divisor=white.level if white else 1.0,
            inverted=layout.inverted,
            orientation=orientation,
        )
        _Filler(canvas, layout).fill(page, path)
        raw = Raw(canvas, str(layout.dtype), layout.bits, white.rule if white else None, stated, remarks=remarks)
        remarks.extend(layout.remarks)
        if orientation not in (1, 4) or (orientation == 4 and wishes.rows is None):
            remarks.append("the picture was turned upright, as its orientation tag says")
        _metadata(page, raw)
    return raw


def _full_page(file: tifffile.TiffFile) -> tuple[tifffile.TiffPage, list[str]]:
    pages: list[tifffile.TiffPage] = []
    with contextlib.suppress(Exception):  # a damaged page after a good one does not spoil the good one
        for index in range(_MAX_PAGES):
            pages.append(cast("tifffile.TiffPage", file.pages[index]))  # noqa: PERF401 - keep those before an error
    if not pages:
        raise WorkbenchError("it holds no page")
    full = [i for i, page in enumerate(pages) if not page.is_reduced and not page.is_mask]
    chosen = full[0] if full else 0
    others = len(pages) - 1
    remarks = []
    if others:
        what = "the first full-resolution page" if chosen else "the first page"
        remarks.append(f"{what} of {len(pages)} was read; {others} other page{'s were' if others > 1 else ' was'} not")
    return pages[chosen], remarks


class _Layout:
    """Where samples lie in a page, and which of them are color and coverage."""

    def __init__(self, page: tifffile.TiffPage, path: Path) -> None:
        self.remarks: list[str] = []
        photometric = int(page.photometric)
        if photometric in _UNUSABLE:
            raise WorkbenchError(f"it {_UNUSABLE[photometric]}: save it as RGB or gray, linear, 16 or 32 bits")
        if page.imagedepth > 1:
            raise WorkbenchError(f"it holds a volume {page.imagedepth} layers deep, not one image")
        dtype = page.dtype
        if dtype is None or dtype.kind not in "uif":
            raise WorkbenchError(
                f"its samples ({page.bitspersample} bits, sample format {page.sampleformat}) are not all integers or "
                "floats of one size: save it with 16-bit or 32-bit samples"
            )
        self.height, self.width, self.samples = page.imagelength, page.imagewidth, page.samplesperpixel
        self.dtype = np.dtype(dtype)
        bits = page.bitspersample
        self.bits = int(bits) if isinstance(bits, int) else self.dtype.itemsize * 8
        check_size(
            path.name,
            self.height,
            self.width,
            self.samples,
            stored=self.height * self.width * self.samples * self.bits // 8,
            available=path.stat().st_size,
            ratio=_RATIO.get(int(page.compression), _OTHER_RATIO),
        )
        self.integer = self.dtype.kind in "ui"
        self.planar = int(page.planarconfig or 1) == 2 and self.samples > 1
        self.inverted = photometric == 0 and self.integer
        self.colors = _COLOR if self.samples >= _COLOR and photometric in (2, 6) else 1
        self.alpha = self.colors if self.samples > self.colors else None
        extra = tuple(int(e) for e in page.extrasamples)
        self.associated = self.alpha is not None and bool(extra) and extra[0] == _ASSOCIATED
        if self.samples > self.colors + 1:
            left = self.samples - self.colors - 1
            self.remarks.append(f"{left} extra sample{'s' if left > 1 else ''} per pixel after the first did not count")


class _Filler:
    """Moves a page's samples onto a canvas."""

    def __init__(self, canvas: Canvas, layout: _Layout) -> None:
        self.canvas, self.layout = canvas, layout
        self.full = float((1 << layout.bits) - 1) if layout.integer else 1.0
        self.missing = 0
        self.lock = threading.Lock()
        if layout.alpha is not None:
            canvas.open_coverage()

    def fill(self, page: tifffile.TiffPage, path: Path) -> None:
        """Read all samples; straight from the file where they lie in one piece, by strips or tiles elsewhere."""
        lay, size = self.layout, path.stat().st_size
        ends = (o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=True))
        if any(end > size for end in ends):
            raise WorkbenchError("it is cut off: some of its rows are missing; copy or write it again")
        if page.is_final and lay.bits == lay.dtype.itemsize * 8 and not page.is_tiled:
            if page.dataoffsets[0] + page.nbytes > size:
                raise WorkbenchError("it is cut off: its last rows are missing; copy or write it again")
            planes, samples = (lay.samples, 1) if lay.planar else (1, lay.samples)
            dtype = lay.dtype.newbyteorder(page.parent.byteorder)
            shape = (planes, lay.height, lay.width, samples)
            stream_rows(file_opener(path), page.dataoffsets[0], shape, dtype, self._store_rows)
        else:
            for _ in page.segments(func=self._store_segment, buffersize=_READ_AHEAD, maxworkers=os.cpu_count()):
                pass
        if self.missing:
            if self.missing >= lay.height * lay.width * (lay.samples if lay.planar else 1):
                raise WorkbenchError("none of its strips or tiles holds data")
            lay.remarks.append("some strips or tiles hold no data; their pixels are not covered")
        if lay.alpha is not None:
            self._finish_alpha()

    def _store_rows(self, block: NDArray[Any], y: int, plane: int) -> None:
        self._store(block, y, 0, plane)

    def _store_segment(self, result: tuple[NDArray[Any] | None, tuple[int, ...], tuple[int, ...]]) -> None:
        data, (plane, _, y, x, _), shape = result
        lay = self.layout
        h, w = min(shape[1], lay.height - y), min(shape[2], lay.width - x)
        if data is None:
            with self.lock:
                self.missing += h * w
                if self.canvas.coverage is None:
                    self.canvas.open_coverage(255)
            self.canvas.cover(np.zeros((h, w), np.uint8), y, x, 1.0)
            return
        self._store(data[0, :h, :w], y, x, plane)

    def _store(self, block: NDArray[Any], y: int, x: int, plane: int) -> None:
        lay, colors = self.layout, self.layout.colors
        if plane < colors:
            self.canvas.store(block[:, :, :colors], y, x, plane)
        alpha_at = None if lay.alpha is None else lay.alpha - plane
        if alpha_at is not None and 0 <= alpha_at < block.shape[2]:
            self.canvas.cover(block[:, :, alpha_at], y, x, self.full)

    def _finish_alpha(self) -> None:
        canvas, remarks = self.canvas, self.layout.remarks
        coverage = canvas.coverage
        assert coverage is not None
        if not coverage.any():
            canvas.coverage = None
            remarks.append("its alpha is zero everywhere, which cannot be coverage; it did not count")
            return
        if coverage.all() and coverage.min() == np.iinfo(np.uint8).max:
            canvas.coverage = None
        if self.layout.associated and canvas.coverage is not None:
            share = coverage[:, :, None] / np.float32(255)
            np.divide(canvas.pixels, share, out=canvas.pixels, where=share > 0)
            remarks.append("its colors were multiplied by alpha (associated alpha); they were divided again")
        remarks.append("its alpha is taken as coverage: the share of frames that recorded a pixel")


def _tag(page: tifffile.TiffPage, code: int, default: Any = None) -> Any:
    with contextlib.suppress(Exception):  # values of damaged tags fail in many ways, and none of them matters
        tag = page.tags.get(code)
        return default if tag is None else tag.value
    return default


def _stated_white(page: tifffile.TiffPage) -> float | None:
    """The DNG tag WhiteLevel, when it names one level above 0."""
    value = _tag(page, _WHITE_LEVEL)
    values = value if isinstance(value, tuple) else (value,)
    first = values[0] if values and all(v == values[0] for v in values) else None
    return float(first) if isinstance(first, (int, float)) and first > 0 else None


def _metadata(page: tifffile.TiffPage, raw: Raw) -> None:
    exif = _tag(page, 34665, {})
    fields = dict(exif) if isinstance(exif, dict) else {}
    fields |= {"Make": _tag(page, 271), "Model": _tag(page, 272)}
    for code, name in ((33434, "ExposureTime"), (33437, "FNumber"), (34855, "ISOSpeedRatings"), (37386, "FocalLength")):
        if name not in fields:  # TIFF/EP puts them beside the image
            fields[name] = _tag(page, code)
    raw.acquisition = headers.from_exif(fields)
    encoding = icc.tone_curve(_bytes(_tag(page, 34675)))
    if encoding:
        raw.encoding, raw.claim = encoding, "its ICC profile"
    elif fields.get("ColorSpace") == 1:
        raw.encoding, raw.claim = "curved", "its Exif color space (sRGB)"
    xmp.apply(xmp.parse(_bytes(_tag(page, 700))), raw)


def _bytes(value: Any) -> bytes | None:
    if isinstance(value, str):
        return value.encode("latin-1", "replace")
    if isinstance(value, tuple) and all(isinstance(v, int) and 0 <= v < 256 for v in value):
        return bytes(value)
    return value if isinstance(value, bytes) else None

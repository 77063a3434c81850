"""A page of a TIFF file: what its tags say, where its samples lie, and moving them onto a frame."""

from __future__ import annotations

import os
import re
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.io.apart import unpacked_apart
from workbench.io.float_frame import FloatFrame
from workbench.io.formats.base import ReadRequest, damaged, library_calls
from workbench.io.limits import check_memory, check_size, shown
from workbench.io.scratch import Scratch
from workbench.io.streaming import file_opener, stream_rows

__all__ = ["PageFiller", "PageLayout", "page_tags"]

_TITLE = "TIFF"
_COLOR = 3
_READ_AHEAD = 1 << 24  #: bytes of packed strips or tiles held at a time
#: The most each compression can shrink (its longest code for its shortest output); others by a generous guess.
_RATIO = {1: 1, 5: 2048, 8: 1100, 32773: 64, 32946: 1100, 50000: 50_000, 34926: 50_000}
_OTHER_RATIO = 50_000
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
_UNSPECIFIED, _ASSOCIATED, _UNASSOCIATED = 0, 1, 2
_YCBCR = 6
#: Compressions whose decoders turn YCbCr into RGB: JPEG in its variants, WebP.
_TO_RGB = {6, 7, 33007, 34892, 50001}
_JPEG = {6, 7, 33007, 34892}
#: Compressions that are unpacked in this process. Other codecs (JPEG 2000, JPEG XL, WebP, ...), which stacking programs
#: do not write, say their own size and have large decoders: they get a process of their own.
_HERE = {1, 5, 8, 32773, 32946, 34925, 34926, 50000} | _JPEG
_JPEG_HEAD = 1 << 16  #: bytes in which the frame header of a segment stands
#: Frame header of a JPEG: length, bits, height, width (ISO 10918-1, B.2.2).
_JPEG_FRAME = re.compile(rb"\xff[\xc0-\xc3\xc5-\xc7\xc9-\xcb]\0[\x0b-\x20][\x08\x0c][\0-\xff]{4}", re.DOTALL)
_LARGE_TILE = 1 << 22  #: pixels; larger tiles than this belong to larger images


@dataclass(frozen=True, slots=True)
class PageTags:
    """What a page's tags say of its samples, as plain values."""

    index: int
    photometric: int
    depth: int
    dtype: np.dtype[Any] | None
    height: int
    width: int
    samples: int
    bits: int | None
    bits_in_words: str
    sample_format: str
    compression: int
    planar: bool
    tiled: bool
    tile: tuple[int, int]
    rows_a_strip: int
    extra: tuple[int, ...]
    in_one_piece: bool
    byteorder: str
    nbytes: int
    ranges: tuple[tuple[int, int], ...] | None


def page_tags(path: Path, page: tifffile.TiffPage) -> PageTags:
    """What a page's tags say.

    Parameters
    ----------
    path : Path
        The file, for what is said of it.
    page : tifffile.TiffPage

    Returns
    -------
    PageTags

    Raises
    ------
    WorkbenchError
        When the library cannot make sense of them.
    """
    with library_calls(path, _TITLE):
        bits = page.bitspersample
        offsets, counts = page.dataoffsets, page.databytecounts
        return PageTags(
            index=page.index if isinstance(page.index, int) else page.index[0],
            photometric=int(page.photometric),
            depth=int(page.imagedepth),
            dtype=None if page.dtype is None else np.dtype(page.dtype),
            height=int(page.imagelength),
            width=int(page.imagewidth),
            samples=int(page.samplesperpixel),
            bits=bits if isinstance(bits, int) else None,
            bits_in_words=str(bits)[:40],
            sample_format=str(page.sampleformat)[:40],
            compression=int(page.compression),
            planar=int(page.planarconfig or 1) == 2,
            tiled=bool(page.is_tiled),
            tile=(int(page.tilelength or 0), int(page.tilewidth or 0)),
            rows_a_strip=int(page.rowsperstrip or 0),
            extra=tuple(int(e) for e in page.extrasamples),
            in_one_piece=bool(page.is_final),
            byteorder=str(page.parent.byteorder),
            nbytes=int(page.nbytes),
            ranges=tuple((int(o), int(n)) for o, n in zip(offsets, counts, strict=True))
            if len(offsets) == len(counts)
            else None,
        )


class PageLayout:
    """Where samples lie in a page, and which of them are color and coverage.

    Parameters
    ----------
    tags : PageTags
    path : Path
        The file, for its size and what is said of it.
    request : ReadRequest

    Raises
    ------
    WorkbenchError
        When the page holds no samples that can be used, or claims more than the limits allow.
    """

    def __init__(self, tags: PageTags, path: Path, request: ReadRequest) -> None:
        self.remarks: list[str] = []
        self.tags = tags
        if tags.photometric in _UNUSABLE:
            raise WorkbenchError(f"it {_UNUSABLE[tags.photometric]}: save it as RGB or gray, linear, 16 or 32 bits")
        if tags.depth > 1:
            raise WorkbenchError(f"it holds a volume {tags.depth} layers deep, not one image")
        dtype = tags.dtype
        if dtype is None or dtype.kind not in "uif":
            raise WorkbenchError(
                f"its samples ({tags.bits_in_words} bits, sample format {tags.sample_format}) are not all integers "
                "or floats of one size: save it with 16-bit or 32-bit samples"
            )
        self.height, self.width, self.samples = tags.height, tags.width, tags.samples
        self.dtype = dtype
        self.bits = tags.bits if tags.bits is not None else dtype.itemsize * 8
        check_size(
            path.name,
            self.height,
            self.width,
            self.samples,
            stored=self.height * self.width * self.samples * self.bits // 8,
            available=path.stat().st_size,
            ratio=_RATIO.get(tags.compression, _OTHER_RATIO),
            limits=request.limits,
        )
        self.integer = self.dtype.kind in "ui"
        self.planar = tags.planar and self.samples > 1
        self.inverted = tags.photometric == 0 and self.integer
        self._check_packing()
        self.colors = self._colors()
        kind = tags.extra[0] if tags.extra and self.samples > self.colors else _UNSPECIFIED
        self.alpha = self.colors if kind in (_ASSOCIATED, _UNASSOCIATED) else None
        self.associated = kind == _ASSOCIATED
        left = self.samples - self.colors - (self.alpha is not None)
        if left:
            what = "extra sample a pixel" if left == 1 else "extra samples a pixel"
            self.remarks.append(f"{left} {what}, not flagged as alpha, did not count")
        in_floats = 4 * self.height * self.width * (self.colors + self.associated) if request.scratch is None else 0
        check_memory(path.name, self.height, self.width, in_floats + self._held_at_once(), request.limits)

    def _check_packing(self) -> None:
        """Refuse colors that only some codecs unpack, and tiles that are no part of the image."""
        tags = self.tags
        if tags.photometric == _YCBCR and tags.compression not in _TO_RGB:
            raise WorkbenchError("it is in YCbCr, the colors of video: save it as RGB, 16 or 32 bits")
        tall, wide = tags.tile
        if tags.tiled and (tall < 1 or wide < 1 or tall * wide > max(_LARGE_TILE, 4 * self.height * self.width)):
            raise WorkbenchError(f"it is damaged: its tiles are {shown(wide)} x {shown(tall)} pixels, larger than it")

    def _colors(self) -> int:
        """How many of a pixel's samples are color: three samples that are flagged as gray are color all the same."""
        tags = self.tags
        if tags.photometric in (2, _YCBCR):
            return _COLOR if self.samples >= _COLOR else 1
        flagged = any(kind in (_ASSOCIATED, _UNASSOCIATED) for kind in tags.extra)
        if self.samples == _COLOR and not flagged and not self.inverted:
            self.remarks.append("its three samples a pixel are flagged as gray; they were taken as red, green and blue")
            return _COLOR
        return 1

    def _held_at_once(self) -> int:
        """Bytes of unpacked samples that lie beside the float frame."""
        tags, pixel = self.tags, self.dtype.itemsize * (1 if self.planar else self.samples)
        if tags.in_one_piece:
            return 0
        if tags.compression not in _HERE:
            return 2 * self.height * self.width * self.samples * self.dtype.itemsize
        rows = min(self.height, tags.rows_a_strip or self.height)
        piece = tags.tile[0] * tags.tile[1] if tags.tiled else rows * self.width
        return 2 * piece * pixel * (os.cpu_count() or 1) if piece * 2 < self.height * self.width else piece * pixel


class PageFiller:
    """Moves a page's samples onto a frame.

    Parameters
    ----------
    frame : FloatFrame
        Gets them.
    layout : PageLayout
    path : Path
        The file, which is read.
    orientation : int
        As the TIFF tag numbers it.
    scratch : Scratch or None
        Where to keep what does not fit in memory.
    """

    def __init__(
        self, frame: FloatFrame, layout: PageLayout, path: Path, orientation: int, scratch: Scratch | None
    ) -> None:
        self.frame, self.layout, self.path = frame, layout, path
        self.full = float((1 << layout.bits) - 1) if layout.integer else 1.0
        self.missing = 0
        self.share: FloatFrame | None = None
        if layout.associated:  # colors are divided by alpha as it is stored, not by the coverage of 8 bits
            self.share = FloatFrame(
                layout.height, layout.width, 1, divisor=self.full, orientation=orientation, scratch=scratch
            )
        self.lock = threading.Lock()
        if layout.alpha is not None:
            frame.open_coverage()

    def fill(self, page: tifffile.TiffPage) -> None:
        """Read all samples; straight from the file where they lie in one piece, by strips or tiles elsewhere.

        Parameters
        ----------
        page : tifffile.TiffPage
            The page that ``layout`` tells of.

        Raises
        ------
        WorkbenchError
            When samples are missing or cannot be unpacked.
        """
        lay, tags, size = self.layout, self.layout.tags, self.path.stat().st_size
        if tags.ranges is None:
            raise WorkbenchError("it is damaged: its strips or tiles have not one size each; copy or write it again")
        if any(offset + count > size for offset, count in tags.ranges):
            raise WorkbenchError("it is cut off: some of its rows are missing; copy or write it again")
        if tags.compression in _JPEG:
            self._check_jpegs()
        if tags.in_one_piece and tags.ranges and lay.bits == lay.dtype.itemsize * 8 and not tags.tiled:
            first = tags.ranges[0][0]
            if first + tags.nbytes > size:
                raise WorkbenchError("it is cut off: its last rows are missing; copy or write it again")
            planes, samples = (lay.samples, 1) if lay.planar else (1, lay.samples)
            dtype = lay.dtype.newbyteorder(">" if tags.byteorder == ">" else "<")
            shape = (planes, lay.height, lay.width, samples)
            stream_rows(file_opener(self.path), first, shape, dtype, self._store_rows)
        elif tags.compression in _HERE:
            self._fill_by_segments(page)
        else:
            self._fill_from_apart()
        if self.missing:
            if self.missing >= lay.height * lay.width * (lay.samples if lay.planar else 1):
                raise WorkbenchError("none of its strips or tiles holds data")
            lay.remarks.append("some strips or tiles hold no data; their pixels are not covered")
        if lay.alpha is not None:
            self._finish_alpha()

    def _check_jpegs(self) -> None:
        """Refuse JPEG segments whose heads claim more than a strip or tile of the page."""
        lay, tags = self.layout, self.layout.tags
        wide = max(tags.tile[1], lay.width) if tags.tiled else lay.width
        tall = max(tags.tile[0], lay.height)
        with self.path.open("rb") as file:
            for offset, count in tags.ranges or ():
                file.seek(offset)
                found = _JPEG_FRAME.search(file.read(min(count, _JPEG_HEAD)))
                if found is None:
                    continue
                height, width = (int.from_bytes(found[0][at : at + 2], "big") for at in (5, 7))
                if height * width > 4 * tall * wide:
                    raise damaged(self.path, _TITLE)

    def _fill_from_apart(self) -> None:
        """Have the page unpacked by a process of its own."""
        lay = self.layout
        count = lay.height * lay.width * lay.samples
        planes, samples = (lay.samples, 1) if lay.planar else (1, lay.samples)
        values = unpacked_apart(self.path, _TITLE, lay.tags.index, count)
        if values.dtype.newbyteorder("=") != lay.dtype.newbyteorder("="):
            raise damaged(self.path, _TITLE)
        for plane, block in enumerate(values.reshape(planes, lay.height, lay.width, samples)):
            self._store(block, 0, 0, plane)

    def _fill_by_segments(self, page: tifffile.TiffPage) -> None:
        """Unpack strips or tiles on all cores; what storing them raises is carried past the library as it is."""
        raised: list[Exception] = []

        def store(result: tuple[NDArray[Any] | None, tuple[int, ...], tuple[int, ...]]) -> None:
            try:
                self._store_segment(result)
            except Exception as error:  # noqa: BLE001 - raised again below, outside the library's calls
                raised.append(error)

        with library_calls(self.path, _TITLE):
            for _ in page.segments(func=store, buffersize=_READ_AHEAD, maxworkers=os.cpu_count()):
                pass
        if raised:
            raise raised[0]

    def _store_rows(self, block: NDArray[Any], y: int, plane: int) -> None:
        self._store(block, y, 0, plane)

    def _store_segment(self, result: tuple[NDArray[Any] | None, tuple[int, ...], tuple[int, ...]]) -> None:
        data, (plane, _, y, x, _), shape = result
        lay = self.layout
        h, w = min(shape[1], lay.height - y), min(shape[2], lay.width - x)
        if data is None:
            with self.lock:
                self.missing += h * w
                if self.frame.coverage is None:
                    self.frame.open_coverage(255)
            self.frame.cover(np.zeros((h, w), np.uint8), y, x, 1.0)
            return
        block = data[0, :h, :w]
        if block.shape != (h, w, 1 if lay.planar else lay.samples):
            raise damaged(self.path, _TITLE)
        self._store(block, y, x, plane)

    def _store(self, block: NDArray[Any], y: int, x: int, plane: int) -> None:
        lay, colors = self.layout, self.layout.colors
        if plane < colors:
            self.frame.store(block[:, :, :colors], y, x, plane)
        alpha_at = None if lay.alpha is None else lay.alpha - plane
        if alpha_at is not None and 0 <= alpha_at < block.shape[2]:
            self.frame.cover(block[:, :, alpha_at], y, x, self.full)
            if self.share is not None:
                self.share.store(block[:, :, alpha_at : alpha_at + 1], y, x)

    def _finish_alpha(self) -> None:
        frame, remarks = self.frame, self.layout.remarks
        coverage = frame.coverage
        assert coverage is not None
        if not coverage.any():
            frame.coverage = None
            remarks.append("its alpha is zero everywhere, which cannot be coverage; it did not count")
            return
        if coverage.all() and coverage.min() == np.iinfo(np.uint8).max:
            frame.coverage = None
        if self.share is not None:
            frame.divide(self.share.pixels)
            remarks.append("its colors were multiplied by alpha (associated alpha); they were divided again")
        remarks.append("its alpha is taken as coverage: the share of frames that recorded a pixel")

"""TIFF (6.0, BigTIFF).

Every flavor that stacking and editing programs write is read, through tifffile and imagecodecs; baseline samples are
written, with the profile and the packet in their standard tags.
"""

from __future__ import annotations

import contextlib
import os
import re
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, cast

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.io.apart import unpacked_apart
from workbench.io.calm import calm_decoders
from workbench.io.float_frame import FloatFrame, from_below
from workbench.io.formats.base import (
    Embedded,
    Format,
    Offer,
    Option,
    RawFrame,
    ReadRequest,
    WriteRequest,
    damaged,
    embedded_in,
    library_calls,
)
from workbench.io.limits import Limits, check_memory, check_size, shown
from workbench.io.metadata import headers, icc, xmp
from workbench.io.metadata.exif import plain_value
from workbench.io.scratch import Scratch
from workbench.io.streaming import file_opener, stream_rows
from workbench.io.strips import as_samples, in_order, strips
from workbench.io.white_level import integer_white

__all__ = ["FORMAT"]

_TITLE = "TIFF"
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
_STRIP_BYTES = 1 << 20
_TILE = 512  #: side of tiles that are written
_XMP = 700
#: Data from here on need offsets of 64 bits (4 GiB, less room for tags and for strips that fail to shrink).
_BIG = 0xF000_0000
_PREDICTOR = {"u": 2, "f": 3}


def _read(path: Path, request: ReadRequest) -> RawFrame:
    """Read the first full-resolution page.

    Raises
    ------
    WorkbenchError
        When the page is not gray or RGB, or too damaged to read.
    """
    with _opened(path) as file:
        page, remarks = _full_page(path, file)
        layout = _PageLayout(_facts(path, page), path, request)
        white = None
        stated = _stated_white(page)
        if layout.integer:
            signed = layout.dtype.kind == "i"
            white = integer_white(layout.bits, signed=signed, given=request.white_level, stated=stated)
        tagged = _tag(page, 274, 1)
        orientation = tagged if isinstance(tagged, int) and 1 <= tagged <= 8 else 1
        if request.rows == "bottom-up":
            orientation = from_below(orientation)
        frame = FloatFrame(
            layout.height,
            layout.width,
            layout.colors,
            divisor=white.level if white else 1.0,
            inverted=layout.inverted,
            orientation=orientation,
            scratch=request.scratch,
        )
        _Filler(frame, layout, path, orientation, request.scratch).fill(page)
        raw = RawFrame(frame, str(layout.dtype), layout.bits, white.rule if white else None, stated, remarks=remarks)
        remarks.extend(layout.remarks)
        if orientation not in (1, 4) or (orientation == 4 and request.rows is None):
            remarks.append("the picture was turned upright, as its orientation tag says")
        _metadata(page, raw, request.limits)
    return raw


def _embedded(path: Path, limits: Limits) -> Embedded:
    """The texts in the first page's packet."""
    with _opened(path) as file:
        with library_calls(path, _TITLE):
            page = cast("tifffile.TiffPage", file.pages[0])
        return embedded_in([_bytes(_tag(page, _XMP))], limits)


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[tifffile.TiffFile]:
    with library_calls(path, _TITLE):
        file = tifffile.TiffFile(path)
    with file:
        yield file


def _full_page(path: Path, file: tifffile.TiffFile) -> tuple[tifffile.TiffPage, list[str]]:
    pages: list[tifffile.TiffPage] = []
    with calm_decoders(), contextlib.suppress(Exception):  # a damaged page after a good one does not spoil the good one
        for index in range(_MAX_PAGES):
            pages.append(cast("tifffile.TiffPage", file.pages[index]))  # noqa: PERF401 - keep those before an error
    if not pages:
        raise WorkbenchError("it holds no page")
    with library_calls(path, _TITLE):
        full = [i for i, page in enumerate(pages) if not page.is_reduced and not page.is_mask]
    chosen = full[0] if full else 0
    others = len(pages) - 1
    remarks = []
    if others:
        what = "the first full-resolution page" if chosen else "the first page"
        remarks.append(f"{what} of {len(pages)} was read; {others} other page{'s were' if others > 1 else ' was'} not")
    return pages[chosen], remarks


@dataclass(frozen=True, slots=True)
class _Facts:
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


def _facts(path: Path, page: tifffile.TiffPage) -> _Facts:
    with library_calls(path, _TITLE):
        bits = page.bitspersample
        offsets, counts = page.dataoffsets, page.databytecounts
        return _Facts(
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


class _PageLayout:
    """Where samples lie in a page, and which of them are color and coverage."""

    def __init__(self, facts: _Facts, path: Path, request: ReadRequest) -> None:
        self.remarks: list[str] = []
        self.facts = facts
        if facts.photometric in _UNUSABLE:
            raise WorkbenchError(f"it {_UNUSABLE[facts.photometric]}: save it as RGB or gray, linear, 16 or 32 bits")
        if facts.depth > 1:
            raise WorkbenchError(f"it holds a volume {facts.depth} layers deep, not one image")
        dtype = facts.dtype
        if dtype is None or dtype.kind not in "uif":
            raise WorkbenchError(
                f"its samples ({facts.bits_in_words} bits, sample format {facts.sample_format}) are not all integers "
                "or floats of one size: save it with 16-bit or 32-bit samples"
            )
        self.height, self.width, self.samples = facts.height, facts.width, facts.samples
        self.dtype = dtype
        self.bits = facts.bits if facts.bits is not None else dtype.itemsize * 8
        check_size(
            path.name,
            self.height,
            self.width,
            self.samples,
            stored=self.height * self.width * self.samples * self.bits // 8,
            available=path.stat().st_size,
            ratio=_RATIO.get(facts.compression, _OTHER_RATIO),
            limits=request.limits,
        )
        self.integer = self.dtype.kind in "ui"
        self.planar = facts.planar and self.samples > 1
        self.inverted = facts.photometric == 0 and self.integer
        self._check_packing()
        self.colors = self._colors()
        kind = facts.extra[0] if facts.extra and self.samples > self.colors else _UNSPECIFIED
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
        facts = self.facts
        if facts.photometric == _YCBCR and facts.compression not in _TO_RGB:
            raise WorkbenchError("it is in YCbCr, the colors of video: save it as RGB, 16 or 32 bits")
        tall, wide = facts.tile
        if facts.tiled and (tall < 1 or wide < 1 or tall * wide > max(_LARGE_TILE, 4 * self.height * self.width)):
            raise WorkbenchError(f"it is damaged: its tiles are {shown(wide)} x {shown(tall)} pixels, larger than it")

    def _colors(self) -> int:
        """How many of a pixel's samples are color: three samples that are flagged as gray are color all the same."""
        facts = self.facts
        if facts.photometric in (2, _YCBCR):
            return _COLOR if self.samples >= _COLOR else 1
        flagged = any(kind in (_ASSOCIATED, _UNASSOCIATED) for kind in facts.extra)
        if self.samples == _COLOR and not flagged and not self.inverted:
            self.remarks.append("its three samples a pixel are flagged as gray; they were taken as red, green and blue")
            return _COLOR
        return 1

    def _held_at_once(self) -> int:
        """Bytes of unpacked samples that lie beside the float frame."""
        facts, pixel = self.facts, self.dtype.itemsize * (1 if self.planar else self.samples)
        if facts.in_one_piece:
            return 0
        if facts.compression not in _HERE:
            return 2 * self.height * self.width * self.samples * self.dtype.itemsize
        rows = min(self.height, facts.rows_a_strip or self.height)
        piece = facts.tile[0] * facts.tile[1] if facts.tiled else rows * self.width
        return 2 * piece * pixel * (os.cpu_count() or 1) if piece * 2 < self.height * self.width else piece * pixel


class _Filler:
    """Moves a page's samples onto a frame."""

    def __init__(
        self, frame: FloatFrame, layout: _PageLayout, path: Path, orientation: int, scratch: Scratch | None
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
        """Read all samples; straight from the file where they lie in one piece, by strips or tiles elsewhere."""
        lay, facts, size = self.layout, self.layout.facts, self.path.stat().st_size
        if facts.ranges is None:
            raise WorkbenchError("it is damaged: its strips or tiles have not one size each; copy or write it again")
        if any(offset + count > size for offset, count in facts.ranges):
            raise WorkbenchError("it is cut off: some of its rows are missing; copy or write it again")
        if facts.compression in _JPEG:
            self._check_jpegs()
        if facts.in_one_piece and facts.ranges and lay.bits == lay.dtype.itemsize * 8 and not facts.tiled:
            first = facts.ranges[0][0]
            if first + facts.nbytes > size:
                raise WorkbenchError("it is cut off: its last rows are missing; copy or write it again")
            planes, samples = (lay.samples, 1) if lay.planar else (1, lay.samples)
            dtype = lay.dtype.newbyteorder(">" if facts.byteorder == ">" else "<")
            shape = (planes, lay.height, lay.width, samples)
            stream_rows(file_opener(self.path), first, shape, dtype, self._store_rows)
        elif facts.compression in _HERE:
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
        lay, facts = self.layout, self.layout.facts
        wide = max(facts.tile[1], lay.width) if facts.tiled else lay.width
        tall = max(facts.tile[0], lay.height)
        with self.path.open("rb") as file:
            for offset, count in facts.ranges or ():
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
        values = unpacked_apart(self.path, _TITLE, lay.facts.index, count)
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


def _tag(page: tifffile.TiffPage, code: int, default: Any = None) -> Any:
    """Value of a tag; ``default`` where it is missing or damaged."""
    with calm_decoders(), contextlib.suppress(Exception):  # the library alone runs here; it fails in many ways
        tag = page.tags.get(code)
        return default if tag is None else plain_value(tag.value)
    return default


def _stated_white(page: tifffile.TiffPage) -> float | None:
    """The DNG tag WhiteLevel, when it names one level above 0."""
    value = _tag(page, _WHITE_LEVEL)
    values = value if isinstance(value, tuple) else (value,)
    first = values[0] if values and all(v == values[0] for v in values) else None
    return float(first) if isinstance(first, (int, float)) and 0 < first < float("inf") else None


def _metadata(page: tifffile.TiffPage, raw: RawFrame, limits: Limits) -> None:
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
    raw.take(xmp.parse(_bytes(_tag(page, _XMP)), limits))


def _bytes(value: Any) -> bytes | None:
    if isinstance(value, str):
        return value.encode("latin-1", "replace")
    if isinstance(value, tuple) and all(isinstance(v, int) and 0 <= v < 256 for v in value):
        return bytes(value)
    return value if isinstance(value, bytes) else None


def _deflate(data: bytes) -> bytes:
    return bytes(imagecodecs.zlib_encode(data, level=6))


def _zstd(data: bytes) -> bytes:
    return bytes(imagecodecs.zstd_encode(data, level=3))


def _lzw(data: bytes) -> bytes:
    return bytes(imagecodecs.lzw_encode(data))


#: Compression by name: TIFF's number and its encoder.
_COMPRESSIONS: dict[str, tuple[int, Callable[[bytes], bytes] | None]] = {
    "none": (1, None),
    "lzw": (5, _lzw),
    "deflate": (8, _deflate),
    "zstd": (50000, _zstd),
}


def _write(file: BinaryIO, request: WriteRequest) -> None:
    """Write one page of strips or tiles, coverage as unassociated alpha; a display picture has its profile."""
    pixels, dtype, coverage = request.pixels, request.dtype, request.coverage
    height, width, colors = pixels.shape
    samples = colors + (coverage is not None)
    number, pack = _COMPRESSIONS[request.options["compression"]]
    little, big = dtype.newbyteorder("<"), _is_big(pixels, dtype, samples)
    tiled = big if request.options["tiled"] is None else request.options["tiled"]
    rows = strips(height, width * samples * dtype.itemsize, _STRIP_BYTES)
    layout: dict[str, Any] = {"tile": (_TILE, _TILE)} if tiled else {"rowsperstrip": rows[0][1] - rows[0][0]}
    parts = _tiles(height, width) if tiled else [np.s_[y0:y1, :] for y0, y1 in rows]

    def packed(part: tuple[slice, slice]) -> bytes:
        block = as_samples(pixels[part], dtype)
        if coverage is not None:
            block = np.concatenate((block, _alpha(coverage[part], dtype)), axis=2)
        block = block.astype(little, copy=False)
        if tiled:  # those at the right and the bottom are filled up, as the standard demands
            short = [(0, _TILE - n) for n in block.shape[:2]]
            block = np.pad(block, [*short, (0, 0)], mode="edge")
        return block.tobytes() if pack is None else pack(_predicted(block))

    packet = xmp.packet(request.carried)
    tags: list[tuple[int, int, int, Any, bool]] = [(_XMP, 1, len(packet), packet, True)]
    if request.carried.tone is Tone.LINEAR and dtype.kind == "f":
        tags.append((_WHITE_LEVEL, 4, 1, 1, True))
    stream: Iterator[bytes] = in_order(packed, parts)
    with tifffile.TiffWriter(file, byteorder="<", bigtiff=big) as writer:
        writer.write(
            stream,
            shape=(height, width, samples) if samples > 1 else (height, width),
            dtype=little,
            photometric="rgb" if colors > 1 else "minisblack",
            planarconfig="contig" if samples > 1 else None,
            extrasamples=[_UNASSOCIATED] if coverage is not None else None,
            compression=number,
            predictor=_PREDICTOR[dtype.kind] if pack else 1,
            **layout,
            iccprofile=_profile(request, colors),
            resolution=None if request.dpi is None else (request.dpi, request.dpi),
            resolutionunit=None if request.dpi is None else "INCH",
            software="post-stack workbench",
            metadata=None,
            extratags=tags,
        )


def _profile(request: WriteRequest, colors: int) -> bytes | None:
    """The color profile of a picture; none of linear light."""
    if request.carried.tone is not Tone.DISPLAY:
        return None
    return request.profile or icc.srgb_profile(colors)


def _tiles(height: int, width: int) -> list[tuple[slice, slice]]:
    """Rows and columns of tiles, in the order of the standard."""
    return [
        np.s_[y : min(y + _TILE, height), x : min(x + _TILE, width)]
        for y in range(0, height, _TILE)
        for x in range(0, width, _TILE)
    ]


def _alpha(coverage: NDArray[np.uint8], dtype: np.dtype[Any]) -> NDArray[Any]:
    share = coverage[:, :, None]
    if dtype.kind == "f":
        return share.astype(np.float32) / np.float32(255)
    return share if dtype.itemsize == 1 else share.astype(np.uint16) * np.uint16(257)


def _predicted(block: NDArray[Any]) -> bytes:
    """Differences along the rows (TIFF 6.0, section 14; Technical Note 3 for floats)."""
    if block.dtype.kind == "f":
        return bytes(imagecodecs.floatpred_encode(block, axis=-2))
    return bytes(imagecodecs.delta_encode(block, axis=-2))


def _is_big(pixels: NDArray[Any], dtype: np.dtype[Any], samples: int) -> bool:
    height, width, _ = pixels.shape
    return int(height * width * samples * dtype.itemsize) >= _BIG


FORMAT = Format(
    name="tiff",
    title=_TITLE,
    magic=(b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"),  # TIFF 6.0; BigTIFF
    suffixes=(".tif", ".tiff"),
    bits=(8, 16, 32),
    read=_read,
    write=_write,
    embedded=_embedded,
    rank=1,
    options=(
        Option(
            "compression",
            "none",
            lambda value: isinstance(value, str) and value in _COMPRESSIONS,
            f"one of {', '.join(_COMPRESSIONS)}",
            elsewhere=False,
        ),
        Option(
            "tiled",
            None,
            lambda value: value is None or isinstance(value, bool),
            "True, False, or None: tiles where the file needs the large variant of the format",
        ),
    ),
    offers=(
        Offer("TIFF, 16 bits: for printing and archives", rank=1),
        Offer("TIFF, 32-bit floating point: for work in other programs", {"float32": True}, rank=2),
    ),
)

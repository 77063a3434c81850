"""TIFF (6.0, BigTIFF).

Every flavor that stacking and editing programs write is read, through tifffile and imagecodecs; baseline samples are
written, with the profile and the packet in their standard tags.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, cast

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
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
    embedded_in,
    library_calls,
)
from workbench.io.limits import Limits
from workbench.io.metadata import headers, icc, xmp
from workbench.io.metadata.exif import plain_value
from workbench.io.strips import as_samples, in_order, strips
from workbench.io.tiff_page import PageFiller, PageLayout, page_tags
from workbench.io.white_level import integer_white

__all__ = ["FORMAT"]

_TITLE = "TIFF"
_MAX_PAGES = 1000
_WHITE_LEVEL = 50717  # DNG 1.7: WhiteLevel
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
        layout = PageLayout(page_tags(path, page), path, request)
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
        PageFiller(frame, layout, path, orientation, request.scratch).fill(page)
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
            extrasamples=["unassalpha"] if coverage is not None else None,
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

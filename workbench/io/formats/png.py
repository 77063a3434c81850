"""PNG (third edition) of 8 or 16 bits, written on all cores: one zlib stream (RFC 1950) of strips packed apart."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.errors import WorkbenchError
from workbench.io import deflate
from workbench.io.formats.base import (
    Embedded,
    Format,
    Offer,
    RawFrame,
    ReadRequest,
    WriteRequest,
    damaged,
    embedded_in,
    library_calls,
)
from workbench.io.limits import STANDARD, Limits, check_memory, check_size
from workbench.io.metadata import headers, icc, xmp
from workbench.io.metadata.exif import exif_tags, orientation_of
from workbench.io.stored_picture import stored_picture
from workbench.io.strips import as_samples, in_order, strips

__all__ = ["FORMAT", "chunk", "filter_row", "filter_rows", "filtered"]

_TITLE = "PNG"
SIGNATURE = b"\x89PNG\r\n\x1a\n"
XMP_KEYWORD = b"XML:com.adobe.xmp"
_MAX_PROFILE = 1 << 24
_DEFLATE_RATIO = 1100
#: Samples a pixel by color type; type 3 is a palette.
_SAMPLES = {0: 1, 2: 3, 3: 4, 4: 2, 6: 4}
_PALETTE = 3
_LINEAR_GAMMA = 100_000
_CICP_LINEAR = 8

Bytes = NDArray[np.uint8]

_STRIP_BYTES = 1 << 21
_SUB, _UP, _AVERAGE, _PAETH = 1, 2, 3, 4
#: One row of so many is looked at to choose a strip's filter.
_SAMPLED = 16


def _read(path: Path, request: ReadRequest) -> RawFrame:
    """Read a PNG of 8 or 16 bits; alpha is taken as coverage.

    Raises
    ------
    WorkbenchError
        When its colors are indexed or it is too damaged to read.
    """
    width, height, bits, color = _size_of(path)
    if color == _PALETTE:
        raise WorkbenchError("it has indexed colors (a palette): save it as RGB or gray, 16 bits")
    samples = _SAMPLES.get(color, 0)
    stored = width * height * samples * bits // 8
    limits, available = request.limits, path.stat().st_size
    check_size(
        path.name, height, width, samples, stored=stored, available=available, ratio=_DEFLATE_RATIO, limits=limits
    )
    in_floats = 4 * width * height * (3 if samples >= 3 else 1)
    check_memory(path.name, height, width, in_floats + stored + available, limits)
    data = path.read_bytes()
    with library_calls(path, _TITLE):
        picture = np.asarray(imagecodecs.png_decode(data))
    del data
    pieces = list(chunks(path, limits))
    tags = exif_tags(next((data for kind, data in pieces if kind == b"eXIf"), b""))
    raw = stored_picture(picture, request, 8 if bits <= 8 else 16, orientation_of(tags))
    raw.remarks.append("a PNG is rarely linear: finished pictures are kept in it")
    for kind, data in pieces:
        if kind == b"iCCP" and (encoding := icc.tone_curve(_profile_of(data))):
            raw.encoding, raw.claim = encoding, "its ICC profile"
        elif kind == b"sRGB":
            raw.encoding, raw.claim = "curved", "its sRGB chunk"
        elif kind == b"cICP" and len(data) == 4:
            raw.encoding, raw.claim = ("straight" if data[1] == _CICP_LINEAR else "curved"), "its cICP chunk"
        elif kind == b"gAMA" and len(data) == 4 and not raw.encoding:
            gamma = int.from_bytes(data, "big")
            raw.encoding, raw.claim = ("straight" if gamma == _LINEAR_GAMMA else "curved"), "its gamma chunk"
    raw.acquisition = headers.from_exif(tags)
    for packet in _packets(pieces, limits):
        raw.take(xmp.parse(packet, limits))
    if bits <= 8 and not raw.encoding:
        raw.encoding, raw.claim = "curved", "a PNG without color data (by custom sRGB)"
    return raw


def _embedded(path: Path, limits: Limits) -> Embedded:
    return embedded_in(_packets(chunks(path, limits), limits), limits)


def _packets(pieces: Iterable[tuple[bytes, bytes]], limits: Limits) -> Iterator[bytes]:
    """XMP packets among chunks, until they have more bytes together than the limit of one."""
    total = 0
    for kind, data in pieces:
        if kind == b"iTXt" and total <= limits.text_bytes and (packet := _xmp_of(data, limits.text_bytes + 1)):
            total += len(packet)
            yield packet


def chunk(kind: bytes, *parts: bytes) -> bytes:
    """One chunk: length, kind, data, checksum.

    Parameters
    ----------
    kind : bytes
        Four letters.
    *parts : bytes

    Returns
    -------
    bytes
    """
    return b"".join(chunk_parts(kind, b"".join(parts)))


def chunk_parts(kind: bytes, data: bytes) -> list[bytes]:
    """Pieces of a chunk, to be written one after the other without a copy of the data."""
    return [struct.pack(">I", len(data)) + kind, data, struct.pack(">I", zlib.crc32(data, zlib.crc32(kind)))]


def chunks(path: Path, limits: Limits = STANDARD) -> Iterator[tuple[bytes, bytes]]:
    """Kind and data of each chunk but the pixels, as long as the file makes sense."""
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(len(SIGNATURE))
        while len(head := file.read(8)) == 8:
            length, kind = struct.unpack(">I4s", head)
            if length > size - file.tell():
                return
            if kind == b"IDAT" or length > limits.text_bytes:
                file.seek(length + 4, 1)
                yield kind, b""
                continue
            data = file.read(length)
            file.seek(4, 1)
            yield kind, data
            if kind == b"IEND":
                return


def _size_of(path: Path) -> tuple[int, int, int, int]:
    """(width, height, bits, color type) from the head chunk."""
    for kind, data in chunks(path):
        if kind != b"IHDR" or len(data) != 13:
            break
        width, height, bits, color = struct.unpack(">IIBB", data[:10])
        return width, height, bits, color
    raise damaged(path, _TITLE)


def _profile_of(data: bytes) -> bytes | None:
    """The profile inside an iCCP chunk."""
    _, _, rest = data.partition(b"\0")
    try:
        return zlib.decompressobj().decompress(rest[1:], _MAX_PROFILE)
    except zlib.error:
        return None


def _xmp_of(data: bytes, most: int) -> bytes | None:
    """The packet inside an iTXt chunk, or None when it is another text."""
    keyword, _, rest = data.partition(b"\0")
    if keyword != XMP_KEYWORD or len(rest) < 2:
        return None
    packed, _, text = rest[0], rest[1], rest[2:].split(b"\0", 2)[-1]
    try:
        return zlib.decompressobj().decompress(text, most) if packed else text
    except zlib.error:
        return None


def _write(file: BinaryIO, request: WriteRequest) -> None:
    """Write a picture of uint8 or uint16 samples.

    Each strip gets the row filter that leaves the least entropy. At 24 MP and 16 bits, on two cores, this is over four
    times faster than OpenCV's writer, and smaller.
    """
    pixels, dtype = request.pixels, request.dtype
    height, width, channels = pixels.shape
    step = channels * dtype.itemsize
    color = 2 if channels > 1 else 0
    file.write(SIGNATURE)
    file.write(chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8 * dtype.itemsize, color, 0, 0, 0)))
    file.write(_ancillary(channels, request))

    def strip(rows: tuple[int, int]) -> tuple[list[bytes], int, int]:
        first, end = rows
        block = as_samples(pixels[max(first - 1, 0) : end], dtype)
        stored = block.astype(dtype.newbyteorder(">"), copy=False).view(np.uint8).reshape(len(block), width * step)
        above = stored[0] if first else np.zeros(width * step, np.uint8)
        data = filtered(stored[1 if first else 0 :], above, step)
        return chunk_parts(b"IDAT", deflate.packed(data)), zlib.adler32(data.data), data.size

    check = 1
    file.write(chunk(b"IDAT", b"\x78\x01"))  # deflate, 32 KiB window, fastest
    for parts, part, size in in_order(strip, strips(height, width * step, _STRIP_BYTES)):
        file.writelines(parts)
        check = deflate.adler32_joined(check, part, size)
    file.write(chunk(b"IDAT", deflate.BLOCK_END, struct.pack(">I", check)))
    file.write(chunk(b"IEND"))


def _ancillary(channels: int, request: WriteRequest) -> bytes:
    """Chunks before the pixels: what the samples mean, and the packet.

    A profile serves older programs; the code points of ITU-T H.273 (cICP), which the third edition of the standard
    puts before it, say the same without a curve to interpolate. They are for colors only.
    """
    usual = request.profile is None
    points = chunk(b"cICP", bytes((1, 13, 0, 1))) if channels > 1 and usual else b""  # BT.709, sRGB, RGB, full range
    name = b"sRGB" if usual else b"ICC profile"
    profile = chunk(b"iCCP", name, b"\0\0", zlib.compress(request.profile or icc.srgb_profile(channels), 9))
    size = b"" if request.dpi is None else chunk(b"pHYs", struct.pack(">IIB", *[round(request.dpi / 0.0254)] * 2, 1))
    text = chunk(b"iTXt", XMP_KEYWORD, b"\0\0\0\0\0", xmp.packet(request.carried))
    return points + profile + size + text


def filtered(rows: Bytes, above: Bytes, step: int) -> Bytes:
    """Rows with the filter byte before each (PNG, clause 9), one filter for all: the one that leaves least entropy.

    Parameters
    ----------
    rows : ndarray, shape (n, w), uint8
    above : ndarray, shape (w,), uint8
        The row before the first.
    step : int
        Bytes a pixel.

    Returns
    -------
    ndarray, shape (n, w + 1), uint8
    """
    n, width = rows.shape
    chosen = range(n // 2 % _SAMPLED, n, _SAMPLED) if n > _SAMPLED else range(n)
    line = np.empty((len(chosen), width + 1), np.uint8)
    best, least = 0, np.inf
    for kind in (0, _SUB, _UP, _AVERAGE, _PAETH):
        for i, y in enumerate(chosen):
            filter_row(rows[y], rows[y - 1] if y else above, step, kind, line[i])
        left = deflate.entropy(line[:, 1:].reshape(-1))
        if left < least:
            best, least = kind, left
    out = np.empty((n, width + 1), np.uint8)
    filter_rows(rows, above, step, best, out)
    return out.reshape(-1)


@kernel
def filter_rows(rows: Bytes, above: Bytes, step: int, kind: int, out: Bytes) -> None:
    """Filter all rows by ``kind``.

    Parameters
    ----------
    rows : ndarray, shape (n, w), uint8
    above : ndarray, shape (w,), uint8
        The row before.
    step : int
        Bytes a pixel.
    kind : int
        Filter type, 0 to 4.
    out : ndarray, shape (n, w + 1), uint8
        To be written.
    """
    for y in range(rows.shape[0]):
        filter_row(rows[y], rows[y - 1] if y else above, step, kind, out[y])


@kernel
def filter_row(row: Bytes, above: Bytes, step: int, kind: int, out: Bytes) -> None:
    """Write the filter byte and the row's differences; the pixel left of the first, and the one above, are 0.

    A loop of its own for each filter, on equally long views and in small integers: only so does it become SIMD.

    Parameters
    ----------
    row : ndarray, shape (w,), uint8
    above : ndarray, shape (w,), uint8
        The row before.
    step : int
        Bytes a pixel.
    kind : int
        Filter type, 0 to 4.
    out : ndarray, shape (w + 1,), uint8
        To be written.
    """
    out[0] = kind
    here, now, left = out[step + 1 :], row[step:], row[:-step]
    up, corner = above[step:], above[:-step]
    _filter_first_pixel(row, above, step, kind, out[1:])
    if kind == 0:
        for x in range(here.size):
            here[x] = now[x]
    elif kind == 1:
        for x in range(here.size):
            here[x] = now[x] - left[x]
    elif kind == 2:
        for x in range(here.size):
            here[x] = now[x] - up[x]
    elif kind == 3:
        for x in range(here.size):
            here[x] = now[x] - np.uint8((np.uint16(left[x]) + np.uint16(up[x])) >> np.uint16(1))
    else:
        for x in range(here.size):
            a, b, c = np.int16(left[x]), np.int16(up[x]), np.int16(corner[x])
            da, db = np.int16(abs(b - c)), np.int16(abs(a - c))
            dc = np.int16(abs(np.int16(a + b - c - c)))
            guess = a if (da <= db) & (da <= dc) else (b if db <= dc else c)
            here[x] = now[x] - np.uint8(guess)


@kernel
def _filter_first_pixel(row: Bytes, above: Bytes, step: int, kind: int, out: Bytes) -> None:
    """Left and corner are 0 here, so the guess is 0, what is above, or half of it."""
    for x in range(step):
        guess = above[x] if kind in (2, 4) else np.uint8(0)
        if kind == 3:
            guess = above[x] >> np.uint8(1)
        out[x] = row[x] - guess


FORMAT = Format(
    name="png",
    title=_TITLE,
    magic=(SIGNATURE,),
    suffixes=(".png",),
    bits=(8, 16),
    read=_read,
    write=_write,
    embedded=_embedded,
    rank=3,
    linear=False,
    offers=(Offer("PNG, 16 bits: exact and smaller", rank=3),),
)

"""JPEG (ISO 10918), written in full color resolution (4:4:4), with profile and packet in their standard segments."""

from __future__ import annotations

import hashlib
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np

from workbench.errors import WorkbenchError
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
from workbench.io.limits import Limits, check_memory, check_size
from workbench.io.metadata import headers, icc, xmp
from workbench.io.metadata.exif import exif_tags, orientation_of
from workbench.io.stored_picture import stored_picture
from workbench.io.strips import as_samples, strips

__all__ = ["EXIF", "EXTENDED", "FORMAT", "XMP", "scans_of", "segment", "segments"]

_TITLE = "JPEG"
EXIF = b"Exif\0\0"
XMP = b"http://ns.adobe.com/xap/1.0/\0"
EXTENDED = b"http://ns.adobe.com/xmp/extension/\0"
_ICC = b"ICC_PROFILE\0"
_LIMIT = 65_533  #: data bytes in one segment
_EXTENDED_PART = 65_400  # ISO 16684-3: 65 458 less room for the heads
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_SCAN, _END = 0xDA, 0xD9
_HUFFMAN, _PROGRESSIVE = {0xC0, 0xC1, 0xC2}, 0xC2
#: A marker with data behind it, or that of the end; not a stuffed byte, a restart or a fill byte.
_MARKER = re.compile(rb"\xff[^\x00\x01\xd0-\xd8\xff]")
#: The most that an arithmetic coder, which writers do not use, may shrink; Huffman's has a bound of its own.
_RATIO = 2048
_STRIP_BYTES = 1 << 20
_SIDE = 65_500  # the format's own limit is 65 535; its encoder's, 65 500


def _read(path: Path, request: ReadRequest) -> RawFrame:
    """Read a JPEG; its samples are sRGB-encoded by its very standard.

    Raises
    ------
    WorkbenchError
        When it is in printing colors or too damaged to read.
    """
    size = _size_of(path)
    width, height, components = size.width, size.height, len(size.sampling)
    if components not in (1, 3) or size.bits != 8:
        raise WorkbenchError(
            f"it has {components} components of {size.bits} bits: save it as an ordinary RGB or gray JPEG"
        )
    stored, limits, available = width * height * components, request.limits, path.stat().st_size
    check_size(
        path.name, height, width, components, stored=stored, available=available, ratio=size.ratio, limits=limits
    )
    check_memory(path.name, height, width, 5 * stored + available, limits)
    data = path.read_bytes()
    scans, ended = scans_of(data)
    if not ended:
        raise WorkbenchError("it is cut off: its last rows are missing; copy or write it again")
    if scans > limits.scans:
        raise WorkbenchError(f"it has {scans} passes over its image, more than the {limits.scans} that are read")
    with library_calls(path, _TITLE):
        picture = np.asarray(imagecodecs.jpeg8_decode(data))
    del data
    tags: dict[str, Any] = {}
    for marker, piece in segments(path):
        if marker == 0xE1 and piece.startswith(EXIF):
            tags = exif_tags(piece[len(EXIF) :])
    raw = stored_picture(picture, request, 8, orientation_of(tags))
    raw.always_display, raw.claim = True, "JPEG is made for nothing else"
    raw.remarks.append("a JPEG keeps 8 bits and loses faint light: work on the TIFF or FITS that stacking wrote")
    raw.acquisition = headers.from_exif(tags)
    for packet in _joined_xmp(path, limits):
        raw.take(xmp.parse(packet, limits))
    return raw


def _embedded(path: Path, limits: Limits) -> Embedded:
    return embedded_in(_joined_xmp(path, limits), limits)


def segment(marker: int, *parts: bytes) -> bytes:
    """One marker segment.

    Parameters
    ----------
    marker : int
    *parts : bytes

    Returns
    -------
    bytes

    Raises
    ------
    ValueError
        When it is longer than a segment can be.
    """
    data = b"".join(parts)
    if len(data) > _LIMIT:
        raise ValueError("too long for a segment")
    return struct.pack(">BBH", 0xFF, marker, len(data) + 2) + data


def segments(path: Path) -> Iterator[tuple[int, bytes]]:
    """Marker and data of each segment before the pixels, as long as the file makes sense.

    Parameters
    ----------
    path : Path

    Yields
    ------
    (int, bytes)
    """
    with path.open("rb") as file:
        file.seek(2)
        while True:
            head = file.read(2)
            if len(head) < 2 or head[0] != 0xFF:
                return
            marker = head[1]
            while marker == 0xFF:  # fill bytes
                more = file.read(1)
                if not more:
                    return
                marker = more[0]
            if marker in (_SCAN, _END):
                return
            length = file.read(2)
            if len(length) < 2:
                return
            yield marker, file.read(max(0, struct.unpack(">H", length)[0] - 2))


@dataclass(frozen=True, slots=True)
class _Size:
    """What a frame header says (ISO 10918-1, B.2.2)."""

    marker: int
    width: int
    height: int
    bits: int
    sampling: tuple[tuple[int, int], ...]  #: horizontal and vertical factors of each component

    @property
    def ratio(self) -> float:
        """The most that the coding can shrink: Huffman's shortest code has a bit.

        A block of 8 x 8 samples takes one for its mean and, in a sequential image, one for its end.
        """
        if self.marker not in _HUFFMAN:
            return _RATIO
        across, down = (max(factor[axis] for factor in self.sampling) for axis in (0, 1))
        blocks = sum(-(-self.width * h // (8 * across)) * -(-self.height * v // (8 * down)) for h, v in self.sampling)
        least = max(1, blocks * (1 if self.marker == _PROGRESSIVE else 2) // 8)
        return max(1.0, self.width * self.height * len(self.sampling) / least)


def _size_of(path: Path) -> _Size:
    for marker, data in segments(path):
        if marker in _FRAMES and len(data) >= 6:
            bits, height, width, components = struct.unpack(">BHHB", data[:6])
            factors = data[7 : 6 + 3 * components : 3]
            sampling = tuple((f >> 4, f & 15) for f in factors)
            if len(sampling) != components or not all(1 <= n <= 4 for pair in sampling for n in pair):
                break
            return _Size(marker, width, height, bits, sampling)
    raise damaged(path, _TITLE)


def scans_of(data: bytes) -> tuple[int, bool]:
    """How often the data pass over the image, and whether they end as they should: with the marker of the end.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    tuple of (int, bool)
    """
    scans, at = 0, 2
    while found := _MARKER.search(data, at):
        marker, at = found[0][1], found.end()
        if marker == _END:
            return scans, scans > 0
        scans += marker == _SCAN
        at += int.from_bytes(data[at : at + 2], "big")
    return scans, False


def _extended_segments(packet: bytes) -> tuple[str, bytes]:
    """(digest, segments) of an extended packet (ISO 16684-3, 1.1.3.1)."""
    digest = hashlib.md5(packet, usedforsecurity=False).hexdigest().upper()
    parts = []
    for offset in range(0, len(packet), _EXTENDED_PART):
        head = EXTENDED + digest.encode() + struct.pack(">II", len(packet), offset)
        parts.append(segment(0xE1, head, packet[offset : offset + _EXTENDED_PART]))
    return digest, b"".join(parts)


def _joined_xmp(path: Path, limits: Limits) -> list[bytes]:
    """The standard packet and, when its parts are whole, the extended one."""
    standard, parts = b"", dict[bytes, tuple[int, dict[int, bytes]]]()
    for marker, data in segments(path):
        if marker == 0xE1 and data.startswith(XMP):
            standard = data[len(XMP) :]
        elif marker == 0xE1 and data.startswith(EXTENDED) and len(data) > len(EXTENDED) + 40:
            head = data[len(EXTENDED) :]
            total, offset = struct.unpack(">II", head[32:40])
            parts.setdefault(head[:32], (total, {}))[1][offset] = head[40:]
    packets = [standard] if standard else []
    wanted = re.search(rb"HasExtendedXMP[^>]*?[>\"']([0-9A-Fa-f]{32})", standard)
    if wanted and (found := parts.get(wanted[1])) and found[0] <= limits.text_bytes:
        packet = b"".join(found[1][offset] for offset in sorted(found[1]))
        if len(packet) == found[0]:
            packets.append(packet)
    return packets


def _write(file: BinaryIO, request: WriteRequest) -> None:
    """Write a picture of 8 bits."""
    pixels = request.pixels
    height, width, colors = pixels.shape
    quality = request.options["quality"]
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
    start = bytearray(data[:head])
    if request.dpi is not None and head > 2:  # unit, and density across and down, in the JFIF segment
        start[13:18] = struct.pack(">BHH", 1, round(request.dpi), round(request.dpi))
    file.write(start)
    file.write(_packets(request.carried))
    profile = request.profile or icc.srgb_profile(colors)
    file.write(segment(0xE2, _ICC, bytes((1, 1)), profile))
    file.write(memoryview(data)[head:])


def _packets(carried: xmp.Carried) -> bytes:
    """One packet where it fits into a segment; otherwise the texts move to an extended packet (ISO 16684-3)."""
    whole = xmp.packet(carried)
    if len(whole) + len(XMP) <= _LIMIT:
        return segment(0xE1, XMP, whole)
    digest, parts = _extended_segments(xmp.packet(carried, only=frozenset(("recipe", "record"))))
    standard = xmp.packet(carried, only=frozenset(("facts",)), note=digest)
    return segment(0xE1, XMP, standard) + parts


FORMAT = Format(
    name="jpeg",
    title=_TITLE,
    magic=(b"\xff\xd8\xff",),
    suffixes=(".jpg", ".jpeg"),
    bits=(8,),
    read=_read,
    write=_write,
    embedded=_embedded,
    rank=4,
    linear=False,
    options=(
        Option(
            "quality",
            92,
            lambda value: isinstance(value, int) and 1 <= value <= 100,
            "a whole number from 1 to 100",
            span=(1, 100),
        ),
    ),
    offers=(Offer("JPEG: for sending and the web", rank=4),),
)

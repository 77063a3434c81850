"""PNG (third edition) as a container: its chunks, read and written."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

from workbench.errors import WorkbenchError

__all__ = ["SIGNATURE", "XMP_KEYWORD", "chunk", "chunk_parts", "chunks", "profile_of", "xmp_of"]

SIGNATURE = b"\x89PNG\r\n\x1a\n"
XMP_KEYWORD = b"XML:com.adobe.xmp"
_MAX_TEXT = 1 << 28
_MAX_PROFILE = 1 << 24


def chunk(kind: bytes, *parts: bytes) -> bytes:
    """One chunk: length, kind, data, checksum."""
    return b"".join(chunk_parts(kind, b"".join(parts)))


def chunk_parts(kind: bytes, data: bytes) -> list[bytes]:
    """Pieces of a chunk, to be written one after the other without a copy of the data."""
    return [struct.pack(">I", len(data)) + kind, data, struct.pack(">I", zlib.crc32(data, zlib.crc32(kind)))]


def chunks(path: Path) -> Iterator[tuple[bytes, bytes]]:
    """Kind and data of each chunk but the pixels, as long as the file makes sense."""
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(len(SIGNATURE))
        while len(head := file.read(8)) == 8:
            length, kind = struct.unpack(">I4s", head)
            if length > size - file.tell():
                return
            if kind == b"IDAT" or length > _MAX_TEXT:
                file.seek(length + 4, 1)
                yield kind, b""
                continue
            data = file.read(length)
            file.seek(4, 1)
            yield kind, data
            if kind == b"IEND":
                return


def size_of(path: Path) -> tuple[int, int, int, int]:
    """(width, height, bits, color type) from the head chunk."""
    for kind, data in chunks(path):
        if kind != b"IHDR" or len(data) != 13:
            break
        width, height, bits, color = struct.unpack(">IIBB", data[:10])
        return width, height, bits, color
    raise WorkbenchError("its head is damaged")


def profile_of(data: bytes) -> bytes | None:
    """The profile inside an iCCP chunk."""
    _, _, rest = data.partition(b"\0")
    try:
        return zlib.decompressobj().decompress(rest[1:], _MAX_PROFILE)
    except zlib.error:
        return None


def xmp_of(data: bytes) -> bytes | None:
    """The packet inside an iTXt chunk, or None when it is another text."""
    keyword, _, rest = data.partition(b"\0")
    if keyword != XMP_KEYWORD or len(rest) < 2:
        return None
    packed, _, text = rest[0], rest[1], rest[2:].split(b"\0", 2)[-1]
    try:
        return zlib.decompressobj().decompress(text, _MAX_TEXT) if packed else text
    except zlib.error:
        return None

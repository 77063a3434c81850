"""JPEG (ISO 10918) as a container: its segments, read and written."""

from __future__ import annotations

import hashlib
import re
import struct
from collections.abc import Iterator
from pathlib import Path

from workbench.errors import WorkbenchError

__all__ = ["EXIF", "EXTENDED", "ICC", "XMP", "extended_segments", "joined_xmp", "segment", "segments"]

EXIF = b"Exif\0\0"
XMP = b"http://ns.adobe.com/xap/1.0/\0"
EXTENDED = b"http://ns.adobe.com/xmp/extension/\0"
ICC = b"ICC_PROFILE\0"
LIMIT = 65_533  #: data bytes in one segment
_EXTENDED_PART = 65_400  # ISO 16684-3: 65 458 less room for the heads
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_SCAN, _END = 0xDA, 0xD9
_MAX_EXTENDED = 1 << 28


def segment(marker: int, *parts: bytes) -> bytes:
    """One marker segment."""
    data = b"".join(parts)
    if len(data) > LIMIT:
        raise ValueError("too long for a segment")
    return struct.pack(">BBH", 0xFF, marker, len(data) + 2) + data


def segments(path: Path) -> Iterator[tuple[int, bytes]]:
    """Marker and data of each segment before the pixels, as long as the file makes sense."""
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


def size_of(path: Path) -> tuple[int, int, int, int]:
    """(width, height, bits, components) from the frame header."""
    for marker, data in segments(path):
        if marker in _FRAMES and len(data) >= 6:
            bits, height, width, components = struct.unpack(">BHHB", data[:6])
            return width, height, bits, components
    raise WorkbenchError("its head is damaged: no frame header was found")


def extended_segments(packet: bytes) -> tuple[str, bytes]:
    """(digest, segments) of an extended packet (ISO 16684-3, 1.1.3.1)."""
    digest = hashlib.md5(packet, usedforsecurity=False).hexdigest().upper()
    parts = []
    for offset in range(0, len(packet), _EXTENDED_PART):
        head = EXTENDED + digest.encode() + struct.pack(">II", len(packet), offset)
        parts.append(segment(0xE1, head, packet[offset : offset + _EXTENDED_PART]))
    return digest, b"".join(parts)


def joined_xmp(path: Path) -> list[bytes]:
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
    if wanted and (found := parts.get(wanted[1])) and found[0] <= _MAX_EXTENDED:
        packet = b"".join(found[1][offset] for offset in sorted(found[1]))
        if len(packet) == found[0]:
            packets.append(packet)
    return packets

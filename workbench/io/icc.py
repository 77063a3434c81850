"""ICC profiles: the sRGB profiles that pictures carry, and whether a file's profile says that its tone is curved.

Built by hand after ICC.1:2001-04 (version 2.4, which every viewer knows), so that the same picture has the same
bytes on every day: profile writers usually put the hour into the header.
"""

from __future__ import annotations

import struct
from functools import cache

import numpy as np

__all__ = ["srgb_profile", "tone_curve"]

#: sRGB primaries and the media white, adapted to D50 by the Bradford transform, as the ICC publishes them for
#: IEC 61966-2-1 (X, Y, Z).
_PRIMARIES = {
    b"rXYZ": (0.43607, 0.22249, 0.01392),
    b"gXYZ": (0.38515, 0.71687, 0.09708),
    b"bXYZ": (0.14307, 0.06061, 0.71410),
}
_D50 = (0.9642, 1.0, 0.82491)
_CURVE_ENTRIES = 1024
_HEADER = 128
#: Deviation from a straight line, at mid-range, above which a tone curve counts as one.
_STRAIGHT = 0.02


@cache
def srgb_profile(channels: int) -> bytes:
    """The sRGB profile for pictures of 3 channels, or its gray sibling (same tone curve, D50 white) for 1."""
    x = np.linspace(0, 1, _CURVE_ENTRIES)
    linear = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    values = np.rint(linear * 65535).astype(">u2").tobytes()
    curve = b"curv\0\0\0\0" + struct.pack(">I", _CURVE_ENTRIES) + values
    name = b"sRGB IEC 61966-2-1" if channels == len(_PRIMARIES) else b"Gray, sRGB tone curve"
    tags = {b"desc": _description(name), b"cprt": b"text\0\0\0\0No copyright, use freely\0", b"wtpt": _xyz(_D50)}
    if channels == len(_PRIMARIES):
        tags |= {word: _xyz(value) for word, value in _PRIMARIES.items()}
        tags |= {b"rTRC": curve, b"gTRC": curve, b"bTRC": curve}
    else:
        tags[b"kTRC"] = curve
    return _assembled(tags, b"RGB " if channels == len(_PRIMARIES) else b"GRAY")


def _xyz(values: tuple[float, float, float]) -> bytes:
    return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(v * 65536) for v in values))


def _description(name: bytes) -> bytes:
    text = name + b"\0"
    return b"desc\0\0\0\0" + struct.pack(">I", len(text)) + text + bytes(4 + 4 + 2 + 1 + 67)


def _assembled(tags: dict[bytes, bytes], space: bytes) -> bytes:
    offset = _HEADER + 4 + 12 * len(tags)
    table, body, placed = struct.pack(">I", len(tags)), b"", dict[bytes, int]()
    for word, data in tags.items():
        if data not in placed:
            placed[data] = offset + len(body)
            body += data + bytes(-len(data) % 4)
        table += word + struct.pack(">II", placed[data], len(data))
    size = _HEADER + len(table) + len(body)
    date = struct.pack(">6H", 2026, 1, 1, 0, 0, 0)
    d50 = struct.pack(">3i", *(round(v * 65536) for v in _D50))
    head = struct.pack(">I4sI4s4s4s", size, bytes(4), 0x02400000, b"mntr", space, b"XYZ ") + date + b"acsp"
    head += bytes(4 + 4 + 4 + 4 + 8 + 4) + d50
    return head + bytes(_HEADER - len(head)) + table + body


def tone_curve(profile: bytes | None) -> str | None:
    """How a profile encodes tone: ``curved``, ``straight``, or None when it does not say.

    Reads the gray or green reproduction curve (types ``curv`` and ``para``). Damaged profiles say nothing.
    """
    if not profile or len(profile) < _HEADER + 4:
        return None
    try:
        middle = _middle(profile)
    except (struct.error, ValueError, OverflowError, ZeroDivisionError):
        return None
    if middle is None or not np.isfinite(middle):
        return None
    return "straight" if abs(middle - 0.5) < _STRAIGHT else "curved"


def _middle(profile: bytes) -> float | None:
    """Light that the encoded value 0.5 stands for."""
    (count,) = struct.unpack_from(">I", profile, _HEADER)
    entries = (struct.unpack_from(">4sII", profile, _HEADER + 4 + 12 * i) for i in range(min(count, 100)))
    places = {word: (offset, size) for word, offset, size in entries}
    offset, _ = places.get(b"gTRC") or places.get(b"kTRC") or (0, 0)
    if not offset:
        return None
    kind = profile[offset : offset + 4]
    if kind == b"curv":
        (n,) = struct.unpack_from(">I", profile, offset + 8)
        if n == 0:
            return 0.5
        if n == 1:
            (gamma,) = struct.unpack_from(">H", profile, offset + 12)
            return float(0.5 ** (gamma / 256))
        at = (n - 1) // 2
        low, high = struct.unpack_from(">2H", profile, offset + 12 + 2 * min(at, n - 2))
        part = (n - 1) / 2 - at
        return float(low + (high - low) * part) / 65535
    if kind == b"para":
        (form,) = struct.unpack_from(">H", profile, offset + 8)
        count = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}[form] if form in range(5) else 0
        p = [v / 65536 for v in struct.unpack_from(f">{count}i", profile, offset + 12)]
        return _parametric(form, p) if p else None
    return None


def _parametric(form: int, p: list[float]) -> float:
    """Value at 0.5 of a parametric curve (ICC.1:2022, table 68)."""
    x = 0.5
    if form == 0:
        return float(x ** p[0])
    g, a, b = p[:3]
    power = max(a * x + b, 0.0) ** g
    low = -b / a if form < 3 else p[4]
    if form == 1:
        return float(power if x >= low else 0.0)
    if form == 2:
        return float(power + p[3] if x >= low else p[3])
    c, (e, f) = p[3], (p[5:7] if form == 4 else (0.0, 0.0))
    return float(power + e if x >= low else c * x + f)

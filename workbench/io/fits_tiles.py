"""FITS images compressed by tiles (standard 4.0, chapter 10): checked before they are unpacked, and unpacked apart.

The decoders are C code that trusts what a table says of its tiles. So tiles and their parameters are held against the
image first. The two codes whose streams can still lead a decoder out of its memory (HCOMPRESS_1, PLIO_1) are unpacked
by a process of their own (`workbench.io.apart`). That costs 0.7 s for each file; the codes in common use (RICE_1, GZIP)
know where their memory ends and do without.
"""

from __future__ import annotations

import math
import re
import struct
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from workbench.io.apart import unpacked_apart
from workbench.io.fits_units import TITLE, Unit, opened, whole_number
from workbench.io.formats.base import damaged, library_calls, unsupported
from workbench.lazy import on_first_use

if TYPE_CHECKING:
    from astropy.io import fits
else:
    fits = on_first_use("astropy.io.fits")

__all__ = ["check_tiles", "header_as_before", "unpacked"]

_TRUSTED = {"RICE_1", "RICE_ONE", "GZIP_1", "GZIP_2", "NOCOMPRESS"}
_APART = {"HCOMPRESS_1", "PLIO_1"}
#: Bytes of a field of a table by its letter (standard, table 18).
_FIELD = {"L": 1, "B": 1, "I": 2, "J": 4, "K": 8, "A": 1, "E": 4, "D": 8, "C": 8, "M": 16, "P": 8, "Q": 16}
_HCOMPRESS = struct.Struct(">HiiI")  # code, rows, columns, scale (White, Postman & Lattanzi 1992, as in CFITSIO)
_HCOMPRESS_CODE = 0xDD99
_MAX_TILE = 1 << 26  #: samples


def check_tiles(path: Path, file: BinaryIO, unit: Unit) -> None:
    """Hold what a table says of its tiles against the image.

    Parameters
    ----------
    path : Path
    file : binary file
        Open, unpacked.
    unit : Unit

    Raises
    ------
    WorkbenchError
        When they do not fit together, or the code is not one this project reads.
    """
    code = str(unit.word("ZCMPTYPE", "")).strip()
    if code not in _TRUSTED | _APART:
        raise unsupported(path, TITLE)
    shape = unit.shape
    defaults = [1] * (len(shape) - 1) + [shape[-1]]
    tile = tuple(
        whole_number(unit.word(f"ZTILE{n}", default))
        for n, default in zip(range(len(shape), 0, -1), defaults, strict=True)
    )
    if min(shape) < 1 or min(tile) < 1 or math.prod(tile) > _MAX_TILE:
        raise damaged(path, TITLE)
    counts = [-(-side // part) for side, part in zip(shape, tile, strict=True)]
    if math.prod(counts) != unit.word("NAXIS2"):
        raise damaged(path, TITLE)
    for n in range(1, 100):
        name = unit.word(f"ZNAME{n}")
        if name is None:
            break
        value = unit.word(f"ZVAL{n}")
        if (name == "BLOCKSIZE" and not 1 <= whole_number(value) <= 1024) or (
            name == "BYTEPIX" and value not in (1, 2, 4, 8)
        ):
            raise damaged(path, TITLE)
    if code == "HCOMPRESS_1":
        sizes = [[min(part, side - at) for at in range(0, side, part)] for side, part in zip(shape, tile, strict=True)]
        _check_streams(path, file, unit, [math.prod(sides) for sides in product(*sizes)])


def _check_streams(path: Path, file: BinaryIO, unit: Unit, samples: list[int]) -> None:
    """Each HCOMPRESS stream says how many samples it holds: they must be those of its tile."""
    row, rows = whole_number(unit.word("NAXIS1")), len(samples)
    place = _column(unit, "COMPRESSED_DATA")
    if place is None or row < 1:
        raise damaged(path, TITLE)
    offset, letter = place
    with library_calls(path, TITLE):
        file.seek(unit.start)
        table = file.read(row * rows)
    descriptor = struct.Struct(">ii" if letter == "P" else ">qq")
    if len(table) < row * rows or offset + descriptor.size > row:
        raise damaged(path, TITLE)
    heap = unit.start + whole_number(unit.word("THEAP", row * rows))
    places = sorted((*descriptor.unpack_from(table, i * row + offset)[::-1], samples[i]) for i in range(rows))
    for at, length, expected in places:
        if length == 0:  # kept in another column
            continue
        if at < 0 or length < _HCOMPRESS.size or heap + at + length > unit.start + unit.size:
            raise damaged(path, TITLE)
        with library_calls(path, TITLE):
            file.seek(heap + at)
            head = file.read(_HCOMPRESS.size)
        if len(head) < _HCOMPRESS.size:
            raise damaged(path, TITLE)
        code, height, width, _ = _HCOMPRESS.unpack(head)
        if code != _HCOMPRESS_CODE or height < 1 or width < 1 or height * width != expected:
            raise damaged(path, TITLE)


def _column(unit: Unit, name: str) -> tuple[int, str] | None:
    """Where in a row of the table a column of descriptors begins, and its letter (P or Q)."""
    offset = 0
    for n in range(1, min(999, whole_number(unit.word("TFIELDS"))) + 1):
        form = re.match(r"\s*(\d*)([A-Z])", str(unit.word(f"TFORM{n}", "")))
        if form is None or form[2] not in _FIELD:
            return None
        if str(unit.word(f"TTYPE{n}", "")).strip().upper() == name:
            return (offset, form[2]) if form[2] in "PQ" else None
        offset += (int(form[1][:9]) if form[1] else 1) * _FIELD[form[2]]
    return None


def header_as_before(path: Path, unit: Unit) -> fits.Header:
    """The header that the image had before it was compressed.

    Parameters
    ----------
    path : Path
    unit : Unit

    Returns
    -------
    astropy.io.fits.Header
    """
    with library_calls(path, TITLE), opened(path) as file, fits.open(file, memmap=False) as found:
        return found[unit.index].header.copy()


def unpacked(path: Path, unit: Unit) -> NDArray[Any]:
    """The image's samples, scaled as its header says.

    Parameters
    ----------
    path : Path
    unit : Unit

    Returns
    -------
    ndarray
        Of the unit's shape, in any real type.

    Raises
    ------
    WorkbenchError
        When the decoder fails, or dies.
    """
    if str(unit.word("ZCMPTYPE", "")).strip() in _APART:
        stored = unpacked_apart(path, TITLE, unit.index, math.prod(unit.shape)).reshape(unit.shape)
    else:
        with library_calls(path, TITLE), opened(path) as file, fits.open(file, memmap=False) as found:
            stored = np.asarray(found[unit.index].data)
    if stored.shape != unit.shape or stored.dtype.kind not in "uif":
        raise damaged(path, TITLE)
    return stored

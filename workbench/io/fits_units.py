"""The header-data units of a FITS file, plain or packed with gzip, one after the other (standard 4.0, chapter 3)."""

from __future__ import annotations

import contextlib
import gzip
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from workbench.errors import WorkbenchError
from workbench.io.formats.base import damaged, library_calls
from workbench.io.limits import STANDARD, Limits
from workbench.io.metadata import sky_solution
from workbench.lazy import on_first_use
from workbench.memory import in_gigabytes

if TYPE_CHECKING:
    from astropy.io import fits
else:
    fits = on_first_use("astropy.io.fits")

__all__ = [
    "BLOCK",
    "GZIP",
    "TITLE",
    "Unit",
    "checksum_remarks",
    "header_comment",
    "header_word",
    "is_gzip",
    "opened",
    "units",
    "whole_number",
]

TITLE = "FITS"
BLOCK = 2880  #: bytes; headers and data are filled up to whole blocks
GZIP = b"\x1f\x8b"  # RFC 1952
_CARD = 80
_ONES = 0xFFFF_FFFF
_PIECE = BLOCK * 1024
_MAX_UNITS = 1000


@dataclass(frozen=True, slots=True)
class Unit:
    """A header-data unit: where its data lie in the (unpacked) file, and how many bytes they are."""

    index: int
    header: fits.Header
    header_bytes: int
    start: int
    size: int

    def word(self, name: str, default: Any = None) -> Any:
        """A header word; ``default`` where it is missing or damaged.

        Parameters
        ----------
        name : str
        default : object

        Returns
        -------
        object
        """
        return header_word(self.header, name, default)

    @property
    def name(self) -> str:
        return str(self.word("EXTNAME", "")).strip().upper()

    @property
    def compressed(self) -> bool:
        """An image compressed by tiles, which lies in a table (standard 10.1)."""
        return self.word("XTENSION") == "BINTABLE" and self.word("ZIMAGE") is True

    @property
    def shape(self) -> tuple[int, ...]:
        """Axes of an image, slowest first; none for tables and headers alone."""
        prefix = "Z" if self.compressed else ""
        if not self.compressed and self.index and self.word("XTENSION") not in ("IMAGE", "IUEIMAGE"):
            return ()
        axes = min(999, whole_number(self.word(f"{prefix}NAXIS")))
        sizes = tuple(whole_number(self.word(f"{prefix}NAXIS{n}")) for n in range(axes, 0, -1))
        return () if self.word("GROUPS") is True and sizes[-1:] == (0,) else sizes

    @property
    def is_image(self) -> bool:
        return len(self.shape) > 1


def header_word(header: fits.Header, name: str, default: Any = None) -> Any:
    """A header word; ``default`` where it is missing, undefined or damaged.

    Parameters
    ----------
    header : astropy.io.fits.Header
    name : str
    default : object

    Returns
    -------
    object
    """
    with contextlib.suppress(Exception):  # the library alone runs here: cards are parsed when they are asked for
        value = header.get(name, default)
        return default if isinstance(value, fits.card.Undefined) else value
    return default


def header_comment(header: fits.Header, name: str) -> str:
    """The comment of a header word; empty where it is missing or damaged.

    Parameters
    ----------
    header : astropy.io.fits.Header
    name : str

    Returns
    -------
    str
    """
    with contextlib.suppress(Exception):  # the library alone runs here
        return str(header.comments[name])
    return ""


def whole_number(value: Any) -> int:
    """A whole number of a header; 0 for anything else.

    Parameters
    ----------
    value : object

    Returns
    -------
    int
    """
    return value if isinstance(value, int) and not isinstance(value, bool) else 0


@contextlib.contextmanager
def opened(path: Path) -> Iterator[BinaryIO]:
    """The file's bytes, unpacked where it is packed.

    Parameters
    ----------
    path : Path

    Yields
    ------
    binary file
    """
    open_it: Callable[[], Any] = partial(gzip.open if is_gzip(path) else open, path, "rb")
    with sky_solution.quiet(), open_it() as file:
        yield file


def units(path: Path, file: BinaryIO, limits: Limits = STANDARD) -> Iterator[Unit]:
    """The header-data units, one after the other, as long as the file makes sense.

    Parameters
    ----------
    path : Path
    file : binary file
        Open, unpacked.
    limits : Limits

    Yields
    ------
    Unit

    Raises
    ------
    WorkbenchError
        When the first unit is damaged, a header does not end within its limit, or more of a packed file would have to
        be passed over than the limit, the first image not counted.
    """
    start, free, packed = 0, None, is_gzip(path)
    for index in range(_MAX_UNITS):
        with library_calls(path, TITLE):
            file.seek(start)
            text = _header_text(file, limits)
        if text is None:
            if index == 0:
                raise damaged(path, TITLE)
            return
        with library_calls(path, TITLE):
            header = fits.Header.fromstring(text)
        unit = Unit(index, header, len(text), start + len(text), _data_size(header))
        if unit.size < 0:
            if index == 0:
                raise damaged(path, TITLE)
            return
        yield unit
        start = unit.start + unit.size + -unit.size % BLOCK
        if free is None and unit.is_image:
            free = min(unit.size, 12 * limits.pixels)
        behind = start - (free or 0)
        if packed and behind > limits.skipped_bytes:
            raise WorkbenchError(
                f"{path.name} has {in_gigabytes(behind)} of other data packed before what is looked for, more than "
                f"the {in_gigabytes(limits.skipped_bytes)} that are unpacked on the way: take the image into a file of "
                "its own (in Python limits=Limits(skipped_bytes=...) raises the limit)"
            )


def _header_text(file: BinaryIO, limits: Limits) -> bytes | None:
    """The blocks of a header, to the one with its END; None where the file ends before."""
    blocks: list[bytes] = []
    while len(block := file.read(BLOCK)) == BLOCK:
        blocks.append(block)
        if len(blocks) * BLOCK > limits.header_bytes:
            raise WorkbenchError(
                f"it is damaged: a header goes on for more than {in_gigabytes(limits.header_bytes)} without an end"
            )
        if any(block[at : at + 8] == b"END     " for at in range(0, BLOCK, _CARD)):
            return b"".join(blocks)
    return None


def _data_size(header: fits.Header) -> int:
    """Bytes of the data of a unit without their padding (standard 4.4.1.1, 4.4.1.2, 6.1.1)."""
    axes_count = min(999, whole_number(header_word(header, "NAXIS")))
    axes = [whole_number(header_word(header, f"NAXIS{n}")) for n in range(1, axes_count + 1)]
    if not axes:
        return 0
    groups = header_word(header, "GROUPS") is True and axes[0] == 0
    samples = 1
    for axis in axes[1:] if groups else axes:
        samples *= axis
    heap = whole_number(header_word(header, "PCOUNT")) if groups or "XTENSION" in header else 0
    count = whole_number(header_word(header, "GCOUNT", 1)) if groups or "XTENSION" in header else 1
    return abs(whole_number(header_word(header, "BITPIX"))) // 8 * count * (heap + samples)


def is_gzip(path: Path) -> bool:
    """Whether a file is packed with gzip.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
    """
    with path.open("rb") as file:
        return file.read(2) == GZIP


def checksum_remarks(file: BinaryIO, unit: Unit) -> list[str]:
    """What the unit's checksums say against it (standard 4.0, 4.4.2.7 and appendix J); nothing where it has none.

    DATASUM is the sum of the data as 32-bit numbers in ones' complement; CHECKSUM is chosen such that the sum of header
    and data is -0. Costs one more pass over the bytes.

    Parameters
    ----------
    file : binary file
        Open, unpacked.
    unit : Unit

    Returns
    -------
    list of str
    """
    stated, whole = str(unit.word("DATASUM", "")).strip(), str(unit.word("CHECKSUM", "")).strip()
    if not stated.isdecimal() and not whole.strip("0"):
        return []
    file.seek(unit.start - unit.header_bytes)
    header = _sum(file.read(unit.header_bytes))
    data, left = 0, unit.size + -unit.size % BLOCK
    while left > 0 and (piece := file.read(min(left, _PIECE))):
        left -= len(piece)
        data = _sum(piece + bytes(-len(piece) % 4), data)
    if stated.isdecimal() and int(stated[:20]) != data:
        return ["its checksum (DATASUM) is not that of its data: they changed after it was written; copy it again"]
    if whole.strip("0") and _sum(b"", header + data) not in (0, _ONES):
        return ["its checksum (CHECKSUM) does not hold: its header changed after it was written"]
    return []


def _sum(data: bytes, start: int = 0) -> int:
    """Sum of 32-bit numbers, most significant byte first, with the carry added at the other end."""
    total = start + int(np.frombuffer(data, ">u4").sum(dtype=np.uint64))
    while total >> 32:
        total = (total & _ONES) + (total >> 32)
    return total

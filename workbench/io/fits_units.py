"""The header-data units of a FITS file, plain or packed with gzip, one after the other (standard 4.0, chapter 3)."""

from __future__ import annotations

import contextlib
import gzip
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

from astropy.io import fits

from workbench.io.formats.base import damaged, library_calls
from workbench.io.metadata import sky_solution

__all__ = [
    "BLOCK",
    "GZIP",
    "TITLE",
    "Unit",
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
_MAX_UNITS = 1000


@dataclass(frozen=True, slots=True)
class Unit:
    """A header-data unit: where its data lie in the (unpacked) file, and how many bytes they are."""

    index: int
    header: fits.Header
    start: int
    size: int

    def word(self, name: str, default: Any = None) -> Any:
        """A header word; ``default`` where it is missing or damaged."""
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
        axes = whole_number(self.word(f"{prefix}NAXIS"))
        sizes = tuple(whole_number(self.word(f"{prefix}NAXIS{n}")) for n in range(axes, 0, -1))
        return () if self.word("GROUPS") is True and sizes[-1:] == (0,) else sizes

    @property
    def is_image(self) -> bool:
        return len(self.shape) > 1


def header_word(header: fits.Header, name: str, default: Any = None) -> Any:
    """A header word; ``default`` where it is missing, undefined or damaged."""
    with contextlib.suppress(Exception):  # the library alone runs here: cards are parsed when they are asked for
        value = header.get(name, default)
        return default if isinstance(value, fits.card.Undefined) else value
    return default


def header_comment(header: fits.Header, name: str) -> str:
    """The comment of a header word; empty where it is missing or damaged."""
    with contextlib.suppress(Exception):  # the library alone runs here
        return str(header.comments[name])
    return ""


def whole_number(value: Any) -> int:
    """A whole number of a header; 0 for anything else."""
    return value if isinstance(value, int) and not isinstance(value, bool) else 0


@contextlib.contextmanager
def opened(path: Path) -> Iterator[BinaryIO]:
    """The file's bytes, unpacked where it is packed."""
    open_it: Callable[[], Any] = partial(gzip.open if is_gzip(path) else open, path, "rb")
    with sky_solution.quiet(), open_it() as file:
        yield file


def units(path: Path, file: BinaryIO) -> Iterator[Unit]:
    """The header-data units, one after the other, as long as the file makes sense."""
    start = 0
    for index in range(_MAX_UNITS):
        with library_calls(path, TITLE):
            file.seek(start)
            text = _header_text(file)
        if text is None:
            if index == 0:
                raise damaged(path, TITLE)
            return
        with library_calls(path, TITLE):
            header = fits.Header.fromstring(text)
        unit = Unit(index, header, start + len(text), _data_size(header))
        if unit.size < 0:
            if index == 0:
                raise damaged(path, TITLE)
            return
        yield unit
        start = unit.start + unit.size + -unit.size % BLOCK


def _header_text(file: BinaryIO) -> bytes | None:
    """The blocks of a header, to the one with its END; None where the file ends before."""
    blocks: list[bytes] = []
    while len(block := file.read(BLOCK)) == BLOCK:
        blocks.append(block)
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
    """Whether a file is packed with gzip."""
    with path.open("rb") as file:
        return file.read(2) == GZIP

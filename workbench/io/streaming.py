"""Samples that lie row after row in a file, read in blocks that fit the cache, on all cores."""

from __future__ import annotations

import gzip
import os
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.io.strips import BLOCK_BYTES, on_all_cores

__all__ = ["file_opener", "stream_rows"]


def stream_rows(
    opener: Callable[[], BinaryIO],
    offset: int,
    shape: tuple[int, int, int, int],
    dtype: np.dtype[Any],
    store: Callable[[NDArray[Any], int, int], object],
    *,
    flip_sign: bool = False,
    sequential: bool = False,
) -> None:
    """Read samples that lie row after row and hand them on in native byte order, block by block.

    Parameters
    ----------
    opener : callable
        Opens the file; each thread has its own.
    offset : int
        Where the samples begin.
    shape : (planes, height, width, samples)
        As stored: ``planes`` one after the other, ``samples`` side by side.
    dtype : dtype
        As stored, with byte order.
    store : callable(block, row, channel)
        Takes a block (h, w, planes x samples) in native byte order, a view where planes lie apart; its memory is used
        again afterwards. With ``sequential``, planes come one by one; ``channel`` is the block's first.
    flip_sign : bool
        Stored integers are signed for unsigned values (FITS): add half the range.
    sequential : bool
        The file can only be read from front to back (gzip).

    Raises
    ------
    WorkbenchError
        When the file ends early, or what packs it is damaged.
    """
    planes, height, width, samples = shape
    row_bytes = width * samples * dtype.itemsize
    rows = max(1, min(height, BLOCK_BYTES // (row_bytes * (1 if sequential else planes))))

    def block(file: BinaryIO, scratch: NDArray[np.uint8], y: int, which: range) -> None:
        n = min(rows, height - y)
        raw = scratch[: len(which) * n * row_bytes]
        for i, plane in enumerate(which):
            file.seek(offset + (plane * height + y) * row_bytes)
            _fill(file, raw[i * n * row_bytes : (i + 1) * n * row_bytes])
        values = raw.view(dtype)
        if not dtype.isnative:
            values = values.byteswap(inplace=True).view(dtype.newbyteorder("="))
        if flip_sign:
            values = values.view(f"u{dtype.itemsize}")
            values ^= values.dtype.type(1 << (8 * dtype.itemsize - 1))
        if len(which) == 1:
            store(values.reshape(n, width, samples), y, which[0] * samples)
        else:
            store(np.moveaxis(values.reshape(len(which), n, width), 0, 2), y, 0)

    def job(part: tuple[range, list[range]]) -> None:
        scratch = np.empty(rows * row_bytes * max(len(which) for which in part[1]), np.uint8)
        with opener() as file:
            for which in part[1]:
                for y in part[0]:
                    block(file, scratch, y, which)

    if sequential:
        job((range(0, height, rows), [range(plane, plane + 1) for plane in range(planes)]))
        return
    step = rows * max(1, -(-height // rows) // (8 * (os.cpu_count() or 1)))
    together = [range(planes)]
    on_all_cores(job, [(range(y, min(y + step, height), rows), together) for y in range(0, height, step)])


def file_opener(path: Path) -> Callable[[], BinaryIO]:
    """A function that opens ``path`` without a buffer of its own.

    Parameters
    ----------
    path : Path

    Returns
    -------
    callable
    """
    return lambda: path.open("rb", buffering=0)


def _fill(file: BinaryIO, out: NDArray[np.uint8]) -> None:
    view = memoryview(out.data)
    done = 0
    while done < len(view):
        try:
            got = file.readinto(view[done:])  # type: ignore[attr-defined]
        except (EOFError, gzip.BadGzipFile, zlib.error) as error:
            raise WorkbenchError("its packed bytes are cut off or damaged; copy or write it again") from error
        if not got:
            raise WorkbenchError("it is cut off: its last rows are missing; copy or write it again")
        done += got

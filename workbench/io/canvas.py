"""Samples of a file, in whatever order and type they lie there, become one float32 frame: once, on all cores.

Readers hand over blocks; a block is converted while it is in cache and lands at its final place, so that no second
full frame exists beside the float one. Turned or mirrored files are turned by writing through a turned view.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, BinaryIO

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError

__all__ = ["Canvas", "check_size", "file_opener", "on_all_cores", "row_blocks", "stream_rows"]

#: More pixels than any mosaic this project is made for (half a gigapixel: 6 GiB of RGB float32).
MAX_PIXELS = 1 << 29
#: Bytes of one block: fits the second-level cache beside its float copy.
_BLOCK_BYTES = 1 << 19
#: Slack for tiny files, in bytes, when the claimed size is held against the file's.
_SLACK = 1 << 20


def check_size(name: str, height: int, width: int, samples: int, *, stored: int, available: int, ratio: int) -> None:
    """Refuse, before any memory is taken, a frame that the file cannot hold.

    Parameters
    ----------
    name : str
        File, for the message.
    height, width, samples : int
        What the header claims.
    stored : int
        Bytes the samples take when unpacked.
    available : int
        Bytes in the file.
    ratio : int
        The most that the file's compression can shrink (1: not compressed).

    Raises
    ------
    WorkbenchError
    """
    if height < 1 or width < 1 or samples < 1:
        raise WorkbenchError(f"{name} says it is {width} x {height} pixels: it holds no image")
    if height * width > MAX_PIXELS:
        raise WorkbenchError(
            f"{name} says it is {width} x {height} pixels, more than the {MAX_PIXELS / 1e6:.0f} million that can be "
            "read: the file is damaged, or needs to be cut into parts"
        )
    if stored > available * ratio + (_SLACK if ratio > 1 else 0):
        raise WorkbenchError(
            f"{name} says it is {width} x {height} pixels, but its {available} bytes cannot hold them: "
            "the file is cut off or damaged; copy or write it again"
        )


def on_all_cores(function: Callable[[Any], object], jobs: Iterable[Any]) -> None:
    """Run ``function`` on every job in threads; the first error ends it."""
    workers = os.cpu_count() or 1
    with ThreadPoolExecutor(workers) as pool:
        futures = [pool.submit(function, job) for job in jobs]
        try:
            for future in futures:
                future.result()
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


class Canvas:
    """A float32 frame being filled.

    Parameters
    ----------
    height, width : int
        Of the file's rows as they are stored.
    channels : int
        1 or 3.
    divisor : float
        Stored value that becomes 1.0; 1.0 when it is settled later.
    inverted : bool
        0 is white in the file.
    orientation : int
        1 to 8 as in the TIFF tag: where the stored first row and column belong.

    Attributes
    ----------
    pixels : ndarray, shape (H, W, C), float32
        The frame, upright.
    coverage : ndarray, shape (H, W), uint8, or None
    lowest, highest : float
        Extremes of what was stored (NaN when a NaN was), in units of ``divisor``.
    """

    def __init__(
        self,
        height: int,
        width: int,
        channels: int,
        *,
        divisor: float = 1.0,
        inverted: bool = False,
        orientation: int = 1,
    ) -> None:
        shape = (width, height) if orientation > 4 else (height, width)
        self.pixels: NDArray[np.float32] = np.zeros((*shape, channels), np.float32)
        self.coverage: NDArray[np.uint8] | None = None
        self.white = float(divisor)
        self.divisor = np.float32(divisor)
        self._inverted = inverted
        self._orientation = orientation
        self._view = _as_stored(self.pixels, orientation)
        self._extremes: list[tuple[float, float]] = []

    def store(self, block: NDArray[Any], y: int, x: int, channel: int = 0) -> None:
        """Convert a block (h, w, n) of any real type to channels ``channel ... channel + n``; thread-safe."""
        h, w, n = block.shape
        out = self._view[y : y + h, x : x + w, channel : channel + n]
        with np.errstate(over="ignore", invalid="ignore"):
            if n == 3 and block.strides[1] == block.itemsize:
                self._weave(block, out)
            else:
                self._convert(block, out)
            if self._inverted:
                np.subtract(np.float32(1), out, out=out)
            self._extremes.append(self._ends(block))

    def _convert(self, block: NDArray[Any], out: NDArray[np.float32]) -> None:
        if self.divisor == 1:
            np.copyto(out, block, casting="unsafe")
        else:
            np.divide(block, self.divisor, out=out, dtype=np.float32, casting="unsafe")

    def _weave(self, block: NDArray[Any], out: NDArray[np.float32]) -> None:
        """Interleave three planes: through contiguous floats, as scattered stores cost four times as much."""
        planes = np.moveaxis(block, 2, 0)
        if block.dtype != np.float32 or self.divisor != 1:
            floats = np.empty(planes.shape, np.float32)
            self._convert(planes, floats)
            planes = floats
        woven = cv2.merge([np.ascontiguousarray(plane) for plane in planes])
        np.copyto(out, woven.reshape(out.shape))

    def _ends(self, block: NDArray[Any]) -> tuple[float, float]:
        """Extremes of a block, as they stand in the frame; NaN where one is in it."""
        low, high = (float(np.float32(end) / self.divisor) for end in (block.min(), block.max()))
        return (1 - high, 1 - low) if self._inverted else (low, high)

    def cover(self, block: NDArray[Any], y: int, x: int, full: float) -> None:
        """Store coverage (h, w), where ``full`` means all frames; anything above nothing stays above nothing."""
        if self.coverage is None:
            raise ValueError("open the coverage before storing into it")
        h, w = block.shape
        share = np.clip(np.nan_to_num(block.astype(np.float32)) / np.float32(full), 0, 1)
        out = np.maximum(np.rint(share * np.float32(255)), share > 0)
        _as_stored(self.coverage, self._orientation)[y : y + h, x : x + w] = out.astype(np.uint8)

    def open_coverage(self, value: int = 0) -> None:
        """Begin a coverage plane filled with ``value``."""
        self.coverage = np.full(self.pixels.shape[:2], value, np.uint8)

    @property
    def lowest(self) -> float:
        return float(np.min([low for low, _ in self._extremes], initial=np.inf))

    @property
    def highest(self) -> float:
        return float(np.max([high for _, high in self._extremes], initial=-np.inf))


def _as_stored(upright: NDArray[Any], orientation: int) -> NDArray[Any]:
    """A view of an upright array in the row and column order of the file (TIFF 6.0, tag 274)."""
    flip_rows = orientation in (3, 4, 7, 8)
    flip_columns = orientation in (2, 3, 6, 7)
    view = upright[:: -1 if flip_rows else 1, :: -1 if flip_columns else 1]
    return view.swapaxes(0, 1) if orientation > 4 else view


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
    EOFError
        When the file ends early.
    """
    planes, height, width, samples = shape
    row_bytes = width * samples * dtype.itemsize
    rows = max(1, min(height, _BLOCK_BYTES // (row_bytes * (1 if sequential else planes))))

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
    """A function that opens ``path`` without a buffer of its own."""
    return lambda: path.open("rb", buffering=0)


def _fill(file: BinaryIO, out: NDArray[np.uint8]) -> None:
    view = memoryview(out.data)
    done = 0
    while done < len(view):
        got = file.readinto(view[done:])  # type: ignore[attr-defined]
        if not got:
            raise EOFError("the file ends before its last row")
        done += got


def row_blocks(pixels: NDArray[Any]) -> list[NDArray[Any]]:
    """The frame cut into views of whole rows that fit the cache."""
    rows = max(1, _BLOCK_BYTES // max(1, pixels[0].nbytes))
    return [pixels[y : y + rows] for y in range(0, pixels.shape[0], rows)]

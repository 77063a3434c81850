"""Frames cut into strips of rows, brought to the sample type of a file, and packed on all cores in order."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, TypeVar

import numpy as np
from numpy.typing import DTypeLike, NDArray

from workbench.pixels import quantise8, quantise16

__all__ = ["BLOCK_BYTES", "as_samples", "in_order", "on_all_cores", "row_blocks", "strips"]

#: Bytes of one block: fits the second-level cache beside its float copy.
BLOCK_BYTES = 1 << 19

In = TypeVar("In")
Out = TypeVar("Out")


def strips(height: int, row_bytes: int, strip_bytes: int) -> list[tuple[int, int]]:
    """Row ranges (first, end) of strips of about ``strip_bytes``.

    Parameters
    ----------
    height : int
        Rows of the frame.
    row_bytes, strip_bytes : int

    Returns
    -------
    list of (int, int)
    """
    rows = max(1, min(height, strip_bytes // max(1, row_bytes)))
    return [(y, min(y + rows, height)) for y in range(0, height, rows)]


def on_all_cores(function: Callable[[Any], object], jobs: Iterable[Any]) -> None:
    """Run ``function`` on every job in threads; the first error ends it.

    Parameters
    ----------
    function : callable
    jobs : iterable
    """
    workers = os.cpu_count() or 1
    with ThreadPoolExecutor(workers) as pool:
        futures = [pool.submit(function, job) for job in jobs]
        try:
            for future in futures:
                future.result()
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def row_blocks(pixels: NDArray[Any]) -> list[NDArray[Any]]:
    """The frame cut into views of whole rows that fit the cache.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, ...)

    Returns
    -------
    list of ndarray, each of shape (h, W, ...)
    """
    rows = max(1, BLOCK_BYTES // max(1, pixels[0].nbytes))
    return [pixels[y : y + rows] for y in range(0, pixels.shape[0], rows)]


def in_order(function: Callable[[In], Out], jobs: Iterable[In]) -> Iterator[Out]:
    """Results of ``function`` in the order of the jobs, computed on all cores a few jobs ahead: bounded memory.

    Parameters
    ----------
    function : callable
    jobs : iterable

    Yields
    ------
    object
    """
    workers = os.cpu_count() or 1
    waiting: deque[Future[Out]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        try:
            for job in jobs:
                waiting.append(pool.submit(function, job))
                if len(waiting) > 2 * workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


def as_samples(block: NDArray[Any], dtype: DTypeLike) -> NDArray[Any]:
    """A block as samples of a file: 0 to 1 become 0 to the largest integer, rounded to the nearest.

    Parameters
    ----------
    block : ndarray, shape (...)
        float32, where below 0, above 1 and NaN are clipped; or integers already, full range.
    dtype : dtype
        uint8, uint16 or float32.

    Returns
    -------
    ndarray
        Of the block's shape.

    Notes
    -----
    16 bits become 8 by (v + 128) // 257: the nearest, as 65535 = 255 * 257.
    """
    wanted = np.dtype(dtype)
    if block.dtype == wanted:
        return np.ascontiguousarray(block)
    if wanted == np.float32:
        share: NDArray[Any] = np.ascontiguousarray(block, np.float32) / np.float32(np.iinfo(block.dtype).max)
        return share
    if block.dtype == np.uint16:
        return ((block.astype(np.uint32) + 128) // 257).astype(np.uint8)
    if block.dtype == np.uint8:
        return block.astype(np.uint16) * np.uint16(257)
    quantise = quantise8 if wanted == np.uint8 else quantise16
    shape = block.shape if block.ndim == 3 else (1, block.size, 1)
    out = np.empty(block.shape, wanted)
    quantise(block.reshape(shape), out.reshape(shape))
    return out

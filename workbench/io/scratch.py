"""Frames larger than memory: arrays that lie in files of a scratch folder and are paged in as they are looked at.

An array of a `Scratch` is an ordinary float32 or uint8 array; measurements and tiles use it unchanged, so that what
they find is the same to the last bit. The system keeps in memory what it has room for. What this process maps counts as
its own memory all the same, and other processes need some too, so pages are let go as soon as more than `RESIDENT` are
mapped: they stay in the file, and come back when somebody looks.

Files have a fixed size from the start: a full disk is told when an array is made, not in the middle of the work. They
go when nobody holds the array any more; those of a process that was killed go when the next one uses the folder.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import threading
import time
import weakref
from dataclasses import dataclass
from math import prod
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from workbench.errors import WorkbenchError
from workbench.io.atomic import locked, remove_stale, temporary_name
from workbench.io.source_file import AnyPath, reason

__all__ = ["RESIDENT", "Scratch", "StoredArray", "stored"]

#: Bytes of mapped pages above which they are let go.
RESIDENT = 1 << 30
_LOOK_EVERY = 0.05  #: seconds
_CAN_LET_GO = hasattr(mmap, "MADV_DONTNEED")


@dataclass(frozen=True, slots=True)
class StoredArray:
    """Where an array lies, for another process that opens it.

    Attributes
    ----------
    path : str
        File that holds it from its first byte on, in C order.
    shape : tuple of int
    dtype : str
    """

    path: str
    shape: tuple[int, ...]
    dtype: str = "<f4"

    def opened(self) -> NDArray[Any]:
        """The array, to be read only."""
        with Path(self.path).open("rb") as file:
            pages = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        return _array(pages, self.shape, self.dtype)

    def write(self, block: NDArray[Any], y: int, x: int) -> None:
        """Write planes (C, h, w) at row ``y`` and column ``x`` of the planes (C, H, W).

        Row by row through the file, not through mapped pages: processes on several computers may write side by side.

        Parameters
        ----------
        block : ndarray, shape (C, h, w)
        y, x : int
        """
        _, height, width = self.shape
        itemsize = np.dtype(self.dtype).itemsize
        file = os.open(self.path, os.O_WRONLY)
        try:
            for channel, plane in enumerate(block):
                for row, values in enumerate(np.ascontiguousarray(plane, self.dtype)):
                    place = ((channel * height + y + row) * width + x) * itemsize
                    _write_all(file, values.data.cast("B"), place)
        finally:
            os.close(file)


class Scratch:
    """A folder in which arrays are made.

    Parameters
    ----------
    folder : path
        On a disk with room for a few frames; for work on several computers, one that all of them see.

    Raises
    ------
    WorkbenchError
        When it is no folder that can be written in.
    """

    def __init__(self, folder: AnyPath) -> None:
        self.folder = Path(folder).absolute()
        if not self.folder.is_dir() or not os.access(self.folder, os.W_OK | os.X_OK):
            raise WorkbenchError(f"{folder} is not a folder that can be written in: name another for scratch files")
        remove_stale(self.folder)
        self._made: list[Path] = []

    def discard(self) -> None:
        """Take the files away now, after a failure whose traceback may still hold arrays."""
        for path in self._made:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)

    def array(self, shape: tuple[int, ...], dtype: DTypeLike = np.float32) -> NDArray[Any]:
        """An array of zeros in a file of its own.

        Parameters
        ----------
        shape : tuple of int
        dtype : dtype

        Returns
        -------
        ndarray, shape (...)
            Mapped from the file.

        Raises
        ------
        WorkbenchError
            When the disk has no room for it.
        """
        kind = np.dtype(dtype)
        size = max(1, prod(shape) * kind.itemsize)
        path = temporary_name(self.folder / "scratch")
        try:
            with path.open("x+b") as file:
                locked(file)  # the map below holds the same lock until the array goes
                if hasattr(os, "posix_fallocate"):
                    os.posix_fallocate(file.fileno(), 0, size)
                else:
                    file.truncate(size)
                pages = mmap.mmap(file.fileno(), size)
        except OSError as error:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
            raise WorkbenchError(
                f"cannot make {size / 1e9:.1f} GB of scratch space in {self.folder}: {reason(error)}"
            ) from error
        self._made.append(path)
        array = _array(pages, shape, kind.str)
        _FILES.add(pages, array, StoredArray(str(path), tuple(shape), kind.str))
        return array


def stored(array: NDArray[Any]) -> StoredArray | None:
    """Where an array lies that a `Scratch` made, or one of another shape over the same memory; else None.

    Parameters
    ----------
    array : ndarray, shape (...)

    Returns
    -------
    StoredArray or None
    """
    if not array.flags.c_contiguous or array.size == 0:
        return None
    found = _FILES.at(_address(array))
    return None if found is None else StoredArray(found.path, array.shape, found.dtype)


class _Files:
    """All arrays of this process that lie in files, and the thread that lets their pages go."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: dict[int, tuple[weakref.ref[mmap.mmap], StoredArray]] = {}
        self._thread: threading.Thread | None = None

    def add(self, pages: mmap.mmap, array: NDArray[Any], place: StoredArray) -> None:
        address = _address(array)
        with self._lock:
            self._known[address] = weakref.ref(pages), place
            weakref.finalize(pages, self._gone, address, place.path)
            if _CAN_LET_GO and self._thread is None:
                self._thread = threading.Thread(target=self._watch, name="scratch pages", daemon=True)
                self._thread.start()

    def at(self, address: int) -> StoredArray | None:
        known = self._known.get(address)
        return None if known is None else known[1]

    def _gone(self, address: int, path: str) -> None:
        self._known.pop(address, None)
        with contextlib.suppress(OSError):
            Path(path).unlink(missing_ok=True)

    def _watch(self) -> None:
        while True:
            time.sleep(_LOOK_EVERY)
            with self._lock:
                if not self._known:
                    self._thread = None
                    return
            if _mapped() > RESIDENT:
                for known, _ in list(self._known.values()):
                    _let_go(known())


def _let_go(pages: mmap.mmap | None) -> None:
    """Let go of mapped pages. No name of the thread that calls it may hold them, or their file would stay."""
    with contextlib.suppress(OSError, ValueError):
        if pages is not None:
            # Shared pages of a file: nothing is lost, changed ones are still written by the system.
            pages.madvise(mmap.MADV_DONTNEED)


_FILES = _Files()


def _mapped() -> int:
    """Bytes of pages of files that are in this process's memory; 0 where the system does not tell."""
    with contextlib.suppress(OSError, ValueError, IndexError):
        return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[2]) * mmap.PAGESIZE
    return 0


def _array(pages: mmap.mmap, shape: tuple[int, ...], dtype: str) -> NDArray[Any]:
    count = prod(shape)
    return np.frombuffer(pages, dtype, count).reshape(shape) if count else np.empty(shape, dtype)


def _address(array: NDArray[Any]) -> int:
    return int(array.__array_interface__["data"][0])


def _write_all(file: int, data: memoryview, place: int) -> None:
    while data:
        done = os.pwrite(file, data, place)
        data, place = data[done:], place + done

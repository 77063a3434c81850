"""Where the files of a Zarr hierarchy lie: in one ZIP file, or in a folder."""

from __future__ import annotations

import contextlib
import threading
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from workbench.errors import WorkbenchError
from workbench.io.formats.base import damaged, library_calls
from workbench.io.source_file import files_in, reason

__all__ = ["TITLE", "Store", "opened"]

TITLE = "Zarr"


@dataclass(frozen=True, slots=True)
class Store:
    """The files of a hierarchy.

    Attributes
    ----------
    names : frozenset of str
        Of all files, folders joined by "/".
    stored : int
        Bytes of all files.
    read : callable(name, most) -> bytes
        A file; more bytes than ``most`` are refused before they are read. May be called from several threads at once.
    """

    names: frozenset[str]
    stored: int
    read: Callable[[str, int], bytes]


@contextlib.contextmanager
def opened(path: Path) -> Iterator[Store]:
    """Open a ZIP file or a folder.

    Parameters
    ----------
    path : Path

    Yields
    ------
    Store

    Raises
    ------
    WorkbenchError
        When the ZIP file is damaged, or the folder cannot be read.
    """
    if path.is_dir():
        yield _folder(path)
        return
    with library_calls(path, TITLE):
        file = zipfile.ZipFile(path)
    with file:
        yield _archive(path, file)


def _folder(path: Path) -> Store:
    files = dict(files_in(path))

    def read(name: str, most: int) -> bytes:
        try:
            with (path / name).open("rb") as file:
                data = file.read(most + 1)
        except OSError as error:
            raise WorkbenchError(f"cannot read {path / name}: {reason(error)}") from error
        if len(data) > most:
            raise damaged(path, TITLE)
        return data

    return Store(frozenset(files), sum(info.st_size for info in files.values()), read)


def _archive(path: Path, file: zipfile.ZipFile) -> Store:
    lock = threading.Lock()

    def read(name: str, most: int) -> bytes:
        with lock, library_calls(path, TITLE):
            if file.getinfo(name).file_size > most:
                raise damaged(path, TITLE)
            return file.read(name)

    return Store(frozenset(file.namelist()), path.stat().st_size, read)

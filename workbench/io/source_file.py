"""Files that are read: checked before they are opened, watched while they are read, and their digest.

An image may also be a folder (Zarr): then all ordinary files in it count, and no link is followed out of it.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import stat
import threading
from collections.abc import Iterator
from os import PathLike
from pathlib import Path

from workbench.errors import WorkbenchError

__all__ = ["AnyPath", "FileDigest", "checked_input", "file_digest", "files_in", "moment", "reason"]

AnyPath = str | PathLike[str]

_NO_SPACE = {errno.ENOSPC, errno.EDQUOT}


def checked_input(path: AnyPath) -> Path:
    """Return the path of an existing, readable, non-empty file; anything else is told in one sentence.

    Parameters
    ----------
    path : path

    Returns
    -------
    Path

    Raises
    ------
    WorkbenchError
        When there is no such file, it is a folder or a device, may not be read, or has no bytes.
    """
    p = Path(path)
    try:
        info = p.stat()
        if stat.S_ISDIR(info.st_mode):
            raise WorkbenchError(f"{p} is a folder, not an image file: give the file inside it")
        if not stat.S_ISREG(info.st_mode):
            raise WorkbenchError(f"{p} is not an ordinary file: give an image file")
        if info.st_size == 0:
            raise WorkbenchError(f"{p} is empty (0 bytes): copy or write the file again")
        with p.open("rb"):
            pass
    except (OSError, ValueError) as error:
        raise WorkbenchError(f"cannot read {p}: {reason(error)}") from error
    return p


def files_in(folder: Path) -> Iterator[tuple[str, os.stat_result]]:
    """Ordinary files in a folder and in the folders inside it, in the order of their names.

    Parameters
    ----------
    folder : Path

    Yields
    ------
    name : str
        From the folder on, joined by "/".
    info : os.stat_result

    Raises
    ------
    WorkbenchError
        When a folder cannot be read.
    """

    def stop(error: OSError) -> None:
        raise WorkbenchError(f"cannot read {error.filename or folder}: {reason(error)}") from error

    for root, folders, names in os.walk(folder, onerror=stop):
        folders.sort()
        for name in sorted(names):
            path = Path(root, name)
            with contextlib.suppress(FileNotFoundError):
                info = path.lstat()
                if stat.S_ISREG(info.st_mode):
                    yield path.relative_to(folder).as_posix(), info


def moment(path: Path) -> tuple[int, ...] | None:
    """Size and time of the last change: while they stay the same, so does the file. None when it is gone.

    Parameters
    ----------
    path : Path
        A file, or a folder, of which all files count.

    Returns
    -------
    tuple of int or None
    """
    with contextlib.suppress(OSError):
        info = path.stat()
        if not stat.S_ISDIR(info.st_mode):
            return info.st_size, info.st_mtime_ns
        inside = [(i.st_size, i.st_mtime_ns) for _, i in files_in(path)]
        return len(inside), sum(size for size, _ in inside), max(time for _, time in inside)
    return None


def file_digest(path: Path) -> str:
    """SHA-256 of a file's bytes; of a folder, of the name, the size and the bytes of each file in it.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Hex.
    """
    if not path.is_dir():
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    whole = hashlib.sha256()
    for name, info in files_in(path):
        whole.update(f"{name}\0{info.st_size}\n".encode("utf-8", "surrogateescape"))
        with (path / name).open("rb") as file:
            while block := file.read(1 << 20):
                whole.update(block)
    return whole.hexdigest()


class FileDigest:
    """SHA-256 of a file's bytes, taken beside whatever else is done; call it to have it.

    Hashing runs on one core and cannot be split: at 24 MP of float32 it lasts three times as long as reading. So it
    has a thread of its own, for which only those wait who ask.

    Parameters
    ----------
    path : Path
    unchanged : tuple
        What `moment` said when the file was read.
    """

    def __init__(self, path: Path, unchanged: tuple[int, ...] | None) -> None:
        self._path, self._unchanged, self._hex = path, unchanged, ""
        self._thread = threading.Thread(target=self._take, name=f"SHA-256 of {path.name}", daemon=True)
        self._thread.start()

    def __call__(self) -> str:
        """Hex; empty when the file was changed or lost in the moment after it was read."""
        self._thread.join()
        return self._hex

    def __reduce__(self) -> tuple[type[str], tuple[str]]:
        """What is copied or pickled is the digest."""
        return str, (self(),)

    def _take(self) -> None:
        with contextlib.suppress(OSError, WorkbenchError):
            found = file_digest(self._path)
            if moment(self._path) == self._unchanged:
                self._hex = found


def reason(error: BaseException) -> str:
    """Why the system refused, in words.

    Parameters
    ----------
    error : BaseException

    Returns
    -------
    str
    """
    code = getattr(error, "errno", None)
    words = {
        errno.ENOENT: "there is no such file; check its name and folder",
        errno.EFBIG: "the file would be larger than this disk, or your limit, allows",
        errno.ENOTDIR: "a part of its path is a file, not a folder",
        errno.EACCES: "you have no permission",
        errno.EPERM: "you have no permission",
        errno.EROFS: "the disk is read-only",
        errno.ENAMETOOLONG: "the name is too long",
        errno.EISDIR: "it is a folder",
        errno.EIO: "the disk reported an error",
    }
    if code == errno.EACCES and os.name == "nt":  # Windows says so of files that are open, too
        return "you have no permission, or another program has it open"
    if code in _NO_SPACE:
        return "no space is left on the disk (or your share of it)"
    return words.get(code or 0) or (getattr(error, "strerror", None) or str(error) or type(error).__name__)

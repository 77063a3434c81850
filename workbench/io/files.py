"""Files as such: what they are by their first bytes, their digest, and writing that happens whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import stat
import threading
from collections.abc import Callable, Iterable, Iterator
from os import PathLike
from pathlib import Path
from typing import BinaryIO

from workbench.errors import WorkbenchError

__all__ = [
    "AnyPath",
    "FileDigest",
    "atomic_write",
    "checked_input",
    "checked_output",
    "moment",
    "sniff",
    "write_text",
]

AnyPath = str | PathLike[str]

#: First bytes of each format (TIFF 6.0; BigTIFF; FITS standard 4.0; PNG third edition; JPEG ISO 10918-1; RFC 1952).
_MAGIC = (
    (b"II*\0", "tiff"),
    (b"MM\0*", "tiff"),
    (b"II+\0", "tiff"),
    (b"MM\0+", "tiff"),
    (b"SIMPLE  =", "fits"),
    (b"\x89PNG\r\n\x1a\n", "png"),
    (b"\xff\xd8\xff", "jpeg"),
    (b"\x1f\x8b", "gzip"),
)
_NO_SPACE = {errno.ENOSPC, errno.EDQUOT}
#: Errors by which a folder says that it has no hard links (FAT, some network shares).
_NO_LINKS = {errno.EPERM, errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK, errno.EINVAL, errno.EXDEV}


def checked_input(path: AnyPath) -> Path:
    """Return the path of an existing, readable, non-empty file; anything else is told in one sentence.

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
            raise WorkbenchError(f"{p} is not an ordinary file: give a TIFF, FITS, PNG or JPEG file")
        if info.st_size == 0:
            raise WorkbenchError(f"{p} is empty (0 bytes): copy or write the file again")
        with p.open("rb"):
            pass
    except (OSError, ValueError) as error:
        raise WorkbenchError(f"cannot read {p}: {_reason(error)}") from error
    return p


def sniff(path: Path) -> str:
    """Tell ``tiff``, ``fits``, ``png`` or ``jpeg`` by the file's first bytes; its name does not matter.

    A gzip file is taken as a packed FITS file.

    Raises
    ------
    WorkbenchError
        When the bytes are none of these.
    """
    with path.open("rb") as file:
        head = file.read(16)
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            return "fits" if kind == "gzip" else kind
    hint = "it holds only zeros" if not any(head) else "it does not begin like one"
    raise WorkbenchError(
        f"{path} is not a TIFF, FITS, PNG or JPEG file: {hint}; check that it is the right file, and whole"
    )


def moment(path: Path) -> tuple[int, int] | None:
    """Size and time of the last change: while they stay the same, so does the file. None when it is gone."""
    with contextlib.suppress(OSError):
        info = path.stat()
        return info.st_size, info.st_mtime_ns
    return None


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

    def __init__(self, path: Path, unchanged: tuple[int, int] | None) -> None:
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
        with contextlib.suppress(OSError), self._path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
            if moment(self._path) == self._unchanged:
                self._hex = found


def checked_output(path: AnyPath, overwrite: bool = False, *, protect: Iterable[AnyPath] = ()) -> Path:
    """Return the real place of a file to make, after refusing what must not or cannot be written.

    `atomic_write` asks it again; asking before the work tells a mistake before any time is spent.

    Parameters
    ----------
    path : path
        File to make.
    overwrite : bool
        Whether an existing file may be replaced.
    protect : iterable of path
        Files (the inputs) that must not be replaced even with ``overwrite``, under whatever name.

    Raises
    ------
    WorkbenchError
        When it is one of ``protect``, a folder, or exists; or its folder is missing or may not be written in.
    """
    shown = Path(path)
    try:
        target = shown.resolve()
        if target.is_dir():
            raise WorkbenchError(f"{shown} is a folder: give the name of a file to write")
        if not target.parent.is_dir():
            raise WorkbenchError(f"the folder {target.parent} does not exist: make it first, then write {target.name}")
        if not os.access(target.parent, os.W_OK | os.X_OK):
            raise WorkbenchError(f"cannot write in the folder {target.parent}: you have no permission")
        if target.exists():
            if any(Path(other).exists() and target.samefile(other) for other in protect):
                raise WorkbenchError(f"{shown} is an input, which is never written to: choose another name")
            if not overwrite:
                raise WorkbenchError(_exists(shown))
    except (OSError, ValueError, RuntimeError) as error:
        raise WorkbenchError(f"cannot write {shown}: {_reason(error)}; nothing was written") from error
    return target


@contextlib.contextmanager
def atomic_write(path: AnyPath, overwrite: bool = False, *, protect: Iterable[AnyPath] = ()) -> Iterator[BinaryIO]:
    """Write a file whole or not at all.

    Bytes go to a temporary file in the same folder, which is flushed to the disk and takes its name only when the
    block ends without an error. On any error or interruption the temporary file is removed and what was there stays.

    Parameters
    ----------
    path : path
        File to make. Its folder must exist.
    overwrite : bool
        Replace an existing file; otherwise one is never touched, even if it appears while writing.
    protect : iterable of path
        Files (the inputs) that must not be replaced even with ``overwrite``.

    Yields
    ------
    file : binary file, readable, seekable

    Raises
    ------
    WorkbenchError
        When the file exists, the folder is missing or may not be written, or the disk is full.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> target = pathlib.Path(tempfile.mkdtemp()) / "note.txt"
    >>> with atomic_write(target) as file:
    ...     _ = file.write(b"whole")
    >>> target.read_bytes()
    b'whole'
    """
    target = checked_output(path, overwrite, protect=protect)
    temporary = target.with_name(f".{target.name[:80]}.{secrets.token_hex(6)}.part")
    try:
        with temporary.open("x+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        _publish(temporary, target, overwrite)
        _sync_folder(target.parent)
    except OSError as error:
        raise WorkbenchError(f"cannot write {Path(path)}: {_reason(error)}; nothing was written") from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def write_text(path: AnyPath, text: str, overwrite: bool = False, *, protect: Iterable[AnyPath] = ()) -> None:
    """Write UTF-8 text, lines ending in a line feed on every system, whole or not at all: see `atomic_write`."""
    data = text.encode()
    with atomic_write(path, overwrite, protect=protect) as file:
        file.write(data)


def _exists(target: Path) -> str:
    return f"{target} exists already: choose another name, or allow overwriting (--force; in Python overwrite=True)"


def _publish(temporary: Path, target: Path, overwrite: bool) -> None:
    """Give the finished file its name; without ``overwrite`` in a way that cannot replace another file."""
    if overwrite:
        with contextlib.suppress(OSError):
            temporary.chmod(stat.S_IMODE(target.stat().st_mode))
        temporary.replace(target)
        return
    try:
        _rename_new(temporary, target)
    except FileExistsError as error:
        raise WorkbenchError(_exists(target)) from error


def _rename_new(temporary: Path, target: Path, link: Callable[[Path, Path], None] = os.link) -> None:
    """Rename, failing with FileExistsError when the name is taken: Windows by itself, elsewhere through a hard link.

    Where a folder has no hard links, the name is first claimed by an empty file made exclusively.
    """
    if os.name == "nt":
        temporary.rename(target)
        return
    try:
        link(temporary, target)
    except FileExistsError:
        raise
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        target.open("xb").close()
        try:
            temporary.replace(target)
        except BaseException:
            target.unlink()
            raise


def _sync_folder(folder: Path) -> None:
    """Make the new name itself last; systems without folder handles (Windows) do without."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _reason(error: BaseException) -> str:
    """Why the system refused, in words."""
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

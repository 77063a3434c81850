"""Files that are written: whole or not at all, and nothing is replaced by accident."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import socket
import stat
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from workbench.errors import WorkbenchError
from workbench.io.source_file import AnyPath, reason

try:
    import fcntl
except ImportError:  # Windows, where a file that is open cannot be removed, and stale ones stay
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "atomic_write",
    "checked_output",
    "locked",
    "remove_stale",
    "rename_new",
    "temporary_name",
    "writable",
    "write_text",
]

_STALE_SECONDS = 60

#: Errors by which a folder says that it has no hard links (FAT, some network shares).
_NO_LINKS = {errno.EPERM, errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK, errno.EINVAL, errno.EXDEV}


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

    Returns
    -------
    Path
        Where the file really lies, links followed.

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
        if any(target.is_relative_to(Path(other).resolve()) for other in protect if Path(other).is_dir()):
            raise WorkbenchError(f"{shown} lies inside an input, which is never written to: choose another folder")
        if target.exists():
            if any(Path(other).exists() and target.samefile(other) for other in protect):
                raise WorkbenchError(f"{shown} is an input, which is never written to: choose another name")
            if not target.is_file():
                raise WorkbenchError(f"{shown} is a device or a pipe, which is never replaced: choose another name")
            if not overwrite:
                raise WorkbenchError(_exists(shown))
    except (OSError, ValueError, RuntimeError) as error:
        raise WorkbenchError(f"cannot write {shown}: {reason(error)}; nothing was written") from error
    return target


@contextlib.contextmanager
def atomic_write(path: AnyPath, overwrite: bool = False, *, protect: Iterable[AnyPath] = ()) -> Iterator[BinaryIO]:
    """Write a file whole or not at all.

    Bytes go to a temporary file in the same folder, which is flushed to the disk and takes its name only when the
    block ends without an error. On any error or interruption the temporary file is removed and what was there stays.
    What a killed process left in the folder is removed first; a file that another process still writes is not.

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
    remove_stale(target.parent)
    temporary = temporary_name(target)
    try:
        with temporary.open("x+b") as file:
            locked(file)
            yield file
            file.flush()
            os.fsync(file.fileno())
        _publish(temporary, target, overwrite)
        _sync_folder(target.parent)
    except OSError as error:
        raise WorkbenchError(f"cannot write {Path(path)}: {reason(error)}; nothing was written") from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def write_text(path: AnyPath, text: str, overwrite: bool = False, *, protect: Iterable[AnyPath] = ()) -> None:
    """Write UTF-8 text, lines ending in a line feed on every system, whole or not at all: see `atomic_write`.

    Parameters
    ----------
    path : path
    text : str
    overwrite : bool
        Whether an existing file may be replaced.
    protect : iterable of path
        Files that must not be replaced, whatever ``overwrite`` says.
    """
    data = text.encode("utf-8", "backslashreplace")  # half a surrogate pair has no place in UTF-8
    with atomic_write(path, overwrite, protect=protect) as file:
        file.write(data)


def temporary_name(target: Path) -> Path:
    """A name beside ``target`` for what is not whole yet, by which `remove_stale` knows it.

    Parameters
    ----------
    target : Path

    Returns
    -------
    Path
    """
    return target.with_name(f".{target.name[:80]}.{_computer()}-{secrets.token_hex(6)}.part")


def _computer() -> str:
    """A short name of this computer: locks of another one cannot be seen everywhere."""
    return hashlib.sha256(socket.gethostname().encode()).hexdigest()[:6]


def locked(file: BinaryIO) -> bool:
    """Lock a file for as long as it is open; whether that worked. The lock ends with the process, however it ends.

    Parameters
    ----------
    file : binary file
        Open.

    Returns
    -------
    bool
    """
    if fcntl is None:
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:  # another process has it, or the folder knows no locks
        return False
    return True


def remove_stale(folder: Path) -> None:
    """Remove temporary files of processes of this computer that ended without doing so.

    Each is locked by the process that writes it; one that can be locked, and has been there for a minute (between
    making a file and locking it there is a moment), belongs to none.

    Parameters
    ----------
    folder : Path
    """
    ending = re.compile(rf"\..+\.{_computer()}-[0-9a-f]{{12}}\.part")
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if not ending.fullmatch(entry.name) or not entry.is_file(follow_symlinks=False):
                continue
            with contextlib.suppress(OSError), Path(entry.path).open("rb") as file:
                if time.time() - os.fstat(file.fileno()).st_mtime > _STALE_SECONDS and locked(file):
                    Path(entry.path).unlink()


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
        rename_new(temporary, target)
    except FileExistsError as error:
        raise WorkbenchError(_exists(target)) from error


def rename_new(temporary: Path, target: Path, link: Callable[[Path, Path], None] = os.link) -> None:
    """Rename, failing with FileExistsError when the name is taken: Windows by itself, elsewhere through a hard link.

    Where a folder has no hard links, the name is first claimed by an empty file made exclusively.

    Parameters
    ----------
    temporary, target : Path
    link : callable
        Makes a hard link.
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


def writable(folder: Path) -> bool:
    """Whether files can be made in a folder, as trying tells.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    bool
    """
    try:
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False

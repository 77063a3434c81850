"""Files between the page and the kernel's machine: listing folders, and uploads in pieces."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import threading
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.bench.commands.dispatch import request
from workbench.errors import WorkbenchError
from workbench.io.formats import FORMATS, SUFFIXES, is_image_folder, titles

__all__ = ["PIECE_BYTES", "Files", "listing", "safe_name", "stack_suffixes"]

#: Largest piece of an upload; larger messages may break the connection to the browser without a word.
PIECE_BYTES = 4 * 2**20
#: Largest file that is taken.
_LARGEST = 8 * 2**30
#: Uploads that may be under way at a time; the oldest gives way.
_AT_ONCE = 3
#: Longer lists are cut; a folder like that is easier opened by its path.
_MOST_ENTRIES = 2000
_LONGEST_NAME = 200
_RECIPE = ".json"
#: What lies beside stacks and is no recipe, though its name ends like one.
_NO_RECIPES = (".acquisition.json", ".record.json", ".bench.json")


def stack_suffixes() -> list[str]:
    """Ends of the names of files that may hold a stack, packed ones included."""
    return [*SUFFIXES, *([".gz"] if any(kind.gzip for kind in FORMATS.values()) else [])]


def listing(path: str | None, near: Path) -> dict[str, Any]:
    """What lies in a folder: other folders first, then files that the bench can open.

    Parameters
    ----------
    path : str or None
        The folder, or a file in it; None or empty: ``near``.
    near : Path
        Where relative paths start.

    Returns
    -------
    dict
        ``path``, ``parent`` (None at the top), ``entries`` [{name, folder, recipe, size}], ``left_out`` (a count).

    Raises
    ------
    WorkbenchError
        When there is no such folder, or it cannot be read.
    """
    folder = near if not path else Path(os.path.expandvars(path)).expanduser()
    folder = (near / folder).resolve()
    if folder.is_file() or is_image_folder(folder):
        folder = folder.parent
    try:
        with os.scandir(folder) as found:
            entries = [e for e in (_entry(item) for item in found) if e is not None]
    except (FileNotFoundError, NotADirectoryError):
        raise WorkbenchError(f"there is no folder {folder}") from None
    except OSError as error:
        raise WorkbenchError(f"the folder {folder} cannot be read: {error.strerror or error}") from None
    entries.sort(key=lambda e: (not e["folder"], e["name"].casefold()))
    return {
        "path": str(folder),
        "parent": None if folder.parent == folder else str(folder.parent),
        "entries": entries[:_MOST_ENTRIES],
        "left_out": max(0, len(entries) - _MOST_ENTRIES),
    }


def _entry(item: os.DirEntry[str]) -> dict[str, Any] | None:
    """One line of a listing; None for what is hidden, cannot be looked at or cannot be opened."""
    suffix = Path(item.name).suffix.lower()
    try:
        image = item.is_dir() and is_image_folder(Path(item.path))
        folder = item.is_dir() and not image
        recipe = suffix == _RECIPE and not item.name.lower().endswith(_NO_RECIPES)
        shown = not item.name.startswith(".") and (folder or image or suffix in stack_suffixes() or recipe)
        if not shown or not (folder or image or item.is_file()):
            return None
        size = 0 if folder or image else item.stat().st_size
    except OSError:
        return None
    return {"name": item.name, "folder": folder, "recipe": not folder and recipe, "size": size}


def safe_name(name: str) -> str:
    """The bare file name of an upload, or a sentence: no folders, no hidden files, only images.

    Parameters
    ----------
    name : str

    Returns
    -------
    str

    Raises
    ------
    WorkbenchError
        When it is no name of a file, or not that of an image.
    """
    bare = unicodedata.normalize("NFC", str(name)).replace("\\", "/").rsplit("/", 1)[-1].strip()
    bad = any(unicodedata.category(c).startswith("C") for c in bare) or any(c in bare for c in '<>:"|?*')
    if not bare or bare.startswith(".") or bad or len(bare.encode()) > _LONGEST_NAME:
        raise WorkbenchError(f"{name!r} cannot be used as a file name: rename the file and upload it again")
    if Path(bare).suffix.lower() not in stack_suffixes():
        raise WorkbenchError(f"{bare} is not a {titles('or')} file by its name")
    return bare


@dataclass
class _Upload:
    folder: Path
    name: str
    size: int
    part: Path
    written: int = 0


class Files:
    """Requests of the page about files on the kernel's machine.

    Uploads are written beside their place under a hidden name and get their own name when they are whole; nothing
    that exists is ever replaced.

    Parameters
    ----------
    home : callable
        Tells the folder where relative paths start and uploads go.
    """

    def __init__(self, home: Path) -> None:
        self.home = home
        self._lock = threading.Lock()
        self._uploads: dict[str, _Upload] = {}

    @request
    def upload_begin(self, name: str, size: int, folder: str | None = None) -> str:
        """Start taking a file of ``size`` bytes; returns the token that its pieces carry.

        Parameters
        ----------
        name : str
        size : int
            In bytes.
        folder : str, optional
            Default: beside the stack.

        Returns
        -------
        str

        Raises
        ------
        WorkbenchError
            When the name, the size or the folder cannot be used, or the disk has no room.
        """
        bare, size = safe_name(name), int(size)
        target = Path(folder) if folder else self.home
        if not 0 < size <= _LARGEST:
            raise WorkbenchError(f"{bare} has {size} bytes; files from 1 byte to {_LARGEST // 2**30} GiB are taken")
        if not target.is_dir():
            raise WorkbenchError(f"there is no folder {target} to upload to")
        if shutil.disk_usage(target).free < size + 2**26:
            raise WorkbenchError(f"there is not enough room in {target} for {bare} ({size / 2**20:.0f} MiB)")
        token = secrets.token_hex(12)
        upload = _Upload(target, bare, size, target / f".{bare}.{token[:8]}.part")
        try:
            upload.part.touch(exist_ok=False)
        except OSError as error:
            raise WorkbenchError(f"cannot write to {target}: {error.strerror or error}") from None
        with self._lock:
            while len(self._uploads) >= _AT_ONCE:
                self._drop(next(iter(self._uploads)))
            self._uploads[token] = upload
        return token

    @request
    def upload_piece(self, token: str, at: int, data: bytes = b"") -> int:
        """Take the piece that starts at byte ``at``; returns how many bytes have come.

        Parameters
        ----------
        token : str
            What `upload_begin` gave.
        at : int
        data : bytes
            At most `PIECE_BYTES`.

        Returns
        -------
        int

        Raises
        ------
        WorkbenchError
            When the piece does not follow the last one, or cannot be written; the upload is forgotten.
        """
        with self._lock:
            upload = self._known(token)
            if not 0 < len(data) <= PIECE_BYTES:
                self._drop(token)
                raise WorkbenchError(f"a piece of {len(data)} bytes came; pieces have 1 to {PIECE_BYTES}: try again")
            if at != upload.written or upload.written + len(data) > upload.size:
                self._drop(token)
                raise WorkbenchError(f"the pieces of {upload.name} came out of order: upload it again")
            try:
                with upload.part.open("ab") as file:
                    file.write(data)
            except OSError as error:
                self._drop(token)
                raise WorkbenchError(f"cannot write {upload.name}: {error.strerror or error}") from None
            upload.written += len(data)
            return upload.written

    @request
    def upload_stop(self, token: str) -> None:
        """Forget an upload; nothing stays of it.

        Parameters
        ----------
        token : str
            What `upload_begin` gave.
        """
        with self._lock:
            self._drop(token)

    def upload_finish(self, token: str) -> Path:
        """Give the whole file its name (a number is added where it is taken), and return its path.

        Parameters
        ----------
        token : str
            What `upload_begin` gave.

        Returns
        -------
        Path

        Raises
        ------
        WorkbenchError
            When bytes are missing, or the name cannot be given.
        """
        with self._lock:
            upload = self._known(token)
            if upload.written != upload.size:
                self._drop(token)
                raise WorkbenchError(f"{upload.name} came with {upload.written} of {upload.size} bytes: try again")
            try:
                path = _placed(upload)
            except OSError as error:
                raise WorkbenchError(f"cannot write {upload.name}: {error.strerror or error}") from None
            finally:
                self._drop(token)
            return path

    def close(self) -> None:
        """Forget all uploads."""
        with self._lock:
            for token in list(self._uploads):
                self._drop(token)

    def _known(self, token: str) -> _Upload:
        if token not in self._uploads:
            raise WorkbenchError("this upload is not known any more: start it again")
        return self._uploads[token]

    def _drop(self, token: str) -> None:
        upload = self._uploads.pop(token, None)
        if upload is not None:
            with contextlib.suppress(OSError):
                upload.part.unlink(missing_ok=True)


def _placed(upload: _Upload) -> Path:
    stem, suffix = Path(upload.name).stem, Path(upload.name).suffix
    for number in range(1, 1000):
        path = upload.folder / (upload.name if number == 1 else f"{stem}-{number}{suffix}")
        try:
            path.touch(exist_ok=False)
        except FileExistsError:
            continue
        # The name is ours now, so replacing it replaces nothing but the empty file just made.
        upload.part.replace(path)
        return path
    raise WorkbenchError(f"there are a thousand files named like {upload.name} already: upload to another folder")

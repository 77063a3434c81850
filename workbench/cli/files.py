"""Files named on the command line: recipes and records wherever they are kept, and outputs checked before the work."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from workbench import io
from workbench.acquisition import Tone
from workbench.engine import Recipe, Record
from workbench.errors import WorkbenchError
from workbench.recipe.store import dumps, parse_json, read_text
from workbench.stack import Stack, read

__all__ = ["Reading", "beside", "checked_output", "load_document", "load_recipe", "load_record", "made_folder"]


@dataclass(frozen=True, slots=True)
class Reading:
    """How stacks are read: the stored value that is white, and whether the file is linear whatever it says."""

    white_level: float | None = None
    linear: bool = False

    def stack(self, path: Path) -> Stack:
        """Read a stack."""
        tone = Tone.LINEAR if self.linear else None
        return read(path, white_level=self.white_level, tone=tone)


_IMAGES = {".tif", ".tiff", ".png", ".jpg", ".jpeg", ".fits", ".fit", ".fts"}


def load_document(path: Path) -> Recipe | Record:
    """The recipe or record in a file, or the recipe that a finished picture carries."""
    if path.suffix.lower() in _IMAGES:
        return load_recipe(path)
    text = read_text(path, "the file")
    data = parse_json(text, str(path))
    kind = data.get("kind") if isinstance(data, dict) else None
    return (
        Record.loads(text, f"the record {path}") if kind == "run record" else Recipe.loads(text, f"the recipe {path}")
    )


def load_recipe(path: Path) -> Recipe:
    """The recipe in a recipe file, a record, or a finished picture."""
    if path.suffix.lower() in _IMAGES:
        carried = io.embedded(path).recipe
        if carried is None:
            raise WorkbenchError(f"{path} carries no recipe: only pictures that this program wrote do")
        return Recipe.loads(carried, f"the recipe in {path}")
    found = load_document(path)
    if isinstance(found, Record):
        return Recipe.loads(dumps(found.recipe), f"the recipe in {path}")
    return found


def load_record(path: Path) -> Record:
    """The record in a record file, or the one that a finished picture carries."""
    if path.suffix.lower() in _IMAGES:
        carried = io.embedded(path).record
        if carried is None:
            raise WorkbenchError(f"{path} carries no run record: only pictures that this program wrote do")
        return Record.loads(carried, f"the record in {path}")
    return Record.load(path)


def beside(output: Path, ending: str) -> Path:
    """The companion of a picture: ``night.picture.tif`` and ``.record.json`` make ``night.record.json``."""
    stem = output.name[: -len(output.suffix)] if output.suffix else output.name
    return output.with_name(stem.removesuffix(".picture").removesuffix(".recipe") + ending)


def checked_output(path: Path, *, force: bool, inputs: Iterable[Path], suffixes: Iterable[str] = ()) -> Path:
    """``path``, when a file can be written there; otherwise a sentence, before any time is spent.

    Raises
    ------
    WorkbenchError
        When the suffix is none of ``suffixes``, the folder is missing or locked, the file is an input, or it exists
        and ``force`` is off.
    """
    known = tuple(suffixes)
    if known and path.suffix.lower() not in known:
        raise WorkbenchError(f"{path}: the name must end in one of {', '.join(known)}")
    try:
        parent = path.resolve().parent
        if path.is_dir():
            raise WorkbenchError(f"{path} is a folder: give the name of a file to write")
        if not parent.is_dir():
            raise WorkbenchError(f"the folder {parent} does not exist: make it first")
        if not os.access(parent, os.W_OK | os.X_OK):
            raise WorkbenchError(f"cannot write in the folder {parent}: you have no permission")
        if path.exists():
            if any(i.exists() and i.samefile(path) for i in inputs):
                raise WorkbenchError(f"{path} is an input, which is never written to: choose another name")
            if not force:
                raise WorkbenchError(f"{path} exists already: choose another name, or allow overwriting with --force")
    except (OSError, ValueError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or error
        raise WorkbenchError(f"cannot write {path}: {reason}") from None
    return path


def made_folder(folder: Path) -> Path:
    """``folder``, made with its parents where it is missing."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise WorkbenchError(f"{folder} is a file, not a folder: choose another name") from None
    except (OSError, ValueError) as error:
        raise WorkbenchError(f"cannot make the folder {folder}: {getattr(error, 'strerror', None) or error}") from None
    return folder

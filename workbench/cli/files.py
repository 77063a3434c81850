"""Files named on the command line: recipes and records wherever they are kept, and outputs checked before the work."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from workbench import io
from workbench.acquisition import Tone
from workbench.engine import Recipe, Record
from workbench.errors import WorkbenchError
from workbench.recipe.store import dumps, parse_json, read_text
from workbench.stack import Stack, read

__all__ = [
    "Reading",
    "beside",
    "checked_output",
    "load_document",
    "load_recipe",
    "load_record",
    "made_folder",
    "results_in",
]


@dataclass(frozen=True, slots=True)
class Reading:
    """How stacks are read: the stored value that is white, and whether the file is linear whatever it says."""

    white_level: float | None = None
    linear: bool = False

    def stack(self, path: Path, scratch: Path | None = None) -> Stack:
        """Read a stack; its pixels lie in the folder ``scratch`` where one is given."""
        tone = Tone.LINEAR if self.linear else None
        return read(path, white_level=self.white_level, tone=tone, scratch=scratch)


def load_document(path: Path) -> Recipe | Record:
    """The recipe or record in a file, or the recipe that a finished picture carries."""
    if io.format_of(path):
        return Recipe.loads(_carried(path, "recipe"), f"the recipe in {path}")
    text = read_text(path, "the file")
    data = parse_json(text, str(path))
    kind = data.get("kind") if isinstance(data, dict) else None
    return (
        Record.loads(text, f"the record {path}") if kind == "run record" else Recipe.loads(text, f"the recipe {path}")
    )


def load_recipe(path: Path) -> Recipe:
    """The recipe in a recipe file, a record, or a finished picture."""
    found = load_document(path)
    if isinstance(found, Record):
        return Recipe.loads(dumps(found.recipe), f"the recipe in {path}")
    return found


def load_record(path: Path) -> Record:
    """The record in a record file, or the one that a finished picture carries."""
    return Record.loads(_carried(path, "record"), f"the record in {path}") if io.format_of(path) else Record.load(path)


def _carried(path: Path, what: str) -> str:
    """The recipe or the record inside a picture."""
    text: str | None = getattr(io.embedded(path), what)
    if text is None:
        name = "run record" if what == "record" else what
        raise WorkbenchError(f"{path} carries no {name}: only pictures that this program wrote do")
    return text


def beside(output: Path, ending: str) -> Path:
    """The companion of a picture: ``night.picture.tif`` and ``.record.json`` make ``night.record.json``."""
    stem = Path(output.name.removesuffix(".gz")).stem
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
        choice = known[0] if len(known) == 1 else f"one of {', '.join(known)}"
        raise WorkbenchError(f"{path}: the name must end in {choice}")
    io.checked_output(path, force, protect=inputs)
    return path


@contextlib.contextmanager
def results_in(folder: Path) -> Iterator[Path]:
    """``folder``, made with its parents where it is missing; taken away again when it is left empty."""
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    made_folder(folder)
    try:
        yield folder
    finally:
        with contextlib.suppress(OSError):  # it holds something, as it should
            for place in missing:
                place.rmdir()


def made_folder(folder: Path) -> Path:
    """``folder``, made with its parents where it is missing."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise WorkbenchError(f"{folder} is a file, not a folder: choose another name") from None
    except (OSError, ValueError) as error:
        raise WorkbenchError(f"cannot make the folder {folder}: {getattr(error, 'strerror', None) or error}") from None
    return folder

"""File formats: each is one module of this folder, whose constant ``FORMAT`` says all that the rest needs to know.

A new module is found by being there: in reading, writing, lists of suffixes and of ways to save.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
from os import PathLike
from pathlib import Path

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.io.formats.base import Embedded, Format, Offer, Option
from workbench.io.source_file import AnyPath, checked_input

__all__ = [
    "FORMATS",
    "SUFFIXES",
    "Embedded",
    "Format",
    "Offer",
    "Option",
    "checked_format",
    "checked_image",
    "find_formats",
    "format_of",
    "identified",
    "is_image_folder",
    "titles",
]


def find_formats() -> dict[str, Format]:
    """The formats of all modules in this folder, by name, in the order in which a file is tried."""
    names = [info.name for info in pkgutil.iter_modules(__path__) if info.name != "base"]
    formats: list[Format] = [importlib.import_module(f"{__name__}.{name}").FORMAT for name in names]
    return {f.name: f for f in sorted(formats, key=lambda f: (f.rank, f.name))}


#: Formats by name, in the order of lists.
FORMATS = find_formats()
#: Name of the format by the end of a file's name.
SUFFIXES = {suffix: f.name for f in FORMATS.values() for suffix in f.suffixes}


def titles(joint: str, *, linear_only: bool = False) -> str:
    """The formats' names in a sentence: "TIFF, FITS, PNG, JPEG or Zarr".

    Parameters
    ----------
    joint : str
        The word before the last.
    linear_only : bool
        Whether only formats count in which a linear stack is at home.

    Returns
    -------
    str
    """
    *most, last = [f.title for f in FORMATS.values() if f.linear or not linear_only]
    return f"{', '.join(most)} {joint} {last}" if most else last


def format_of(path: str | PathLike[str]) -> str | None:
    """Name of the format that a file's name stands for (.tif, .fits, .fits.gz, .png, .jpg and their kin), or None.

    Parameters
    ----------
    path : path

    Returns
    -------
    str or None
    """
    name = Path(path).name.lower()
    kind = SUFFIXES.get(Path(name.removesuffix(".gz")).suffix)
    return None if kind is None or (name.endswith(".gz") and not FORMATS[kind].gzip) else kind


def checked_format(path: str | PathLike[str], tone: Tone | None = None) -> Format:
    """The format in which a file of this name is written.

    Parameters
    ----------
    path : path
    tone : Tone, optional
        Of what is to be written.

    Returns
    -------
    Format

    Raises
    ------
    WorkbenchError
        When its suffix is none of a known format, or of one that is for pictures only and would hold linear light.
    """
    kind = format_of(path)
    if kind is None:
        *most, last = [f.suffixes[0] for f in FORMATS.values()]
        known = f"{', '.join(most)} or {last}"
        raise WorkbenchError(f"{Path(path).name} has no suffix of a known format: end it with {known}")
    if tone is Tone.LINEAR and not FORMATS[kind].linear:
        homes = titles("or", linear_only=True)
        raise WorkbenchError(
            f"{Path(path).name} would show linear light almost black: put a stretch before it, or save a {homes}"
        )
    return FORMATS[kind]


def _marked(folder: Path) -> Format | None:
    """The format of a folder; None where it is no image, or no folder, or a name that no folder can have."""
    found = (f for f in FORMATS.values() if any(os.path.isfile(folder / name) for name in f.folder))  # noqa: PTH113
    return next(found, None)


def is_image_folder(path: Path) -> bool:
    """Whether a folder is an image, as a file in it tells.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
    """
    return _marked(path) is not None


def checked_image(path: AnyPath) -> Path:
    """Return the path of a file that can be read, or of a folder that is an image; anything else is told.

    Parameters
    ----------
    path : path

    Returns
    -------
    Path

    Raises
    ------
    WorkbenchError
        As `workbench.io.source_file.checked_input` does.
    """
    return Path(path) if is_image_folder(Path(path)) else checked_input(path)


def identified(path: Path) -> Format:
    """The format of a file by its first bytes, or of a folder by what is in it; its name does not matter.

    Parameters
    ----------
    path : Path
        As `checked_image` gives it.

    Returns
    -------
    Format

    Raises
    ------
    WorkbenchError
        When the bytes are those of none.
    """
    folder = _marked(path)
    if folder is not None:
        return folder
    with path.open("rb") as file:
        head = file.read(16)
    for found in FORMATS.values():
        if head.startswith(found.magic):
            return found
    hint = "it holds only zeros" if not any(head) else "it does not begin like one"
    raise WorkbenchError(f"{path} is not a {titles('or')} file: {hint}; check that it is the right file, and whole")

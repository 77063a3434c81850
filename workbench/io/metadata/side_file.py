"""How the frames were taken, from the small JSON file that lies beside an image."""

from __future__ import annotations

import json
from pathlib import Path

from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError
from workbench.io.metadata.headers import checked_acquisition
from workbench.io.source_file import reason

__all__ = ["read_side_file", "side_file"]

_MAX_SIDE_FILE = 1 << 20
_PACKED = (".gz", ".fz")


def side_file(path: Path) -> Path:
    """Where the side file of an image lies: ``night.tif`` has ``night.acquisition.json``.

    Parameters
    ----------
    path : Path
        Of the image.

    Returns
    -------
    Path
    """
    stem = path.with_suffix("") if path.suffix.lower() in _PACKED else path
    return stem.with_suffix(".acquisition.json")


def read_side_file(path: Path) -> Acquisition | None:
    """What the side file of an image says, or None when there is none.

    Parameters
    ----------
    path : Path
        Of the image.

    Returns
    -------
    Acquisition or None

    Raises
    ------
    WorkbenchError
        When it is not readable as JSON, or names or values are not an acquisition's.
    """
    side = side_file(path)
    if not side.is_file():
        return None
    try:
        if side.stat().st_size > _MAX_SIDE_FILE:
            raise WorkbenchError(f"{side} is too large for a side file (over 1 MB)")
        data = json.loads(side.read_text(encoding="utf-8-sig"))
    except json.JSONDecodeError as error:
        where = f"{error.msg} at line {error.lineno}, column {error.colno}"
        raise WorkbenchError(f"the side file {side} is not readable JSON: {where}") from error
    except UnicodeDecodeError as error:
        raise WorkbenchError(f"the side file {side} is not readable JSON: it is not UTF-8 text") from error
    except OSError as error:
        raise WorkbenchError(f"the side file {side} cannot be read: {reason(error)}") from error
    except (ValueError, RecursionError) as error:  # integers of thousands of digits, endless brackets
        raise WorkbenchError(
            f"the side file {side} is not readable JSON: it has a number of thousands of digits or endless brackets"
        ) from error
    if not isinstance(data, dict):
        raise WorkbenchError(f'the side file {side} must hold an object such as {{"exposure_s": 120, "frames": 60}}')
    try:
        return checked_acquisition(data)
    except WorkbenchError as error:
        raise WorkbenchError(f"the side file {side} cannot be used: {error}") from error

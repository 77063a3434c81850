"""The stacks that were open last, for a bench that begins empty."""

from __future__ import annotations

import os
from pathlib import Path

from workbench import io
from workbench.errors import WorkbenchError
from workbench.recipe.store import dumps, parse_json, read_text

__all__ = ["recent_stacks", "remember"]

#: How many are kept.
_KEPT = 8
_KIND = "recent stacks"


def recent_stacks() -> list[Path]:
    """Stacks that were open last and are still there, the last one first."""
    return [path for path in _listed() if path.exists()]


def remember(path: Path) -> None:
    """Put a stack at the head of the list. Where the list cannot be written, there is none.

    Parameters
    ----------
    path : path
        Of the stack's file.
    """
    path = path.resolve()
    kept = [path, *(each for each in _listed() if each != path)][:_KEPT]
    target = _place()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        io.write_text(target, dumps({"kind": _KIND, "stacks": [str(each) for each in kept]}), overwrite=True)
    except (OSError, WorkbenchError):
        return


def _listed() -> list[Path]:
    try:
        data = parse_json(read_text(_place(), "the list of recent stacks"), "the list of recent stacks")
    except (OSError, WorkbenchError):
        return []
    names = data.get("stacks") if isinstance(data, dict) and data.get("kind") == _KIND else None
    return [Path(name) for name in names if isinstance(name, str)] if isinstance(names, list) else []


def _place() -> Path:
    """Where programs keep such lists: the XDG base directories, or their like on Windows."""
    windows = os.environ.get("LOCALAPPDATA") if os.name == "nt" else None
    state = windows or os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(state) / "post-stack-workbench" / "recent.json"

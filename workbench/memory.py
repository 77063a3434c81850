"""How much memory there is: asked before it is taken, so that a person hears a sentence and no process is killed."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import sys
from pathlib import Path

__all__ = ["collect_seldom", "free_memory", "give_back", "in_gigabytes"]

#: New objects from which on garbage is looked for; 700 are Python's own choice.
_BETWEEN_COLLECTIONS = 50_000

_MEMINFO = Path("/proc/meminfo")
#: Limit and use of a container (control groups, version 2 and 1).
_GROUPS = (
    (Path("/sys/fs/cgroup/memory.max"), Path("/sys/fs/cgroup/memory.current")),
    (
        Path("/sys/fs/cgroup/memory/memory.limit_in_bytes"),
        Path("/sys/fs/cgroup/memory/memory.usage_in_bytes"),
    ),
)


def free_memory() -> int | None:
    """Bytes that can still be taken without swapping: of the system, a container and the process's own limit.

    None where the system does not tell.
    """
    known = [
        n for n in (_of_the_system(), *(_of_a_group(*pair) for pair in _GROUPS), _of_the_process()) if n is not None
    ]
    return max(0, min(known)) if known else None


def collect_seldom() -> None:
    """Have Python look for garbage less often: for programs of ours, which begin with making many objects that stay.

    Looking takes a twentieth of the time in which libraries are loaded and kernels compiled. Frames do not wait for it:
    they go with their last reference.
    """
    first, *others = gc.get_threshold()
    gc.set_threshold(max(first, _BETWEEN_COLLECTIONS), *others)


def give_back() -> None:
    """Give memory that was freed back to the system, where the C library keeps it and can be asked to (glibc).

    Arrays of up to 32 MB that a measurement has freed are kept for the next of their size, a third of a frame in all.
    """
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


def in_gigabytes(size: float) -> str:
    """Bytes in words: 5.6 GB; small ones in MB.

    Parameters
    ----------
    size : float
        In bytes.

    Returns
    -------
    str
    """
    return f"{size / 1e9:.1f} GB" if size >= 1e8 else f"{size / 1e6:.0f} MB"


def _of_the_system() -> int | None:
    with contextlib.suppress(OSError, ValueError, IndexError):
        for line in _MEMINFO.read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    with contextlib.suppress(OSError, ValueError, AttributeError):
        return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    return None


def _of_a_group(limit: Path, used: Path) -> int | None:
    with contextlib.suppress(OSError, ValueError):  # "max" is no limit
        return int(limit.read_text(encoding="ascii")) - int(used.read_text(encoding="ascii"))
    return None


def _of_the_process() -> int | None:
    """What the limit of the address space (ulimit -v) leaves."""
    if sys.platform == "win32":
        return None
    import resource  # noqa: PLC0415 - not on Windows

    limit, _ = resource.getrlimit(resource.RLIMIT_AS)
    if limit == resource.RLIM_INFINITY:
        return None
    with contextlib.suppress(OSError, ValueError, IndexError):
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
        return limit - pages * os.sysconf("SC_PAGE_SIZE")
    return None

"""Compiling kernels before they are needed: on all cores, once for each processor and each version of the source.

Compiling is Python's work and holds the interpreter's lock, so processes share it. What they compile lies in numba's
cache on disk, from where this process and all later ones load it. ``kernels.json`` names the kernels that the first
look at a stack, a first check-up and a first picture call, with the types of their arguments; a kernel that is missing
there, or has other types by now, is compiled when it is called, as if there were no list.
`benchmarks/first_picture.py` makes the list.

What is wanted at once is waited for (`prepare`); the bench shows a stack as soon as it can, and has the rest compiled
behind the person's work (`prepare_behind`).

The cache stands two processes that prepare at once, and one that is killed: files appear whole, and the mark that all
is prepared comes last. It lies beside the source, or in the person's own cache folder where that cannot be written.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable
from functools import cache
from importlib import import_module
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

import numba
import numpy as np
from llvmlite import binding
from tqdm import tqdm

from workbench.lazy import load_behind
from workbench.memory import collect_seldom
from workbench.threads import default_threads

__all__ = ["LIST", "PURPOSES", "UNPREPARED", "described", "kernels_of", "prepare", "prepare_behind", "signature"]

_HERE = Path(__file__).parent
#: What is done first with kernels: a stack without steps is shown, a stack is checked, all is done to a picture's end.
PURPOSES = ("look", "check", "picture")
#: Libraries by purpose that it is likely to need and that take long to load.
_LIBRARIES: dict[str, tuple[str, ...]] = {
    "look": (),
    "check": ("scipy.optimize",),
    "picture": ("scipy.optimize", "photutils.aperture"),
}
#: Kernels by purpose: module:name -> types of the arguments, one list for each way it is called.
LIST = _HERE / "kernels.json"

_NUMBA: Any = numba  # it tells type checkers little
_TYPES = _NUMBA.types

#: More processes than this wait for each other's memory.
_MOST = 8

#: Seconds between two looks at whether the program ends.
_LOOK = 0.1

#: Set to anything to compile each kernel and load each library when it is first used, in this process; nor does a bench
#: load kernels then that no step in use needs.
UNPREPARED = "WORKBENCH_UNPREPARED"

Described = list[Any]


def described(kinds: Iterable[Any]) -> Described | None:
    """The types of a call, as numba names them, as plain data; None where `signature` could not give them back.

    An array is [dtype, dimensions, layout], a tuple {"tuple": [...]}, a number the name of its type.

    Parameters
    ----------
    kinds : iterable of numba type

    Returns
    -------
    list or None
    """
    found = [_described(kind) for kind in kinds]
    return None if None in found else found


def _described(kind: Any) -> Any:
    if isinstance(kind, _TYPES.Array) and kind.mutable:
        dtype = _NUMBA.np.numpy_support.as_dtype(kind.dtype)
        return [dtype.str if dtype.names is None else [list(f) for f in dtype.descr], kind.ndim, kind.layout]
    if isinstance(kind, _TYPES.BaseTuple):
        inner = described(tuple(kind))
        return None if inner is None else {"tuple": inner}
    return str(kind) if isinstance(kind, (_TYPES.Number, _TYPES.Boolean)) else None


def signature(kinds: Described) -> tuple[Any, ...]:
    """The types that `described` has put into plain data, as numba names them.

    Parameters
    ----------
    kinds : list

    Returns
    -------
    tuple of numba type
    """
    return tuple(_kind(kind) for kind in kinds)


def _kind(kind: Any) -> Any:
    if isinstance(kind, str):
        return getattr(numba.types, kind)
    if isinstance(kind, dict):
        inner = signature(kind["tuple"])
        alike = len(set(inner)) == 1
        return _TYPES.UniTuple(inner[0], len(inner)) if alike else _TYPES.Tuple(inner)
    dtype, ndim, layout = kind
    dtype = np.dtype(dtype if isinstance(dtype, str) else [tuple(field) for field in dtype])
    example = np.empty((1,) * ndim, dtype)
    return _NUMBA.typeof(example).copy(layout=layout)


@cache
def kernels_of(purpose: str, path: Path) -> dict[str, list[Described]]:
    """Kernels of the list in ``path`` for a ``"look"``, a ``"check"``, or a ``"picture"``, which needs all of them.

    Parameters
    ----------
    purpose : {"look", "check", "picture"}
    path : Path

    Returns
    -------
    dict of str to list
        Calls of each kernel, as `described` gives them.
    """
    listed: dict[str, dict[str, list[Described]]] = json.loads(path.read_bytes())
    found: dict[str, list[Described]] = {}
    for part in _within(purpose):
        for name, calls in listed.get(part, {}).items():
            known = found.setdefault(name, [])
            known += [call for call in calls if call not in known]
    return found


def _within(purpose: str) -> tuple[str, ...]:
    """The purposes that are served with it."""
    return PURPOSES if purpose == "picture" else (purpose,)


def prepare(purpose: str, say: Callable[[str], object]) -> None:
    """Compile what a first look, check-up or picture needs, where that has not been done; says so while it lasts.

    Libraries that it is likely to need are loaded meanwhile, and behind what comes next, such as reading a stack.

    Parameters
    ----------
    purpose : {"look", "check", "picture"}
    say : callable
        Is told, in a sentence, what is being waited for. A terminal sees a bar as well.
    """
    if not os.environ.get(UNPREPARED):
        load_behind(*_LIBRARIES[purpose])
    if not _is_prepared(purpose):
        say("getting ready for this processor; only the first time takes so long")
        _prepare(purpose)


def prepare_behind(purpose: str, say: Callable[[str], object]) -> threading.Thread | None:
    """Compile the same while others work, who go first; returns at once.

    Parameters
    ----------
    purpose : {"look", "check", "picture"}
    say : callable
        Is told, in a sentence, that this begins, and that it is done. Called on the thread that does it.

    Returns
    -------
    threading.Thread or None
        Ends when all is compiled, or with the program, which does not wait for the rest. None where nothing is to be
        done.
    """
    if _is_prepared(purpose):
        return None

    def work() -> None:
        say("steps are being made ready for this processor, this once: until then each takes longer when first used")
        if _prepare(purpose, behind=True):
            say("every step is ready now")

    thread = threading.Thread(target=work, name="preparing kernels", daemon=False)
    thread.start()
    return thread


#: In one process nothing is compiled twice at the same time: who comes second finds it done.
_turn = threading.Lock()


def _is_prepared(purpose: str) -> bool:
    mark = _mark(purpose)
    return mark is None or mark.exists() or not sys.executable or bool(os.environ.get(UNPREPARED))


def _prepare(purpose: str, *, behind: bool = False) -> bool:
    """Compile what is not yet compiled; whether all of it is in the end."""
    with _turn:
        if _is_prepared(purpose):
            return True
        if not threading.main_thread().is_alive():
            return False
        kernels = list(kernels_of(purpose, LIST))
        if not _compiled_by(min(default_threads(), _MOST, len(kernels)), purpose, kernels, behind=behind):
            return False
        with contextlib.suppress(OSError):
            for done in filter(None, map(_mark, _within(purpose))):
                done.touch()
        return True


def _mark(purpose: str) -> Path | None:
    """The file that says that all is prepared; None where numba keeps no cache."""
    kernel: Any = import_module("workbench.pixels").interleave
    folder = kernel.stats.cache_path if hasattr(kernel, "stats") else None  # plain Python where compiling is off
    if not folder:
        return None
    state = hashlib.sha256(f"{numba.__version__} {binding.get_host_cpu_name()} {LIST.read_bytes()!r}".encode())
    modules = {name.split(":")[0] for name in kernels_of(purpose, LIST)}
    for module in sorted(modules):
        file = _HERE.joinpath(*module.split(".")[1:]).with_suffix(".py")
        with contextlib.suppress(OSError):
            stat = file.stat()
            state.update(f"{module} {stat.st_mtime_ns} {stat.st_size}".encode())
    return Path(folder) / f"prepared-{purpose}-{state.hexdigest()[:16]}"


def _compiled_by(workers: int, purpose: str, kernels: list[str], *, behind: bool) -> bool:
    """Have processes compile kernels, each the next one of the list; whether all were, before the program ended."""
    waiting: SimpleQueue[str] = SimpleQueue()
    for name in kernels:
        waiting.put(name)
    answers: list[str] = []
    processes = [
        subprocess.Popen(  # noqa: S603 - this Python, this module
            [sys.executable, "-m", __name__, purpose, str(LIST), *(["behind"] if behind else [])],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )
        for _ in range(workers)
    ]  # fmt: skip
    with tqdm(total=len(kernels), desc="preparing", unit="kernel", leave=False, disable=behind or None) as bar:

        def feed(process: subprocess.Popen[str]) -> None:
            assert process.stdin is not None
            assert process.stdout is not None
            with contextlib.suppress(Empty, OSError):
                while True:
                    process.stdin.write(waiting.get_nowait() + "\n")
                    process.stdin.flush()
                    if not (answer := process.stdout.readline()):
                        return
                    answers.append(answer)
                    bar.update()

        # No pool of the library: a program that ends would wait for it before anything here could stop it.
        feeders = [threading.Thread(target=feed, args=(process,), name="preparing kernels") for process in processes]
        try:
            for feeder in feeders:
                feeder.start()
            for feeder in feeders:
                while feeder.is_alive() and threading.main_thread().is_alive():
                    feeder.join(_LOOK)
        finally:
            for process in processes:
                process.kill()
            for feeder, process in zip(feeders, processes, strict=True):
                feeder.join()
                process.communicate()
    return len(answers) == len(kernels)


def _work(purpose: str, path: Path) -> None:
    """Compile the kernels whose names come in, a line each, and answer each with a line."""
    listed = kernels_of(purpose, path)
    for line in sys.stdin:
        module, name = line.strip().split(":")
        # A list that is older than the source must not keep anyone from the source.
        with contextlib.suppress(Exception):
            kernel = getattr(import_module(module), name)
            for kinds in listed[line.strip()]:
                kernel.compile(signature(kinds))
        print(line.strip(), flush=True)  # noqa: T201 - the answer


if __name__ == "__main__":
    if "behind" in sys.argv[3:] and hasattr(os, "nice"):
        os.nice(10)  # whoever works meanwhile goes first
    collect_seldom()
    _work(sys.argv[1], Path(sys.argv[2]))

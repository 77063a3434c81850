"""Decoders that trust their input, in a process of their own: if one is killed, a batch goes on and a kernel lives."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.io.formats.base import damaged, fault

__all__ = ["unpacked_apart"]

SCRIPT = Path(__file__).with_name("unpack.py")
#: Address space of the process: its libraries, and so many bytes a sample.
_LIBRARIES, _BYTES = 4_000_000_000, 40
#: Seconds that it may take: to start, and for a million samples.
_START, _MILLION = 60, 1


def unpacked_apart(path: Path, title: str, index: int, samples: int) -> NDArray[Any]:
    """Unpack in a process of its own, with a limit to its memory and its time. Starting it costs 0.2 to 0.7 s.

    Parameters
    ----------
    path : Path
    title : {'FITS', 'TIFF'}
    index : int
        Of the FITS unit or the TIFF page.
    samples : int
        How many it holds.

    Returns
    -------
    ndarray, shape (samples,)
        Of any real type.

    Raises
    ------
    WorkbenchError
        When the decoder fails, dies or does not know the file's kind, or the image has another number of samples.
    """
    most = _LIBRARIES + _BYTES * samples
    command = [sys.executable, "-P", str(SCRIPT), title, str(path.absolute()), str(index), str(most)]
    try:
        done = subprocess.run(  # noqa: S603 - our own script, and a path that is no option
            command,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_START + _MILLION * samples / 1e6,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise damaged(path, title) from error
    except OSError as error:
        raise WorkbenchError(f"cannot read {path}: no process to unpack it could be started") from error
    kind, _, data = done.stdout.partition(b"\n")
    if done.returncode or not re.fullmatch(rb"[<>=|][uif][1248]", kind):
        last = done.stderr.decode("utf-8", "replace").strip().rpartition("\n")[2]
        raise fault(path, title, last)
    dtype = np.dtype(kind.decode())
    if len(data) != samples * dtype.itemsize:
        raise damaged(path, title)
    return np.frombuffer(data, dtype)

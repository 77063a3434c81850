"""The trained network at work: tiles in noise units in, the same tiles without their stars out.

How it was trained and on what: `workbench.learned.training`; seeds, versions and checksum: ``training.json``.
"""

from __future__ import annotations

import hashlib
import json
import threading
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from weakref import WeakValueDictionary

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.threads import thread_count

__all__ = ["CUT", "MARGIN", "MISSING", "MULTIPLE", "checksum", "installed", "starless"]

#: Pixels around a tile that the network should see; beyond them hardly anything counts.
MARGIN = 96
#: Pixels on each side that it does not work out to the end.
CUT = 80
#: Sides of what the network takes are multiples of this.
MULTIPLE = 8

_HERE = Path(__file__).parent
MISSING = "the learned method needs onnxruntime: install it with pip install 'post-stack-workbench[learned]'"


def installed() -> bool:
    """Whether the network can be run here."""
    return find_spec("onnxruntime") is not None


@cache
def checksum() -> str:
    """SHA-256 of the weights, hex, as the training record has it."""
    told: str = json.loads((_HERE / "training.json").read_text())["sha256"]
    return told


class _Network:
    """The network on a number of threads, which make one tile after the other together.

    A tile in work takes 0.45 GB: one for each thread would be as many times that. It is kept for the next tile, as
    fresh memory costs a seventh of the time.
    """

    def __init__(self, threads: int) -> None:
        try:
            import onnxruntime  # noqa: PLC0415 - an extra
        except ImportError:
            raise WorkbenchError(MISSING) from None
        weights = (_HERE / "starless.onnx").read_bytes()
        if hashlib.sha256(weights).hexdigest() != checksum():
            raise WorkbenchError(
                "the weights of the learned method do not have their checksum: install the package again"
            )
        self.threads = threads
        self._lock = threading.Lock()
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads, options.inter_op_num_threads = threads, 1
        # The next tile is made ready meanwhile: waiting threads leave the cores to that.
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        # A plan of memory for each size of tile would be kept beside the others: three times as much, and no quicker.
        options.enable_mem_pattern = False
        options.log_severity_level = 3
        self._session = onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])
        self._running = onnxruntime.RunOptions()
        if threads == 1:
            # The one thread may be the program's own, which does not end with the work on a frame.
            self._running.add_run_config_entry("memory.enable_memory_arena_shrinkage", "cpu:0")

    def __call__(self, recorded: NDArray[np.float32]) -> NDArray[np.float32]:
        with self._lock:
            made: NDArray[np.float32] = self._session.run(None, {"recorded": recorded}, self._running)[0]
        return made


#: A network ends, and gives its memory back, with the last of the threads that use it.
_of_this_thread = threading.local()
_in_use: WeakValueDictionary[int, _Network] = WeakValueDictionary()
_starting = threading.Lock()


def _network() -> _Network:
    """The network for as many threads as work is shared between here."""
    threads = thread_count()
    mine: _Network | None = getattr(_of_this_thread, "network", None)
    if mine is None or mine.threads != threads:
        with _starting:
            mine = _in_use.get(threads) or _Network(threads)
            _in_use[threads] = mine
        _of_this_thread.network = mine
    return mine


def starless(tile: NDArray[np.float32]) -> NDArray[np.float32]:
    """A tile without its stars.

    Parameters
    ----------
    tile : ndarray, shape (C, H, W), float32, C in {1, 3}
        Linear light in noise units: the sky's level taken off, divided by the sky's noise, each channel by its own.
        What lies within `MARGIN` pixels of an edge is less good. Sides longer than 2 `CUT`; it is never changed.

    Returns
    -------
    ndarray, shape (C, H - 2 CUT, W - 2 CUT), float32
        In the same units, without `CUT` pixels on each side. A pixel is what is left of it, or, where a star cut or
        drowned it, what the network takes to lie below.

    Raises
    ------
    WorkbenchError
        When onnxruntime is not installed, or the weights are not those of the training record.
    """
    channels, height, width = tile.shape
    below, beside = -height % MULTIPLE, -width % MULTIPLE
    seen = np.broadcast_to(tile, (3, height, width)) if channels == 1 else tile
    if below or beside:
        seen = np.pad(seen, ((0, 0), (0, below), (0, beside)), mode="edge")
    made = _network()(np.ascontiguousarray(seen[None], np.float32))[0]
    made = made[:, : height - 2 * CUT, : width - 2 * CUT]
    result: NDArray[np.float32] = made.mean(axis=0, keepdims=True, dtype=np.float32) if channels == 1 else made
    return np.ascontiguousarray(result)

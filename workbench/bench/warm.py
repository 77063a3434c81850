"""Loading every step's compiled kernels before the first slider moves."""

from __future__ import annotations

import os
import threading
from functools import cache

import numpy as np

from workbench.acquisition import Tone
from workbench.engine import Preview, Recipe
from workbench.operations.base import registered
from workbench.prepared import UNPREPARED, prepare_behind
from workbench.stack import Stack

__all__ = ["use_every_operation", "warm_up"]

_SHAPE = (160, 240, 3)


@cache
def warm_up() -> threading.Thread:
    """Use every operation once on a tiny stack, on a thread of its own; once for each process.

    A program that ends waits for the operation in use: a thread torn off inside compiled code takes the process down.
    """
    # Said outright: a thread takes after the one that starts it, and those of the bench are daemons.
    thread = threading.Thread(target=_warm_up, name="bench warming up", daemon=False)
    thread.start()
    return thread


def _warm_up() -> None:
    if os.environ.get(UNPREPARED):
        return
    compiling = prepare_behind("picture", lambda _: None)
    if compiling is not None:
        compiling.join()
    use_every_operation()


def use_every_operation() -> None:
    """Use every operation once on a tiny stack; one that refuses stops nothing."""
    light = np.random.default_rng(1).normal(0.1, 0.001, _SHAPE).astype(np.float32)
    stacks = {tone: Stack.from_array(light, tone=tone) for tone in Tone}
    split = [kind for kind in registered() if kind.layers == "split"]
    for kind in registered():
        if not threading.main_thread().is_alive():
            return  # the program ends, and no more threads may start
        try:
            # What joins layers needs a frame that has them.
            recipe = Recipe([*(each() for each in split if kind.layers == "join"), kind()])
            preview = Preview(stacks[kind.takes], recipe, threads=1)
            preview.view(_SHAPE[1] // 2, draft=True)
            preview.loupe(0, 0, 32, 32)
        except Exception:  # noqa: BLE001, S112 - nobody asked for this; what is wrong shows when the step is used
            continue

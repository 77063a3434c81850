"""The reduced frame with the grain of the full one: levels of the whole frame, and how far single pixels stray.

A stretch goes by the sky's level, by the noise of a pixel and by the brightest of them. The reduced frame knows the
level better than any part of the full one, but averaging took noise and peaks away. So each of its pixels is given the
value that one pixel of the full frame at its place has: the reduced value and a *detail*, which steps change as they
change noise.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from workbench.engine.chain import BoundStep, Chain
from workbench.engine.state import State
from workbench.engine.tile_pool import TilePool
from workbench.engine.transform import place_of
from workbench.measure.statistics import MAD_TO_SIGMA
from workbench.operations.base import FrameOperation, Planes

__all__ = ["grained", "grained_after"]

#: Details up to so many times the noise are noise; what strays farther is a star.
_NOISE = 5.0


def grained(state: State, chain: Chain, made: int, source: Planes, stack: Planes) -> State | None:
    """The reduced frame ``state`` with pixels of the full one; None where those would have to be made first.

    Parameters
    ----------
    state : State
        Reduced; its sky solution is the grid that tells where its pixels lie on the stack.
    chain : Chain
        The steps behind it.
    made : int
        How many of them ``source`` has behind it.
    source, stack : ndarray, shape (C, H, W), float32

    Returns
    -------
    State or None
    """
    _, height, width = state.planes.shape
    if made == len(chain):
        rows = _nearest(height, source.shape[1])
        columns = _nearest(width, source.shape[2])
        picked = source[:, rows[:, None], columns]
    else:
        place = place_of(state.wcs)
        if place is None or not all(isinstance(bound.step.operation, FrameOperation) for bound in chain.steps):
            return None
        y, x = np.indices((height, width), np.float64)
        at_x, at_y = (np.rint(a * x + b * y + c).astype(np.intp) for a, b, c in place)
        picked = stack[:, at_y.clip(0, stack.shape[1] - 1), at_x.clip(0, stack.shape[2] - 1)]
    return replace(state, planes=np.ascontiguousarray(picked))


def grained_after(
    grain: State, before: State, after: State, bound: BoundStep, shares: NDArray[np.float32], pool: TilePool
) -> State:
    """The same after one more step.

    Parameters
    ----------
    grain : State
        The reduced frame with grain.
    before, after : State
        The reduced frame around the step.
    bound : BoundStep
        The step, bound to the reduced frame.
    shares : ndarray, shape (C,), float32
        What the step leaves of the noise of each channel, where it looks around itself.
    pool : TilePool

    Returns
    -------
    State
    """
    if not bound.is_head:
        return pool.apply(grain, [bound], keep=True)
    detail = grain.planes - before.planes
    spread = np.float32(MAD_TO_SIGMA) * np.median(np.abs(detail), axis=(1, 2))[:, None, None]
    noise = np.abs(detail) <= np.float32(_NOISE) * spread
    # A star's peak is changed as its light on the reduced frame is.
    sky = np.median(before.planes, axis=(1, 2))[:, None, None]
    light, kept = before.planes - sky, np.ones_like(detail)
    np.divide(after.planes - sky, light, out=kept, where=light > spread)
    detail *= np.where(noise, shares[:, None, None], kept.clip(0, 1))
    return replace(after, planes=after.planes + detail)


def _nearest(count: int, length: int) -> NDArray[np.intp]:
    nearest: NDArray[np.intp] = np.rint((np.arange(count) + 0.5) * (length / count) - 0.5).astype(np.intp)
    return np.clip(nearest, 0, length - 1)

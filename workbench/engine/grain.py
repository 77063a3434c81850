"""The reduced frame with the grain of the full one: levels of the whole frame, and how far single pixels stray.

A stretch goes by the sky's level, by the noise of a pixel and by the brightest of them. The reduced frame knows the
level better than any part of the full one, but averaging took noise and peaks away. So each of its pixels is given the
value that one pixel of the full frame at its place has. Where a step looks around itself, what such a pixel strays from
the reduced one shrinks as noise does; a star's pixels stay, or become what the step says of light that stands out
(`Operation.brightest`): on the reduced frame a star's core and its flanks are one pixel, and would lose alike.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
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
#: Side of the square, in pixels of the reduced frame, whose darkest pixel tells what lies under a star.
_AROUND = 5


def grained(
    state: State, chain: Chain, made: int, source: Planes, stack: Planes, scale: float, pool: TilePool
) -> State | None:
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
    scale : float
        How many pixels of the full frame are one of ``state``.
    pool : TilePool

    Returns
    -------
    State or None
    """
    _, height, width = state.planes.shape
    left = chain.reduced(scale).steps[made:]
    if not any(bound.is_head for bound in left):
        rows = _nearest(height, source.shape[1])
        columns = _nearest(width, source.shape[2])
        picked = np.ascontiguousarray(source[:, rows[:, None], columns])
        if left:
            return pool.apply(replace(state, planes=picked), left)
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
        What the step leaves of the noise of each channel.
    pool : TilePool

    Returns
    -------
    State
    """
    op, everywhere = bound.step.operation, bound.step.where is None and bound.step.opacity == 1
    tells = everywhere and op.tells_brightest()
    if not bound.is_head and not tells:
        return pool.apply(grain, [bound], keep=True)
    detail = grain.planes - before.planes
    spread = np.float32(MAD_TO_SIGMA) * np.median(np.abs(detail), axis=(1, 2))[:, None, None]
    star = np.abs(detail) > np.float32(_NOISE) * spread
    planes = after.planes + shares[:, None, None] * detail
    for old, new, known, among in zip(grain.planes, planes, before.planes, star, strict=True):
        new[among] = old[among]
        if tells:
            ground = np.asarray(cv2.erode(known, np.ones((_AROUND, _AROUND), np.uint8)), np.float32)
            bright = among & (old > ground)
            light = (old - ground)[bright]
            order = np.argsort(light)
            light[order] = op.brightest(bound.facts, light[order])
            new[bright] = ground[bright] + light
    return replace(after, planes=planes)


def _nearest(count: int, length: int) -> NDArray[np.intp]:
    nearest: NDArray[np.intp] = np.rint((np.arange(count) + 0.5) * (length / count) - 0.5).astype(np.intp)
    return np.clip(nearest, 0, length - 1)

"""Groups of bound steps, each made in one pass: every tile goes through all steps of a group while it is in cache.

A group is one step that looks around itself or maps coordinates (its head), or a pointwise step, followed by
pointwise steps. Every value a step sees comes from a tile of the fixed grid, whichever way it was asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from workbench.engine.blending import blend, blend_by
from workbench.engine.chain import BoundStep
from workbench.masks import Plane
from workbench.operations.base import FrameOperation, Planes, Rect, Tile

__all__ = ["Fill", "Workspace", "grouped", "input_rect", "make_tile"]

#: Writes the pixels of a rectangle of the group's input (mirrored outside the frame) to an array (C, h, w).
Fill = Callable[[Rect, Planes], None]


def grouped(steps: Sequence[BoundStep]) -> list[list[BoundStep]]:
    """Cut bound steps into groups, each made in one pass over its tiles.

    Parameters
    ----------
    steps : sequence of BoundStep

    Returns
    -------
    list of list of BoundStep
    """
    groups: list[list[BoundStep]] = []
    for bound in steps:
        if not groups or bound.is_head:
            groups.append([bound])
        else:
            groups[-1].append(bound)
    return groups


def input_rect(bound: BoundStep, core: Rect) -> Rect:
    """What the step needs of its input to make ``core``; it may leave the frame.

    Parameters
    ----------
    bound : BoundStep
    core : Rect
        In pixels of its output.

    Returns
    -------
    Rect
        In pixels of its input.
    """
    op = bound.step.operation
    if isinstance(op, FrameOperation):
        return op.source_rect(bound.facts, bound.before, core)
    return core.grown(bound.reach)


class Workspace:
    """Reused memory of one thread: first touch of fresh memory costs more than the work done in it."""

    def __init__(self) -> None:
        self._buffers: dict[str, NDArray[np.float32]] = {}

    def planes(self, name: str, channels: int, height: int, width: int) -> Planes:
        """An uninitialised C-contiguous (channels, height, width) array, valid until the name is asked for again.

        Parameters
        ----------
        name : str
        channels, height, width : int

        Returns
        -------
        ndarray, shape (channels, height, width), float32
        """
        need = channels * height * width
        buffer = self._buffers.get(name)
        if buffer is None or buffer.size < need:
            buffer = self._buffers[name] = np.empty(need, np.float32)
        return buffer[:need].reshape(channels, height, width)


def make_tile(
    group: Sequence[BoundStep],
    core: Rect,
    fill: Fill,
    space: Workspace,
    watch: Callable[[BoundStep, Planes], None] | None = None,
) -> Planes:
    """Make tile ``core`` of the last frame of ``group``; the result lies in ``space``.

    ``watch`` sees each step's result (C, h, w), contiguous, before the next step changes it.

    Parameters
    ----------
    group : sequence of BoundStep
    core : Rect
    fill : callable
        Writes pixels of the first frame.
    space : Workspace
    watch : callable, optional
        Gets the step and an array (C, h, w).

    Returns
    -------
    ndarray, shape (C, h, w), float32
    """
    head = group[0]
    out = space.planes("out", head.after.planes, core.height, core.width)
    rest = group
    if head.is_head:
        _apply_head(head, core, fill, space, out)
        if watch:
            watch(head, out)
        rest = group[1:]
    else:
        fill(core, out)
    for bound in rest:
        _apply_to_layers(bound, out, core, space, out)
        if watch:
            watch(bound, out)
    return out


def _apply_head(head: BoundStep, core: Rect, fill: Fill, space: Workspace, out: Planes) -> None:
    op, before = head.step.operation, head.before
    rect = input_rect(head, core)
    source = space.planes("in", before.planes, rect.height, rect.width)
    fill(rect, source)
    if isinstance(op, FrameOperation):
        op.resample(source, rect, core, head.plan, before, out)
    elif op.layers == "split":
        starless, stars = out[: before.channels], out[before.channels :]
        tile = Tile(source, core, head.reach, before)
        np.copyto(stars, tile.inner)
        op.apply(tile, head.plan, starless)
        stars -= starless
    elif op.layers == "join":
        op.apply(Tile(source, core, head.reach, before), head.plan, out)
    else:
        _apply_to_layers(head, source, core, space, out)


def _apply_to_layers(bound: BoundStep, source: Planes, core: Rect, space: Workspace, out: Planes) -> None:
    """Apply a step to the layer that it works on; ``out`` may be ``source`` where the step has no reach.

    A step that works on both is applied to the starless layer and to the frame as it was with its stars, and what the
    latter has more is the layer of stars: joined, the layers are what the step makes of the whole frame.
    """
    channels = bound.before.channels
    if bound.before.layers == 1:
        _apply(bound, source, core, space, out, _weights(bound, source, core))
        return
    starless, stars = slice(channels), slice(channels, None)
    if bound.step.works_on == "both":
        whole = space.planes("whole", *source[starless].shape)
        np.add(source[starless], source[stars], out=whole)
        made = whole if bound.reach == 0 else space.planes("made", *out[starless].shape)
        weights = _weights(bound, whole, core)
        _apply(bound, whole, core, space, made, weights)
        _apply(bound, source[starless], core, space, out[starless], weights)
        np.subtract(made, out[starless], out=out[stars])
        return
    mine, other = (stars, starless) if bound.step.works_on == "stars" else (starless, stars)
    if out is not source:
        np.copyto(out[other], Tile(source[other], core, bound.reach, bound.before).inner)
    _apply(bound, source[mine], core, space, out[mine], _weights(bound, source[mine], core))


def _weights(bound: BoundStep, source: Planes, core: Rect) -> Plane | None:
    """How much of the step's change is made in each pixel (h, w), its opacity aside; None: all of it everywhere."""
    step = bound.step
    if step.where is None or step.opacity == 0:
        return None
    return step.where.weights(Tile(source, core, bound.reach, bound.before), bound.mask)


def _apply(bound: BoundStep, source: Planes, core: Rect, space: Workspace, out: Planes, weights: Plane | None) -> None:
    step, opacity = bound.step, bound.step.opacity
    inner = Tile(source, core, bound.reach, bound.before).inner
    if opacity == 0 or (weights is not None and not weights.any()):
        if out is not source:
            np.copyto(out, inner)
        return
    mixed = opacity < 1 or weights is not None
    if mixed:
        before = space.planes("before", *inner.shape)
        np.copyto(before, inner)
    step.operation.apply(_seen(bound, source, core, space), bound.plan, out)
    if weights is not None:
        blend_by(before, weights, np.float32(opacity), out)
    elif mixed:
        blend(before, opacity, out)


def _seen(bound: BoundStep, source: Planes, core: Rect, space: Workspace) -> Tile:
    """The tile with the margin that the operation itself asks for, where that of its mask is wider."""
    spare = bound.reach - bound.own_reach
    if spare == 0:
        return Tile(source, core, bound.reach, bound.before)
    cut = source[:, spare:-spare, spare:-spare]
    pixels = space.planes("narrower", *cut.shape)
    np.copyto(pixels, cut)
    return Tile(pixels, core, bound.own_reach, bound.before)

"""Steps bound to a frame, fused into groups that make one tile each while it is in cache.

A group is one step that looks around itself or maps coordinates (its head), or a pointwise step, followed by
pointwise steps. Every value a step sees comes from a tile of the fixed grid, whichever way it was asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.engine.tiles import tile_size
from workbench.operations.base import Facts, FrameOperation, Geometry, Planes, Rect, Tile
from workbench.recipe.model import Step, Where

__all__ = ["Bound", "Fill", "Scratch", "bind", "fuse", "input_rect", "is_head", "make_tile"]

#: Writes the pixels of a rectangle of the group's input (mirrored outside the frame) to an array (C, h, w).
Fill = Callable[[Rect, Planes], None]


@dataclass(frozen=True, slots=True)
class Bound:
    """A step with its facts, ready for the tiles of one frame.

    Attributes
    ----------
    index : int
        Place in the recipe, from 0.
    before, after : Geometry
        The frame the step sees and the one it leaves.
    reach : int
        Margin in pixels of ``before``.
    plan : object
        What the operation prepared from the facts.
    size : int
        Side of the grid's tiles; inherited by the pointwise steps that follow a head.
    """

    index: int
    step: Step
    facts: Facts
    before: Geometry
    after: Geometry
    reach: int
    plan: Any
    size: int


def bind(index: int, step: Step, facts: Facts, geometry: Geometry, size: int) -> Bound:
    """Bind a step to the frame ``geometry``; ``size`` is the tile side of the step before."""
    op = step.operation
    reach = 0 if isinstance(op, FrameOperation) else op.reach(facts, geometry)
    after = op.out_geometry(facts, geometry) if isinstance(op, FrameOperation) else geometry
    plan = op.prepare(facts, geometry)
    bound = Bound(index, step, facts, geometry, after, reach, plan, size)
    return replace(bound, size=tile_size(reach)) if is_head(bound) else bound


def is_head(bound: Bound) -> bool:
    """Whether the step needs more of its input than the pixels of the tile itself."""
    return bound.reach > 0 or isinstance(bound.step.operation, FrameOperation)


def fuse(chain: Sequence[Bound]) -> list[list[Bound]]:
    """Cut a chain of bound steps into groups, each made in one pass over its tiles."""
    groups: list[list[Bound]] = []
    for bound in chain:
        if not groups or is_head(bound):
            groups.append([bound])
        else:
            groups[-1].append(bound)
    return groups


def input_rect(bound: Bound, core: Rect) -> Rect:
    """What the step needs of its input to make ``core``; it may leave the frame."""
    op = bound.step.operation
    if isinstance(op, FrameOperation):
        return op.source_rect(bound.facts, bound.before, core)
    return core.grown(bound.reach)


class Scratch:
    """Reused working memory of one thread: first touch of fresh memory costs more than the work done in it."""

    def __init__(self) -> None:
        self._buffers: dict[str, NDArray[np.float32]] = {}

    def planes(self, name: str, channels: int, height: int, width: int) -> Planes:
        """An uninitialised C-contiguous (channels, height, width) array, valid until the name is asked for again."""
        need = channels * height * width
        buffer = self._buffers.get(name)
        if buffer is None or buffer.size < need:
            buffer = self._buffers[name] = np.empty(need, np.float32)
        return buffer[:need].reshape(channels, height, width)


def make_tile(
    group: Sequence[Bound],
    core: Rect,
    fill: Fill,
    scratch: Scratch,
    watch: Callable[[Bound, Planes], None] | None = None,
) -> Planes:
    """Make tile ``core`` of the last frame of ``group``; the result lies in ``scratch``.

    ``watch`` sees each step's result (C, h, w), contiguous, before the next step changes it.
    """
    head = group[0]
    out = scratch.planes("out", head.after.channels, core.height, core.width)
    rest = group
    if is_head(head):
        _apply_head(head, core, fill, scratch, out)
        if watch:
            watch(head, out)
        rest = group[1:]
    else:
        fill(core, out)
    for bound in rest:
        kept = _kept(bound, out, scratch)
        bound.step.operation.apply(Tile(out, core, 0, bound.before), bound.plan, out)
        _blend(bound, core, kept, out)
        if watch:
            watch(bound, out)
    return out


def _apply_head(head: Bound, core: Rect, fill: Fill, scratch: Scratch, out: Planes) -> None:
    op, before = head.step.operation, head.before
    rect = input_rect(head, core)
    source = scratch.planes("in", before.channels, rect.height, rect.width)
    fill(rect, source)
    if isinstance(op, FrameOperation):
        op.resample(source, rect, core, head.plan, before, out)
        return
    tile = Tile(source, core, head.reach, before)
    kept = _kept(head, tile.inner, scratch)
    op.apply(tile, head.plan, out)
    _blend(head, core, kept, out)


def _kept(bound: Bound, pixels: Planes, scratch: Scratch) -> Planes | None:
    """A copy of what the step will change, where it is limited to a part of the frame."""
    if bound.step.where is None:
        return None
    kept = scratch.planes("kept", *pixels.shape)
    np.copyto(kept, pixels)
    return kept


def _blend(bound: Bound, core: Rect, kept: Planes | None, out: Planes) -> None:
    if kept is None or bound.step.where is None:
        return
    mask = where_mask(bound.step.where, core, bound.before.scale)
    out -= kept
    out *= mask
    out += kept


def where_mask(where: Where, core: Rect, scale: float = 1.0) -> NDArray[np.float32]:
    """Weight 0..1 of a step in the pixels ``core``: 1 inside the outline, falling linearly over the feather.

    The feather lies half inside and half outside the outline. Distances are exact for a rectangle and, for an
    ellipse, measured along the line to its centre.
    """
    y = (np.arange(core.y0, core.y1) + 0.5)[:, None] * scale - 0.5
    x = (np.arange(core.x0, core.x1) + 0.5)[None, :] * scale - 0.5
    cy, cx = (where.y0 + where.y1) / 2, (where.x0 + where.x1) / 2
    ry, rx = (where.y1 - where.y0) / 2, (where.x1 - where.x0) / 2
    if where.shape == "rectangle":
        qy, qx = np.abs(y - cy) - ry, np.abs(x - cx) - rx
        outside = np.hypot(np.maximum(qy, 0), np.maximum(qx, 0)) + np.minimum(np.maximum(qy, qx), 0)
    else:
        r = np.hypot((y - cy) / ry, (x - cx) / rx)
        outside = (1 - 1 / np.maximum(r, 1e-12)) * np.hypot(y - cy, x - cx)
    weight = np.clip(0.5 - outside / where.feather, 0, 1) if where.feather > 0 else (outside <= 0).astype(float)
    mask: NDArray[np.float32] = (1 - weight if where.outside else weight).astype(np.float32)
    return mask

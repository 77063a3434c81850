"""A sample of the full frame: windows at full resolution, spread evenly over it and laid side by side.

What a step measures of levels, noise and color does not hang on places, and is as true in a sample of two megapixels as
in the whole frame, at a fraction of the time. A reduced frame could not tell it: averaging takes noise away, and the
noise of the sky is what a stretch, for one, goes by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from workbench.engine.cache import Cache
from workbench.engine.chain import BoundStep, Chain
from workbench.engine.exact_region import exact_regions
from workbench.engine.groups import Workspace, make_tile
from workbench.engine.state import State
from workbench.engine.tile_pool import TilePool
from workbench.engine.tiles import cut
from workbench.measure.noise import noises
from workbench.operations.base import Geometry, Planes, Rect
from workbench.stack import Stack

__all__ = ["Sample"]

#: Side of a window in pixels, half a tile, and how many there are at most.
_WINDOW, _WINDOWS = 256, 36


@dataclass(frozen=True)
class Sample:
    """Windows of a frame laid side by side.

    Attributes
    ----------
    state : State
        The windows as one frame, in the order in which they lie.
    windows : tuple of (Rect, Rect)
        Each window in the frame, and in ``state``.
    """

    state: State
    windows: tuple[tuple[Rect, Rect], ...]

    @classmethod
    def of(cls, stack: Stack, chain: Chain, made: int, source: Planes, pool: TilePool, cache: Cache) -> Sample:
        """A sample of the frame after ``chain``; ``source`` (C, H, W) has ``made`` of its steps behind it.

        Parameters
        ----------
        stack : Stack
        chain : Chain
        made : int
        source : ndarray, shape (C, H, W), float32
        pool : TilePool
        cache : Cache

        Returns
        -------
        Sample
        """
        rows, columns = _lattice(chain.after.height, chain.after.width)
        windows = tuple(
            (
                Rect(y, x, y + rows.side, x + columns.side),
                Rect(i * rows.side, j * columns.side, (i + 1) * rows.side, (j + 1) * columns.side),
            )
            for i, y in enumerate(rows.starts)
            for j, x in enumerate(columns.starts)
        )
        parts = exact_regions(pool, cache, chain, made, source, [there for there, _ in windows])
        height, width = rows.side * len(rows.starts), columns.side * len(columns.starts)
        planes = np.empty((chain.after.channels, height, width), np.float32)
        for (_, here), part in zip(windows, parts, strict=True):
            planes[(slice(None), *here.slices)] = part
        whole = State.of(stack, stack.planes).carried(chain.steps, stack.planes)
        coverage = None if whole.coverage is None else _laid(whole.coverage, windows, (height, width))
        return cls(replace(whole, planes=planes, coverage=coverage, wcs=None), windows)

    def then(self, bound: BoundStep, pool: TilePool) -> Sample:
        """The sample of the frame after one more step, bound to the full frame, which the step must not change.

        A step that looks around itself takes the windows for one frame, if its facts do not hang on places; otherwise
        (it looks at single stars, say) it is left out: levels, noise and color of a sky do not change by it.

        Parameters
        ----------
        bound : BoundStep
        pool : TilePool

        Returns
        -------
        Sample
        """
        op, planes = bound.step.operation, self.state.planes
        if bound.is_head:
            if not op.sampled or bound.step.where is not None:
                return self
            alone = Chain(Geometry(planes.shape[1], planes.shape[2], planes.shape[0]))
            alone = alone.then(bound.index, bound.step, bound.facts)
            return replace(self, state=pool.apply(self.state, alone.steps, keep=True))
        changed = np.empty_like(planes)
        places = dict(self.windows)

        def work(there: Rect, own: Workspace) -> None:
            here = places[there]
            tile = make_tile([bound], there, lambda _rect, out: cut(planes, here, out), own)
            changed[(slice(None), *here.slices)] = tile

        pool.each(places, work)
        return replace(self, state=self.state.carried([bound], changed))

    def noise_left(self, before: Sample) -> NDArray[np.float32]:
        """What the steps since ``before`` have left of the noise of each channel, (C,).

        Parameters
        ----------
        before : Sample

        Returns
        -------
        ndarray, shape (C,), float32
            1: all of it.
        """
        was, now = (
            np.array([n.sigma for n in noises(sample.state.planes, sample.state.coverage)]) for sample in (before, self)
        )
        left: NDArray[np.float64] = np.divide(now, was, out=np.ones(len(was)), where=was > 0)
        return left.astype(np.float32)


@dataclass(frozen=True)
class _Axis:
    """Where windows begin along an axis, and how many pixels they take of it."""

    starts: Sequence[int]
    side: int


def _lattice(height: int, width: int) -> tuple[_Axis, _Axis]:
    along = min(max(width // _WINDOW, 1), max(1, round(np.sqrt(_WINDOWS * width / height))))
    down = min(max(height // _WINDOW, 1), max(1, _WINDOWS // along))
    return _axis(height, down), _axis(width, along)


def _axis(length: int, count: int) -> _Axis:
    side = min(_WINDOW, length)
    # On multiples of the side, so that no window lies in more than one tile.
    starts = np.linspace(0, length - side, count) if count > 1 else np.array([(length - side) / 2])
    return _Axis([int(start) // side * side for start in starts], side)


def _laid(
    coverage: NDArray[np.uint8], windows: Sequence[tuple[Rect, Rect]], shape: tuple[int, int]
) -> NDArray[np.uint8]:
    laid = np.empty(shape, np.uint8)
    for there, here in windows:
        laid[here.slices] = coverage[there.slices]
    return laid

"""What pointwise steps share: what they ask of a frame, said in a sentence, and how they begin a tile."""

from __future__ import annotations

from workbench.errors import WorkbenchError
from workbench.operations.base import Frame, Planes, Tile

__all__ = ["begin", "need_color", "need_pixels"]

_CHANNELS = 3


def need_pixels(frame: Frame, step: str) -> None:
    """Refuse a frame in which no pixel is covered."""
    covered = frame.covered
    if covered is not None and not covered.any():
        raise WorkbenchError(f"{step} cannot measure this frame: no pixel of it is covered")


def need_color(frame: Frame, step: str) -> None:
    """Refuse a frame of one channel, or without covered pixels."""
    if frame.planes.shape[0] != _CHANNELS:
        raise WorkbenchError(f"{step} needs a color frame; this one has a single channel, so leave the step out")
    need_pixels(frame, step)


def begin(tile: Tile, out: Planes) -> None:
    """Bring the tile's pixels into ``out``, for a step that then works there in place."""
    if out is not tile.pixels:
        out[...] = tile.pixels

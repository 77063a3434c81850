"""The exact region: pixels made of the very grid tiles that make the picture, each tile kept once it is made.

While a control moves, time counts more than the last bits, and no tile will be wanted twice: then a region is made
without the rest of its tiles, which is several times as much.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from workbench.engine.cache import Cache
from workbench.engine.chain import BoundStep, Chain
from workbench.engine.groups import Fill, Workspace, grouped, input_rect, make_tile
from workbench.engine.tile_pool import TilePool
from workbench.engine.tiles import cover, cut, folded, mirrored
from workbench.errors import WorkbenchError
from workbench.operations.base import Geometry, Planes, Rect

__all__ = ["exact_region", "exact_regions", "near_region"]

Group = Sequence[BoundStep]
Tiles = dict[Rect, Planes]


def exact_region(pool: TilePool, cache: Cache, chain: Chain, made: int, source: Planes, rect: Rect) -> Planes:
    """Pixels ``rect`` after the chain, bit for bit those of the finished frame; see `exact_regions`.

    Parameters
    ----------
    pool : TilePool
    cache : Cache
    chain : Chain
    made : int
        How many of its steps ``source`` has behind it.
    source : ndarray, shape (C, H, W), float32
        The full frame after them.
    rect : Rect
        In pixels of the last frame.

    Returns
    -------
    ndarray, shape (C, h, w), float32
    """
    return exact_regions(pool, cache, chain, made, source, [rect])[0]


def exact_regions(
    pool: TilePool, cache: Cache, chain: Chain, made: int, source: Planes, rects: Sequence[Rect]
) -> list[Planes]:
    """Pixels of several rectangles after the chain.

    Parameters
    ----------
    pool : TilePool
    cache : Cache
        Keeps the tiles.
    chain : Chain
    made : int
        How many of its steps ``source`` has behind it.
    source : ndarray, shape (C, H, W), float32
    rects : sequence of Rect
        Inside the frame after the chain.

    Returns
    -------
    list of ndarray, each of shape (C, h, w), float32

    Raises
    ------
    WorkbenchError
        When a region does not lie inside the frame.
    """
    after = chain.after
    for rect in rects:
        _check(rect, after)
    groups = grouped(chain.steps[made:])
    fill = _from_frame(source)
    for group, (kept, missing) in zip(groups, _wanted(cache, groups, rects), strict=True):
        fill = _from_tiles(kept | _made(pool, cache, group, missing, fill), group)
    regions = []
    for rect in rects:
        out = np.empty((after.planes, rect.height, rect.width), np.float32)
        fill(rect, out)
        regions.append(out)
    return regions


def near_region(pool: TilePool, cache: Cache, chain: Chain, made: int, source: Planes, rect: Rect) -> Planes:
    """Pixels ``rect`` after the chain, but for last bits those of `exact_region`, and nothing that they do not hang on.

    Parameters
    ----------
    pool : TilePool
    cache : Cache
        Where tiles may be at hand.
    chain : Chain
    made : int
        How many of its steps ``source`` has behind it.
    source : ndarray, shape (C, H, W), float32
    rect : Rect
        In pixels of the last frame.

    Returns
    -------
    ndarray, shape (C, h, w), float32

    Raises
    ------
    WorkbenchError
        When the region does not lie inside the frame.
    """
    _check(rect, chain.after)
    fill, wanted = _from_frame(source), rect
    windows: list[tuple[Group, Rect]] = []
    for group in reversed(grouped(chain.steps[made:])):
        ((kept, missing),) = _wanted(cache, [group], [wanted])
        if not missing:
            fill = _from_tiles(kept, group)
            break
        windows.append((group, wanted))
        before = group[0].before
        wanted = folded(input_rect(group[0], wanted), before.height, before.width)
    for steps, window in reversed(windows):
        fill = _from_window(_window(pool, steps, window, fill), window, steps[-1].after)
    out = np.empty((chain.after.planes, rect.height, rect.width), np.float32)
    fill(rect, out)
    return out


def _check(rect: Rect, frame: Geometry) -> None:
    if rect.height < 1 or rect.width < 1 or rect.clipped(frame.height, frame.width) != rect:
        raise WorkbenchError(
            f"the region {rect.height} x {rect.width} at row {rect.y0}, column {rect.x0} does not lie inside "
            f"the frame of {frame.height} x {frame.width}"
        )


def _window(pool: TilePool, group: Group, window: Rect, fill: Fill) -> Planes:
    """Pixels of a window after a group, in a part for each thread."""
    planes = np.empty((group[-1].after.planes, window.height, window.width), np.float32)
    tall = -(-window.height // pool.threads)

    def work(rect: Rect, own: Workspace) -> None:
        planes[:, rect.y0 - window.y0 : rect.y1 - window.y0] = make_tile(group, rect, fill, own)

    edges = range(window.y0, window.y1, tall)
    pool.each([Rect(y, window.x0, min(y + tall, window.y1), window.x1) for y in edges], work)
    return planes


def _wanted(cache: Cache, groups: Sequence[Group], rects: Sequence[Rect]) -> list[tuple[Tiles, list[Rect]]]:
    """Tiles of each group that the regions hang on, at hand and missing; found from the last group down."""
    wanted: list[tuple[Tiles, list[Rect]]] = []
    for group in reversed(groups):
        after, before = group[-1].after, group[0].before
        kept: Tiles = {}
        missing: list[Rect] = []
        for tile in dict.fromkeys(t for r in rects for t in cover(r, after.height, after.width, group[0].size)):
            planes = cache.get(("tile", group[-1].key, tile))
            if planes is None:
                missing.append(tile)
            else:
                kept[tile] = planes
        wanted.append((kept, missing))
        rects = [folded(input_rect(group[0], tile), before.height, before.width) for tile in missing]
    return wanted[::-1]


def _made(pool: TilePool, cache: Cache, group: Group, rects: Sequence[Rect], fill: Fill) -> Tiles:
    tiles: Tiles = {}

    def work(rect: Rect, own: Workspace) -> None:
        tiles[rect] = make_tile(group, rect, fill, own).copy()

    pool.each(rects, work)
    for rect, planes in tiles.items():
        cache.put(("tile", group[-1].key, rect), planes, planes.nbytes)
    return tiles


def _from_frame(planes: Planes) -> Fill:
    def fill(rect: Rect, out: Planes) -> None:
        cut(planes, rect, out)

    return fill


def _from_window(window: Planes, place: Rect, frame: Geometry) -> Fill:
    """Fill from the pixels at ``place`` of a frame, mirrored where more is asked for than the frame has."""

    def fill(rect: Rect, out: Planes) -> None:
        rows = mirrored(rect.y0, rect.y1, frame.height) - place.y0
        cols = mirrored(rect.x0, rect.x1, frame.width) - place.x0
        out[...] = window[:, rows[:, None], cols]

    return fill


def _from_tiles(tiles: Tiles, group: Group) -> Fill:
    after, size = group[-1].after, group[0].size

    def fill(rect: Rect, out: Planes) -> None:
        inside = folded(rect, after.height, after.width)
        window = out if inside == rect else np.empty((after.planes, inside.height, inside.width), np.float32)
        for tile in cover(inside, after.height, after.width, size):
            part = tile.overlap(inside)
            window[(slice(None), *part.moved(-inside.y0, -inside.x0).slices)] = tiles[tile][
                (slice(None), *part.moved(-tile.y0, -tile.x0).slices)
            ]
        if window is not out:
            _from_window(window, inside, after)(rect, out)

    return fill

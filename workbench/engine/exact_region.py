"""The exact region: pixels made of the very grid tiles that make the picture, each tile kept once it is made.

Where steps give a pixel the same bits in any tile (`Operation.same_anywhere`), only cells of a tile are made and kept.
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

#: Side of a cell in pixels: with 64 keeping them takes longer than their making.
_CELL = 128


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
    for group, (kept, missing) in zip(groups, _wanted(pool, cache, groups, rects), strict=True):
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
        ((kept, missing),) = _wanted(pool, cache, [group], [wanted])
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


def _side(group: Group) -> int:
    """Side of what is kept of a group: its grid's tiles, or cells of them where these come out the same."""
    alike = all(bound.step.operation.same_anywhere and bound.step.where is None for bound in group)
    return _CELL if alike else group[0].size


def _wanted(
    pool: TilePool, cache: Cache, groups: Sequence[Group], rects: Sequence[Rect]
) -> list[tuple[Tiles, dict[Rect, list[Rect]]]]:
    """Cells of each group that the regions hang on, at hand and missing; found from the last group down.

    Those missing by the rectangles in which they are made.
    """
    wanted: list[tuple[Tiles, dict[Rect, list[Rect]]]] = []
    for group in reversed(groups):
        after, before = group[-1].after, group[0].before
        kept: Tiles = {}
        missing: list[Rect] = []
        for cell in dict.fromkeys(c for r in rects for c in cover(r, after.height, after.width, _side(group))):
            planes = cache.get(("tile", group[-1].key, cell))
            if planes is None:
                missing.append(cell)
            else:
                kept[cell] = planes
        made = _together(missing, group[0].size, pool.threads)
        wanted.append((kept, made))
        rects = [folded(input_rect(group[0], rect), before.height, before.width) for rect in made]
    return wanted[::-1]


def _together(cells: Sequence[Rect], size: int, threads: int) -> dict[Rect, list[Rect]]:
    """Cells by rectangles in which they are made together: within a tile of the grid, at least one for each thread."""
    tiles: dict[tuple[int, int], list[Rect]] = {}
    for cell in cells:
        tiles.setdefault((cell.y0 // size, cell.x0 // size), []).append(cell)
    parts: list[list[Rect]] = []
    for tile in tiles.values():
        tops = sorted({cell.y0 for cell in tile})
        count = -(-len(tops) // -(-threads // len(tiles)))
        rows = [tops[k : k + count] for k in range(0, len(tops), count)]
        parts += [[cell for cell in tile if cell.y0 in some] for some in rows]
    return {_around(part): part for part in parts}


def _around(cells: Sequence[Rect]) -> Rect:
    return Rect(min(c.y0 for c in cells), min(c.x0 for c in cells), max(c.y1 for c in cells), max(c.x1 for c in cells))


def _made(pool: TilePool, cache: Cache, group: Group, cells: dict[Rect, list[Rect]], fill: Fill) -> Tiles:
    tiles: Tiles = {}

    def work(rect: Rect, own: Workspace) -> None:
        planes = make_tile(group, rect, fill, own)
        for cell in cells[rect]:
            tiles[cell] = planes[(slice(None), *cell.moved(-rect.y0, -rect.x0).slices)].copy()

    pool.each(cells, work)
    for cell, planes in tiles.items():
        cache.put(("tile", group[-1].key, cell), planes, planes.nbytes)
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
    after, size = group[-1].after, _side(group)

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

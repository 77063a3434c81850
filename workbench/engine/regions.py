"""Regions made of the very grid tiles that make the picture, each tile kept once it is made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from workbench.engine.cache import Recent
from workbench.engine.chain import Bound, Fill, Scratch, input_rect, make_tile
from workbench.engine.passes import Crew
from workbench.engine.tiles import cover, cut, folded, mirrored
from workbench.operations.base import Planes, Rect

__all__ = ["TileStore"]

Group = Sequence[Bound]
Tiles = dict[Rect, Planes]


class TileStore:
    """Makes regions from tiles and keeps the tiles by content, up to ``limit`` bytes."""

    def __init__(self, limit: int) -> None:
        self._kept: Recent[Planes] = Recent(limit)

    def region(
        self, crew: Crew, source: Planes, groups: Sequence[Group], keys: Mapping[int, str], rect: Rect
    ) -> Planes:
        """Pixels ``rect`` (inside the frame) after the last group.

        Parameters
        ----------
        source : ndarray, shape (C, H, W), float32
            The frame before the first group.
        keys : mapping
            Content key of the frame after the step with that place in the recipe.
        """
        out = np.empty((source.shape[0], rect.height, rect.width), np.float32)
        if not groups:
            cut(source, rect, out)
            return out
        wanted = self._wanted(groups, keys, rect)
        fill = _from_frame(source)
        for group, rects in zip(groups, wanted, strict=True):
            fill = _from_tiles(self._make(crew, group, keys[group[-1].index], rects, fill), group)
        fill(rect, out)
        return out

    def _wanted(self, groups: Sequence[Group], keys: Mapping[int, str], rect: Rect) -> list[list[Rect]]:
        """Tiles of each group that the region hangs on, found from the last group down."""
        wanted: list[list[Rect]] = []
        rects = [rect]
        for group in reversed(groups):
            after, key = group[-1].after, keys[group[-1].index]
            tiles = dict.fromkeys(t for r in rects for t in cover(r, after.height, after.width, group[0].size))
            wanted.append(list(tiles))
            before = group[0].before
            missing = [t for t in tiles if self._kept.get((key, t)) is None]
            rects = [folded(input_rect(group[0], t), before.height, before.width) for t in missing]
        return wanted[::-1]

    def _make(self, crew: Crew, group: Group, key: str, rects: Sequence[Rect], fill: Fill) -> Tiles:
        tiles: Tiles = {}
        missing = []
        for rect in rects:
            tile = self._kept.get((key, rect))
            if tile is None:
                missing.append(rect)
            else:
                tiles[rect] = tile

        def work(rect: Rect, own: Scratch) -> None:
            tiles[rect] = make_tile(group, rect, fill, own).copy()

        crew.share_out(missing, work)
        for rect in missing:
            self._kept.put((key, rect), tiles[rect], tiles[rect].nbytes)
        return tiles


def _from_frame(planes: Planes) -> Fill:
    def fill(rect: Rect, out: Planes) -> None:
        cut(planes, rect, out)

    return fill


def _from_tiles(tiles: Tiles, group: Group) -> Fill:
    after, size = group[-1].after, group[0].size

    def fill(rect: Rect, out: Planes) -> None:
        inside = folded(rect, after.height, after.width)
        window = out if inside == rect else np.empty((after.channels, inside.height, inside.width), np.float32)
        for tile in cover(inside, after.height, after.width, size):
            part = tile.overlap(inside)
            window[(slice(None), *part.moved(-inside.y0, -inside.x0).slices)] = tiles[tile][
                (slice(None), *part.moved(-tile.y0, -tile.x0).slices)
            ]
        if window is not out:
            rows = mirrored(rect.y0, rect.y1, after.height) - inside.y0
            cols = mirrored(rect.x0, rect.x1, after.width) - inside.x0
            out[...] = window[:, rows[:, None], cols]

    return fill

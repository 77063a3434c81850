"""What a step did, gathered tile by tile for the record."""

from __future__ import annotations

import base64
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import summing_kernel
from workbench.engine.digest import digest
from workbench.operations.base import Planes, Rect

__all__ = ["Trace", "tile_probe", "tile_probe_reference"]


@summing_kernel
def _sums(tile: Planes, out: NDArray[np.float32]) -> None:
    channels, height, width = tile.shape
    for c in range(channels):
        total = 0.0
        square = 0.0
        for y in range(height):
            # A row in float32, rows in float64: vector speed, and no error that grows with the tile.
            row = row2 = np.float32(0)
            for x in range(width):
                v = tile[c, y, x]
                row += v
                row2 += v * v
            total += float(row)
            square += float(row2)
        out[2 * c] = total / (height * width)
        out[2 * c + 1] = np.sqrt(square / (height * width))


def tile_probe(tile: Planes) -> NDArray[np.float32]:
    """Mean and root mean square of each channel of a tile (C, h, w): 2 C numbers, float32."""
    out = np.empty(2 * tile.shape[0], np.float32)
    _sums(tile, out)
    return out


def tile_probe_reference(tile: Planes) -> NDArray[np.float32]:
    """`tile_probe` in plain numpy."""
    t = tile.astype(np.float64)
    pairs = np.stack([t.mean(axis=(1, 2)), np.sqrt((t * t).mean(axis=(1, 2)))], axis=1)
    return pairs.ravel().astype(np.float32)


@dataclass
class Trace:
    """Digests and probes of one step's tiles, and the time they took; tiles may come in any order."""

    _tiles: dict[tuple[int, int], tuple[str, NDArray[np.float32], float]] = field(default_factory=dict)

    def see(self, rect: Rect, tile: Planes, seconds: float) -> None:
        """Take in one tile (C-contiguous)."""
        self._tiles[rect.y0, rect.x0] = (digest(tile), tile_probe(tile), seconds)

    @property
    def seconds(self) -> float:
        """Time of all tiles, summed over threads."""
        return sum(seconds for _, _, seconds in self._tiles.values())

    def digest(self) -> str:
        """XXH3-128 over the tiles' digests in grid order, hex."""
        return digest(*(of_tile for _, (of_tile, _, _) in sorted(self._tiles.items())))

    def probe(self) -> str:
        """The tiles' means and root mean squares in grid order, little-endian float32, base64."""
        values = [probe for _, (_, probe, _) in sorted(self._tiles.items())]
        return base64.b64encode(np.concatenate(values).astype("<f4").tobytes()).decode()

"""Which pixels of a frame lie under drawn regions and strokes of a brush."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from workbench.operations._lines import brush_lines, even_odd, line_weights
from workbench.operations.base import Rect
from workbench.operations.regions import Ellipse, Polygon, Rectangle, Stroke

__all__ = ["Drawn"]

F64 = NDArray[np.float64]


class Drawn:
    """Regions and strokes laid out for frames of one scale.

    Parameters
    ----------
    regions : sequence of Region
        In full-resolution pixels.
    strokes : sequence of Stroke
        Likewise.
    scale : float
        Full-resolution pixels across one of the frame's.
    aside : tuple of (float, float)
        Which place (y, x) of a pixel is asked about, from its middle, in pixels of the frame.
    """

    def __init__(
        self,
        regions: Sequence[Rectangle | Ellipse | Polygon],
        strokes: Sequence[Stroke],
        scale: float = 1.0,
        aside: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        self._scale, self._aside = scale, aside
        self._upright = [(r, self._box(*_span(r))) for r in regions if not isinstance(r, Polygon)]
        corners = [self._in_frame(r.points) for r in regions if isinstance(r, Polygon)]
        self._polygons = [(c, _whole(c.min(axis=0), c.max(axis=0))) for c in corners]
        self._lines = brush_lines([self._in_frame(s.points) for s in strokes], [s.radius / scale for s in strokes])

    def _in_frame(self, points: object) -> F64:
        """Places (N, 2) as (x, y) in pixels of the frame, less what is asked about aside."""
        places = np.asarray(points, np.float64).reshape(-1, 2)
        return np.asarray((places + 0.5) / self._scale - 0.5 - self._aside[::-1])

    def _box(self, low: tuple[float, float], high: tuple[float, float]) -> Rect:
        return _whole(*self._in_frame([low, high]))

    def inside(self, core: Rect) -> NDArray[np.bool_]:
        """Which pixels of ``core`` lie under any of them.

        Parameters
        ----------
        core : Rect
            In pixels of the frame.

        Returns
        -------
        ndarray, shape (h, w), bool
        """
        out = np.zeros((core.height, core.width), np.bool_)
        for region, box in self._upright:
            if (part := _common(box, core)) is not None:
                y, x = (
                    np.asarray((np.arange(first, stop) + aside + 0.5) * self._scale - 0.5, np.float64)
                    for first, stop, aside in zip(part[:2], part[2:], self._aside, strict=True)
                )
                _at(out, part, core)[...] |= region.inside(y[:, None], x[None, :])
        for corners, box in self._polygons:
            if (part := _common(box, core)) is not None:
                held = np.empty((part[2] - part[0], part[3] - part[1]), np.bool_)
                even_odd(corners, part[0], part[1], held)
                _at(out, part, core)[...] |= held
        if len(self._lines):
            weights = np.empty(out.shape, np.float32)
            line_weights(self._lines, 0.0, core.y0, core.x0, weights)
            out |= weights > 0
        return out


def _span(region: Rectangle | Ellipse) -> tuple[tuple[float, float], tuple[float, float]]:
    if isinstance(region, Rectangle):
        x, y = sorted((region.x0, region.x1)), sorted((region.y0, region.y1))
        return (x[0], y[0]), (x[1], y[1])
    most = max(region.along, region.across)
    return (region.x - most, region.y - most), (region.x + most, region.y + most)


def _whole(low: F64, high: F64) -> Rect:
    """The pixels between two places (x, y), and one more."""
    x0, y0 = (int(v) - 1 for v in np.floor(low))
    x1, y1 = (int(v) + 2 for v in np.ceil(high))
    return Rect(y0, x0, y1, x1)


def _common(box: Rect, core: Rect) -> tuple[int, int, int, int] | None:
    part = box.overlap(core)
    return (part.y0, part.x0, part.y1, part.x1) if part.height > 0 and part.width > 0 else None


def _at(out: NDArray[np.bool_], part: tuple[int, int, int, int], core: Rect) -> NDArray[np.bool_]:
    return out[part[0] - core.y0 : part[2] - core.y0, part[1] - core.x0 : part[3] - core.x0]

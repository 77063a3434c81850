"""Plots of what a step measured, laid out for a page: places in the drawing's own lengths, which a template writes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.operations.scatter_plot import PlotAxis, ScatterPlot

__all__ = ["PlotDrawing", "draw_plot"]

F64 = NDArray[np.float64]

#: Size of the drawing, and what axes and labels take of it: left, top, right, bottom.
_WIDTH, _HEIGHT, _EDGES = 440.0, 320.0, (56.0, 10.0, 12.0, 46.0)
#: Half the size of a cross.
_CROSS = 3.0


@dataclass(frozen=True, slots=True)
class PlotDrawing:
    """A `ScatterPlot` with all its places.

    Attributes
    ----------
    plot : ScatterPlot
    across, up : PlotAxis
    width, height, left, top, right, bottom : float
        Of the drawing; of the field between the axes.
    columns, rows : tuple of (float, str)
        Places and labels of the ticks.
    used, left_out : str
        Paths: dots (lines of no length) and crosses.
    line, band : str
        Paths: the line, and twice the scatter around it.
    mark : float or None
        Column of the place of importance.
    """

    plot: ScatterPlot
    across: PlotAxis
    up: PlotAxis
    columns: tuple[tuple[float, str], ...]
    rows: tuple[tuple[float, str], ...]
    used: str
    left_out: str
    line: str
    band: str
    mark: float | None
    width: float = _WIDTH
    height: float = _HEIGHT
    left: float = _EDGES[0]
    top: float = _EDGES[1]
    right: float = _WIDTH - _EDGES[2]
    bottom: float = _HEIGHT - _EDGES[3]


def draw_plot(plot: ScatterPlot) -> PlotDrawing:
    """Lay a plot out; what lies beyond the axes stands at their edge.

    Parameters
    ----------
    plot : ScatterPlot

    Returns
    -------
    PlotDrawing
    """
    across, up = plot.axes
    left, top, right, bottom = _EDGES[0], _EDGES[1], _WIDTH - _EDGES[2], _HEIGHT - _EDGES[3]

    def column(x: F64) -> F64:
        return np.asarray(left + (x - across.low) / (across.high - across.low) * (right - left))

    def row(y: F64) -> F64:
        return np.asarray(bottom - (y - up.low) / (up.high - up.low) * (bottom - top))

    places = np.stack([np.clip(column(plot.x), left, right), np.clip(row(plot.y), top, bottom)], axis=1)
    ends = np.array([across.low, across.high])
    (x0, x1), middle = column(ends), plot.height(ends)
    y0, y1 = row(middle)
    (a0, a1), (b0, b1) = row(middle + 2 * plot.scatter), row(middle - 2 * plot.scatter)
    cross = f"m-{_CROSS} -{_CROSS}l{2 * _CROSS} {2 * _CROSS}m0 -{2 * _CROSS}l-{2 * _CROSS} {2 * _CROSS}"
    return PlotDrawing(
        plot,
        across,
        up,
        columns=tuple((float(column(np.array(value))), text) for value, text in across.ticks),
        rows=tuple((float(row(np.array(value))), text) for value, text in up.ticks),
        used="".join(f"M{x:.1f} {y:.1f}h0" for x, y in places[plot.used]),
        left_out="".join(f"M{x:.1f} {y:.1f}{cross}" for x, y in places[~plot.used]),
        line=f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}",
        band=f"M{x0:.1f} {a0:.1f}L{x1:.1f} {a1:.1f}L{x1:.1f} {b1:.1f}L{x0:.1f} {b0:.1f}Z",
        mark=None if plot.mark is None else float(column(np.array(plot.mark))),
    )

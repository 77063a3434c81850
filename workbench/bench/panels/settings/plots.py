"""Plots of what a step measured, as plain data for the page."""

from __future__ import annotations

from typing import Any

import numpy as np

from workbench.bench.events import Picked
from workbench.operations.base import Facts, Geometry, Operation
from workbench.operations.drawing import Points
from workbench.operations.scatter_plot import PlotAxis, ScatterPlot

__all__ = ["picked_state", "plots_state"]

#: A plot does not ask how large the frame is.
_ANY_FRAME = Geometry(1, 1, 3)


def plots_state(operation: Operation, facts: Facts | None) -> list[dict[str, Any]]:
    """The plots that an operation shows of its facts; none while there are none.

    Parameters
    ----------
    operation : Operation
    facts : Facts or None

    Returns
    -------
    list of dict
        ``name, title, says, across, up`` (axes), ``points`` ([x, y, used]), ``line`` (its two ends), ``scatter``,
        ``mark``, ``marked``, ``overlay`` (of the same points on the picture; empty: they have no places there).
    """
    return [_plain(plot, operation.id) for plot in _plots(operation, facts)]


def picked_state(operation: Operation, facts: Facts | None, picked: Picked) -> dict[str, Any] | None:
    """The point that was picked, and what it says; None where it is none of these facts.

    Parameters
    ----------
    operation : Operation
    facts : Facts or None
    picked : Picked

    Returns
    -------
    dict or None
        ``overlay, number, words``.
    """
    if facts is None or picked.facts is not facts:
        return None
    plots = [plot for plot in _plots(operation, facts) if f"{operation.id}.{plot.points}" == picked.overlay]
    if not plots or picked.number >= len(plots[0].x):
        return None
    shown = operation.shown(facts, _ANY_FRAME)
    places = next((each for each in shown if isinstance(each, Points) and each.name == plots[0].points), None)
    where = [] if places is None else [f"column {places.x[picked.number]:.0f}, row {places.y[picked.number]:.0f}"]
    words = "; ".join([*where, *(plot.words(picked.number) for plot in plots)])
    return {"overlay": picked.overlay, "number": picked.number, "words": words}


def _plots(operation: Operation, facts: Facts | None) -> list[ScatterPlot]:
    if facts is None or not operation.plots:
        return []
    return [shown for shown in operation.shown(facts, _ANY_FRAME) if isinstance(shown, ScatterPlot)]


def _plain(plot: ScatterPlot, operation: str) -> dict[str, Any]:
    across, up = plot.axes
    ends = np.array([across.low, across.high])
    points = np.stack([plot.x, plot.y, plot.used], axis=1)
    return {
        "name": plot.name,
        "title": plot.title,
        "says": plot.says,
        "across": _axis(across),
        "up": _axis(up),
        "points": np.round(points, 4).tolist(),
        "line": np.stack([ends, plot.height(ends)], axis=1).tolist(),
        "scatter": plot.scatter,
        "mark": plot.mark,
        "marked": plot.marked,
        "overlay": f"{operation}.{plot.points}" if plot.points else "",
    }


def _axis(axis: PlotAxis) -> dict[str, Any]:
    return {"words": axis.words, "low": axis.low, "high": axis.high, "ticks": [list(tick) for tick in axis.ticks]}

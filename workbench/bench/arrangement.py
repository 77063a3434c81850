"""Where the panels stand on the bench."""

from __future__ import annotations

from typing import Any

import ipywidgets as widgets

from workbench.bench.histogram import Histogram
from workbench.bench.settings import Settings
from workbench.bench.shelf import Shelf
from workbench.bench.steps import Steps
from workbench.bench.viewer import Viewer

__all__ = ["family", "laid_out"]

#: Width and height of the right side of the table.
_WIDTH = "clamp(310px, 36%, 410px)"
_HEIGHT = "max(620px, min(94vh, 980px))"


def laid_out(shelf: Shelf, viewer: Viewer, histogram: Histogram, steps: Steps, settings: Settings) -> Any:
    """The shelf above; the print and its histogram on the left, the recipe card and the settings on the right.

    The right side is no higher than the window and scrolls by itself, so that the print stays in sight.
    """
    steps.layout = widgets.Layout(flex="0 1 auto", max_height="56%", overflow="hidden auto")
    settings.layout = widgets.Layout(flex="1 1 0", min_height="320px", overflow="hidden auto")
    side = widgets.VBox([steps, settings], layout=widgets.Layout(flex=f"0 0 {_WIDTH}", height=_HEIGHT, grid_gap="8px"))
    main = widgets.VBox([viewer, histogram], layout=widgets.Layout(flex="1 1 0", min_width="0"))
    row = widgets.HBox([main, side], layout=widgets.Layout(width="100%", align_items="flex-start", grid_gap="10px"))
    return widgets.VBox([shelf, row])


def family(widget: Any) -> list[Any]:
    """A widget, all it holds, and their layouts."""
    inside = [w for child in getattr(widget, "children", ()) for w in family(child)]
    return [*inside, widget, widget.layout]

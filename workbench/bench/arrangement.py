"""Where the panels stand on the bench."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import ipywidgets as widgets

from workbench.bench.panel import Panel

__all__ = ["family", "laid_out"]

#: Width and height of the right side.
_WIDTH = "clamp(310px, 36%, 410px)"
_HEIGHT = "max(620px, min(94vh, 980px))"


def laid_out(panels: Iterable[Panel]) -> Any:
    """The panels of the top above; on the left the main ones, on the right those of the side.

    The right side is no higher than the window and scrolls by itself, so that the picture stays in sight.
    """
    places: dict[str, list[Panel]] = {"top": [], "main": [], "side": []}
    for panel in panels:
        places[panel.place].append(panel)
        if panel.room:
            panel.layout = widgets.Layout(**panel.room)
    side = widgets.VBox(places["side"], layout=widgets.Layout(flex=f"0 0 {_WIDTH}", height=_HEIGHT, grid_gap="8px"))
    main = widgets.VBox(places["main"], layout=widgets.Layout(flex="1 1 0", min_width="0"))
    row = widgets.HBox([main, side], layout=widgets.Layout(width="100%", align_items="flex-start", grid_gap="10px"))
    return widgets.VBox([*places["top"], row])


def family(widget: Any) -> list[Any]:
    """A widget, all it holds, and their layouts."""
    inside = [w for child in getattr(widget, "children", ()) for w in family(child)]
    return [*inside, widget, widget.layout]

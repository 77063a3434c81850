"""Where the panels stand on the bench."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import ipywidgets as widgets

from workbench.bench.panel import Panel

__all__ = ["family", "laid_out"]


def laid_out(panels: Iterable[Panel]) -> Any:
    """The panels of the top above; on the left the main ones, on the right those of the side.

    Only who stands where is said here. How much room each has, the page's style sheet says (``bench.css``), for only
    the page knows how large the window is.
    """
    places: dict[str, list[Panel]] = {"top": [], "main": [], "side": []}
    for panel in panels:
        places[panel.place].append(panel)
    main, side = widgets.VBox(places["main"]), widgets.VBox(places["side"])
    row = widgets.HBox([main, side])
    bench = widgets.VBox([*places["top"], row])
    for box, name in ((main, "main"), (side, "side"), (row, "row")):
        box.add_class(f"wt-bench-{name}")
    bench.add_class("wt-bench")
    return bench


def family(widget: Any) -> list[Any]:
    """A widget, all it holds, and their layouts."""
    inside = [w for child in getattr(widget, "children", ()) for w in family(child)]
    return [*inside, widget, widget.layout]

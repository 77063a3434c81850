"""Where the panels stand on the bench."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import ipywidgets as widgets

from workbench.bench.drawer import Drawer
from workbench.bench.panel import Panel

__all__ = ["drawers", "family", "laid_out"]


def drawers(kinds: Iterable[type[Panel]]) -> dict[str, Drawer]:
    """The buttons that pull panels out, by the name of the panel's module.

    Parameters
    ----------
    kinds : iterable of type

    Returns
    -------
    dict of str to Drawer
    """
    return {kind.module: kind.place for kind in kinds if isinstance(kind.place, Drawer)}


def laid_out(panels: Iterable[Panel]) -> Any:
    """The panels of the top above, and drawers hanging from them; on the left the main ones, on the right the side's.

    Only who stands where is said here. How much room each has, the page's style sheet says (``bench.css``), for only
    the page knows how large the window is.

    Parameters
    ----------
    panels : iterable of Panel

    Returns
    -------
    ipywidgets.Widget
    """
    places: dict[str, list[Panel]] = {"top": [], "drawer": [], "main": [], "side": []}
    for panel in panels:
        places["drawer" if isinstance(panel.place, Drawer) else panel.place].append(panel)
    top = widgets.VBox([*places["top"], *places["drawer"]])
    main, side = widgets.VBox(places["main"]), widgets.VBox(places["side"])
    row = widgets.HBox([main, side])
    bench = widgets.VBox([top, row])
    for box, name in ((top, "top"), (main, "main"), (side, "side"), (row, "row")):
        box.add_class(f"wt-bench-{name}")
    bench.add_class("wt-bench")
    return bench


def family(widget: Any) -> list[Any]:
    """A widget, all it holds, and their layouts.

    Parameters
    ----------
    widget : ipywidgets.Widget

    Returns
    -------
    list of ipywidgets.Widget
    """
    inside = [w for child in getattr(widget, "children", ()) for w in family(child)]
    return [*inside, widget, widget.layout]

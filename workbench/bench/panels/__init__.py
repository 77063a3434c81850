"""The panels of the bench, one folder each: ``panel.py`` is what Python says and hears, the rest is its page."""

from __future__ import annotations

from workbench.bench.panel import Panel
from workbench.bench.panels.checkup.panel import CheckupDrawer
from workbench.bench.panels.code.panel import CodeDrawer
from workbench.bench.panels.export.panel import ExportDrawer
from workbench.bench.panels.histogram.panel import Histogram
from workbench.bench.panels.keys.panel import KeysDrawer
from workbench.bench.panels.open.panel import OpenDrawer
from workbench.bench.panels.settings.panel import Settings
from workbench.bench.panels.steps.panel import Steps
from workbench.bench.panels.toolbar.panel import Toolbar
from workbench.bench.panels.viewer.panel import Viewer

__all__ = ["PANELS"]

#: All panels, in the order in which they stand at their place.
PANELS: tuple[type[Panel], ...] = (
    Toolbar,
    OpenDrawer,
    CheckupDrawer,
    ExportDrawer,
    CodeDrawer,
    KeysDrawer,
    Viewer,
    Histogram,
    Steps,
    Settings,
)

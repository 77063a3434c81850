"""The panels of the bench, one folder each: ``panel.py`` is what Python says and hears, the rest is its page."""

from __future__ import annotations

from workbench.bench.panel import Panel
from workbench.bench.panels.histogram.panel import Histogram
from workbench.bench.panels.settings.panel import Settings
from workbench.bench.panels.steps.panel import Steps
from workbench.bench.panels.toolbar.panel import Toolbar
from workbench.bench.panels.viewer.panel import Viewer

__all__ = ["PANELS"]

#: All panels, in the order in which they stand at their place.
PANELS: tuple[type[Panel], ...] = (Toolbar, Viewer, Histogram, Steps, Settings)

"""The engine: runs recipes over tiles, serves exact regions and fit views, keeps the record."""

from workbench.engine.preview import Preview, View
from workbench.engine.progress import Cancel, Progress
from workbench.engine.recipe import Recipe, Result
from workbench.engine.record import Record, Verdict, record_diff

__all__ = ["Cancel", "Preview", "Progress", "Recipe", "Record", "Result", "Verdict", "View", "record_diff"]

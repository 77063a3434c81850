"""The engine: runs recipes over tiles, serves exact regions and fit views, keeps the record."""

from workbench.engine.comparison import Verdict, record_diff
from workbench.engine.preview import Preview
from workbench.engine.progress import Cancel, Progress
from workbench.engine.recipe import Recipe, Result, layer_files, output_files
from workbench.engine.record import Record
from workbench.engine.views import CloseUp, View

__all__ = [
    "Cancel",
    "CloseUp",
    "Preview",
    "Progress",
    "Recipe",
    "Record",
    "Result",
    "Verdict",
    "View",
    "layer_files",
    "output_files",
    "record_diff",
]

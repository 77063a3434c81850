"""The step sheet: one page that shows what a recipe did to a stack, step by step."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

import jinja2
import numpy as np
from numpy.typing import NDArray

from workbench.checkup import Checkup
from workbench.engine import Cancel, Recipe, Record
from workbench.engine.progress import Progress
from workbench.operations.describe import spans
from workbench.stack import Stack
from workbench.teach.account import HOW_SHOWN, PLACES, Account
from workbench.teach.pictures import base64_jpeg
from workbench.teach.plots import draw_plot
from workbench.teach.step_views import Pair, StepViews

__all__ = ["step_sheet"]

_PRINT_WIDTH = 1280


class _Image(NamedTuple):
    data: str
    width: int
    height: int


def step_sheet(
    stack: Stack,
    recipe: Recipe,
    record: Record,
    check: Checkup | None = None,
    *,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> str:
    """One self-contained HTML page: each step with before and after, settings, facts and reason.

    Parameters
    ----------
    stack : Stack
        What the recipe was run on.
    recipe : Recipe
    record : Record
        Of that run. Its facts are used as they are, so nothing is measured again and the views are those of the run.
    check : Checkup, optional
        What was measured in the stack, to stand at the head of the page.
    progress : callable, optional
        Told how far it is.
    cancel : Cancel, optional
        Heeded between two steps.

    Returns
    -------
    str
        HTML with every image inside; it loads nothing from elsewhere. The same stack and recipe give the same page.

    Notes
    -----
    Reduced views are made from a reduced stack, so steps that look around a pixel are shown approximately there; the
    1:1 views are the exact pixels of the run. Memory: a few reduced frames, and tiles.
    """
    views = StepViews(stack, recipe, record.facts)
    shown, on = {}, sum(step.on for step in recipe)
    for pair in views.pairs():
        shown[pair.index + 1] = _pictures(pair)
        if cancel is not None:
            cancel.check()
        if progress is not None:
            progress(len(shown) / on, f"pictures of step {pair.index + 1}")
    return _template().render(
        lesson=Account.of(stack, recipe, record, check),
        picture=_image(views.finished(_PRINT_WIDTH)),
        shown=shown,
        how_shown=HOW_SHOWN,
    )


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    environment.globals["spans"] = spans
    text = (files("workbench.teach") / "templates" / "step_sheet.html").read_text(encoding="utf-8")
    return environment.from_string(text)


def _pictures(pair: Pair) -> dict[str, Any]:
    return {
        "before": _image(pair.before),
        "outlined": pair.outlined,
        "after": _image(pair.after),
        "close_before": None if pair.close_before is None else _image(pair.close_before),
        "close_after": None if pair.close_after is None else _image(pair.close_after),
        "place": PLACES.get(pair.place, ""),
        "plots": [draw_plot(plot) for plot in pair.plots],
    }


def _image(picture: NDArray[np.uint8]) -> _Image:
    """A picture as a JPEG data address."""
    return _Image(f"data:image/jpeg;base64,{base64_jpeg(picture)}", picture.shape[1], picture.shape[0])

"""The step sheet: one page that shows what a recipe did to a stack, step by step."""

from __future__ import annotations

import base64
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

import cv2
import jinja2
import numpy as np
from numpy.typing import NDArray

from workbench.checkup import Checkup
from workbench.checkup.text import acquired
from workbench.engine import Cancel, Recipe, Record
from workbench.engine.progress import Progress
from workbench.recipe.model import Step, Where
from workbench.stack import Stack
from workbench.teach.views import Pair, Views
from workbench.teach.wording import Story, label_of, sentence_start, settings_of, title_of, unit_words, value_words

__all__ = ["step_sheet"]

_QUALITY = 88
_PRINT_WIDTH = 1280
_PLACES = {
    "bright": "the brightest part",
    "faint": "faint light beside the object",
    "stars": "where stars are dense",
}


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
        HTML with every image inside; it loads nothing from elsewhere.

    Notes
    -----
    Reduced views are made from a reduced stack, so steps that look around a pixel are shown approximately there; the
    1:1 views are the exact pixels of the run. Memory: a few reduced frames, and tiles.
    """
    views = Views(stack, recipe, record.facts)
    pairs, on = {}, sum(step.on for step in recipe)
    for pair in views.pairs():
        pairs[pair.index] = pair
        if cancel is not None:
            cancel.check()
        if progress is not None:
            progress(len(pairs) / on, f"pictures of step {pair.index + 1}")
    found = {s.index: s.found for s in record.steps}
    steps = [_step(i, step, found.get(i, ""), pairs.get(i)) for i, step in enumerate(recipe)]
    height, width, _ = record.output["shape"]
    return _template().render(
        title=recipe.title or record.input.get("name", "Step sheet"),
        story=acquired(stack.acquisition, stack.shape) or "How the frames were taken is not known.",
        picture=_image(views.finished(_PRINT_WIDTH)),
        size=f"{width} x {height} px",
        steps=steps,
        facts=_stack_facts(record, check),
        how_shown=(
            "Pictures of steps in linear light are shown through the recipe's own stretch; both pictures of a pair use "
            "the same one, so what differs is the work of the step. Before the stretch stand the numbers as they are, "
            "which a screen shows nearly black."
        ),
        made=_made(record),
    )


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    text = (files("workbench.teach") / "templates" / "step_sheet.html").read_text(encoding="utf-8")
    return environment.from_string(text)


def _step(index: int, step: Step, found: str, pair: Pair | None) -> dict[str, Any]:
    kind = type(step.operation)
    story = Story.of(kind)
    data: dict[str, Any] = {
        "number": index + 1,
        "on": step.on and pair is not None,
        "title": title_of(kind),
        "summary": story.summary,
        "why": story.why,
        "details": story.details,
        "note": step.note,
        "found": _as_sentence(found),
        "settings": _settings(step),
        "where": _where(step.where),
    }
    if pair is not None:
        data |= {
            "before": _image(pair.before),
            "outlined": pair.outlined,
            "after": _image(pair.after),
            "close_before": None if pair.close_before is None else _image(pair.close_before),
            "close_after": None if pair.close_after is None else _image(pair.close_after),
            "place": _PLACES.get(pair.place, ""),
        }
    return data


def _as_sentence(words: str) -> str:
    return f"{sentence_start(words).rstrip('.')}." if words else ""


def _settings(step: Step) -> list[dict[str, Any]]:
    values = step.operation.model_dump(mode="json")
    rows = []
    for s in settings_of(type(step.operation)):
        value = value_words(values[s.name])
        unit = unit_words(s.unit) if isinstance(values[s.name], int | float) else ""
        chosen = value != s.default
        if s.expert and not chosen:
            continue
        # Shapes of data are for those who write recipes by hand.
        allowed = (
            ""
            if "{" in s.allowed
            else s.allowed.replace(" or empty (automatic)", ", or automatic").replace(" | ", ", ")
        )
        row = {"name": label_of(s.name), "value": value.replace("_", " "), "unit": unit, "chosen": chosen}
        told = "; ".join(filter(None, [allowed.replace("_", " "), f"usually {s.default}"]))
        rows.append(row | {"description": sentence_start(s.description), "told": told})
    return rows


def _where(where: Where | None) -> str:
    if where is None:
        return ""
    side = "outside" if where.outside else "inside"
    corners = f"({where.x0:g}, {where.y0:g}) to ({where.x1:g}, {where.y1:g})"
    return f"what lies {side} the {where.shape} {corners}, with an edge {where.feather:g} px soft"


def _stack_facts(record: Record, check: Checkup | None) -> list[tuple[str, str]]:
    """(what, value) rows about the stack."""
    i = record.input
    height, width, channels = i["shape"]
    kind = "color" if channels > 1 else "gray"
    rows = [("File", str(i.get("name", "")))]
    if check is None:
        rows.append(("Frame", f"{width} x {height} px, {kind}, {i.get('tone', '')}, {i.get('sample', '')}"))
    else:
        rows += [row for row in check.summary() if row[0] != "Taken"]
    rows.append(("White level", str(i.get("white_rule", ""))))
    if i.get("sha256"):
        rows.append(("SHA-256", str(i["sha256"])))
    return rows


def _made(record: Record) -> str:
    version = record.software.get("post-stack-workbench", "")
    return (
        f"Made in {record.seconds:.1f} s by Post-stack workbench {version}, Python "
        f"{record.software.get('python', '')}, "
        f"numpy {record.software.get('numpy', '')}. The run record holds all facts and digests; the recipe replays it."
    )


def _image(picture: NDArray[np.uint8]) -> _Image:
    """A picture as a JPEG data address."""
    bgr = np.ascontiguousarray(picture[:, :, ::-1])
    options = [
        cv2.IMWRITE_JPEG_QUALITY,
        _QUALITY,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]
    done, data = cv2.imencode(".jpg", bgr, options)
    assert done
    text = base64.b64encode(data.tobytes()).decode("ascii")
    return _Image(f"data:image/jpeg;base64,{text}", picture.shape[1], picture.shape[0])

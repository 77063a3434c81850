"""Pages that follow from the code: one for each operation, the formats by example, the map of modules, the notebooks.

They are written anew by every build, and a page that did not change keeps its time. The pictures, which need the
operations to run, are made again only when a source file of the workbench has changed since.
"""

from __future__ import annotations

import ast
import json
import shutil
from collections.abc import Iterator
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any

import cv2
from sphinx.application import Sphinx

import workbench as wb
from workbench.operations import describe
from workbench.operations.base import FrameOperation, Operation, registered
from workbench.teach.pictures import side_by_side
from workbench.teach.step_views import Pair, StepViews

DOCS = Path(__file__).parents[1]
ROOT = DOCS.parent
PACKAGE = Path(wb.__file__).parent

#: The corner of a sample stack that all pictures show: a ragged border, stars, and an edge of the nebula.
SAMPLE, ROWS, COLUMNS = "lantern_nebula.tif", slice(0, 640), slice(0, 920)
WIDTH, CLOSE = 400, (240, 400)
#: Settings for operations whose defaults depend on what a person wants; all others are shown as they come.
SHOWN_WITH: dict[str, dict[str, Any]] = {
    "saturate": {"amount": 1.6},
    "straighten": {"angle_deg": 9.0},
    "mend": {"strokes": [{"radius": 6, "points": [[560, 300], [760, 380]]}]},
    "color_balance": {"shadows_yellow": -0.3, "midtones_red": 0.2},
    "compress_highlights": {"knee": 0.3},
    "tone_curve": {"points": [{"x": 0.1, "y": 0.08}, {"x": 0.35, "y": 0.5}]},
}
#: Families in the order of the work; what takes finished pictures comes after the stretch anyway.
FAMILIES = ("frame", "gradient", "color", "stars", "noise", "detail", "stretch", "tone")
FAMILY_WORDS = {
    "frame": "The frame",
    "gradient": "The sky",
    "color": "Color",
    "stars": "Stars",
    "noise": "Noise and bad pixels",
    "detail": "Detail",
    "stretch": "From light to picture",
    "tone": "Tone",
}


def setup(app: Sphinx) -> dict[str, Any]:
    """Make the pages before Sphinx looks for them."""
    app.connect("builder-inited", lambda _: make_all())
    return {"version": version("post-stack-workbench"), "parallel_read_safe": True}


def make_all() -> None:
    """Write all pages and pictures."""
    wanted = [op for op in registered() if op.__module__.startswith("workbench.")]
    pictures, record = pictures_of(wanted)
    pages = {f"operations/{op.id}.md": operation_page(op, op.id in pictures) for op in wanted}
    pages["operations/index.md"] = operations_index(wanted)
    pages["modules.md"] = modules_page()
    pages["example.record.json"] = record
    pages["example.recipe.json"] = json.dumps(json.loads(record)["recipe"], indent=1)
    for name, text in pages.items():
        write(DOCS / "made" / name, text)
    notebooks = sorted((ROOT / "notebooks").glob("*.ipynb"))
    for path in notebooks:
        write(DOCS / "made" / "guide" / path.name, path.read_text(encoding="utf-8"))
    kept = {DOCS / "made" / name for name in pages} | {DOCS / "made" / "guide" / path.name for path in notebooks}
    for old in (DOCS / "made").rglob("*"):
        if old.suffix in {".md", ".ipynb"} and old not in kept:
            old.unlink()


def write(path: Path, text: str) -> None:
    """Write a page, or leave it alone if it says this already."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.exists() or path.read_text(encoding="utf-8") != text:
        path.write_text(text, encoding="utf-8")


# -- operations ----------------------------------------------------------------------------------------------------


def operation_page(op: type[Operation], pictured: bool) -> str:
    """The page of one operation, in Markdown."""
    story = describe.Story.of(op, marked=True)
    title = describe.title_of(op)
    any_tone = op.keeps_tone()
    tones = "any image, before or after the stretch" if any_tone else f"{op.takes} images, and gives {op.gives} ones"
    lines = [f"# {title}", "", marked(story.summary), ""]
    lines += [f"In Python `workbench.{op.__name__}`, in recipes `{op.id}`. It takes {tones}.", ""]
    if pictured:
        lines += [
            "```{image} " + f"pictures/{op.id}.jpg",
            f":alt: {title}: before on the left, after on the right",
            "```",
        ]
        lines += ["", f"*With {shown_with(op)}, on a corner of a sample stack; both sides in the same light.*", ""]
    lines += ["## Why and when", "", marked(story.why), ""]
    if story.details:
        lines += ["## How it works", "", *(line for d in story.details for line in (marked(d), ""))]
    lines += ["## Settings", "", *settings_table(op), ""]
    if op.drawn:
        names = ", ".join(f"`{d.setting}`" for d in op.drawn)
        lines += [f"Drawn on the bench: {names}.", ""]
    lines += ["## What it measures", "", *facts_table(op), ""]
    lines += ["## In a recipe", "", "```json", json.dumps(wb.Step(example(op)).to_dict(), indent=1), "```", ""]
    return "\n".join(lines)


def settings_table(op: type[Operation]) -> list[str]:
    """All settings with their ranges and units."""
    settings = describe.settings_of(op)
    if not settings:
        return ["It has none."]
    rows = ["| setting | values | unit | default | what it does |", "|---|---|---|---|---|"]
    for s in settings:
        words = cell(s.description) + (" (for special cases)" if s.expert else "")
        rows.append(f"| `{s.name}` | {cell(s.allowed)} | {cell(s.unit)} | {cell(s.default)} | {words} |")
    return rows


def facts_table(op: type[Operation]) -> list[str]:
    """All facts with shapes and units."""
    facts = describe.facts_of(op)
    if not facts:
        return ["Nothing: it does the same to every frame."]
    rows = [
        "These {term}`facts` are measured on the whole frame, kept in the record, and can be used again.",
        "",
        "| fact | shape | unit | what it is |",
        "|---|---|---|---|",
    ]
    return rows + [f"| `{f.name}` | {cell(f.shape)} | {cell(f.unit)} | {cell(f.description)} |" for f in facts]


def operations_index(ops: list[type[Operation]]) -> str:
    """All operations by family."""
    lines = [
        "# Steps",
        "",
        "Every step measures the whole frame, then works tile by tile; all of it is declared in code,",
    ]
    lines += ["and these pages are made from the declarations.", ""]
    for family in dict.fromkeys((*FAMILIES, *(op.purpose for op in ops))):
        members = [op for op in ops if op.purpose == family]
        if not members:
            continue
        lines += [f"## {FAMILY_WORDS.get(family, family.capitalize())}", ""]
        lines += [
            f"- [{op.__name__}]({op.id}.md): {marked(describe.Story.of(op, marked=True).summary)}" for op in members
        ]
        lines += ["", "```{toctree}", ":hidden:", *(op.id for op in members), "```", ""]
    return "\n".join(lines)


def marked(words: str) -> str:
    """A docstring's paragraph as Markdown."""
    return "".join(f"`{piece}`" if code else plain(piece) for code, piece in describe.spans(words))


def plain(words: str) -> str:
    """Text in which nothing is taken for Markdown's marks."""
    return "".join("\\" + c if c in r"*_[]<>#$|" else c for c in words)


def cell(words: str) -> str:
    """Text for a cell of a table."""
    return plain(words)


# -- pictures ------------------------------------------------------------------------------------------------------


def example(op: type[Operation]) -> Operation:
    """The operation as the pictures show it."""
    return op(**SHOWN_WITH.get(op.id, {}))


def shown_with(op: type[Operation]) -> str:
    """The settings of the picture, in words."""
    given = SHOWN_WITH.get(op.id, {})
    return ", ".join(f"`{k}={v}`" for k, v in given.items()) or "default settings"


def pictures_of(ops: list[type[Operation]]) -> tuple[set[str], str]:
    """Make the pictures if the workbench has changed; the operations that have one, and the record of the run."""
    folder = DOCS / "made" / "operations" / "pictures"
    state, record = folder / "made_from.txt", folder / "record.json"
    digest = digest_of_sources()
    if not (state.exists() and record.exists() and state.read_text(encoding="utf-8") == digest):
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        stack = cut_out()
        recipe, result = run_of(ops, stack)
        pairs = StepViews(stack, recipe, result.record.facts, width=WIDTH, close=CLOSE).pairs()
        for step, pair in zip(recipe, pairs, strict=True):
            cv2.imwrite(str(folder / f"{step.operation.id}.jpg"), picture(pair), [cv2.IMWRITE_JPEG_QUALITY, 85])
        record.write_text(shortened(result.record), encoding="utf-8")
        state.write_text(digest, encoding="utf-8")
    return {p.stem for p in folder.glob("*.jpg")}, record.read_text(encoding="utf-8")


def run_of(ops: list[type[Operation]], stack: wb.Stack) -> tuple[wb.Recipe, wb.Result]:
    """Every operation once; one that cannot be shown here (an extra that is not installed, say) is left out."""
    recipe = recipe_of(ops)
    while True:
        try:
            return recipe, recipe.run(stack, progress=False)
        except wb.WorkbenchError as error:
            if error.step is None:
                raise
            print(f"no picture of {recipe[error.step].operation.id}: {error}")  # noqa: T201 - for who builds the site
            recipe = recipe.with_steps([s for i, s in enumerate(recipe) if i != error.step])


def digest_of_sources() -> str:
    """Of everything that the pictures depend on."""
    total = sha256(Path(__file__).read_bytes())
    for path in sorted(PACKAGE.rglob("*.py")):
        if not {"node_modules", "bench", "cli"} & set(path.parts):
            total.update(path.read_bytes())
    return total.hexdigest()


def cut_out() -> wb.Stack:
    """A corner of a sample stack."""
    whole = wb.read(ROOT / "sample_stacks" / SAMPLE)
    return wb.Stack.from_array(whole.pixels[ROWS, COLUMNS].copy(), acquisition=whole.acquisition)


def recipe_of(ops: list[type[Operation]]) -> wb.Recipe:
    """Every operation once: measured crop and bad pixels first, linear light before the stretch, other frames last."""

    def place(op: type[Operation]) -> tuple[int, int]:
        if issubclass(op, FrameOperation):
            return (0, 0) if op.measures() else (9, 0)
        if op.id == "mend_pixels":
            return 1, 0
        group = 3 if op.takes != op.gives else 2 if op.takes == wb.Tone.LINEAR else 4
        return group, FAMILIES.index(op.purpose)

    return wb.Recipe([example(op) for op in sorted(ops, key=place)], title="Every step once")


def picture(pair: Pair) -> Any:
    """Before and after side by side, as OpenCV writes it; at 1:1 where the step's work is small."""
    close = pair.close_before is not None and pair.close_after is not None
    left, right = (pair.close_before, pair.close_after) if close else (pair.before, pair.after)
    assert left is not None
    assert right is not None
    both = side_by_side(left, right, ("before", "after"))
    return both[:, :, ::-1]


def shortened(record: wb.Record) -> str:
    """A record as a page can show it: long texts and lists cut, and only the first steps."""

    def cut(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: cut(v) for k, v in value.items()}
        if isinstance(value, list | tuple):
            return [cut(v) for v in value[:4]] + (["..."] if len(value) > 4 else [])
        return value[:60] + "..." if isinstance(value, str) and len(value) > 80 and " " not in value else value

    data = record.timeless().to_dict()
    recipe = {**data["recipe"], "steps": data["recipe"]["steps"][:3]}
    steps = [cut(step) for step in data["steps"][:3]]
    short = {"recipe": recipe, "input": cut(data["input"]), "steps": steps, "output": cut(data["output"])}
    return json.dumps({**data, **short}, indent=1)


# -- modules -------------------------------------------------------------------------------------------------------


def modules_page() -> str:
    """Every module and what its first line says it is for."""
    lines = ["# Map of modules", "", "Every file says in its first line what it is for.", ""]
    by_folder: dict[str, list[tuple[str, str]]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        if "node_modules" in path.parts:
            continue
        says = first_line(path)
        by_folder.setdefault(path.parent.relative_to(PACKAGE.parent).as_posix(), []).append((path.name, says))
    for folder, files in by_folder.items():
        lines += [f"## `{folder}/`", "", *file_lines(files), ""]
    return "\n".join(lines)


def file_lines(files: list[tuple[str, str]]) -> Iterator[str]:
    """A list entry for each file."""
    for name, says in files:
        yield f"- `{name}`: {marked(says)}"


def first_line(path: Path) -> str:
    """The first line of a module's docstring."""
    return (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split("\n", 1)[0]

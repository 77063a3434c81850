"""The lesson as a notebook: valid, whole as it is stored, the same bytes every time, and it runs to those outputs."""

import json
import re
from html import unescape
from pathlib import Path

import nbformat
import numpy as np
import pytest
from nbclient import NotebookClient

import workbench as wb
from workbench.errors import Cancelled
from workbench.operations.base import REGISTRY, Operation
from workbench.simulate import write_simulation
from workbench.teach import lesson_notebook, write_lesson
from workbench.teach.account import Account
from workbench.teach.cells import code, marked, plain, table

NOTE = "A gradient of 18 % & more <really>: *not* emphasised, costs $5 or `more` | or 10_000_000 $."


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with a stack, and a notebook beside it."""
    place = tmp_path_factory.mktemp("night")
    write_simulation("lantern_nebula", place / "night.tif", shape=(300, 430))
    stack, recipe = wb.read(place / "night.tif"), lesson_recipe()
    result = recipe.run(stack, progress=False)
    write_lesson(place / "night.ipynb", stack, recipe, result, wb.check(stack))
    return place


def lesson_recipe():
    region = {"shape": "rectangle", "x0": 5.0, "y0": 5.0, "x1": 60.0, "y1": 50.0}
    gradient = REGISTRY["remove_gradient"].model_validate({"outlier_limit": 2.5, "exclude": [region]})
    steps = [
        wb.Step(wb.Crop(top=10, right=0, bottom=6, left=20), note="Composed by eye."),
        wb.Step(gradient, note=NOTE),
        wb.Step(
            wb.Denoise(),
            where=wb.RegionMask(regions=[{"shape": "rectangle", "x0": 0, "y0": 0, "x1": 200, "y1": 200}], feather=10),
        ),
        wb.Step(wb.LimitGreen(), on=False, note="Not needed."),
        wb.Denoise(amount=0.3),
        wb.Stretch(),
        wb.Saturate(amount=1.2),
    ]
    return wb.Recipe(steps, title="The Lantern, a *first* try")


@pytest.fixture(scope="module")
def book(folder):
    return nbformat.read(folder / "night.ipynb", as_version=4)


@pytest.fixture(scope="module")
def made(folder):
    stack, recipe = wb.read(folder / "night.tif"), lesson_recipe()
    return stack, recipe, recipe.run(stack, progress=False)


def cell(book, name):
    return next(c for c in book.cells if c.id == name)


def words(book):
    return "\n".join(c.source for c in book.cells if c.cell_type == "markdown")


# -- as it is stored -----------------------------------------------------------------------------------------------


def test_it_is_a_valid_notebook_that_says_nothing_of_this_machine(folder, book):
    nbformat.validate(book)
    assert (book.nbformat, book.nbformat_minor) == (4, 5)
    assert book.metadata.kernelspec.name == "python3"
    text = (folder / "night.ipynb").read_text(encoding="utf-8")
    for private in (str(folder), str(Path.home()) + "/", "/tmp/", str(Path(wb.__file__).parent)):
        assert private not in text
    assert not any(c.metadata for c in book.cells)


def test_it_opens_with_what_is_learned_and_ends_with_something_to_try(book):
    assert book.cells[0].source.startswith("# The Lantern, a \\*first\\* try")
    assert "**What you will learn**" in book.cells[0].source
    assert "72 x 120 s = 2 h 24 min" in book.cells[0].source
    assert [c.id for c in book.cells[-2:]] == ["try-it", "try-one"]
    assert cell(book, "try-it").source.startswith("## Something to try")


def test_every_step_has_its_reason_its_why_its_settings_and_its_sources(made, book):
    stack, recipe, result = made
    for step in Account.of(stack, recipe, result.record).steps:
        text = cell(book, f"step-{step.number}-text").source
        assert text.startswith(f"## {step.number}. {step.title}")
        assert plain(step.note) in text
        assert marked(step.why) in text
        assert all(marked(d) in text for d in step.details)
        for setting in step.settings:
            assert f"{code(setting.name)}" in text
            assert code(setting.code) in text
    assert "**`outlier_limit`** | **`2.5`** noise units" in cell(book, "step-2-text").source
    assert "Changes only what lies inside the rectangle" in cell(book, "step-3-text").source
    assert "switched off" in cell(book, "step-4-text").source


def test_what_a_step_found_and_its_pictures_are_there_without_a_kernel(made, book):
    for step in made[2].record.steps:
        said, *pictures = cell(book, f"step-{step.index + 1}").outputs
        assert " ".join(said.text.split()).startswith(step.found.rstrip("."))
        assert pictures
        for picture in pictures:
            assert picture.data["image/jpeg"].startswith("/9j/"), "the base64 of a JPEG's first bytes"
            assert f"step {step.index + 1}" in picture.metadata["image/jpeg"]["alt"] == picture.data["text/plain"]
    assert not cell(book, "step-4").outputs
    for name in ("goal", "picture", "try-one"):
        assert any("image/jpeg" in o.get("data", {}) for o in cell(book, name).outputs)
    counts = [c.execution_count for c in book.cells if c.cell_type == "code"]
    assert counts == list(range(1, len(counts) + 1))


def test_the_same_recipe_and_stack_give_the_same_bytes(folder, tmp_path, made):
    stack, recipe, _ = made
    again = recipe.run(stack, progress=False, threads=1)
    target = folder / "again.ipynb"
    write_lesson(target, wb.read(folder / "night.tif"), recipe, again, wb.check(stack))
    assert target.read_bytes() == (folder / "night.ipynb").read_bytes()


def test_only_settings_that_differ_are_written(book):
    assert cell(book, "step-5").source.startswith("denoise_2 = wb.Denoise(amount=0.3)\n")
    assert cell(book, "step-6").source.startswith("stretch = wb.Stretch()\n")
    assert "wb.Crop(top=10, right=0, bottom=6, left=20)" in cell(book, "goal").source


def test_reading_the_cells_back_gives_the_same_recipe(made, book):
    names = {"wb": wb}
    for c in book.cells:
        if re.fullmatch(r"step-\d+", c.id):
            exec(c.source.split("\n\nlook = ")[0], names)  # the cells are ours
    assert names["recipe"].titled(made[1].title) == made[1]
    exec(cell(book, "goal").source.split("\nlesson = ")[0], {"wb": wb}, names)
    assert [s.operation for s in names["goal"]] == [s.operation for s in made[1]]


def test_what_there_is_to_try_can_be_pasted_into_the_last_cell(made, book):
    told = cell(book, "try-it").source
    assert "1. **Step 1, Crop.**" in told
    assert (
        "**Step 7, Saturate.** Take `amount` (factor on the chroma: 0 is gray, 1 changes nothing) from 1.2 up to 2.4"
        in told
    )
    pasted = re.findall(r"`(wb\.[^`]*)`", told)
    assert len(pasted) >= 4
    for source in pasted:
        assert eval(source, {"wb": wb})  # the code is ours
    assert eval(f"[{', '.join(pasted)}]", {"wb": wb})[-1] == wb.Saturate(amount=2.4)


def test_lines_of_code_fit_a_page(book):
    assert max(len(line) for c in book.cells if c.cell_type == "code" for line in c.source.splitlines()) <= 88


# -- running it ----------------------------------------------------------------------------------------------------


@pytest.mark.timeout(300)
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_it_runs_from_top_to_bottom_to_the_very_outputs_that_are_stored(folder, book, monkeypatch, tmp_path):
    monkeypatch.setenv("PYTHONWARNINGS", "ignore::DeprecationWarning")
    monkeypatch.setenv("PYDEVD_DISABLE_FILE_VALIDATION", "1")  # or the kernel's debugger warns about frozen modules
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    before = sorted(folder.iterdir())
    ran = nbformat.read(folder / "night.ipynb", as_version=4)
    for c in ran.cells:
        if c.cell_type == "code":
            c.outputs, c.execution_count = [], None
    where = {"metadata": {"path": str(folder)}}
    NotebookClient(ran, kernel_name="python3", timeout=240, resources=where, coalesce_streams=True).execute()
    for stored, now in zip(book.cells, ran.cells, strict=True):
        if stored.cell_type == "code":
            assert now.outputs == stored.outputs, stored.id
            assert now.execution_count == stored.execution_count
    assert sorted(folder.iterdir()) == before


# -- stacks and recipes of other kinds -----------------------------------------------------------------------------


def read_cell(folder, stack, **options):
    recipe = wb.Recipe([wb.LevelSky()])
    text = lesson_notebook(stack, recipe, recipe.run(stack, progress=False), folder=folder, **options)
    cells = json.loads(text)["cells"]
    return "".join(cells[1]["source"]), "".join(cells[2]["source"])


def test_the_stack_is_named_as_seen_from_the_notebook(folder, made):
    stack = made[0]
    assert "wb.read('night.tif')" in read_cell(folder, stack)[1]
    assert f"wb.read('../{folder.name}/night.tif')" in read_cell(folder.parent / "lessons", stack)[1]
    told, source = read_cell(folder / "a" / "b" / "c" / "d", stack)
    assert "wb.read('night.tif')" in source
    assert "beside this notebook" in told


def test_a_stack_is_read_as_it_was_read(folder, made):
    given = wb.read(folder / "night.tif", white_level=60000)
    assert "wb.read('night.tif', white_level=60000.0)" in read_cell(folder, given)[1]
    assert "wb.read('night.tif', tone='linear')" in read_cell(folder, made[0], tone_given=True)[1]


def test_a_stack_without_a_file_is_asked_for(rng):
    stack = wb.Stack.from_array(0.1 + rng.normal(0, 0.01, (60, 80)).astype(np.float32))
    told, source = read_cell(None, stack)
    assert "# stack: the array 'array'" in source
    assert "as `stack`" in told


def test_frozen_facts_are_told(folder, made):
    stack, recipe, result = made
    frozen = recipe.run(stack, facts=result.record, progress=False)
    text = lesson_notebook(stack, recipe, frozen, folder=folder)
    assert text.count("kept from an earlier run") == sum(s.frozen for s in frozen.record.steps) > 0


def test_a_recipe_of_no_steps_and_one_that_is_all_off_are_written(made):
    for recipe in (wb.Recipe(), wb.Recipe([wb.Step(wb.Stretch(), on=False)])):
        book = nbformat.reads(lesson_notebook(made[0], recipe, recipe.run(made[0], progress=False)), as_version=4)
        nbformat.validate(book)


def test_names_do_not_hide_what_the_cells_need(made):
    class Print(Operation):
        """Do nothing."""

        def apply(self, tile, plan, out):
            out[...] = tile.inner

    Print.purpose = "frame"
    try:
        recipe = wb.Recipe([Print(), Print()])
        book = nbformat.reads(lesson_notebook(made[0], recipe, recipe.run(made[0], progress=False)), as_version=4)
    finally:
        del REGISTRY["print"]
    assert "recipe = wb.Recipe([print_step, print_step_2])" in cell(book, "step-2").source
    assert "Not part of the workbench: `Print`" in words(book)


def test_it_can_be_followed_and_stopped_while_it_is_made(made):
    told, cancel = [], wb.Cancel()
    lesson_notebook(*made, progress=lambda share, doing: told.append((share, doing)))
    assert [round(share * 8) for share, _ in told] == list(range(1, 8))
    cancel.set()
    with pytest.raises(Cancelled):
        lesson_notebook(*made, cancel=cancel)


# -- files ---------------------------------------------------------------------------------------------------------


def test_the_suffix_decides_and_others_are_refused(tmp_path, made):
    stack, recipe, result = made
    write_lesson(tmp_path / "a.html", stack, recipe, result)
    assert (tmp_path / "a.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    with pytest.raises(wb.WorkbenchError, match=r"must end in one of \.html, \.htm, \.ipynb"):
        write_lesson(tmp_path / "a.pdf", stack, recipe, result)
    with pytest.raises(wb.WorkbenchError, match="exists already"):
        write_lesson(tmp_path / "a.html", stack, recipe, result)
    assert [p.name for p in tmp_path.iterdir()] == ["a.html"]


# -- Markdown ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", [NOTE, "1. no list", "- no list", "# no head", "a\n\n---\nb", "= no rule", "[x](y)", "a_b_c <b>"]
)
def test_words_stay_words_in_markdown(text):
    """Checked with mistune, which nbconvert turns Markdown into HTML with."""
    import mistune

    html = mistune.create_markdown(escape=False, plugins=["table", "strikethrough"])(plain(text))
    assert unescape(re.sub(r"^<p>|</p>\s*$", "", html)) == " ".join(text.split())


def test_tables_hold_bars_and_code():
    import mistune

    html = mistune.create_markdown(escape=False, plugins=["table"])(
        table(("A", "B"), [(plain("a | b"), code("c | d"))])
    )
    assert "<td>a | b</td>" in html
    assert "<code>c | d</code>" in unescape(html)
    assert marked("take ``a_b`` times *it*") == r"take `a_b` times \*it\*"

"""The table's state is kept beside the stack, whole or not at all, and read back."""

import json

from workbench import Recipe
from workbench.acquisition import Source
from workbench.bench.autosave import Autosave
from workbench.bench.code import session_code
from workbench.bench.model import Session
from workbench.operations.base import REGISTRY
from workbench.recipe.code import call_of
from workbench.recipe.model import Step, Where


def state(*names):
    table = Session(Recipe([REGISTRY[n]() for n in names]))
    return lambda: {"table": table.to_dict(), "selected": 0}


def test_what_was_kept_last_is_read_back(tmp_path):
    keeper = Autosave(tmp_path / "night.tif", delay=60)
    keeper.keep(state("crop"))
    keeper.keep(state("stretch"))
    assert not list(tmp_path.iterdir())
    keeper.flush()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["night.autosave.recipe.json", "night.bench.json"]
    assert [s.operation.id for s in Recipe.load(tmp_path / "night.autosave.recipe.json")] == ["stretch"]
    kept = Autosave(tmp_path / "night.tif").load()
    assert kept["table"] == json.loads(json.dumps(state("stretch")()["table"]))


def test_a_damaged_file_is_not_used_and_said(tmp_path):
    keeper = Autosave(tmp_path / "night.tif")
    keeper.state_path.write_text("{", encoding="utf-8")
    assert keeper.load() is None
    assert "was not used" in keeper.where


def test_a_stack_without_a_file_keeps_nothing():
    keeper = Autosave(None)
    keeper.keep(state("crop"))
    keeper.flush()
    assert "no file" in keeper.where
    assert keeper.load() is None


def test_the_session_reads_back_as_python_that_builds_the_same_recipe():
    where = Where(x0=1, y0=2, x1=3, y1=4)
    steps = [REGISTRY["crop"](safety=9), Step(REGISTRY["denoise"](), where=where, note="it's noisy", on=False)]
    recipe = Recipe([*steps, REGISTRY["stretch"]()], title="my night")
    cell = session_code("night.tif", Source(), recipe)
    import workbench as wb

    built = cell.split("recipe = ")[1].split("result = ")[0]
    assert eval(built, {"wb": wb}) == recipe  # the cell is ours
    assert "wb.read('night.tif')" in cell
    assert call_of(REGISTRY["stretch"]()) == "wb.Stretch()"

"""The table's state is kept beside the stack, whole or not at all, and read back."""

import json
import subprocess
import sys

import pytest

from workbench import Recipe
from workbench.acquisition import Source
from workbench.bench.autosave import Autosave
from workbench.bench.code import session_code
from workbench.bench.model import Session
from workbench.masks import RegionMask
from workbench.operations.base import REGISTRY
from workbench.recipe.code import call_of
from workbench.recipe.model import Step


def state(*names):
    table = Session(Recipe([REGISTRY[n]() for n in names]))
    return lambda: {"table": table.to_dict(), "selected": 0}


def test_what_was_kept_last_is_read_back(tmp_path):
    keeper = Autosave(tmp_path / "night.tif", delay=60)
    keeper.keep(state("crop"))
    keeper.keep(state("stretch"))
    assert not list(tmp_path.iterdir())
    keeper.flush()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["night.tif.autosave.recipe.json", "night.tif.bench.json"]
    assert [s.operation.id for s in Recipe.load(tmp_path / "night.tif.autosave.recipe.json")] == ["stretch"]
    kept = Autosave(tmp_path / "night.tif").load()
    assert kept["table"] == json.loads(json.dumps(state("stretch")()["table"]))


def test_a_program_that_ends_keeps_what_was_done_last(tmp_path):
    script = (
        "from pathlib import Path; from workbench import Recipe, Crop; from workbench.bench.model import Session\n"
        "from workbench.bench.autosave import Autosave\n"
        "session = Session(Recipe([Crop(top=7)]))\n"
        f"Autosave(Path({str(tmp_path / 'night.tif')!r}), delay=60).keep(lambda: {{'table': session.to_dict()}})\n"
    )
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False)
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, "", "")
    [step] = Recipe.load(tmp_path / "night.tif.autosave.recipe.json")
    assert step.operation.top == 7


def test_a_damaged_file_is_not_used_and_said(tmp_path):
    keeper = Autosave(tmp_path / "night.tif")
    keeper.state_path.write_text("{", encoding="utf-8")
    assert keeper.load() is None
    assert "was not used" in keeper.where


def test_stacks_that_differ_in_their_suffix_alone_have_files_of_their_own(tmp_path):
    for name, step in (("night.tif", "crop"), ("night.fits", "stretch")):
        keeper = Autosave(tmp_path / name)
        keeper.keep(state(step))
        keeper.release()
    kept = [Autosave(tmp_path / name).load() for name in ("night.tif", "night.fits")]
    assert [k["table"]["layout"]["recipe"]["steps"][0]["do"] for k in kept] == ["crop", "stretch"]


@pytest.mark.parametrize("name", ["night.tif.bench.json", "night.tif.autosave.recipe.json"])
def test_a_persons_own_file_of_the_same_name_is_left_as_it_is_and_said(tmp_path, name):
    mine = tmp_path / name
    mine.write_text('{"kind": "post-stack recipe", "mine": true}', encoding="utf-8")
    keeper = Autosave(tmp_path / "night.tif")
    keeper.keep(state("crop"))
    keeper.release()
    assert json.loads(mine.read_text(encoding="utf-8"))["mine"]
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert name in keeper.where
    assert "rename it" in keeper.where
    mine.unlink()
    keeper.keep(state("crop"))
    keeper.flush()
    assert "kept by itself" in keeper.where


def test_a_recipe_edited_by_hand_in_the_kept_file_is_not_overwritten(tmp_path):
    keeper = Autosave(tmp_path / "night.tif")
    keeper.keep(state("crop"))
    keeper.flush()
    Recipe([REGISTRY["denoise"]()]).save(keeper.recipe_path, overwrite=True)
    keeper.keep(state("stretch"))
    keeper.flush()
    assert [s.operation.id for s in Recipe.load(keeper.recipe_path)] == ["denoise"]
    assert "not the bench's own file" in keeper.where


def test_who_opens_a_stack_last_keeps_it_and_the_other_one_says_that_it_does_not(tmp_path):
    first, second = (Autosave(tmp_path / "night.tif") for _ in range(2))
    first.keep(state("crop"))
    first.flush()
    assert second.taken_from
    second.keep(state("stretch"))
    second.flush()
    first.keep(state("denoise"))
    first.flush()
    assert "another bench has opened this stack" in first.where
    second.release()
    assert not Autosave(tmp_path / "night.tif").taken_from
    assert [s.operation.id for s in Recipe.load(second.recipe_path)] == ["stretch"]


def test_a_state_kept_under_its_old_name_is_read(tmp_path):
    keeper = Autosave(tmp_path / "night.tif")
    keeper.keep(state("crop"))
    keeper.release()
    keeper.state_path.rename(tmp_path / "night.bench.json")
    kept = Autosave(tmp_path / "night.tif").load()
    assert kept["table"]["layout"]["recipe"]["steps"][0]["do"] == "crop"


def test_a_stack_without_a_file_keeps_nothing():
    keeper = Autosave(None)
    keeper.keep(state("crop"))
    keeper.flush()
    assert "no file" in keeper.where
    assert keeper.load() is None


def test_the_session_reads_back_as_python_that_builds_the_same_recipe():
    where = RegionMask(regions=[{"shape": "rectangle", "x0": 1, "y0": 2, "x1": 3, "y1": 4}])
    steps = [REGISTRY["crop"](safety=9), Step(REGISTRY["denoise"](), where=where, note="it's noisy", on=False)]
    recipe = Recipe([*steps, REGISTRY["stretch"]()], title="my night")
    cell = session_code("night.tif", Source(), recipe)
    import workbench as wb

    built = cell.split("recipe = ")[1].split("result = ")[0]
    assert eval(built, {"wb": wb}) == recipe  # the cell is ours
    assert "wb.read('night.tif')" in cell
    assert call_of(REGISTRY["stretch"]()) == "wb.Stretch()"

"""The command line does what it says, and says what it did."""

import json
import subprocess
import sys

import numpy as np
import pytest

import workbench as wb
from workbench.cli import main
from workbench.operations.base import registered
from workbench.simulate import write_simulation

SHAPE = (200, 288)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with a stack, its recipe, and a run of it with a record."""
    folder = tmp_path_factory.mktemp("night")
    write_simulation("hayfield_stars", folder / "night.tif", shape=SHAPE)
    steps = [wb.Crop(top=3, right=0, bottom=0, left=5), wb.RemoveGradient(), wb.Stretch()]
    wb.Recipe(steps, title="Hayfield").save(folder / "night.recipe.json")
    recipe, stack, picture = (str(folder / n) for n in ("night.recipe.json", "night.tif", "night.png"))
    assert main(["run", recipe, stack, "-o", picture, "--record", "-q"]) == 0
    return folder


def run(*arguments):
    return main([str(a) for a in arguments])


def test_check_prints_words_and_plain_data(place, capsys):
    assert run("check", place / "night.tif") == 0
    assert "megapixels" in capsys.readouterr().out
    assert run("check", place / "night.tif", "--json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["file"] == "night.tif"
    assert data["shape"] == [*SHAPE, 3]


@pytest.mark.parametrize("command", [["check", "--json"], ["suggest"]])
def test_what_is_found_is_the_same_with_the_frames_on_disk(place, tmp_path, command, capsys):
    assert run(*command, place / "night.tif") == 0
    in_memory = capsys.readouterr().out
    assert run(*command, place / "night.tif", "--scratch", tmp_path) == 0
    assert capsys.readouterr().out == in_memory
    assert list(tmp_path.iterdir()) == []
    assert run(*command, place / "night.tif", "--scratch", tmp_path / "nowhere") == 2
    assert "is not a folder that can be written in" in capsys.readouterr().err


def test_suggest_writes_a_recipe_that_run_takes(place, tmp_path, capsys):
    recipe = tmp_path / "a.recipe.json"
    assert run("suggest", place / "night.tif", "-o", recipe) == 0
    said = capsys.readouterr().out
    assert "workbench run" in said
    assert run("run", recipe, place / "night.tif", "-o", tmp_path / "a.jpg", "--quality", 80) == 0
    assert (tmp_path / "a.jpg").read_bytes()[:3] == b"\xff\xd8\xff"


def test_suggest_without_an_output_prints_the_recipe(place, capsys):
    assert run("suggest", place / "night.tif") == 0
    assert wb.Recipe.loads(capsys.readouterr().out)


@pytest.mark.parametrize("suffix", ["tif", "png", "jpg", "fits"])
def test_the_format_follows_the_name(place, tmp_path, suffix, capsys):
    out = tmp_path / f"out.{suffix}"
    assert run("run", place / "night.recipe.json", place / "night.tif", "-o", out) == 0
    assert wb.read(out).shape == (SHAPE[0] - 3, SHAPE[1] - 5, 3)
    assert str(out) in capsys.readouterr().out


def test_a_picture_carries_its_recipe_and_record(place, tmp_path, capsys):
    assert run("recipe", place / "night.png") == 0
    printed = wb.Recipe.loads(capsys.readouterr().out)
    assert printed.to_dict() == wb.Recipe.load(place / "night.recipe.json").to_dict()
    assert run("recipe", place / "night.png", "-o", tmp_path / "back.recipe.json") == 0
    assert wb.Recipe.load(tmp_path / "back.recipe.json").to_dict() == printed.to_dict()
    again = tmp_path / "again.png"
    assert run("run", place / "night.png", place / "night.tif", "-o", again, "-q") == 0
    assert again.read_bytes() == (place / "night.png").read_bytes()


def test_record_is_written_beside_the_picture(place):
    record = wb.Record.load(place / "night.record.json")
    assert record.output["shape"] == [SHAPE[0] - 3, SHAPE[1] - 5, 3]


@pytest.mark.parametrize(("steps", "changed"), [([wb.RemoveFringe()], False), ([wb.LevelSky()], True)])
def test_run_says_where_a_recipe_changed_nothing(place, tmp_path, steps, changed, capsys):
    """RemoveFringe finds no halo in 200 rows of sky, and the picture is the stack."""
    recipe, out = tmp_path / "lone.recipe.json", tmp_path / "lone.tif"
    wb.Recipe(steps).save(recipe)
    assert run("run", recipe, place / "night.tif", "-o", out, "--float") == 0
    assert ("not one pixel was changed" in capsys.readouterr().out) is not changed
    same = np.array_equal(wb.read(out).pixels, wb.read(place / "night.tif").pixels)
    assert same is not changed


def test_verify_says_identical_for_the_same_stack_and_recipe(place, capsys):
    assert run("run", place / "night.recipe.json", place / "night.tif", "--verify", place / "night.record.json") == 0
    assert "Identical" in capsys.readouterr().out


def test_verify_says_at_which_step_another_recipe_differs_and_exits_with_1(place, tmp_path, capsys):
    other = wb.Recipe.load(place / "night.recipe.json").replaced(2, wb.Stretch(sky=0.3))
    other.save(tmp_path / "other.json")
    arguments = (tmp_path / "other.json", place / "night.tif", "--verify", place / "night.record.json")
    assert run("run", *arguments) == 1
    assert "step 3 (stretch)" in capsys.readouterr().out
    assert run("run", *arguments, "-o", tmp_path / "written.png") == 1
    assert (tmp_path / "written.png").exists()


def test_verify_says_when_the_stack_is_another(place, tmp_path, capsys):
    write_simulation("hayfield_stars", tmp_path / "other.tif", shape=SHAPE, seed=99)
    assert run("run", place / "night.recipe.json", tmp_path / "other.tif", "--verify", place / "night.record.json") == 1
    assert "another stack" in capsys.readouterr().out


def test_frozen_facts_replay_a_run_on_another_stack(place, tmp_path):
    write_simulation("hayfield_stars", tmp_path / "other.tif", shape=SHAPE, seed=99)
    out = tmp_path / "o.tif"
    facts = place / "night.record.json"
    assert (
        run("run", place / "night.recipe.json", tmp_path / "other.tif", "-o", out, "--facts", facts, "--record", "-q")
        == 0
    )
    record, frozen = wb.Record.load(tmp_path / "o.record.json"), wb.Record.load(facts)
    assert record.facts == frozen.facts
    assert all(s.frozen for s in record.steps)


def test_upto_runs_the_first_steps_and_leaves_linear_light(place, tmp_path):
    out = tmp_path / "linear.tif"
    assert run("run", place / "night.recipe.json", place / "night.tif", "-o", out, "--upto", 2, "-q") == 0
    stack = wb.read(out)
    assert stack.tone == wb.Tone.LINEAR
    assert stack.source.sample == "float32"


def test_float_writes_float_samples(place, tmp_path):
    out = tmp_path / "float.tif"
    assert run("run", place / "night.recipe.json", place / "night.tif", "-o", out, "--float", "-q") == 0
    assert wb.read(out).source.sample == "float32"


def test_several_stacks_go_to_a_folder(place, tmp_path, capsys):
    write_simulation("hayfield_stars", tmp_path / "b.tif", shape=SHAPE, seed=5)
    out = tmp_path / "made" / "here"
    stacks = (place / "night.tif", tmp_path / "b.tif")
    assert run("run", place / "night.recipe.json", *stacks, "-o", out, "--record", "--format", "png") == 0
    names = {"night.picture.png", "night.record.json", "b.picture.png", "b.record.json"}
    assert {p.name for p in out.iterdir()} == names


def test_one_damaged_stack_does_not_hold_up_the_others(place, tmp_path, capsys):
    damaged = tmp_path / "damaged.tif"
    damaged.write_bytes((place / "night.tif").read_bytes()[:4000])
    out = tmp_path / "out"
    assert run("run", place / "night.recipe.json", damaged, place / "night.tif", "-o", out, "-q") == 2
    assert [p.name for p in out.iterdir()] == ["night.picture.tif"]
    said = capsys.readouterr().err
    assert "damaged.tif" in said
    assert "1 of 2 stacks could not be used; 1 picture was written" in said


def test_an_existing_picture_is_replaced_only_when_forced(place, tmp_path, capsys):
    out = tmp_path / "a.png"
    out.write_bytes(b"mine")
    arguments = ("run", place / "night.recipe.json", place / "night.tif", "-o", out, "-q")
    assert run(*arguments) == 2
    assert out.read_bytes() == b"mine"
    assert "--force" in capsys.readouterr().err
    assert run(*arguments, "--force") == 0
    assert out.read_bytes() != b"mine"


def test_steps_lists_every_operation_and_shows_each(capsys):
    assert run("steps") == 0
    listed = capsys.readouterr().out
    for operation in registered():
        assert operation.id in listed
        assert run("steps", operation.__name__) == 0
        shown = capsys.readouterr().out
        assert all(f"  {name}: " in shown for name in operation.model_fields)


def test_steps_gives_the_schema(capsys):
    assert run("steps", "--schema") == 0
    assert json.loads(capsys.readouterr().out)["title"] == "Post-stack recipe"


def test_diff_tells_recipes_and_records_apart(place, tmp_path, capsys):
    wb.Recipe.load(place / "night.recipe.json").replaced(2, wb.Stretch(sky=0.3)).save(tmp_path / "b.json")
    assert run("diff", place / "night.recipe.json", tmp_path / "b.json") == 0
    assert "step 3 (stretch): sky" in capsys.readouterr().out
    assert run("diff", place / "night.recipe.json", place / "night.png") == 0
    assert capsys.readouterr().out == "No difference.\n"
    assert run("diff", place / "night.record.json", place / "night.record.json") == 0
    assert capsys.readouterr().out == "No difference.\n"
    assert run("diff", place / "night.record.json", tmp_path / "b.json") == 2
    assert "is a record" in capsys.readouterr().err


def test_lesson_writes_a_step_sheet(place, tmp_path):
    sheet = tmp_path / "sheet.html"
    facts = place / "night.record.json"
    assert run("lesson", place / "night.recipe.json", place / "night.tif", "-o", sheet, "--facts", facts) == 0
    assert sheet.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_lesson_writes_a_notebook_where_the_name_asks_for_one(place, tmp_path, capsys):
    book = place / "night.ipynb"
    assert run("lesson", place / "night.recipe.json", place / "night.tif", "-o", book) == 0
    assert str(book) in capsys.readouterr().out
    cells = json.loads(book.read_text(encoding="utf-8"))["cells"]
    assert "".join(cells[0]["source"]).startswith("# Hayfield")
    code = "".join("".join(c["source"]) for c in cells if c["cell_type"] == "code")
    assert "wb.read('night.tif')" in code
    assert str(place) not in book.read_text(encoding="utf-8")
    once = book.read_bytes()
    assert run("lesson", place / "night.recipe.json", place / "night.tif", "-o", book) == 2
    assert "--force" in capsys.readouterr().err
    options = ("--force", "--linear", "--white-level", 60000)
    assert run("lesson", place / "night.recipe.json", place / "night.tif", "-o", book, *options) == 0
    assert book.read_bytes() != once
    assert "wb.read('night.tif', white_level=60000.0, tone='linear')" in book.read_text(encoding="utf-8")


def test_simulate_writes_a_stack_of_the_asked_size(tmp_path, capsys):
    assert run("simulate") == 0
    assert "lantern_nebula" in capsys.readouterr().out
    assert run("simulate", "hayfield_stars", "-o", tmp_path / "s.tif", "--size", "120x80", "--seed", 3) == 0
    stack = wb.read(tmp_path / "s.tif")
    assert stack.shape == (80, 120, 3)
    assert stack.acquisition.focal_length_mm


def test_version_and_help_say_what_they_should(capsys):
    assert run("--version") == 0
    assert capsys.readouterr().out.startswith("workbench ")
    assert run("--help") == 0
    said = capsys.readouterr().out
    for command in ("demo", "check", "suggest", "run", "steps", "recipe", "diff", "lesson", "simulate"):
        assert command in said


def test_help_loads_no_compiler():
    code = "import sys; from workbench.cli import main; main(['run', '--help']); print('numba' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.rstrip().endswith("False")


def test_naming_the_steps_loads_no_library_that_only_some_of_them_need():
    code = "import sys; from workbench.cli import main; main(['steps']); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.splitlines()[-1].split())
    assert "workbench.operations.tone" in loaded
    few = {"astropy", "photutils", "scipy.fft", "scipy.interpolate", "scipy.optimize", "scipy.spatial"}
    assert not loaded & few


def test_python_m_workbench_is_the_same_command():
    done = subprocess.run(
        [sys.executable, "-m", "workbench", "steps", "no_such"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr.startswith("workbench: there is no operation 'no_such'")
    assert done.stdout == ""


def test_the_input_is_never_changed(place):
    before = (place / "night.tif").read_bytes()
    assert run("run", place / "night.recipe.json", place / "night.tif", "-o", place / "night.tif", "--force") == 2
    assert (place / "night.tif").read_bytes() == before
    assert np.isfinite(wb.read(place / "night.tif").pixels).all()

"""From a stack to a picture with names on it, on the command line."""

import json

import pytest
from independent.sky import Camera, sky_scene

import workbench as wb
from workbench.cli import main


def run(*arguments):
    return main([str(a) for a in arguments])


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    place = tmp_path_factory.mktemp("night")
    sky_scene(Camera(83.0, -1.0, (400, 600), 80.0, turn=10.0), seed=3, faintest=9.0).stack.save(place / "night.fits")
    return place


def test_a_stack_is_located_developed_and_labelled(night, capsys):
    assert run("solve", night / "night.fits", "-o", night / "solved.fits") == 0
    said = capsys.readouterr().out
    assert "in the catalogue found" in said
    assert "Written" in said
    assert run("check", night / "solved.fits") == 0
    assert "magnitudes per square arcsecond" in " ".join(capsys.readouterr().out.split())
    recipe = wb.Recipe([wb.CalibrateColor(reference="catalogue"), wb.Stretch()])
    recipe.save(night / "night.recipe.json")
    picture = night / "night.png"
    assert run("run", night / "night.recipe.json", night / "solved.fits", "-o", picture, "-q") == 0
    assert run("annotate", picture, "-o", night / "named.png") == 0
    assert run("annotate", picture, "-o", night / "named.svg", "--no-grid") == 0
    capsys.readouterr()
    assert wb.read(night / "named.png").shape == (400, 600, 3)
    assert (night / "named.svg").read_text(encoding="utf-8").startswith("<?xml")


def test_plain_data_says_where_it_lies(night, capsys):
    assert run("solve", night / "night.fits", "--json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["center_deg"] == pytest.approx([83.0, -1.0], abs=0.02)
    assert data["rotation_deg"] == pytest.approx(10.0, abs=0.1)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("solve", "night.fits", "--field", "150"), "fisheye"),
        (("solve", "night.fits", "--catalog", "nowhere.csv"), "does not exist"),
        (("annotate", "night.fits", "-o", "out.png"), "is linear"),
        (("solve", "night.fits", "-o", "night.fits", "--force"), "night.fits"),
    ],
)
def test_what_cannot_be_done_is_one_sentence_and_nothing_is_written(night, capsys, arguments, said):
    before = sorted(night.iterdir())
    assert run(*[night / a if a.endswith((".fits", ".png", ".csv")) else a for a in arguments]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error
    assert sorted(night.iterdir()) == before

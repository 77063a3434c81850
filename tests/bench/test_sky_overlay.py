"""What the picture panel knows of a located stack's sky, against places by another camera and catalogues' numbers."""

import importlib.util
import re
from dataclasses import replace

import numpy as np
import pytest
from independent.sky import Camera

import workbench as wb
from workbench.bench.panels.viewer.sky import sky_of
from workbench.engine.transform import Transform
from workbench.errors import WorkbenchError

SHAPE = (600, 900)
CAMERA = Camera(84.0, -2.0, SHAPE, 60.0, turn=20.0)


@pytest.fixture(scope="module")
def stack():
    return wb.Stack.from_array(np.full((*SHAPE, 1), 0.2, np.float32), wcs=CAMERA.solution())


@pytest.fixture(scope="module")
def sky(stack):
    return sky_of(stack)


AS_IT_IS = Transform(np.eye(2), np.zeros(2), SHAPE)


def place(ra, dec):
    x, y, _ = CAMERA.pixels(np.array([ra]), np.array([dec]))
    return float(x[0]), float(y[0])


def test_names_follow_the_steps_that_move_the_frame(stack, sky):
    recipe = wb.Recipe([wb.Crop(top=10, right=0, bottom=0, left=30), wb.Turn(quarter_turns=1, mirror=True)])
    facts = recipe.run(stack, progress=False).record.facts
    before = {mark[0]: mark for mark in sky.names(AS_IT_IS)["marks"]}
    after = {mark[0]: mark for mark in sky.names(Transform.between(stack, recipe, facts, 0))["marks"]}
    assert set(before) == set(after)
    name = next(text for text in before if text.startswith("M 42"))
    _, x, y, long, short, angle = before[name]
    assert np.hypot(x - place(83.82, -5.39)[0], y - place(83.82, -5.39)[1]) < 1.5  # J2000, from memory
    # A quarter clockwise, then mirrored: rows become columns.
    assert after[name][1:3] == pytest.approx((y - 10, x - 30), abs=0.02)
    assert after[name][3:5] == [long, short]
    assert (after[name][5] - (90 - angle)) % 180 == pytest.approx(0, abs=0.2)


def test_grid_lines_run_through_places_of_their_values(sky):
    grid = sky.grid(AS_IT_IS)
    assert [level["finer"] for level in grid["levels"]] == [1.0, 2.5, 7.0]
    counts = [len(level["lines"]) for level in grid["levels"]]
    assert counts == sorted(counts)
    wcs = CAMERA.solution()
    for level in grid["levels"]:
        for text, points in level["lines"]:
            ra, dec = wcs.all_pix2world(*np.array(points).T, 0)
            if "°" in text:
                degrees, _, rest = text.partition("°")
                value = abs(int(degrees)) + float(rest.strip(" '") or 0) / 60
                np.testing.assert_allclose(dec, -value if text.startswith("-") else value, atol=2e-3)
            else:
                hours = sum(int(part) / 60**k for k, part in enumerate(re.findall(r"\d+", text)))
                np.testing.assert_allclose((ra / 15 - hours + 12) % 24 - 12, 0, atol=2e-4)
    # Up is 20 degrees from north over east, which is left: north lies 20 degrees to the right of up.
    turn = np.deg2rad(20)
    assert grid["north"] == pytest.approx([np.sin(turn), -np.cos(turn)], abs=2e-3)
    assert grid["east"] == pytest.approx([-np.cos(turn), -np.sin(turn)], abs=2e-3)
    assert grid["scale"] == pytest.approx(60 / 3600, rel=1e-3)


def test_stars_and_objects_at_a_place_are_told_the_smallest_object_first(sky):
    # Hipparcos 26311: V 1.69, B-V -0.18 (from memory).
    assert sky.at(*place(84.05339, -1.20192), 3.0)[0].startswith("Alnilam, V 1.7, B-V -0.1")
    told = sky.at(*place(85.245, -2.458), 3.0)
    assert any(words.startswith("B 33") for words in told)
    in_sword = sky.at(*place(83.86, -5.20), 0.5)
    assert [words.split(",")[0] for words in in_sword][-1] == "M 42"
    assert sky.at(-500.0, -500.0, 3.0) == []


def test_without_the_extra_the_switch_says_what_to_install_and_the_pointer_nothing(stack, monkeypatch):
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: None if name == "pyongc" else found(name, *a))
    bare = sky_of(stack)
    with pytest.raises(WorkbenchError, match=r"pip install .*sky"):
        bare.find()
    assert bare.at(300.0, 300.0, 5.0) == []
    assert bare.grid(AS_IT_IS)["levels"]


def test_a_stack_that_was_not_located_has_no_sky(stack):
    assert sky_of(replace(stack, wcs=None)) is None


def test_a_labelled_copy_and_the_labels_alone_are_written_from_the_bench(open_bench, stack, tmp_path, monkeypatch):
    bench = open_bench(stack, wb.Recipe([wb.Crop(top=0, left=40, bottom=0, right=0), wb.Stretch(sky=0.2)]))
    assert bench.screen.panels["export"].state["located"]
    bench.save_labelled(tmp_path / "night.labelled.png")
    bench.save_picture(tmp_path / "night.picture.png")
    labelled, picture = (wb.read(tmp_path / f"night.{kind}.png") for kind in ("labelled", "picture"))
    assert labelled.shape == (600, 860, 3)
    touched = (labelled.pixels != picture.pixels).any(axis=2).mean()
    bench.save_labelled(tmp_path / "night.bare.png", grid=False, names=False)
    bare = (wb.read(tmp_path / "night.bare.png").pixels != picture.pixels).any(axis=2).mean()
    assert 0 < bare < touched < 0.3
    bench.save_labelled(tmp_path / "night.labels.svg")
    assert 'viewBox="0 0 860 600"' in (tmp_path / "night.labels.svg").read_text(encoding="utf-8")
    with pytest.raises(WorkbenchError, match="exists already"):
        bench.save_labelled(tmp_path / "night.labels.svg")
    monkeypatch.setattr(wb.Recipe, "run", None)  # what cannot be written is told before any work
    bench.set(1, sky=0.3)
    with pytest.raises(WorkbenchError, match="suffix of a known format"):
        bench.save_labelled(tmp_path / "night.labels.docx")


def test_nothing_is_labelled_where_the_place_is_not_known(open_bench, stack, tmp_path):
    bench = open_bench(replace(stack, wcs=None), wb.Recipe([wb.Stretch(sky=0.2)]))
    assert not bench.screen.panels["export"].state["located"]
    with pytest.raises(WorkbenchError, match="workbench solve"):
        bench.save_labelled(tmp_path / "night.labelled.png")
    assert not list(tmp_path.glob("night.labelled*"))

"""Simulated stacks as files, and the shipped ones as made by one command."""

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

import workbench.stack
from workbench.cli import main
from workbench.errors import WorkbenchError
from workbench.simulate import simulate, write_simulation
from workbench.simulate.stack_files import quantised

SHIPPED = Path(__file__).parents[2] / "sample_stacks"
SHAPE = (96, 128)


def test_a_written_stack_reads_back_to_half_a_step(tmp_path):
    path = tmp_path / "night.tif"
    made = write_simulation("lantern_nebula", path, shape=SHAPE)
    stack = workbench.stack.read(path)
    assert stack.tone == "linear"
    assert stack.acquisition == made.stack.acquisition
    assert np.abs(stack.pixels - np.clip(made.stack.pixels, 0, 1)).max() <= 0.501 / 65535
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        assert (page.bitspersample, page.compression, page.predictor) == (16, 8, 2)


def test_writing_twice_gives_the_same_file(tmp_path):
    for name in ("a.tif", "b.tif"):
        write_simulation("hayfield_stars", tmp_path / name, shape=SHAPE)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()


def test_nothing_existing_is_replaced_without_asking(tmp_path):
    path = tmp_path / "night.tif"
    path.write_bytes(b"precious")
    with pytest.raises(WorkbenchError, match="exists"):
        write_simulation("hayfield_stars", path, shape=SHAPE)
    assert path.read_bytes() == b"precious"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["night.tif"]
    write_simulation("hayfield_stars", path, shape=SHAPE, overwrite=True)
    assert path.read_bytes() != b"precious"


def test_a_stack_is_a_tiff(tmp_path):
    with pytest.raises(WorkbenchError, match=r"\.tif"):
        write_simulation("hayfield_stars", tmp_path / "night.png", shape=SHAPE)
    assert not list(tmp_path.iterdir())


def test_the_truth_is_written_beside_it(tmp_path):
    made = write_simulation("millwheel_galaxy", tmp_path / "g.tif", shape=SHAPE, truth=tmp_path / "truth")
    folder = tmp_path / "truth"
    facts = json.loads((folder / "truth.json").read_text("utf-8"))
    np.testing.assert_allclose(facts["channel_gains"], made.truth.channel_gains)
    assert facts["borders"] == made.truth.borders._asdict()
    np.testing.assert_array_equal(
        tifffile.imread(folder / "object_light.tif"), np.moveaxis(made.truth.object_light, 0, 2)
    )
    np.testing.assert_array_equal(tifffile.imread(folder / "coverage.tif").squeeze() // 257, made.truth.coverage)
    lines = (folder / "stars.csv").read_text("utf-8").splitlines()
    assert len(lines) == 1 + len(made.truth.stars)
    assert float(lines[1].split(",")[0]) == pytest.approx(made.truth.stars.x[0], rel=1e-6)


def test_the_command_writes_a_stack(tmp_path, capsys):
    path = tmp_path / "s.tif"
    assert main(["simulate", "hayfield_stars", "-o", str(path), "--size", "80x64", "--seed", "5"]) == 0
    assert tifffile.imread(path).shape == (64, 80, 3)
    said = capsys.readouterr().out
    expected = quantised(simulate("hayfield_stars", shape=(64, 80), seed=5).stack.pixels)
    np.testing.assert_array_equal(tifffile.imread(path), expected)
    assert f"SHA-256 of its samples: {hashlib.sha256(expected.astype('<u2').tobytes()).hexdigest()}" in said


def test_the_command_tells_a_mistake_in_one_sentence(tmp_path, capsys):
    assert main(["simulate", "nowhere", "-o", str(tmp_path / "s.tif")]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert "nowhere" in said.err
    assert not list(tmp_path.iterdir())


def test_truth_that_is_there_already_is_kept_and_no_stack_is_left(tmp_path):
    truth = tmp_path / "truth"
    truth.mkdir()
    (truth / "stars.csv").write_text("mine")
    with pytest.raises(WorkbenchError, match=r"stars\.csv exists already"):
        write_simulation("hayfield_stars", tmp_path / "s.tif", shape=SHAPE, truth=truth)
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["stars.csv", "truth"]
    assert (truth / "stars.csv").read_text() == "mine"


def test_a_disk_that_fills_up_leaves_no_part_of_a_simulation(tmp_path, monkeypatch):
    def full(*_, **__):
        raise WorkbenchError("no space is left")

    monkeypatch.setattr("workbench.io.write_text", full)
    with pytest.raises(WorkbenchError, match="no space"):
        write_simulation("hayfield_stars", tmp_path / "s.tif", shape=SHAPE, truth=tmp_path / "truth")
    assert not [p for p in tmp_path.rglob("*") if p.is_file()]


@pytest.mark.parametrize("shape", [(3, 900), (900, 3), (90_000, 90_000)])
def test_a_size_that_cannot_be_made_is_told_width_first_as_it_is_asked_for(shape):
    with pytest.raises(WorkbenchError, match=rf"not {shape[1]} x {shape[0]} \(width x height\)"):
        simulate("hayfield_stars", shape=shape)


@pytest.mark.parametrize("path", sorted(SHIPPED.glob("*.tif")), ids=lambda p: p.stem)
def test_a_shipped_stack_is_what_the_command_makes(path):
    """The same samples; another processor may round the last bit of a transcendental function differently."""
    made = simulate(path.stem)
    expected = quantised(made.stack.pixels).astype(np.int32)
    got = tifffile.imread(path).astype(np.int32)
    off = np.abs(expected - got)
    assert off.max() <= 1
    assert np.mean(off > 0) < 1e-3
    side = json.loads(path.with_suffix(".acquisition.json").read_text("utf-8"))
    assert side == made.stack.acquisition.to_dict()


def test_stacks_are_shipped():
    assert len(list(SHIPPED.glob("*.tif"))) >= 3

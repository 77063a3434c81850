"""Of many stacks, those that can be used are used, and a second run does what is left."""

import json
import os
from pathlib import Path

import numpy as np
import pytest
import tifffile

import workbench as wb
from workbench.cli import main
from workbench.cli.faults import STOPPED


@pytest.fixture
def night(tmp_path):
    """A recipe and two small stacks."""
    wb.Recipe([wb.Turn(quarter_turns=1)], title="turned").save(tmp_path / "r.json")
    for name in ("a", "b"):
        _write(tmp_path / f"{name}.tif", len(name) + ord(name))
    return tmp_path


def _write(path, seed):
    rng = np.random.default_rng(seed)
    tifffile.imwrite(path, rng.integers(2000, 9000, (24, 32, 3), np.uint16), photometric="rgb")


def run(*arguments):
    return main(["run", *(str(a) for a in arguments)])


BROKEN = {
    "empty": lambda whole: b"",
    "cut": lambda whole: whole[:700],
    "text": lambda whole: b"no picture at all",
    "zeros": lambda whole: bytes(len(whole)),
    "its head changed": lambda whole: b"II*\0\xff\xff\xff\xff" + whole[8:],
}


def test_of_forty_stacks_ten_broken_ones_cost_ten(tmp_path, capsys):
    wb.Recipe([wb.Turn(quarter_turns=1)]).save(tmp_path / "r.json")
    stacks, broken = [tmp_path / f"n{i:03}.tif" for i in range(40)], set()
    for i, path in enumerate(stacks):
        _write(path, i)
        if i % 4 == 1:
            change = list(BROKEN.values())[i // 4 % len(BROKEN)]
            path.write_bytes(change(path.read_bytes()))
            broken.add(path.name)
    out, summary = tmp_path / "out", tmp_path / "s.json"
    stacks[13].unlink()
    assert run(tmp_path / "r.json", *stacks, "-o", out, "--summary", summary) == 2
    said = capsys.readouterr()
    assert "10 of 40 stacks could not be used; 30 pictures were written" in said.err
    assert said.out.rstrip().endswith("40 stacks: 30 done, 10 failed")
    assert len(list(out.iterdir())) == 30
    data = json.loads(summary.read_text())
    assert data["kind"] == "run summary"
    assert data["counts"] == {"done": 30, "differs": 0, "skipped": 0, "failed": 10, "not reached": 0}
    failed = [s for s in data["stacks"] if s["state"] == "failed"]
    assert {s["stack"].rpartition("/")[2].rpartition("\\")[2] for s in failed} == broken
    assert all(s["says"] and s["picture"] is None for s in failed)

    before = {p.name: p.stat().st_mtime_ns for p in out.iterdir()}
    for path in stacks:
        if path.name in broken:
            _write(path, 7)
    assert run(tmp_path / "r.json", *stacks, "-o", out, "--summary", summary, "--resume", "-q") == 0
    after = {p.name: p.stat().st_mtime_ns for p in out.iterdir()}
    assert len(after) == 40
    assert before.items() <= after.items(), "a picture that was there was written again"
    assert json.loads(summary.read_text())["counts"] | {"x": 0} == {
        "done": 10, "differs": 0, "skipped": 30, "failed": 0, "not reached": 0, "x": 0,
    }  # fmt: skip


def test_without_resume_an_existing_picture_stops_only_its_own_stack(night, capsys):
    arguments = (night / "r.json", night / "a.tif", night / "b.tif", "-o", night / "out", "-q")
    (night / "out").mkdir()
    (night / "out" / "a.picture.tif").write_bytes(b"mine")
    assert run(*arguments) == 2
    assert (night / "out" / "a.picture.tif").read_bytes() == b"mine"
    assert wb.read(night / "out" / "b.picture.tif").shape == (32, 24, 3)
    assert "a.picture.tif" in capsys.readouterr().err


def _other_recipe(night):
    wb.Recipe([wb.Turn(quarter_turns=3)], title="turned").save(night / "r.json", overwrite=True)


def _other_title(night):
    wb.Recipe([wb.Turn(quarter_turns=1)], title="another").save(night / "r.json", overwrite=True)


def _other_stack(night):
    _write(night / "a.tif", 99)


def _foreign_picture(night):
    _write(night / "out" / "a.picture.tif", 3)


def _half_picture(night):
    path = night / "out" / "a.picture.tif"
    path.write_bytes(path.read_bytes()[:300])


@pytest.mark.parametrize("change", [_other_recipe, _other_title, _other_stack, _foreign_picture, _half_picture])
def test_resume_takes_no_picture_of_another_recipe_or_stack_for_its_own(night, change, capsys):
    arguments = (night / "r.json", night / "a.tif", "-o", night / "out" / "a.picture.tif", "--resume")
    (night / "out").mkdir()
    assert run(*arguments) == 0
    assert run(*arguments) == 0
    assert "was made before, by this recipe from this stack" in capsys.readouterr().out
    change(night)
    kept = (night / "out" / "a.picture.tif").read_bytes()
    assert run(*arguments) == 2
    assert "not made by this recipe from this stack; --force replaces it" in capsys.readouterr().err
    assert (night / "out" / "a.picture.tif").read_bytes() == kept
    assert run(*arguments, "--force", "-q") == 0
    assert (night / "out" / "a.picture.tif").read_bytes() != kept or change is _other_title


def test_resume_minds_how_the_stack_is_read_and_the_record_that_was_asked_for(night, capsys):
    arguments = (night / "r.json", night / "a.tif", "-o", night / "a.picture.tif", "--resume", "-q")
    assert run(*arguments) == 0
    assert run(*arguments, "--white-level", 60000) == 2
    assert run(*arguments, "--record", "--force") == 0
    assert (night / "a.record.json").exists()
    assert run(*arguments, "--record", "--white-level", 65535) == 0


def test_an_interrupt_tells_what_was_not_reached(night, monkeypatch, capsys):
    from workbench.cli import running, workers

    monkeypatch.setattr(running, "in_child", workers.here)
    runs, calls = wb.Recipe.run, []

    def once(*arguments, **options):
        if calls:
            raise KeyboardInterrupt
        calls.append(1)
        return runs(*arguments, **options)

    monkeypatch.setattr(wb.Recipe, "run", once)
    summary = night / "s.json"
    stacks = (night / "a.tif", night / "b.tif")
    assert run(night / "r.json", *stacks, "-o", night / "out", "--summary", summary) == STOPPED
    assert [s["state"] for s in json.loads(summary.read_text())["stacks"]] == ["done", "not reached"]
    assert "1 finished picture was kept" in capsys.readouterr().err


def test_a_fault_with_one_stack_does_not_stop_the_others(night, monkeypatch, capsys):
    from workbench.cli import running, workers

    monkeypatch.setattr(running, "in_child", workers.here)
    runs = wb.Recipe.run

    def fails(recipe, stack, **options):
        if stack.source.name == "a.tif":
            raise MemoryError
        return runs(recipe, stack, **options)

    monkeypatch.setattr(wb.Recipe, "run", fails)
    assert run(night / "r.json", night / "a.tif", night / "b.tif", "-o", night / "out") == 2
    said = capsys.readouterr()
    assert "not enough free memory" in said.err
    assert "2 stacks: 1 done, 1 failed" in said.out


ABORTS = """
import os, resource
import imagecodecs
resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
imagecodecs.lzw_decode = lambda *_, **__: os.abort()
"""


@pytest.fixture
def aborting(tmp_path, monkeypatch):
    """A folder with a stack whose decoder ends its process, wherever that is started from now on."""
    (tmp_path / "path").mkdir()
    (tmp_path / "path" / "sitecustomize.py").write_text(ABORTS)
    before = os.environ.get("PYTHONPATH", str(Path(wb.__file__).parents[1]))
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path / 'path'}{os.pathsep}{before}")
    rng = np.random.default_rng(0)
    stack = rng.integers(2000, 9000, (24, 32, 3), np.uint16)
    tifffile.imwrite(tmp_path / "hostile.tif", stack, photometric="rgb", compression="lzw", rowsperstrip=8)
    return tmp_path


def test_a_decoder_that_ends_its_process_costs_one_stack(night, aborting, capsys):
    stacks = [night / name for name in ("a.tif", "hostile.tif", "b.tif")]
    summary = night / "s.json"
    assert run(night / "r.json", *stacks, "-o", night / "out", "--summary", summary) == 2
    said = capsys.readouterr()
    assert "the process that worked on it ended early (SIGABRT): its file may be damaged" in said.err
    assert [s["state"] for s in json.loads(summary.read_text())["stacks"]] == ["done", "failed", "done"]
    assert {p.name for p in (night / "out").iterdir()} == {"a.picture.tif", "b.picture.tif"}
    assert " 1 turn" in said.out, "what the child says is heard"


def test_an_archive_is_worked_off_by_a_cluster(night, cluster, capsys):
    (night / "empty.tif").write_bytes(b"")
    stacks = [night / name for name in ("a.tif", "empty.tif", "b.tif")]
    on = ("--on", f"dask={cluster.scheduler.address}")
    assert run(night / "r.json", *stacks, "-o", night / "here") == 2
    capsys.readouterr()
    assert run(night / "r.json", *stacks, "-o", night / "there", "--summary", night / "s.json", *on) == 2
    said = capsys.readouterr()
    assert "1 of 3 stacks could not be used; 2 pictures were written" in said.err
    assert "3 stacks: 2 done, 1 failed" in said.out
    for name in ("a.picture.tif", "b.picture.tif"):
        assert (night / "there" / name).read_bytes() == (night / "here" / name).read_bytes()
    (night / "there" / "a.picture.tif").unlink()
    _write(night / "empty.tif", 5)
    again = (night / "r.json", *stacks, "-o", night / "there", "--summary", night / "s.json", "--resume", *on)
    assert run(*again) == 0
    assert json.loads((night / "s.json").read_text())["counts"]["skipped"] == 1


def test_one_stack_is_cut_into_tiles_for_a_cluster_of_this_computer(night, capsys):
    pytest.importorskip("distributed")
    (night / "disk").mkdir()
    arguments = (night / "r.json", night / "a.tif", "-q", "-o")
    assert run(*arguments, night / "here.tif") == 0
    assert run(*arguments, night / "there.tif", "--on", "dask", "--scratch", night / "disk") == 0
    assert (night / "here.tif").read_bytes() == (night / "there.tif").read_bytes()
    assert not list((night / "disk").iterdir())
    assert run(*arguments, night / "x.tif", "--on", "moon") == 2
    assert "'moon' is neither 'dask' nor 'dask=ADDRESS'" in capsys.readouterr().err


def test_a_summary_replaces_no_other_file(night, capsys):
    foreign = night / "mine.json"
    foreign.write_text('{"kind": "diary"}')
    arguments = (night / "r.json", night / "a.tif", night / "b.tif", "-o", night / "out")
    for more in ((), ("--resume",)):
        assert run(*arguments, "--summary", foreign, *more) == 2
        assert foreign.read_text() == '{"kind": "diary"}'
    assert run(*arguments, "--summary", night / "s.txt") == 2
    assert run(*arguments, "--resume", "--verify", night / "r.json") == 2
    assert not (night / "out").exists()

"""Opening: stacks of last time, samples, and a file that was taken for the wrong thing."""

import json

import numpy as np
import pytest

import workbench as wb
from workbench.bench.panels.open.panel import SAMPLES
from workbench.bench.panels.viewer.panel import Viewer
from workbench.bench.recent import recent_stacks, remember
from workbench.simulate import SCENES


@pytest.fixture(autouse=True)
def nothing_recent(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.fixture
def night(color_stack, tmp_path):
    color_stack.save(tmp_path / "night.tif")
    return tmp_path / "night.tif"


def test_stacks_that_were_open_are_listed_the_last_one_first_while_they_are_there(open_bench, night, color_stack):
    color_stack.save(night.with_name("other.tif"))
    bench = open_bench(night)
    bench.open(night.with_name("other.tif"))
    bench.open(night)
    assert recent_stacks() == [night, night.with_name("other.tif")]
    empty = open_bench()
    assert [each["name"] for each in empty.screen.panels["open"].state["recent"]] == ["night.tif", "other.tif"]
    night.unlink()
    empty.screen.panels["open"].recent()
    assert [each["name"] for each in empty.screen.panels["open"].state["recent"]] == ["other.tif"]


def test_a_bench_that_keeps_nothing_is_not_listed(open_bench, night):
    open_bench(night, autosave=False)
    assert recent_stacks() == []


@pytest.mark.parametrize("text", ["", "{", "[]", '{"kind": "recent stacks", "stacks": 3}', '{"stacks": ["a"]}'])
def test_a_damaged_list_is_no_list(tmp_path, night, text):
    place = tmp_path / "state" / "post-stack-workbench" / "recent.json"
    place.parent.mkdir(parents=True)
    place.write_text(text)
    assert recent_stacks() == []
    remember(night)
    assert recent_stacks() == [night]


def test_a_list_that_cannot_be_written_is_done_without(tmp_path, night):
    (tmp_path / "state").write_text("a file, not a folder")
    remember(night)
    assert recent_stacks() == []


def test_samples_are_offered_and_opened(open_bench):
    bench = open_bench()
    assert set(SAMPLES) <= set(SCENES)
    assert [each["name"] for each in bench.screen.panels["open"].state["samples"]] == list(SAMPLES)
    bench.open_sample("beehouse_cluster")
    assert bench.stack.shape == (1200, 1720, 3)
    assert bench.log == ["bench.open_sample('beehouse_cluster')"]


def test_what_is_being_opened_is_shown(open_bench, night, monkeypatch):
    told = []
    put = Viewer.put
    monkeypatch.setattr(Viewer, "put", lambda self, **changes: (told.append(changes), put(self, **changes)))
    bench = open_bench()
    bench.open(night)
    names = [changes["opening"] for changes in told if "opening" in changes]
    assert names == ["night.tif", None]
    with pytest.raises(wb.WorkbenchError):
        bench.open(night.with_name("none.tif"))
    assert bench.screen.panels["viewer"].state["opening"] is None
    assert bench.screen.panels["viewer"].state["stack"] == "night.tif"


def test_a_file_taken_for_the_wrong_thing_can_be_declared_and_stays_so(open_bench, night):
    bench = open_bench(night, wb.Recipe([wb.RemoveGradient(), wb.Stretch()]))
    linear = bench.stack
    assert bench.screen.panels["open"].state["tone"] == "linear"
    bench.take_for("display")
    assert bench.stack.tone == "display"
    np.testing.assert_array_equal(bench.stack.pixels, linear.pixels)
    assert len(bench.recipe) == 0
    assert [step.operation.id for step in bench.session.variants["as linear"].recipe] == ["remove_gradient", "stretch"]
    assert "tone='display'" in bench.session_code()
    bench.close()
    assert json.loads(night.with_name("night.tif.bench.json").read_text())["tone"] == "display"
    again = open_bench(night)
    assert again.stack.tone == "display"
    again.take_for("linear")
    again.use_variant("as linear")
    assert len(again.recipe) == 2
    assert again.stack.tone == "linear"


def test_an_array_can_be_declared_too(open_bench, color_stack):
    bench = open_bench(color_stack)
    bench.take_for("display")
    assert bench.stack.tone == "display"
    assert color_stack.tone == "linear"

"""Findings of the check-up point at their place in the picture."""

from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar

import numpy as np
import pytest

import workbench as wb
from workbench.bench.events import CheckedUp
from workbench.bench.panel import Panel
from workbench.bench.panels.checkup.places import placed, pointed
from workbench.checkup import check
from workbench.checkup.text import NIGHT
from workbench.operations import base
from workbench.operations.base import Purpose
from workbench.operations.drawing import Points
from workbench.operations.findings import Advice
from workbench.simulate import simulate

TURN = wb.Turn(quarter_turns=1)


@pytest.fixture(scope="module")
def scene():
    return simulate("lantern_nebula", shape=(400, 560))


@pytest.fixture(scope="module")
def found(scene):
    return check(scene.stack)


@pytest.fixture
def bench(scene, found, monkeypatch):
    monkeypatch.setattr(Panel, "send", lambda *_, **__: None)
    monkeypatch.setattr("workbench.bench.measuring.check", lambda _: found)
    made = wb.Bench(scene.stack, wb.Recipe([TURN]), autosave=False)
    made.check()
    yield made
    made.close()


def shown(bench):
    return bench.screen.panels["viewer"].state["overlay_data"]["shown"]


def test_borders_are_an_outline_that_goes_through_later_steps(bench, found):
    panel = bench.screen.panels["checkup"]
    panel.show_finding("Borders")
    [mark] = shown(bench)
    height, width, _ = found.shape
    b = found.borders
    # A quarter turn to the left: x becomes the row from below.
    across, down = mark["region"]["x1"] - mark["region"]["x0"], mark["region"]["y1"] - mark["region"]["y0"]
    assert (across, down) == pytest.approx((height - b.top - b.bottom, width - b.left - b.right))
    assert panel.state["pointed"] == "Borders"
    panel.show_finding(None)
    assert shown(bench) == []
    assert panel.state["pointed"] is None


def test_hot_pixels_have_a_ring_each_where_the_scene_put_them(found, scene):
    marks = pointed("Hot pixels", found, scene.stack)
    [points] = marks.marks
    # The measured places against the pixels themselves: each stands out of its neighbors, or lies below them.
    planes = scene.stack.planes
    near = [
        np.abs(
            planes[:, int(y), int(x)] - np.median(planes[:, int(y) - 2 : int(y) + 3, int(x) - 2 : int(x) + 3], (1, 2))
        )
        for y, x in zip(points.y, points.x, strict=True)
        if 2 <= y < found.shape[0] - 2 and 2 <= x < found.shape[1] - 2
    ]
    assert near
    assert np.mean([np.max(each) > 3 * max(found.noise) for each in near]) > 0.9


def test_the_brightest_part_of_the_sky_is_where_the_surface_is_highest(found, scene):
    [outline] = pointed("Gradient", found, scene.stack).marks
    x, y = outline.region["x"], outline.region["y"]
    height, width, _ = found.shape
    side = [x > width / 2, y > height / 2]
    plane = scene.stack.planes.mean(axis=0)
    quarters = {
        (right, low): np.median(
            plane[height // 2 * low : height // 2 * (low + 1), width // 2 * right :][:, : width // 2]
        )
        for right in (0, 1)
        for low in (0, 1)
    }
    assert max(quarters, key=quarters.get) == tuple(map(int, side))


def test_what_is_an_overlay_already_is_switched_on_and_off_again(bench):
    panel, viewer = bench.screen.panels["checkup"], bench.screen.panels["viewer"]
    panel.show_finding("Clipped cores")
    assert {each["id"] for each in viewer.state["overlays"] if each["on"]} == {"clipped"}
    panel.show_finding("Borders")
    assert not any(each["on"] for each in viewer.state["overlays"])


def test_the_caution_for_a_night_outdoors_is_said_once_and_only_where_advice_sends_there(bench, found):
    panel = bench.screen.panels["checkup"]
    indoors = Advice("Borders", "warning", "They are ragged.", "Crop them.")
    outdoors = [
        Advice(about, "advice", "It is so.", f"Expose longer. {NIGHT}") for about in ("Noise", "Sky near black")
    ]
    for advice, caution in (((indoors,), ""), ((indoors, *outdoors), NIGHT)):
        panel.hear(CheckedUp(replace(found, advice=advice)))
        assert panel.state["caution"] == caution
        wanted = ["Crop them.", "Expose longer.", "Expose longer."][: len(advice)]
        assert [each["do"] for each in panel.state["advice"]] == wanted


def test_an_operation_marks_the_finding_that_it_answers_by_declaring_so(found, scene, monkeypatch):
    monkeypatch.setattr(base, "REGISTRY", dict(base.REGISTRY))

    class DimCorner(wb.Operation):
        """Stand for any step."""

        purpose: ClassVar[Purpose] = "tone"
        answers: ClassVar[str] = "Bright corner"
        overlays: ClassVar[Mapping[str, str]] = {"corner": "Corner"}
        finding_overlay: ClassVar[str] = "corner"

        def shown(self, facts, geometry):
            return (Points("corner", np.zeros(1), np.zeros(1), np.ones(1, bool), "the corner"),)

        def apply(self, tile, plan, out):
            out[...] = tile.inner

    assert "Bright corner" in placed()
    [mark] = pointed("Bright corner", found, scene.stack).marks
    assert (mark.name, mark.words) == ("corner", "the corner")


def test_only_what_has_a_place_points_anywhere(bench):
    panel = bench.screen.panels["checkup"]
    with pytest.raises(wb.WorkbenchError, match="nothing is known of the place of 'Noise'"):
        panel.show_finding("Noise")
    assert panel.state["seen"] == placed()

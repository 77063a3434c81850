"""A plot that an operation declares is shown with its settings, and its points are those on the picture."""

import json
from types import MappingProxyType
from typing import ClassVar

import numpy as np
import pytest
from pydantic import Field

import workbench as wb
from workbench.bench.panel import Panel
from workbench.errors import WorkbenchError
from workbench.operations.base import REGISTRY, Facts, Operation
from workbench.operations.drawing import Points
from workbench.operations.scatter_plot import ScatterPlot

X, Y = np.array([30.0, 80.0, 120.0]), np.array([40.0, 90.0, 20.0])
USED = np.array([True, True, False])


@pytest.fixture(scope="module")
def own():
    class SpotFacts(Facts):
        """How bright spots are."""

        level: float = Field(description="Of the frame")

    class WeighSpots(Operation):
        """Weigh spots.

        For this test.
        """

        purpose: ClassVar = "gradient"
        facts_type: ClassVar = SpotFacts
        overlays: ClassVar = MappingProxyType({"spots": "Spots"})
        plots: ClassVar = ("weights",)

        amount: float = Field(1.0, ge=0, le=2, description="how much")

        def measure(self, frame):
            return SpotFacts(level=self.amount * float(frame.planes.mean()))

        def apply(self, tile, plan, out):
            out[...] = tile.inner

        def shown(self, facts, geometry):
            plot = ScatterPlot(
                "weights", title="Weights", across="expected", up="measured", x=X, y=X + facts.level, used=USED,
                line=(facts.level, 1.0), scatter=0.5, points="spots",
            )  # fmt: skip
            return Points("spots", X, Y, USED), plot

    yield WeighSpots
    del REGISTRY[WeighSpots.id]


@pytest.fixture
def bench(own, color_stack, monkeypatch):
    monkeypatch.setattr(Panel, "send", lambda *_, **__: None)
    made = wb.Bench(color_stack, wb.Recipe([own(), wb.Crop(top=7, right=0, bottom=0, left=11)]))
    made.select(0)
    assert made.wait()
    yield made
    made.close()


def state(bench, panel):
    assert bench.wait()
    return json.loads(json.dumps(bench.screen.panels[panel].state))


def test_the_plot_is_told_with_the_settings(bench):
    (plot,) = state(bench, "settings")["plots"]
    assert plot["title"] == "Weights"
    assert plot["overlay"] == "weigh_spots.spots"
    assert [used for *_, used in plot["points"]] == [1, 1, 0]
    (x0, y0), (x1, y1) = plot["line"]
    assert (y1 - y0) / (x1 - x0) == pytest.approx(1.0)
    assert plot["across"]["ticks"]
    assert state(bench, "settings")["picked"] is None


def test_a_point_that_is_picked_is_marked_in_the_plot_and_where_later_steps_have_moved_it(bench):
    viewer = bench.screen.panels["viewer"]
    viewer.pick("weigh_spots.spots", 1)
    assert state(bench, "settings")["picked"]["number"] == 1
    assert "column 80, row 90; measured" in state(bench, "settings")["picked"]["words"]
    picked = state(bench, "viewer")["overlay_data"]["picked"]
    assert (picked["x"], picked["y"]) == (80 - 11, 90 - 7)
    viewer.overlay("weigh_spots.spots", True)
    (shown,) = state(bench, "viewer")["overlay_data"]["shown"]
    assert shown["plotted"]
    assert shown["points"][1][:2] == [picked["y"], picked["x"]]
    viewer.pick()
    assert state(bench, "settings")["picked"] is None
    assert state(bench, "viewer")["overlay_data"]["picked"] is None


def test_a_new_measurement_forgets_what_was_picked(bench):
    bench.screen.panels["viewer"].pick("weigh_spots.spots", 0)
    bench.set(0, amount=0.5)
    assert state(bench, "settings")["picked"] is None
    assert state(bench, "viewer")["overlay_data"]["picked"] is None


def test_another_step_that_is_chosen_has_no_plot_and_no_point(bench):
    bench.screen.panels["viewer"].pick("weigh_spots.spots", 0)
    bench.select(1)
    assert state(bench, "settings")["plots"] == []
    assert state(bench, "settings")["picked"] is None


def test_what_cannot_be_picked_is_refused(bench):
    for name in ("weigh_spots_.spots", "stars", ""):
        with pytest.raises(WorkbenchError, match="nothing is measured"):
            bench.screen.panels["viewer"].pick(name, 0)
    bench.screen.panels["viewer"].pick("weigh_spots.spots", 99)
    assert state(bench, "settings")["picked"] is None

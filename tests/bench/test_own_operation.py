"""An operation written in this file is drawn, edited, shown and held to its histogram line; no other file knows it."""

import json
from types import MappingProxyType
from typing import ClassVar

import numpy as np
import pytest
from pydantic import Field

import workbench as wb
from workbench.acquisition import Tone
from workbench.bench.panel import Panel
from workbench.errors import WorkbenchError
from workbench.operations.base import REGISTRY, Facts, Operation
from workbench.operations.drawing import (
    Box,
    Contours,
    HistogramLine,
    LightRange,
    LinePlace,
    Outline,
    Place,
    Places,
    Points,
    Region,
    Regions,
    ResponseCurve,
)


@pytest.fixture(scope="module")
def own():
    """Two operations: one that lights regions up, and a plain stretch of its own."""

    class LampFacts(Facts):
        """How bright the frame is."""

        level: float = Field(description="Median of the frame")

    class FloorFacts(Facts):
        """Light shown as black."""

        floor: float = Field(description="Light shown as black")

    class LampGlow(Operation):
        """Add light to regions.

        For this test.
        """

        purpose: ClassVar = "gradient"
        drawn: ClassVar = (
            Regions("lamps", tool="Lamp", help="Draw a lamp.", item="lamp", overlay="posts"),
            Places("posts", tool="Post", help="Click a post.", item="post", overlay="posts"),
            Box("window", tool="Window", help="Draw it.", item="window", also=MappingProxyType({"lit": True})),
        )
        facts_type: ClassVar = LampFacts
        overlays: ClassVar = MappingProxyType({"posts": "Lamp posts", "glow": "Glow", "reach": "Reach of the lamps"})

        lamps: tuple[Region, ...] = Field((), description="regions that are lit")
        posts: tuple[Place, ...] = Field((), description="places of posts")
        window: tuple[int, int, int, int] | None = Field(None, description="where one looks")
        lit: bool = Field(False, description="whether it is lit")

        def measure(self, frame):
            return LampFacts(level=float(np.median(frame.planes)))

        def apply(self, tile, plan, out):
            out[...] = tile.inner

        def shown(self, facts, geometry):
            x, y = (np.array([getattr(post, axis) for post in self.posts], np.float64) for axis in "xy")
            glow = np.linspace(0, facts.level, 12).reshape(3, 4)
            outline = {"shape": "rectangle", "x0": 4.0, "y0": 5.0, "x1": geometry.width - 5.0, "y1": 50.0}
            return (
                Points("posts", x, y, np.arange(len(x)) > 0),
                Contours("glow", glow, "glow of the lamps"),
                Outline("reach", outline, "reached by a lamp"),
            )

    class PlainStretch(Operation):
        """Show light as it is.

        For this test.
        """

        purpose: ClassVar = "stretch"
        gives: ClassVar = Tone.DISPLAY
        facts_type: ClassVar = FloorFacts
        drawn: ClassVar = (HistogramLine("floor", tool="floor", item="above zero"),)

        floor: float = Field(
            0.05, ge=0, le=1, description="light shown as black", json_schema_extra={"unit": "of white"}
        )

        def measure(self, frame):
            return FloorFacts(floor=self.floor)

        def apply(self, tile, plan, out):
            np.clip(tile.inner - np.float32(plan.floor), 0, 1, out=out)

        def shown(self, facts, geometry):
            floor = facts.floor
            return (
                ResponseCurve("floor", floor, lambda light: light - floor),
                LinePlace("floor", floor, 0.0, 1.0),
                LightRange("floor", (0.0,) * geometry.channels, 0.0, 0.5),
            )

    yield LampGlow, PlainStretch
    for kind in (LampGlow, PlainStretch):
        del REGISTRY[kind.id]


@pytest.fixture
def bench(own, color_stack, monkeypatch):
    monkeypatch.setattr(Panel, "send", lambda *_, **__: None)
    made = wb.Bench(color_stack, wb.Recipe([wb.Crop(top=7, right=0, bottom=0, left=11)]))
    yield made
    made.close()


LAMP = {"shape": "rectangle", "x0": 20.0, "y0": 30.0, "x1": 60.0, "y1": 70.0}


def state(bench, panel):
    assert bench.wait()
    return json.loads(json.dumps(bench.screen.panels[panel].state))


def test_its_tools_are_offered_with_their_words(bench):
    tools = {tool["id"]: tool for tool in state(bench, "viewer")["tools"]}
    assert tools["lamp_glow.lamps"] == {
        "id": "lamp_glow.lamps",
        "step": "lamp_glow",
        "kind": "regions",
        "words": "Lamp",
        "help": "Draw a lamp.",
        "item": "lamp",
        "many": True,
        "radius": None,
    }
    assert [tools[f"lamp_glow.{name}"]["kind"] for name in ("posts", "window")] == ["places", "rectangle"]
    assert "plain_stretch.floor" not in tools


def test_drawing_adds_the_step_and_edits_its_setting_and_is_logged_and_undone(bench):
    place = bench.draw("lamp_glow.lamps", LAMP)
    assert place == bench.selected == 1
    bench.draw("lamp_glow.lamps", LAMP | {"x1": 90.0})
    bench.draw("lamp_glow.posts", (5, 6))
    bench.redraw("lamp_glow.posts", 0, {"x": 8, "y": 9})
    bench.draw("lamp_glow.window", {"x0": 9.6, "y0": 3.2, "x1": 2.0, "y1": 40.0})
    bench.erase("lamp_glow.lamps", 0)
    made = bench.recipe[1].operation
    assert [lamp.model_dump() for lamp in made.lamps] == [LAMP | {"x1": 90.0}]
    assert made.posts == (Place(x=8, y=9),)
    assert (made.window, made.lit) == ((3, 2, 37, 8), True)
    assert bench.log[-1] == "bench.erase('lamp_glow.lamps', 0)"
    bench.undo()
    assert len(bench.recipe[1].operation.lamps) == 2
    for wrong in (lambda: bench.erase("lamp_glow.lamps", 9), lambda: bench.erase("lamp_glow.window", 0)):
        with pytest.raises(WorkbenchError, match=r"no lamp 9|draw it anew"):
            wrong()
    with pytest.raises(WorkbenchError, match=r"nothing called 'lamp_glow.moon' is drawn"):
        bench.draw("lamp_glow.moon", LAMP)


def test_its_settings_lead_to_the_tools(bench):
    bench.draw("lamp_glow.lamps", LAMP)
    fields = {field["name"]: field for field in state(bench, "settings")["fields"]}
    assert fields["lamps"]["tool"] == "lamp_glow.lamps"
    assert fields["window"]["tool"] == "lamp_glow.window"
    assert fields["lit"]["tool"] is None


def test_with_its_tool_in_hand_the_frame_before_it_and_what_belongs_to_the_tool_are_shown(bench):
    bench.draw("lamp_glow.lamps", LAMP)
    bench.draw("lamp_glow.posts", (5, 6))
    bench.draw("lamp_glow.posts", (50, 60))
    bench.screen.panels["viewer"].tool("lamp_glow.posts")
    told = state(bench, "viewer")
    assert told["frame_of"] == 1
    drawn = {each["tool"]: each for each in told["overlay_data"]["drawn"]}
    assert drawn["lamp_glow.lamps"]["items"] == [LAMP]
    assert drawn["lamp_glow.posts"]["items"] == [{"x": 5.0, "y": 6.0}, {"x": 50.0, "y": 60.0}]
    (posts,) = told["overlay_data"]["shown"]
    assert (posts["kind"], posts["points"]) == ("points", [[6.0, 5.0, 0.0], [60.0, 50.0, 1.0]])
    assert posts["says"] == "lamp posts: 1 used (rings), 1 left out (crosses)"


def test_its_overlays_are_offered_with_the_step_and_lie_where_later_steps_have_moved_the_frame(bench):
    assert not any(each["id"].startswith("lamp_glow") for each in state(bench, "viewer")["overlays"])
    bench.draw("lamp_glow.lamps", LAMP)
    bench.add("crop", 2, top=10, left=3, right=0, bottom=0)
    viewer = bench.screen.panels["viewer"]
    offered = {each["id"]: each["words"] for each in state(bench, "viewer")["overlays"]}
    assert offered["lamp_glow.glow"] == "Glow"
    for name in ("glow", "reach"):
        viewer.overlay(f"lamp_glow.{name}", True)
    glow, reach = state(bench, "viewer")["overlay_data"]["shown"]
    assert glow["says"] == "glow of the lamps; lines: every tenth of that range"
    assert [line["tenth"] for line in glow["lines"]] == [1, 2, 3, 4, 5, 6, 7, 8, 9]
    width = bench.stack.shape[1]
    assert reach["says"] == "reached by a lamp"
    assert {k: reach["region"][k] for k in ("x0", "y0", "x1", "y1")} == {
        "x0": 1.0,
        "y0": -5.0,
        "x1": width - 11 - 5.0 - 3,
        "y1": 40.0,
    }


def test_its_line_and_curve_are_on_the_histogram(bench):
    bench.add("plain_stretch", floor=0.07)
    told = state(bench, "histogram")
    assert told["line"] == {
        "index": 1,
        "name": "floor",
        "words": "above zero",
        "value": 0.07,
        "min": 0,
        "max": 1,
        "unit": "of white",
    }
    assert (told["line_label"], told["line_aria"]) == ("floor", "Floor point")
    assert (told["line_at"], told["line_zero"], told["line_per_unit"]) == (0.07, 0.0, 1.0)
    assert (told["near"]["low"], told["near"]["top"]) == (0.0, 0.5)
    curve = np.array(told["curve"])
    np.testing.assert_allclose(curve[1:, 1], curve[1:, 0] - 0.07, atol=1e-5)

"""A mask drawn on the picture in a real browser lies on the stack where it was drawn, and is shown there."""

import numpy as np
import pytest
from live_bench import LivePicture

import workbench as wb

pytestmark = pytest.mark.browser

#: The frame after the crop is so wide and high.
SHOWN = (540, 360)
CROP = wb.Crop(top=40, left=60, bottom=0, right=0)


@pytest.fixture
def live(open_panel, monkeypatch):
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:400, :600]
    pixels = 0.1 + rng.normal(0, 0.004, (400, 600, 3))
    pixels += 0.2 * np.exp(-((y - 220) ** 2 + (x - 330) ** 2) / (2 * 50.0**2))[..., None]
    stack = wb.Stack(pixels.astype(np.float32))
    recipe = wb.Recipe([CROP, wb.Step(wb.Denoise())])
    made = LivePicture(open_panel, monkeypatch, lambda: wb.Bench(stack, recipe, autosave=False), width=700)
    made.rest()
    made.bench.select(1)
    made.pump()
    yield made
    made.bench.close()


def drawn(live, tool, *places):
    """Drag along places of the stack with a tool, and do what the page then asks for."""
    live.bench.screen.panels["viewer"].tool(tool)
    live.rest()
    box, zoom = live.page.locator(".wt-stage").bounding_box(), float(live.panel.data("zoom"))
    left, top = box["x"] + box["width"] / 2 - zoom * SHOWN[0] / 2, box["y"] + box["height"] / 2 - zoom * SHOWN[1] / 2
    before = len(live.panel.sent("draw"))
    for n, (x, y) in enumerate(places):
        live.page.mouse.move(left + zoom * (x - 60 + 0.5), top + zoom * (y - 40 + 0.5))
        if n == 0:
            live.page.mouse.down()
    live.page.mouse.up()
    (wanted,) = live.panel.sent("draw")[before:]
    live.bench.draw(**wanted)
    live.rest()
    return live.bench.recipe[1].where


def test_a_stroke_of_the_brush_lies_on_the_stack_where_it_was_drawn(live):
    mask = drawn(live, "mask.brush", (150, 100), (300, 120), (450, 300))
    (stroke,) = mask.strokes
    np.testing.assert_allclose(stroke.points, [(150, 100), (300, 120), (450, 300)], atol=1.5)
    assert stroke.radius == 14  # a fortieth of the frame shown
    assert mask.frame == "stack"
    again = drawn(live, "mask.brush", (200, 200), (260, 220))
    assert len(again.strokes) == 2
    live.page.get_by_role("button", name="Take last stroke away").click()
    (wanted,) = live.panel.sent("erase")
    live.bench.erase(**wanted)
    assert live.bench.recipe[1].where == mask


def test_lines_and_circles_are_drawn_by_a_drag(live):
    line = drawn(live, "mask.linear", (120, 100), (420, 300))
    np.testing.assert_allclose([line.x0, line.y0, line.x1, line.y1], [120, 100, 420, 300], atol=1.5)
    live.bench.limit(1, None)
    circle = drawn(live, "mask.radial", (330, 220), (430, 220))
    np.testing.assert_allclose([circle.x, circle.y, circle.outer], [330, 220, 100], atol=2)
    assert circle.inner == pytest.approx(100 * 60 / 140, abs=2)  # its share of what it started with


def test_the_mask_lies_over_the_picture_where_the_step_works(live):
    drawn(live, "mask.brush", (150, 100), (150, 300))
    live.bench.screen.panels["viewer"].tool("look")
    live.bench.screen.panels["viewer"].overlay("mask_alone", True)
    live.rest()
    live.panel.screenshot("mask-alone")
    live.page.locator(".wt-legend", has_text="only what lies under 1 brush stroke").wait_for()
    width, height = live.size
    marks = live.panel.pixels(0, 0, width, height, ".wt-marks")
    zoom = float(live.panel.data("zoom"))
    left, top = (width - zoom * SHOWN[0]) / 2, (height - zoom * SHOWN[1]) / 2

    def at(x, y):
        return marks[int(top + zoom * (y - 40)), int(left + zoom * (x - 60)), 0]

    assert at(150, 200) > 250
    assert at(300, 200) < 5

"""What is drawn on the picture in a real browser to mend and to straighten lies on the stack where it was drawn."""

import numpy as np
import pytest
from live_bench import LivePicture

import workbench as wb

pytestmark = pytest.mark.browser

WIDTH, HEIGHT = 600, 400
TRAIL = ((80, 90), (500, 330))


@pytest.fixture
def live(open_panel, monkeypatch):
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    along = np.array(TRAIL[1]) - TRAIL[0]
    away = ((x - TRAIL[0][0]) * along[1] - (y - TRAIL[0][1]) * along[0]) / np.hypot(*along)
    pixels = 0.1 + rng.normal(0, 0.004, (HEIGHT, WIDTH, 3)) + 0.2 * np.exp(-(away**2) / 4)[..., None]
    recipe = wb.Recipe([wb.Step(wb.Mend()), wb.Step(wb.Straighten())])
    stack = wb.Stack(pixels.astype(np.float32))
    made = LivePicture(open_panel, monkeypatch, lambda: wb.Bench(stack, recipe, autosave=False), width=700)
    made.rest()
    yield made
    made.bench.close()


def drawn(live, number, setting, *places):
    """Drag along places of the stack for a setting of a step, and do what the page then asks for."""
    live.bench.select(number)
    live.bench.screen.panels["viewer"].tool(f"{live.bench.recipe[number].operation.id}.{setting}")
    live.rest()
    box, zoom = live.page.locator(".wt-stage").bounding_box(), float(live.panel.data("zoom"))
    left, top = box["x"] + (box["width"] - zoom * WIDTH) / 2, box["y"] + (box["height"] - zoom * HEIGHT) / 2
    before = len(live.panel.sent("draw"))
    for n, (x, y) in enumerate(places):
        live.page.mouse.move(left + zoom * (x + 0.5), top + zoom * (y + 0.5))
        if n == 0:
            live.page.mouse.down()
    live.page.mouse.up()
    (wanted,) = live.panel.sent("draw")[before:]
    live.bench.draw(**wanted)
    live.rest()
    return live.bench.recipe[number].operation


def test_a_trail_drawn_over_is_gone_from_the_picture(live):
    trail = np.linspace(*TRAIL, 5)
    mend = drawn(live, 0, "strokes", (10, 50), *trail, (590, 381))
    (stroke,) = mend.strokes
    np.testing.assert_allclose(stroke.points[1:-1], trail, atol=1.5)
    image = wb.Recipe([mend]).run(live.bench.session.stack, progress=False).image.pixels
    assert image[:, 20:-20].max() < 0.1 + 7 * 0.004  # it was drawn over from column 10 to 590


def test_a_line_drawn_along_the_trail_lays_it_level(live):
    straighten = drawn(live, 1, "angle_deg", *TRAIL)
    assert straighten.angle_deg == pytest.approx(-np.rad2deg(np.arctan2(240, 420)), abs=0.4)
    image = wb.Recipe([straighten]).run(live.bench.session.stack, progress=False).image.pixels
    bright = image.mean(axis=2).argmax(axis=0)  # the trail's row in each column
    assert np.ptp(bright[10:-10]) <= 4

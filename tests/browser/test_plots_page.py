"""Plots of what a step measured, in a real browser: points are picked by pointer and by keys, in both themes."""

import numpy as np
import pytest
from axe_check import grave_findings
from picture_state import SWITCHES, TOOLS, shown
from real_lab import canvas_pixels

from workbench import Recipe
from workbench.bench.panels.settings.panel import Settings, settings_state
from workbench.bench.panels.viewer.panel import Viewer
from workbench.bench.snapshot import Snapshot
from workbench.operations._catalog_white import CatalogFacts
from workbench.operations.white import CalibrateColor, CalibrateColorFacts

pytestmark = pytest.mark.browser

STARS = "calibrate_color.stars"


def color_facts():
    """Forty stars on two lines, one of them off."""
    expected = np.stack([np.linspace(-0.3, 0.4, 40), np.linspace(0.5, -0.6, 40)], axis=1)
    measured = expected * [1.05, 0.9] - [0.5, 0.2]
    measured[7] += 0.5
    weight = np.ones((40, 2))
    weight[7] = 0
    fit = CatalogFacts(
        white_kelvin=5778, slope=(1.05, 0.9), slope_error=(0.02, 0.02), scatter=(0.02, 0.03), white=(0, 0),
        level=(-0.5, -0.2), x=np.arange(40.0) * 10, y=np.arange(40.0) * 5, expected=expected, measured=measured,
        weight=weight,
    )  # fmt: skip
    return CalibrateColorFacts(
        reference="catalogue", gains=(1.6, 1, 1.2), uncertainty=(0.01, 0, 0.01), samples=40, sky=(0.1, 0.1, 0.1),
        clip=(1, 1, 1), catalog=fit,
    )  # fmt: skip


@pytest.fixture
def settings(open_panel):
    def one(**options):
        step = Snapshot.of(Recipe([CalibrateColor(reference="catalogue")])).steps[0]
        return open_panel(Settings, settings_state(step, 0, color_facts()) | {"picked": None}, width=380, **options)

    return one


@pytest.mark.parametrize("light", [True, False])
def test_both_lines_are_plotted_and_a_point_is_picked_in_either(settings, light):
    panel = settings(light=light)
    plots = panel.page.get_by_role("slider", name="against green")
    assert plots.count() == 2
    assert "slope 1.05" in plots.nth(0).get_attribute("aria-label")
    assert panel.page.get_by_text("1 left out (crosses)").count() == 2
    ring = panel.page.locator(".wt-plot-ring")
    assert not ring.nth(0).is_visible()

    panel.put(picked={"overlay": STARS, "number": 20, "words": "column 200, row 100"})
    assert panel.page.get_by_text("column 200, row 100").is_visible()
    assert plots.nth(1).get_attribute("aria-valuetext") == "column 200, row 100"
    box = ring.nth(0).bounding_box()
    panel.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert panel.wait_sent("pick") == [{"overlay": None, "number": 20}]  # the same again: none
    panel.put(picked=None)
    panel.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert panel.wait_sent("pick", 2)[-1] == {"overlay": STARS, "number": 20}
    assert grave_findings(panel.page, ".wt") == []
    panel.screenshot(f"plots-{'light' if light else 'dark'}")


def test_keys_go_from_point_to_point_along_the_line(settings):
    panel = settings()
    panel.page.get_by_role("slider", name="Blue against green").focus()
    panel.page.keyboard.press("ArrowRight")
    assert panel.wait_sent("pick")[-1] == {"overlay": STARS, "number": 39}  # blue falls with the number
    panel.put(picked={"overlay": STARS, "number": 39, "words": "there"})
    panel.page.keyboard.press("ArrowRight")
    assert panel.wait_sent("pick", 2)[-1] == {"overlay": STARS, "number": 38}
    panel.page.keyboard.press("End")
    assert panel.wait_sent("pick", 3)[-1] == {"overlay": STARS, "number": 0}
    panel.page.keyboard.press("Escape")
    assert panel.wait_sent("pick", 4)[-1]["overlay"] is None


def test_a_star_that_is_pressed_on_the_picture_is_picked_and_ringed(open_panel):
    data = shown(STARS, "points", "2 stars", points=[[900, 1400, 1], [300, 600, 0]], plotted=True)
    state = {"tool": "look", "tools": TOOLS, "overlay_data": data, "steps": ["calibrate_color"]}
    state["overlays"] = [{"id": STARS, "words": SWITCHES[STARS], "on": True}]
    panel = open_panel(Viewer, state)
    panel.send_fit(np.full((200, 300, 3), 90, np.uint8), (2000, 3000))
    panel.wait_data("frames", "1")
    zoom, box = float(panel.data("zoom")), panel.page.locator(".wt-stage").bounding_box()

    def place(x, y):
        return (
            box["x"] + box["width"] / 2 + (x + 0.5 - 1500) * zoom,
            box["y"] + box["height"] / 2 + (y + 0.5 - 1000) * zoom,
        )

    before = canvas_pixels(panel.page, canvas=".wt-marks")
    panel.page.mouse.click(*place(603, 302))
    assert panel.wait_sent("pick") == [{"overlay": STARS, "number": 1}]
    panel.put(overlay_data=data | {"picked": {"overlay": STARS, "number": 1, "x": 600, "y": 300}})
    panel.rest()
    changed = np.argwhere((canvas_pixels(panel.page, canvas=".wt-marks") != before).any(axis=2))
    x, y = place(600, 300)
    assert changed.mean(axis=0) == pytest.approx([y - box["y"], x - box["x"]], abs=1.5)
    panel.page.mouse.click(*place(2500, 1700))  # where no star is: none any more
    assert panel.wait_sent("pick", 2)[-1] == {}

    # Close up somewhere else, what is newly picked comes into view.
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("1")
    panel.page.wait_for_function("document.querySelector('.wt-viewer').dataset.zoom === '1'")
    label = panel.page.locator(".wt-picture").get_attribute("aria-label")
    panel.put(overlay_data=data | {"picked": {"overlay": STARS, "number": 0, "x": 200, "y": 150}})
    panel.page.wait_for_function("(old) => document.querySelector('.wt-picture').ariaLabel !== old", arg=label)
    assert "columns 0 to" in panel.page.locator(".wt-picture").get_attribute("aria-label")

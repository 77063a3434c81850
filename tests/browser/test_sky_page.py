"""Names, grid and north over a picture that was located, in a real browser with a real bench behind it."""

import numpy as np
import pytest
from axe_check import grave_findings
from independent.sky import Camera

import workbench as wb

pytestmark = pytest.mark.browser

SHAPE = (600, 900)
CAMERA = Camera(84.0, -2.0, SHAPE, 60.0, turn=20.0)


@pytest.fixture
def orion():
    """A gray stack of Orion's belt and sword."""
    grain = np.random.default_rng(5).normal(0.2, 0.01, (*SHAPE, 1)).astype(np.float32)
    return wb.Stack.from_array(np.clip(grain, 0, 1), wcs=CAMERA.solution())


def boxes(live):
    """Name -> (left, top, right, bottom) of all words over the picture, from the corner of the stage."""
    stage = live.page.locator(".wt-stage").bounding_box()
    found = live.page.locator(".wt-sky text").evaluate_all(
        "(all) => all.map((one) => { const b = one.getBoundingClientRect();"
        " return [one.textContent, b.left, b.top, b.right, b.bottom] })"
    )
    x, y = stage["x"], stage["y"]
    return {text: (left - x, top - y, right - x, bottom - y) for text, left, top, right, bottom in found}


def switch(live, name):
    live.page.get_by_role("button", name=name, exact=True).click()
    live.rest()


@pytest.mark.parametrize("light", [True, False])
def test_names_grid_and_north_lie_over_a_located_picture(open_picture, orion, light):
    live = open_picture(orion, [wb.Stretch()], width=1000, height=900, light=light)
    live.rest()
    assert boxes(live) == {}
    switch(live, "Names")
    switch(live, "North and grid")
    live.until("document.querySelector('.wt-sky ellipse') && document.querySelector('.wt-sky-line')")
    found = boxes(live)
    assert {"Alnilam", "N", "E", "-8°"} <= set(found)
    assert any(name.startswith("M 42") for name in found)
    assert "OpenNGC" in live.page.locator(".wt-legend").inner_text()
    live.panel.screenshot(f"sky-{'light' if light else 'dark'}")
    width, height = live.size
    for box in found.values():
        assert box[0] >= 0
        assert box[1] >= 0
        assert box[2] <= width
        assert box[3] <= height
    # Glyphs of two names never meet; boxes of text hold some air above and below the letters.
    placed = list(found.values())
    for i, (left, top, right, bottom) in enumerate(placed):
        for a, t, r, b in placed[i + 1 :]:
            assert not (left < r - 1 and right > a + 1 and top + 3 < b - 3 and bottom - 3 > t + 3)
    # M 42 by the independent camera; its ellipse is drawn around it.
    zoom = float(live.panel.data("zoom"))
    x, y, _ = CAMERA.pixels(np.array([83.82]), np.array([-5.39]))
    wanted = width / 2 + (x[0] + 0.5 - SHAPE[1] / 2) * zoom, height / 2 + (y[0] + 0.5 - SHAPE[0] / 2) * zoom
    stage = live.page.locator(".wt-stage").bounding_box()
    middles = live.page.locator(".wt-sky ellipse").evaluate_all(
        "(all) => all.map((one) => one.getBoundingClientRect()).map((b) => [b.x + b.width / 2, b.y + b.height / 2])"
    )
    away = np.hypot(*(np.array(middles) - [stage["x"], stage["y"]] - wanted).T)
    assert away.min() < 2
    assert grave_findings(live.page, ".wt") == []
    switch(live, "Names")
    switch(live, "North and grid")
    assert boxes(live) == {}
    assert live.panel.problems == []


def test_close_up_the_letters_stay_as_large_and_more_lines_come(open_picture, orion):
    live = open_picture(orion, [wb.Stretch()], width=1000, height=900)
    live.rest()
    switch(live, "Names")
    switch(live, "North and grid")
    live.until("document.querySelector('.wt-sky ellipse') && document.querySelector('.wt-sky-line')")
    before = boxes(live)
    live.page.locator(".wt-stage").focus()
    for _ in range(4):
        live.page.keyboard.press("+")
        live.rest()
    assert float(live.panel.data("zoom")) >= 4
    after = boxes(live)
    live.panel.screenshot("sky-close-up")
    same = set(before) & set(after) - {"N", "E"}
    for name in same:
        assert after[name][2] - after[name][0] == pytest.approx(before[name][2] - before[name][0], abs=0.5)
    assert {"N", "E"} <= set(after)
    assert sum("°" in name or " h" in name for name in after) >= 3


def test_what_lies_under_the_pointer_is_named(open_picture, orion):
    live = open_picture(orion, [wb.Crop(top=20, right=0, bottom=0, left=30), wb.Turn(quarter_turns=2), wb.Stretch()])
    live.rest()
    # Alnilam, B-V -0.18 and V 1.69 (from memory), where the steps have moved it.
    x, y, _ = CAMERA.pixels(np.array([84.0534]), np.array([-1.2019]))
    height, width = SHAPE[0] - 20, SHAPE[1] - 30
    x, y = width - 1 - (x[0] - 30), height - 1 - (y[0] - 20)
    zoom, stage = float(live.panel.data("zoom")), live.page.locator(".wt-stage").bounding_box()
    live.page.mouse.move(
        stage["x"] + stage["width"] / 2 + (x + 0.5 - width / 2) * zoom,
        stage["y"] + stage["height"] / 2 + (y + 0.5 - height / 2) * zoom,
    )
    live.rest()
    words = live.page.locator(".wt-readout").inner_text()
    assert "Alnilam, V 1.7, B-V -0.1" in words


def test_names_that_are_hostile_are_only_text(open_panel):
    from test_viewer_page import STATE

    from workbench.bench.panels.viewer.panel import Viewer

    bad = "<img src=x onerror=fake.errors.push('run')>"
    names = {"says": bad, "marks": [[bad, 1000, 900, 300, 200, 30]]}
    panel = open_panel(Viewer, STATE | {"overlay_data": {"names": names}})
    panel.send_fit(np.full((200, 300, 3), 90, np.uint8), (2000, 3000))
    panel.page.wait_for_selector(".wt-sky text")
    assert panel.page.locator(".wt-sky text").text_content() == bad
    assert panel.page.locator(".wt-sky img, .wt-legend img").count() == 0
    assert panel.page.evaluate("fake.errors") == []


def test_a_stack_that_was_not_located_offers_no_names(open_picture, orion):
    live = open_picture(wb.Stack.from_array(orion.pixels), [wb.Stretch()])
    live.rest()
    assert live.page.get_by_role("button", name="Names", exact=True).count() == 0

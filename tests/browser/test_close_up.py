"""Looking closely: the loupe under the pointer, the map of the whole, layers alone. A real bench in a real browser."""

import numpy as np
import pytest
from axe_check import grave_findings

import workbench as wb
from workbench.simulate import simulate

pytestmark = pytest.mark.browser

HEIGHT, WIDTH = 600, 900


@pytest.fixture(scope="module")
def stack():
    return simulate("lantern_nebula", shape=(HEIGHT, WIDTH)).stack


def finished(live, recipe):
    return np.round(np.clip(recipe.run(live.bench.stack, progress=False).image.pixels, 0, 1) * 255)


def test_exact_pixels_follow_the_pointer_while_the_whole_picture_stays(open_picture, stack):
    live = open_picture(stack, [wb.Crop(top=11, left=17), wb.Stretch()], width=520)
    picture, page = finished(live, live.bench.recipe), live.page
    page.locator(".wt-stage").focus()
    page.keyboard.press("m")
    live.until("d.tool === 'place'")
    stage, zoom = page.locator(".wt-stage").bounding_box(), float(live.panel.data("zoom"))
    height, width, _ = picture.shape
    assert zoom < 0.7
    for x, y in ((300, 250), (520, 310), (20, 30)):
        left = stage["x"] + stage["width"] / 2 + (x + 0.5 - width / 2) * zoom
        top = stage["y"] + stage["height"] / 2 + (y + 0.5 - height / 2) * zoom
        page.mouse.move(left, top)
        live.rest()
        page.locator(".wt-magnifier[data-exact=true]").wait_for()
        glass = live.panel.pixels(0, 0, 240, 240, ".wt-magnifier canvas")[..., :3].astype(float)
        # The middle of the glass is the pixel under the pointer, and around it lie its neighbors, pixel by pixel.
        near = [
            np.abs(glass[100:140, 100:140] - picture[y + dy - 20 : y + dy + 20, x + dx - 20 : x + dx + 20]).max()
            for dy in (-1, 0, 1)
            for dx in (-1, 0, 1)
            if y > 21 and x > 21
        ]
        assert not near or min(near) <= 1
        if (x, y) == (520, 310):
            live.panel.screenshot("loupe")
            assert grave_findings(page, ".wt") == []
    assert live.panel.data("zoom") == str(zoom)
    page.keyboard.press("m")
    live.until("d.tool === 'look'")
    assert page.locator(".wt-magnifier").is_hidden()


def test_close_up_a_map_shows_the_part_that_is_seen_and_leads_elsewhere(open_picture, stack):
    live = open_picture(stack, [wb.Stretch()], width=520)
    page, shown = live.page, live.page.locator(".wt-map")
    shown.wait_for(state="hidden")
    stage = page.locator(".wt-stage").bounding_box()
    page.mouse.dblclick(stage["x"] + stage["width"] / 2, stage["y"] + stage["height"] / 2)
    live.until("d.zoom === '1' && d.exact === 'true'")
    box = shown.bounding_box()
    assert box["width"] / box["height"] == pytest.approx(WIDTH / HEIGHT, rel=0.02)
    first = live.panel.sent("loupe")[-1]
    live.panel.screenshot("map")
    page.mouse.click(box["x"] + 2, box["y"] + 2)
    live.rest()
    live.until("d.exact === 'true'")
    there = live.panel.sent("loupe")[-1]
    assert there["x0"] == there["y0"] == 0
    assert first["x0"] > 100
    assert live.panel.data("zoom") == "1"
    page.mouse.dblclick(stage["x"] + 60, stage["y"] + 60)
    live.until("Number(d.zoom) < 0.7")
    shown.wait_for(state="hidden")


def test_the_starless_picture_and_the_stars_are_seen_alone(open_picture):
    small = simulate("lantern_nebula", shape=(240, 340)).stack
    live = open_picture(small, [wb.SplitStars(method="classical"), wb.Stretch(), wb.JoinStars()])
    assert live.panel.data("zoom") == "2"  # a small stack is enlarged by a whole number
    choice = live.page.locator(".wt-layers")
    pictures = {}
    for name in ("Both", "Stars", "Starless"):
        choice.get_by_role("button", name=name, exact=True).click()
        live.rest()
        live.until("d.draft === 'false'")
        width, height = live.size
        pictures[name] = live.panel.pixels(0, 0, width, height)[..., :3].astype(float)
        live.panel.screenshot(f"layer-{name.lower()}")
    assert live.page.get_by_text("starless layer, before step 3").is_visible()
    assert grave_findings(live.page, ".wt") == []
    middle = (slice(60, -60), slice(60, -60))
    starless, both, stars = (pictures[name][middle] for name in ("Starless", "Both", "Stars"))
    assert stars.mean() < 0.5 * both.mean()
    assert np.percentile(starless, 99.9) < np.percentile(both, 99.9)

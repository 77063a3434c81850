"""Before and now lie over each other through every change of the frame: a real bench, its picture in a real browser."""

import numpy as np
import pytest
from axe_check import grave_findings

import workbench as wb
from workbench.measure.stars import find_stars
from workbench.simulate import simulate

pytestmark = pytest.mark.browser

HEIGHT, WIDTH = 600, 900
#: Recipe, and which two places in it are compared (None: its end).
PAIRS = {
    "a turn": ([wb.Turn(quarter_turns=1)], 0, None),
    "another angle": ([wb.Straighten(angle_deg=17)], 0, None),
    "binning": ([wb.Resample(bin=2)], 0, None),
    "a size, seen from its end": ([wb.Resample(long_side=1400)], 1, 0),
    "all of it": (
        [
            wb.Crop(top=7, right=31, bottom=12, left=45),
            wb.Turn(quarter_turns=1, mirror=True),
            wb.Resample(bin=2),
            wb.Crop(top=20, right=3, bottom=31, left=11),
        ],
        0,
        None,
    ),
    "all of it, backwards": (
        [wb.Crop(top=7, right=131, bottom=12, left=45), wb.Turn(quarter_turns=3), wb.Resample(long_side=500)],
        3,
        0,
    ),
}


@pytest.fixture(scope="module")
def stack():
    return simulate("lantern_nebula", shape=(HEIGHT, WIDTH)).stack


def stars_of(pixels):
    gray = np.ascontiguousarray(pixels.mean(axis=2)[None], np.float32) / 255
    return find_stars(gray, crowded_field=False)  # good stars will do


def apart(now, before):
    """How far bright stars of one canvas lie from the nearest of the other, in device pixels: (N, 2) as (x, y)."""
    here, there = stars_of(now), stars_of(before)
    brightest = np.argsort(-here.flux)[:40]
    away = np.stack([there.x - here.x[brightest, None], there.y - here.y[brightest, None]], axis=-1)
    nearest = np.argmin(np.hypot(*np.moveaxis(away, -1, 0)), axis=1)
    moved = away[np.arange(len(nearest)), nearest]
    return moved[np.hypot(*moved.T) < 4]


@pytest.mark.parametrize("name", PAIRS)
def test_a_star_stays_where_it_is_when_the_divider_passes(open_picture, stack, name):
    """In the fit view and close up; centroids are less sure where the two sides have pixels of another size."""
    steps, before, now = PAIRS[name]
    live = open_picture(stack, steps)
    live.compare(step=before, upto=now)
    for zoom, sure in ((None, 0.12), (1, 0.4), (2, 0.5)):
        if zoom:
            live.page.locator(".wt-stage").focus()
            live.page.keyboard.press("1" if zoom == 1 else "+")
            live.until(f"d.zoom === '{zoom}' && d.exact === 'true' && d.exactBefore === 'true'")
        moved = apart(live.show("now"), live.show("before"))
        assert len(moved) >= 25
        assert np.abs(np.median(moved, axis=0)).max() < 0.15
        assert np.percentile(np.abs(moved), 90, axis=0).max() < sure


def test_the_readout_is_that_of_the_side_under_the_pointer(open_picture, stack):
    live = open_picture(stack, [wb.Turn(quarter_turns=1), wb.Resample(bin=2)])
    live.compare(step=0)
    (width, height), box = live.size, live.page.locator(".wt-stage").bounding_box()
    for share, frame in ((0.45, "before: column"), (0.55, "column")):
        live.page.mouse.move(box["x"] + share * width, box["y"] + 0.4 * height)
        live.rest()
        text = live.page.locator(".wt-readout").inner_text()
        assert text.startswith(frame)
        asked = live.panel.sent("probe")[-1]
        pixels = stack.pixels if asked["before"] else live.bench.recipe.run(stack, progress=False).image.pixels
        red = float(pixels[asked["y"], asked["x"], 0])
        assert f"linear R {red:.4g}" in text
    # Where the stack's column 0 is at the top and the turned frame's middle lies under the middle of the stage:
    live.page.locator(".wt-stage").focus()
    live.page.mouse.move(box["x"] + width / 2 + 3, box["y"] + height / 2)
    for key in ("b", None):
        if key:
            live.page.keyboard.down(key)
            live.until("d.held === 'true'")
        else:
            live.page.keyboard.up("b")
        live.rest()
        asked = live.panel.sent("probe")[-1]
        middle = (WIDTH / 2, HEIGHT / 2) if key else (HEIGHT / 4, WIDTH / 4)
        assert (asked["x"], asked["y"]) == pytest.approx(middle, abs=12)
        assert asked["before"] is (key == "b")


def test_a_side_of_linear_light_says_how_it_is_shown_and_can_be_seen_as_it_is(open_picture, stack):
    stack = wb.Stack.from_array(0.05 * stack.pixels)
    live = open_picture(stack, [wb.Stretch()])
    assert live.page.locator(".wt-linear:visible").count() == 0
    live.compare(step=0)
    stage, [note] = live.page.locator(".wt-stage").bounding_box(), live.page.locator(".wt-linear:visible").all()
    box = note.bounding_box()
    assert note.inner_text().startswith("Linear light, brightened for the screen only")
    assert stage["x"] <= box["x"]
    assert box["x"] + box["width"] <= stage["x"] + stage["width"] / 2
    assert grave_findings(live.page, ".wt") == []
    live.panel.screenshot("linear-brightened")
    quarter, height = live.size[0] // 4, live.size[1]
    seen = {}
    for name in ("brightened", "as it is"):
        before = live.panel.pixels(quarter, height // 2, 40, 40)[..., :3].mean()
        seen[name] = before, live.panel.pixels(3 * quarter, height // 2, 40, 40)[..., :3].mean()
        if name == "brightened":
            note.get_by_role("button", name="As it is").click()
            live.rest()
            live.until("d.draft === 'false'")
    assert seen["brightened"][0] > 20
    assert seen["as it is"][0] < 5
    assert seen["as it is"][1] == pytest.approx(seen["brightened"][1], abs=0.5)
    assert note.inner_text().startswith("Linear light as it is")
    live.panel.screenshot("linear-as-it-is")
    # Close up it is the stack's own values.
    live.page.locator(".wt-stage").focus()
    live.page.keyboard.press("1")
    live.until("d.zoom === '1' && d.exactBefore === 'true'")
    shown = live.show("before")
    assert np.median(shown) == pytest.approx(255 * np.median(stack.pixels), abs=1)


def test_close_up_the_same_sky_stays_when_another_frame_is_shown(open_picture, stack):
    live = open_picture(stack, [wb.Crop(top=60, right=0, bottom=0, left=90), wb.Turn(quarter_turns=1)], width=420)
    live.page.locator(".wt-stage").focus()
    live.page.keyboard.press("1")
    live.until("d.zoom === '1' && d.exact === 'true'")
    here = live.panel.sent("loupe")[-1]
    live.bench.screen.panels["viewer"].tool("crop.margins")
    live.rest()
    live.until("d.exact === 'true'")
    there = live.panel.sent("loupe")[-1]
    middle = [[wanted[a] + wanted[b] / 2 for a, b in (("x0", "width"), ("y0", "height"))] for wanted in (here, there)]
    x, y = middle[0]
    assert middle[1] == pytest.approx((y + 90, HEIGHT - x), abs=2)

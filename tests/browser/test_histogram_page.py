"""The histogram panel in a real browser, without a kernel."""

import numpy as np
import pytest

from workbench.bench.panels.histogram.panel import Histogram

pytestmark = pytest.mark.browser

LEFT = RIGHT = 12  # margins of the plot, CSS pixels


def bump(at, width):
    bins = np.arange(256)
    return (1e4 * np.exp(-(((bins - at) / width) ** 2))).astype(int).tolist()


STATE = {
    "display": [bump(c, 8) for c in (40, 50, 60)],
    "linear": [bump(c, 5) for c in (100, 110, 120)],
    "linear_top": 0.05,
    "line_label": "black",
    "line_aria": "Black point",
    "line_at": 0.008,
    "line_zero": 0.0125,
    "line_per_unit": -0.0009,
    "curve": [[0, 0], [0.008, 0], [0.02, 0.4], [0.05, 0.8]],
    "line": {
        "index": 3,
        "name": "black",
        "words": "below the sky",
        "value": 5.0,
        "min": 0.5,
        "max": 100,
        "unit": "sigma",
    },
    "log": True,
    "view": "linear",
}


@pytest.fixture
def histogram(open_panel):
    def open_one(**changes):
        panel = open_panel(Histogram, STATE | changes, width=700, height=300)
        panel.page.locator(".wt-counts").first.wait_for()
        return panel

    return open_one


def page_place(panel, light):
    """Page place of a linear value, half way up the plot."""
    box = panel.page.locator(".wt-plot svg").bounding_box()
    share = light / STATE["linear_top"]
    return box["x"] + LEFT + share * (box["width"] - LEFT - RIGHT), box["y"] + box["height"] / 2


def top_of(panel, channel):
    """Plot place of the highest point of a channel's counts."""
    d = panel.page.locator(f'.wt-counts[data-channel="{channel}"]').get_attribute("d")
    points = np.array([[float(v) for v in p.split()] for p in d.removeprefix("M").split("L")])
    return points[np.argmin(points[:, 1])]


def test_counts_peak_where_the_values_are(histogram):
    panel = histogram()
    box = panel.page.locator(".wt-plot svg").bounding_box()
    for channel, at in zip("RGB", (100, 110, 120), strict=True):
        wanted = LEFT + (at + 0.5) / 256 * (box["width"] - LEFT - RIGHT)
        assert top_of(panel, channel)[0] == pytest.approx(wanted, abs=0.1)


def test_the_view_and_the_scale_of_counts_are_switched(histogram):
    panel = histogram()
    panel.page.get_by_role("button", name="Display").click()
    box = panel.page.locator(".wt-plot svg").bounding_box()
    assert top_of(panel, "R")[0] == pytest.approx(LEFT + 40.5 / 256 * (box["width"] - LEFT - RIGHT), abs=0.1)
    assert not panel.page.get_by_role("slider").is_visible()
    assert panel.page.locator(".wt-curve").count() == 0
    path = panel.page.locator('.wt-counts[data-channel="G"]')
    logarithmic = path.get_attribute("d")
    panel.page.get_by_role("button", name="Log counts").click()
    assert path.get_attribute("d") != logarithmic


def test_around_the_sky_black_is_set_by_a_hair(histogram):
    low, top = 0.006, 0.021
    panel = histogram(near={"counts": [bump(c, 5) for c in (110, 111, 112)], "low": low, "top": top})
    panel.page.get_by_role("button", name="Near the sky").click()
    box = panel.page.locator(".wt-plot svg").bounding_box()
    inner = box["width"] - LEFT - RIGHT
    assert top_of(panel, "R")[0] == pytest.approx(LEFT + 110.5 / 256 * inner, abs=0.1)
    at = [box["x"] + LEFT + (light - low) / (top - low) * inner for light in (0.008, 0.0081)]
    line = panel.page.get_by_role("slider").bounding_box()
    assert line["x"] + line["width"] / 2 == pytest.approx(at[0], abs=1)
    panel.page.mouse.move(at[0], box["y"] + 100)
    panel.page.mouse.down()
    panel.page.mouse.move(at[1], box["y"] + 100)
    panel.page.mouse.up()
    panel.rest()
    assert panel.sent("set")[-1]["black"] == pytest.approx((0.0081 - 0.0125) / -0.0009, rel=0.01)
    end = panel.page.locator(".wt-curve").get_attribute("d").split("L")[-1]
    assert float(end.split()[0]) == pytest.approx(LEFT + inner, abs=0.1)
    assert "around the sky from 0.006 to 0.021" in panel.page.get_by_role("img").first.get_attribute("aria-label")
    # Without a measured sky the whole range is shown.
    panel.put(near=None)
    assert panel.page.get_by_role("button", name="Linear").get_attribute("aria-pressed") == "true"


def test_a_view_without_linear_counts_says_why_it_cannot_show_them(histogram):
    panel = histogram(linear=None, line=None, line_at=None, curve=None)
    switch = panel.page.get_by_role("button", name="Linear")
    assert switch.is_disabled()
    assert "no linear frame" in switch.get_attribute("title")


def test_the_black_point_is_dragged_live_and_set_on_release(histogram):
    panel = histogram()
    mouse = panel.page.mouse
    mouse.move(*page_place(panel, 0.008))
    mouse.down()
    for light in (0.007, 0.006, 0.005, 0.004):
        mouse.move(*page_place(panel, light))
        panel.rest()
    mouse.up()
    panel.rest()
    sent = panel.sent("set")
    assert sent[-1] == {"index": 3, "live": False, "black": pytest.approx((0.004 - 0.0125) / -0.0009, rel=0.02)}
    assert all(one["live"] for one in sent[:-1])
    assert 1 <= len(sent[:-1]) <= 4


def test_live_values_wait_for_an_answer_and_only_the_last_goes_out(histogram):
    panel = histogram()
    panel.page.evaluate("fake.silent.add('set')")
    mouse = panel.page.mouse
    mouse.move(*page_place(panel, 0.008))
    mouse.down()
    for light in np.linspace(0.0078, 0.003, 20):
        mouse.move(*page_place(panel, light))
    panel.rest()
    assert len(panel.sent("set")) == 1
    panel.page.evaluate("fake.silent.clear()")
    panel.message(
        {"reply": panel.page.evaluate("fake.sent.find((m) => m.do === 'set').id"), "error": None, "value": None}
    )
    panel.wait_sent("set", 2)
    mouse.up()
    panel.rest()
    sent = panel.sent("set")
    assert [one["live"] for one in sent] == [True, True, False]
    assert sent[1]["black"] == sent[2]["black"] == pytest.approx((0.003 - 0.0125) / -0.0009, rel=0.02)


def test_arrow_keys_move_black_the_way_they_point(histogram):
    panel = histogram()
    line = panel.page.get_by_role("slider")
    line.focus()
    panel.page.keyboard.press("ArrowRight")
    panel.rest()
    sent = panel.sent("set")
    # To the right is brighter: black comes nearer to the sky, by fewer noise units.
    assert sent[-1] == {"index": 3, "live": False, "black": pytest.approx(4.9)}
    assert "4.9 sigma below the sky" in line.get_attribute("aria-valuetext")


def test_the_line_stays_where_it_was_let_go_until_black_is_measured(histogram):
    panel = histogram()
    line = panel.page.get_by_role("slider")
    at = line.bounding_box()["x"]
    line.focus()
    panel.page.keyboard.press("PageDown")
    panel.rest()
    moved = line.bounding_box()["x"]
    assert moved < at
    panel.put(line=STATE["line"] | {"value": 6.0}, line_at=None, curve=None)
    assert line.bounding_box()["x"] == pytest.approx(moved, abs=0.1)
    panel.put(line_at=0.0125 - 6 * 0.0009, line_zero=0.0125, line_per_unit=-0.0009, curve=STATE["curve"])
    assert line.bounding_box()["x"] == pytest.approx(moved, abs=0.1)


def test_values_stay_in_the_range_of_the_setting(histogram):
    panel = histogram()
    panel.page.get_by_role("slider").focus()
    panel.page.keyboard.press("End")
    panel.rest()
    assert panel.sent("set")[-1]["black"] == 0.5
    panel.put(line=STATE["line"] | {"value": 0.5})
    panel.page.keyboard.press("Home")
    panel.rest()
    assert panel.sent("set")[-1]["black"] == 100


def test_the_last_curve_stays_pale_while_a_new_one_is_measured(histogram):
    panel = histogram()
    panel.put(line_at=None, curve=None, line_zero=None, line_per_unit=None)
    assert panel.page.locator(".wt-curve.wt-old").count() == 1
    assert panel.page.get_by_role("slider").is_visible()
    panel.put(line=None)
    assert panel.page.locator(".wt-curve").count() == 0


def test_black_that_frozen_facts_hold_is_shown_and_cannot_be_dragged(histogram):
    panel = histogram(line=None)
    assert panel.page.get_by_role("slider").get_attribute("aria-disabled") == "true"
    panel.page.mouse.move(*page_place(panel, 0.008))
    panel.page.mouse.down()
    panel.page.mouse.move(*page_place(panel, 0.004))
    panel.page.mouse.up()
    panel.rest()
    assert panel.sent("set") == []


def test_a_refused_value_is_told_and_the_line_goes_back(histogram):
    panel = histogram()
    panel.answer("set", error="black must be at least 0.5")
    panel.page.get_by_role("slider").focus()
    panel.page.keyboard.press("ArrowLeft")
    panel.page.get_by_role("alert").filter(has_text="at least 0.5").wait_for()
    panel.rest()
    assert panel.page.get_by_role("slider").get_attribute("aria-valuenow") == "5"


def test_the_plot_says_in_words_where_the_pixels_are(histogram):
    words = histogram().page.get_by_role("img").first.get_attribute("aria-label")
    assert "linear values from 0 to 0.05" in words
    assert "R 0.0196" in words


def test_a_view_that_is_gone_leaves_nothing_behind(histogram):
    panel = histogram()
    panel.page.evaluate("window.gone()")
    panel.put(line_at=0.01)
    assert panel.page.evaluate("fake.listeners['change:state'].length") == 0
    assert panel.page.locator(".wt").count() == 0


# --- a curve of points

TONE = {
    "index": 5,
    "name": "points",
    "help": "Click to set a point.",
    "item": "point",
    "points": [[0.25, 0.2], [0.6, 0.8]],
    "most": 4,
    "curve": [[0, 0], [0.25, 0.2], [0.6, 0.8], [1, 1]],
    "counts": [bump(c, 8) for c in (140, 150, 160)],
}


def tone_place(panel, x, y):
    box = panel.page.locator(".wt-plot svg").bounding_box()
    return (
        box["x"] + LEFT + x * (box["width"] - LEFT - RIGHT),
        box["y"] + box["height"] - 24 - y * (box["height"] - 48),
    )


@pytest.fixture
def curve(histogram):
    return histogram(view="display", tone=TONE)


def told_points(panel):
    return [[point["x"], point["y"]] for point in panel.sent("set")[-1]["points"]]


def test_the_curve_lies_over_the_counts_of_what_goes_through_it(curve):
    box = curve.page.locator(".wt-plot svg").bounding_box()
    assert top_of(curve, "R")[0] == pytest.approx(LEFT + 140.5 / 256 * (box["width"] - LEFT - RIGHT), abs=0.1)
    handles = curve.page.locator(".wt-point")
    assert handles.count() == 2
    assert handles.nth(1).get_attribute("aria-label") == "point 2 of 2: 0.6 becomes 0.8"
    assert curve.page.locator(".wt-curve").count() == 1
    curve.page.get_by_role("button", name="Linear").click()
    assert not handles.first.is_visible()


def test_a_click_sets_a_point_that_is_pulled_and_stays_between_its_neighbors(curve):
    mouse = curve.page.mouse
    mouse.move(*tone_place(curve, 0.4, 0.5))
    mouse.down()
    mouse.move(*tone_place(curve, 0.45, 0.6))
    curve.rest()
    mouse.move(*tone_place(curve, 0.45, 0.95))  # above its right neighbor
    mouse.up()
    curve.rest()
    sent = curve.sent("set")
    assert sent[-1]["live"] is False
    assert sent[0]["live"] is True
    assert sent[-1]["index"] == 5
    assert np.array(told_points(curve)) == pytest.approx(np.array([[0.25, 0.2], [0.45, 0.8], [0.6, 0.8]]), abs=0.01)


def test_points_are_moved_and_taken_away_by_keys(curve):
    curve.page.locator(".wt-point").first.focus()
    curve.page.keyboard.press("Shift+ArrowUp")
    curve.rest()
    assert np.array(told_points(curve)) == pytest.approx(np.array([[0.25, 0.25], [0.6, 0.8]]))
    curve.page.keyboard.press("Delete")
    curve.rest()
    assert told_points(curve) == [[0.6, 0.8]]
    assert curve.page.locator(".wt-point").count() == 1


def test_a_full_curve_takes_no_more_points(curve):
    curve.put(tone=TONE | {"most": 2})
    curve.page.mouse.click(*tone_place(curve, 0.4, 0.5))
    curve.rest()
    assert curve.sent("set") == []


def test_a_refused_point_is_told_and_goes_back(curve):
    curve.answer("set", error="the curve falls between 0.2 and 0.4")
    curve.page.locator(".wt-point").first.focus()
    curve.page.keyboard.press("ArrowUp")
    curve.page.get_by_role("alert").filter(has_text="the curve falls").wait_for()
    curve.rest()
    assert curve.page.locator(".wt-point").first.get_attribute("aria-label") == "point 1 of 2: 0.25 becomes 0.2"


def test_without_such_a_step_there_are_no_points(curve):
    curve.put(tone=None)
    assert not curve.page.locator(".wt-points").is_visible()
    assert curve.page.locator(".wt-curve").count() == 0

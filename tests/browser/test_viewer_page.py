"""The picture panel in a real browser, without a kernel."""

import base64

import cv2
import numpy as np
import pytest
from axe_check import grave_findings
from picture_state import TOOLS, drawn, shown, switched
from real_lab import canvas_pixels

from workbench.bench.panels.viewer.panel import Viewer

pytestmark = pytest.mark.browser

FRAME = (2000, 3000)
MAT = 14  # the mat around the fitted print, CSS pixels

STATE = {
    "tool": "look",
    "tools": TOOLS,
    "overlays": switched(),
    "overlay_data": {},
    "compare": {"kind": "none", "step": None, "name": None},
    "steps": ["crop", "remove_gradient", "stretch"],
    "variants": ["soft"],
    "divider": 0.5,
    "busy": False,
    "message": "",
    "frame_of": None,
}


def plain(color, shape=(200, 300)):
    return np.full((*shape, 3), color, np.uint8)


def near(color, wanted, by=6):
    return np.abs(np.subtract(color, wanted)).max() <= by


@pytest.fixture
def viewer(open_panel):
    """A picture panel that shows a gray frame of 2000 x 3000."""

    def open_one(**options):
        state = STATE | options.pop("state", {})
        panel = open_panel(Viewer, state, **options)
        panel.send_fit(plain((90, 90, 90)), FRAME)
        panel.wait_data("frames", "1")
        return panel

    return open_one


class Stage:
    """Where frame pixels lie on the page, from the fit view's own arithmetic."""

    def __init__(self, panel):
        self.panel, self.page = panel, panel.page
        self.box = panel.page.locator(".wt-stage").bounding_box()
        self.zoom = min((self.box["width"] - 2 * MAT) / FRAME[1], (self.box["height"] - 2 * MAT) / FRAME[0])

    def at(self, x, y):
        """Page place of a frame place while the whole frame is fitted."""
        middle = self.box["x"] + self.box["width"] / 2, self.box["y"] + self.box["height"] / 2
        return middle[0] + (x - FRAME[1] / 2) * self.zoom, middle[1] + (y - FRAME[0] / 2) * self.zoom

    def wait_asked(self, ratio=1):
        """Wait until the last width asked for is the fitted print's; return it.

        How many were asked for before it depends on what comes first, the picture or the size of its place.
        """
        last = "fake.sent.filter((m) => m.do === 'view_width').at(-1)?.with.width"
        wanted = self.zoom * FRAME[1] * ratio
        self.page.wait_for_function(f"Math.abs({last} - {wanted}) < 1.5")
        return self.panel.sent("view_width")[-1]["width"]

    def drag(self, start, end, button="left"):
        mouse = self.page.mouse
        mouse.move(*self.at(*start))
        mouse.down(button=button)
        mouse.move(*self.at(*((a + b) / 2 for a, b in zip(start, end, strict=True))))
        mouse.move(*self.at(*end))
        mouse.up(button=button)


def middle(panel):
    box = panel.page.locator(".wt-stage").bounding_box()
    return box["width"] / 2, box["height"] / 2


# -- frames ----------------------------------------------------------------------------------------


def test_a_new_frame_changes_the_painted_pixels(viewer):
    panel = viewer()
    assert near(panel.pixel(*middle(panel)), (90, 90, 90))
    panel.send_fit(plain((200, 40, 20)), FRAME, 2, draft=True)
    panel.wait_data("generation", "2")
    assert near(panel.pixel(*middle(panel)), (200, 40, 20))
    assert (panel.data("frames"), panel.data("draft")) == ("2", "true")
    assert panel.page.locator(".wt-badges").inner_text() == "draft"


def test_a_frame_older_than_the_one_shown_is_not_painted(viewer):
    panel = viewer()
    panel.send_fit(plain((20, 200, 20)), FRAME, 5)
    panel.wait_data("generation", "5")
    panel.send_fit(plain((250, 0, 0)), FRAME, 4)
    panel.send_fit(plain((250, 0, 0)), FRAME, 5, draft=True)
    panel.rest()
    assert near(panel.pixel(*middle(panel)), (20, 200, 20))
    assert (panel.data("frames"), panel.data("generation"), panel.data("draft")) == ("2", "5", "false")


def test_of_many_frames_at_once_the_last_is_shown_and_some_are_skipped(viewer):
    panel = viewer()
    for generation in range(2, 40):
        panel.page.evaluate("0")  # lets the page work between messages, as a kernel's messages would
        panel.send_fit(plain((generation * 5, 60, 60), (400, 600)), FRAME, generation)
    panel.wait_data("generation", "39")
    assert near(panel.pixel(*middle(panel)), (195, 60, 60))


def test_frames_of_one_moment_are_not_queued(viewer):
    panel = viewer()
    panel.page.evaluate(
        """async () => {
            const canvas = new OffscreenCanvas(600, 400)
            canvas.getContext("2d").fillRect(0, 0, 600, 400)
            const bytes = new DataView(await (await canvas.convertToBlob({ type: "image/jpeg" })).arrayBuffer())
            for (let g = 2; g < 102; g++) {
                fake.fire("msg:custom", { kind: "fit", side: "now", generation: g, frame: [2000, 3000, 3] }, [bytes])
            }
        }"""
    )
    panel.wait_data("generation", "101")
    panel.rest()
    assert int(panel.data("frames")) <= 4


def test_a_second_view_asks_for_the_frames_that_it_missed(viewer):
    panel = viewer()
    assert len(panel.sent("hello")) == 1
    panel.page.evaluate("open_view()")
    assert len(panel.wait_sent("hello", 2)) == 2


def test_a_picture_that_cannot_be_decoded_is_told_and_the_next_one_is_shown(viewer):
    panel = viewer()
    panel.message({"kind": "fit", "side": "now", "generation": 2, "draft": False, "frame": [2000, 3000, 3]}, b"no jpeg")
    panel.page.get_by_role("alert").filter(has_text="could not be shown").wait_for()
    panel.send_fit(plain((10, 20, 200)), FRAME, 3)
    panel.wait_data("generation", "3")


def test_the_picture_says_in_words_what_it_shows(viewer):
    panel = viewer()
    words = panel.page.get_by_role("img").get_attribute("aria-label")
    assert "3000 by 2000 pixels" in words
    assert "the whole frame" in words
    assert "settled" in words


@pytest.mark.parametrize("ratio", [1, 2])
def test_the_fit_view_is_asked_for_in_device_pixels(viewer, ratio):
    panel = viewer(width=800, ratio=ratio)
    Stage(panel).wait_asked(ratio)


def test_a_resized_panel_asks_anew_and_never_shows_an_empty_canvas(viewer):
    panel = viewer(width=900)
    Stage(panel).wait_asked()
    panel.page.evaluate("""() => { document.getElementById("el").style.width = "600px" }""")
    assert Stage(panel).wait_asked() < 600
    assert near(panel.pixel(*middle(panel)), (90, 90, 90))


# -- zoom and exact pixels -------------------------------------------------------------------------


def marked(at, shape=(400, 600)):
    """A dark view with a bright block around a frame place (x, y)."""
    pixels = plain((30, 30, 30), shape)
    x, y = (round(v * shape[1] / FRAME[1]) for v in at)
    pixels[y - 6 : y + 6, x - 6 : x + 6] = 240
    return pixels


def test_the_wheel_zooms_around_the_pointer(viewer):
    panel = viewer()
    place = (2100, 640)
    panel.send_fit(marked(place), FRAME, 2)
    panel.wait_data("generation", "2")
    stage = Stage(panel)
    x, y = stage.at(*place)
    panel.page.mouse.move(x, y)
    for _ in range(5):
        panel.page.mouse.wheel(0, -200)
    panel.rest()
    assert float(panel.data("zoom")) == pytest.approx(stage.zoom * np.exp(5 * 200 * 0.002), rel=0.02)
    assert near(panel.pixel(x - stage.box["x"], y - stage.box["y"]), (240, 240, 240))


def test_a_wheel_turned_outwards_at_the_fit_view_is_left_to_the_notebook(viewer):
    panel = viewer(height=300)
    panel.page.mouse.move(*Stage(panel).at(1500, 500))
    panel.page.mouse.wheel(0, 150)
    panel.page.wait_for_function("window.scrollY > 0")


def test_keys_zoom_and_move_and_one_shows_exact_pixels(viewer):
    panel = viewer()
    stage = Stage(panel)
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("+")
    panel.wait_data("zoom", "0.5")
    panel.page.keyboard.press("1")
    panel.wait_data("zoom", "1")
    (first,) = panel.wait_sent("loupe")
    width, height = stage.box["width"], stage.box["height"]
    assert first["x0"] == pytest.approx(1500 - width / 2, abs=1)
    assert first["y0"] == pytest.approx(1000 - height / 2, abs=1)
    assert first["width"] == pytest.approx(width, abs=2)
    assert first["height"] == pytest.approx(height, abs=2)
    assert first["before"] is False
    panel.page.keyboard.press("ArrowRight")
    second = panel.wait_sent("loupe", 2)[-1]
    assert second["x0"] == pytest.approx(first["x0"] + 0.12 * width, abs=2)
    panel.page.keyboard.press("-")
    panel.wait_data("zoom", "0.5")
    panel.page.keyboard.press("0")
    panel.page.wait_for_function(f"Math.abs(document.querySelector('.wt').dataset.zoom - {stage.zoom}) < 1e-3")


def test_exact_pixels_are_drawn_at_their_place_unsmoothed(viewer, rng):
    panel = viewer()
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("1")
    wanted = panel.wait_sent("loupe")[-1]
    exact = rng.integers(0, 256, (wanted["height"], wanted["width"], 3), dtype=np.uint8)
    panel.send_loupe(exact, wanted["y0"], wanted["x0"])
    panel.wait_data("exact", "true")
    seen = panel.pixels(0, 0, 64, 48)[..., :3]
    offset = [(dy, dx) for dy in (0, 1) for dx in (0, 1) if (seen == exact[dy : dy + 48, dx : dx + 64]).all()]
    assert offset


def test_at_four_to_one_each_exact_pixel_is_a_sharp_square(viewer):
    panel = viewer()
    panel.page.locator(".wt-stage").focus()
    for key in "1++":
        panel.page.keyboard.press(key)
        panel.rest()
    panel.wait_data("zoom", "4")
    panel.rest()
    wanted = panel.sent("loupe")[-1]
    board = np.indices((wanted["height"], wanted["width"])).sum(axis=0) % 2
    panel.send_loupe(np.repeat(np.uint8(board * 255)[..., None], 3, axis=2), wanted["y0"], wanted["x0"])
    panel.wait_data("exact", "true")
    row = panel.pixels(300, 200, 16, 1)[0, :, 0].tolist()
    assert set(row) == {0, 255}
    changes = [i for i in range(1, 16) if row[i] != row[i - 1]]
    assert set(np.diff(changes)) == {4}


def test_exact_pixels_of_an_older_state_are_dropped(viewer):
    panel = viewer()
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("1")
    wanted = panel.wait_sent("loupe")[-1]
    panel.send_fit(plain((20, 120, 20)), FRAME, 2)
    panel.wait_data("generation", "2")
    red = plain((255, 0, 0), (wanted["height"], wanted["width"]))
    panel.send_loupe(red, wanted["y0"], wanted["x0"], 1)
    panel.rest()
    assert near(panel.pixel(*middle(panel)), (20, 120, 20))
    assert panel.data("exact") == "false"


def test_a_draft_asks_for_no_exact_pixels_until_it_is_settled(viewer):
    panel = viewer()
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("1")
    panel.wait_sent("loupe")
    panel.rest()
    count = len(panel.sent("loupe"))
    panel.send_fit(plain((20, 120, 20)), FRAME, 2, draft=True)
    panel.wait_data("generation", "2")
    panel.rest()
    assert [wanted["draft"] for wanted in panel.sent("loupe")[count:]] == [True]
    panel.send_fit(plain((20, 120, 20)), FRAME, 2)
    assert panel.wait_sent("loupe", count + 2)[-1]["draft"] is False


def test_pixels_of_a_draft_are_shown_close_up_and_marked_until_the_exact_ones_come(viewer):
    panel = viewer()
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("1")
    panel.wait_sent("loupe")
    panel.send_fit(plain((20, 120, 20)), FRAME, 2, draft=True)
    wanted = panel.wait_sent("loupe", 2)[-1]
    size, corner = (wanted["height"], wanted["width"]), (wanted["y0"], wanted["x0"])
    panel.send_loupe(plain((200, 60, 20), size), *corner, 2, draft=True)
    panel.rest()
    assert near(panel.pixel(*middle(panel)), (200, 60, 20))
    panel.send_fit(plain((20, 120, 20)), FRAME, 2)
    panel.wait_sent("loupe", 3)
    panel.rest()
    assert near(panel.pixel(*middle(panel)), (200, 60, 20)), "no blink between the draft and the exact pixels"
    assert panel.data("exact") == "false"
    assert "draft" in panel.page.locator(".wt-stage canvas").first.get_attribute("aria-label")
    panel.send_loupe(plain((180, 50, 20), size), *corner, 2)
    panel.wait_data("exact", "true")
    assert near(panel.pixel(*middle(panel)), (180, 50, 20))


def test_while_a_control_moves_the_newest_close_up_stands_in_but_not_once_the_picture_is_settled(viewer):
    panel = viewer()
    panel.answer("loupe", {"height": 1, "width": 1})  # there is one: from the first time it is asked for on
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("1")
    panel.rest()
    wanted = panel.wait_sent("loupe")[-1]
    size, corner = (wanted["height"], wanted["width"]), (wanted["y0"], wanted["x0"])
    panel.send_fit(plain((20, 120, 20)), FRAME, 2, draft=True)
    panel.send_fit(plain((20, 120, 20)), FRAME, 3, draft=True)
    panel.send_loupe(plain((200, 60, 20), size), *corner, 2, draft=True)
    panel.wait_data("generation", "3")
    panel.rest()
    assert near(panel.pixel(*middle(panel)), (200, 60, 20))
    panel.send_fit(plain((20, 120, 20)), FRAME, 4, draft=True)
    panel.send_loupe(plain((90, 90, 200), size), *corner, 3, draft=True)
    panel.send_loupe(plain((200, 60, 20), size), *corner, 2, draft=True)
    panel.wait_data("generation", "4")
    panel.rest()
    assert near(panel.pixel(*middle(panel)), (90, 90, 200)), "an older one does not come back"
    panel.answer("loupe", None)
    panel.send_fit(plain((20, 120, 20)), FRAME, 5, draft=True)
    panel.wait_data("generation", "5")
    panel.rest()
    assert near(panel.pixel(*middle(panel)), (20, 120, 20)), "nor does one stand in where there is none"
    panel.send_loupe(plain((90, 90, 200), size), *corner, 5, draft=True)
    panel.send_fit(plain((20, 120, 20)), FRAME, 6)
    panel.rest()
    assert near(panel.pixel(*middle(panel)), (20, 120, 20))


def test_a_double_click_goes_to_exact_pixels_there_and_back(viewer):
    panel = viewer()
    stage = Stage(panel)
    panel.page.mouse.dblclick(*stage.at(900, 700))
    panel.wait_data("zoom", "1")
    wanted = panel.wait_sent("loupe")[-1]
    x, y = stage.at(900, 700)
    assert wanted["x0"] + x - stage.box["x"] == pytest.approx(900, abs=2)
    assert wanted["y0"] + y - stage.box["y"] == pytest.approx(700, abs=2)
    panel.page.mouse.dblclick(*stage.at(900, 700))
    panel.page.wait_for_function(f"Math.abs(document.querySelector('.wt').dataset.zoom - {stage.zoom}) < 1e-3")


def test_a_drag_moves_the_zoomed_picture(viewer):
    panel = viewer()
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("1")
    first = panel.wait_sent("loupe")[-1]
    stage = Stage(panel)
    x, y = stage.box["x"] + 400, stage.box["y"] + 300
    panel.page.mouse.move(x, y)
    panel.page.mouse.down()
    panel.page.mouse.move(x - 70, y - 40)  # one movement: nothing is asked for on the way
    panel.page.mouse.up()
    # A slow machine may ask for what is seen halfway, too.
    last = "fake.sent.filter((m) => m.do === 'loupe').at(-1).with"
    moved = f"([x, y]) => {last}.x0 === x && {last}.y0 === y"
    panel.page.wait_for_function(moved, arg=[first["x0"] + 70, first["y0"] + 40])


def test_two_fingers_zoom_and_the_place_between_them_stays(viewer):
    panel = viewer(touch=True)
    place = (1800, 900)
    panel.send_fit(marked(place), FRAME, 2)
    panel.wait_data("generation", "2")
    stage = Stage(panel)
    x, y = stage.at(*place)
    touch = panel.context.new_cdp_session(panel.page)

    def fingers(kind, *apart):
        points = [{"x": x + side * d, "y": y, "id": i} for d in apart for i, side in enumerate((-1, 1))]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    fingers("touchStart", 40)
    for apart in (50, 70, 100, 120):
        fingers("touchMove", apart)
    fingers("touchEnd")
    panel.page.wait_for_function(f"document.querySelector('.wt').dataset.zoom > {stage.zoom * 2.5}")
    assert near(panel.pixel(x - stage.box["x"], y - stage.box["y"]), (240, 240, 240))


def test_the_loupe_tool_goes_to_the_clicked_place(viewer):
    panel = viewer(state={"tool": "place"})
    stage = Stage(panel)
    panel.page.mouse.click(*stage.at(1200, 900))
    panel.wait_data("zoom", "1")
    wanted = panel.wait_sent("loupe")[-1]
    assert wanted["x0"] + wanted["width"] / 2 == pytest.approx(1200, abs=3)
    assert wanted["y0"] + wanted["height"] / 2 == pytest.approx(900, abs=3)


# -- under the pointer -----------------------------------------------------------------------------


def test_the_readout_tells_place_values_sky_and_star(viewer):
    panel = viewer()
    stage = Stage(panel)
    under = {"y": 1204, "x": 2210, "linear": [0.0123, 0.0142, 0.01], "display": [0.31, 0.305, 0.33]}
    panel.answer("probe", under | {"sky": "20h58m12s +44d20m11s", "star": {"fwhm_px": 3.2, "distance": 1.4}})
    panel.page.mouse.move(*stage.at(2210.5, 1204.5))
    panel.page.locator(".wt-readout", has_text="star FWHM 3.2 px, 1.4 px away").wait_for()
    text = panel.page.locator(".wt-readout").inner_text()
    for part in ("column 2210, row 1204", "R 0.0123", "display R 0.31", "20h58m12s +44d20m11s"):
        assert part in text
    asked = panel.sent("probe")[-1]
    assert (asked["x"], asked["y"]) == (pytest.approx(2210, abs=3), pytest.approx(1204, abs=3))


def test_a_draft_is_not_probed_and_the_settled_picture_is(viewer):
    panel = viewer()
    panel.send_fit(plain((20, 120, 20)), FRAME, 2, draft=True)
    panel.wait_data("draft", "true")
    panel.page.mouse.move(*Stage(panel).at(700, 900))
    panel.page.locator(".wt-readout", has_text="values follow").wait_for()
    panel.rest()
    assert panel.sent("probe") == []
    panel.send_fit(plain((20, 120, 20)), FRAME, 2)
    assert panel.wait_sent("probe")[-1]["x"] == pytest.approx(700, abs=4)


def test_an_unanswered_probe_is_not_followed_by_more_than_the_latest(viewer):
    panel = viewer()
    stage = Stage(panel)
    panel.page.evaluate("fake.silent.add('probe')")
    for x in range(400, 1400, 50):
        panel.page.mouse.move(*stage.at(x, 900))
    panel.rest()
    assert len(panel.sent("probe")) == 1
    number = panel.page.evaluate("fake.sent.find((m) => m.do === 'probe').id")
    panel.message({"reply": number, "error": None, "value": {"y": 1, "x": 1, "linear": None, "display": None}})
    panel.rest()
    assert len(panel.sent("probe")) == 2
    assert panel.sent("probe")[-1]["x"] == pytest.approx(1350, abs=4)


# -- before and now --------------------------------------------------------------------------------


@pytest.fixture
def divided(viewer):
    panel = viewer(state={"compare": {"kind": "step", "step": 1, "name": None}})
    panel.send_fit(plain((200, 160, 40)), FRAME, 1, side="before")
    panel.wait_data("framesBefore", "1")
    panel.page.locator(".wt-divider").wait_for()
    return panel


def test_the_divider_parts_before_and_now_and_can_be_dragged(divided):
    x, y = middle(divided)
    assert near(divided.pixel(x - 20, y), (200, 160, 40))
    assert near(divided.pixel(x + 20, y), (90, 90, 90))
    stage = Stage(divided)
    divided.page.mouse.move(stage.box["x"] + x, stage.box["y"] + 200)
    divided.page.mouse.down()
    divided.page.mouse.move(stage.box["x"] + 0.25 * stage.box["width"], stage.box["y"] + 210, steps=3)
    divided.page.mouse.up()
    divided.rest()
    assert near(divided.pixel(0.25 * stage.box["width"] - 20, y), (200, 160, 40))
    assert near(divided.pixel(0.25 * stage.box["width"] + 20, y), (90, 90, 90))
    assert divided.page.get_by_role("slider").get_attribute("aria-valuenow") == "25"


def test_the_divider_is_a_slider_for_the_keyboard(divided):
    slider = divided.page.get_by_role("slider")
    slider.focus()
    for key in ("ArrowRight", "Shift+ArrowRight", "ArrowLeft"):
        divided.page.keyboard.press(key)
    divided.rest()
    assert slider.get_attribute("aria-valuenow") == "60"
    assert "after 1. crop" in slider.get_attribute("aria-valuetext")
    divided.page.keyboard.press("End")
    divided.rest()
    x, y = middle(divided)
    assert near(divided.pixel(x * 1.8, y), (200, 160, 40))


def test_a_held_key_shows_before_without_the_divider(divided):
    divided.page.locator(".wt-stage").focus()
    x, y = middle(divided)
    divided.page.keyboard.down("b")
    divided.wait_data("held", "true")
    assert near(divided.pixel(x + 100, y), (200, 160, 40))
    assert not divided.page.locator(".wt-divider").is_visible()
    divided.page.keyboard.up("b")
    divided.wait_data("held", "false")
    assert near(divided.pixel(x + 100, y), (90, 90, 90))
    assert divided.sent("compare") == []


def test_held_without_a_comparison_the_stack_itself_is_shown_meanwhile(viewer):
    panel = viewer()
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.down("b")
    assert panel.wait_sent("compare") == [{"step": 0}]
    panel.put(compare={"kind": "step", "step": 0, "name": None})
    panel.send_fit(plain((200, 160, 40)), FRAME, 2, side="before")
    panel.wait_data("framesBefore", "1")
    panel.rest()
    x, y = middle(panel)
    assert near(panel.pixel(x + 100, y), (200, 160, 40))
    panel.page.keyboard.up("b")
    assert panel.wait_sent("compare", 2)[-1] == {}
    panel.rest()
    assert near(panel.pixel(x - 100, y), (90, 90, 90))
    panel.put(compare={"kind": "none", "step": None, "name": None})
    assert not panel.page.locator(".wt-divider").is_visible()


def test_the_other_side_is_chosen_from_steps_and_variants(viewer):
    panel = viewer()
    choice = panel.page.get_by_label("Compare with")
    choice.select_option(label="variant soft")
    assert panel.wait_sent("compare")[-1] == {"variant": "soft"}
    choice.select_option(label="after 2. remove gradient")
    assert panel.wait_sent("compare", 2)[-1] == {"step": 2}
    choice.select_option(label="nothing")
    assert panel.wait_sent("compare", 3)[-1] == {}


def test_two_steps_are_compared_where_the_kernel_can(viewer):
    panel = viewer(state={"compare": {"kind": "step", "step": 0, "name": None, "upto": None}})
    panel.page.get_by_label("right of the divider").select_option(label="after 1. crop")
    assert panel.wait_sent("compare")[-1] == {"step": 0, "upto": 1}


#: Frames of the before side that show the same piece of the stack as the frame of 2000 x 3000 shown, and more:
#: (height, width) and where they lie on it, as a canvas's transform.
BEFORE = {
    "a crop": ((2400, 3600), (1, 0, 0, 1, -200, -100)),
    "a crop the other way round": ((1600, 2400), (1, 0, 0, 1, 300, 150)),
    "a quarter turn": ((3000, 2000), (0, 1, -1, 0, 3000, 0)),
    "a half turn": ((2000, 3000), (-1, 0, 0, -1, 3000, 2000)),
    "a mirror": ((2000, 3000), (-1, 0, 0, 1, 3000, 0)),
    "a mirrored quarter turn": ((3000, 2000), (0, 1, 1, 0, 0, 0)),
    "binning": ((4000, 6000), (0.5, 0, 0, 0.5, 0, 0)),
    "enlarging": ((1000, 1500), (2, 0, 0, 2, 0, 0)),
    "all of it": ((6400, 4200), (0, 0.5, -0.5, 0, 3050, -150)),
    "another angle": ((2400, 3600), (0.96, 0.28, -0.28, 0.96, 100, -300)),
}


def on_before(way, x, y):
    """Where a place of the frame shown lies in the frame before."""
    a, b, c, d, e, f = way
    return np.linalg.solve([[a, c], [b, d]], [x - e, y - f])


def star_in(pixels):
    """Where the light on a dark ground is centred, (x, y) in device pixels."""
    light = np.clip(pixels[..., 0].astype(float) - 60, 0, None)
    rows, columns = np.indices(light.shape)
    return float((light * columns).sum() / light.sum()), float((light * rows).sum() / light.sum())


@pytest.mark.parametrize("name", BEFORE)
def test_the_same_sky_lies_under_both_sides(viewer, name):
    """One star on each side at the same place of the stack, of any two frames; in the fit view and close up."""
    (height, width), way = BEFORE[name]
    x, y = 1100.0, 700.0  # of the star in the frame shown
    panel = viewer(state={"compare": {"kind": "step", "step": 0, "name": None}})
    now, before = (np.full((h // 5, w // 5, 3), 30, np.uint8) for h, w in (FRAME, (height, width)))
    for view, (cx, cy) in ((now, (x, y)), (before, on_before(way, x, y))):
        view[round(cy / 5) - 4 : round(cy / 5) + 4, round(cx / 5) - 4 : round(cx / 5) + 4] = 250
    panel.send_fit(now, FRAME, 2)
    panel.send_fit(before, (height, width), 2, side="before", place=way)
    panel.wait_data("framesBefore", "1")
    panel.wait_data("generation", "2")
    stage, star = Stage(panel), {}
    for side, key in (("now", "Home"), ("before", "End")):
        panel.page.get_by_role("slider").focus()
        panel.page.keyboard.press(key)
        panel.rest()
        star[side] = star_in(panel.pixels(0, 0, int(stage.box["width"]), int(stage.box["height"])))
    px, py = stage.at(x, y)
    assert star["now"] == pytest.approx((px - stage.box["x"], py - stage.box["y"]), abs=1.5)
    assert star["before"] == pytest.approx(star["now"], abs=1)


@pytest.mark.parametrize("name", ["a crop", "a mirrored quarter turn", "binning", "enlarging", "all of it"])
def test_close_up_the_same_sky_lies_under_both_sides_in_each_frames_own_pixels(viewer, name):
    (height, width), way = BEFORE[name]
    panel = viewer(state={"compare": {"kind": "step", "step": 0, "name": None}})
    size = abs(way[0]) + abs(way[1])  # of one of its pixels in the frame shown
    for zoom in (1, 2, 4):
        panel.page.locator(".wt-stage").focus()
        panel.page.keyboard.press("1" if zoom == 1 else "+")
        panel.wait_data("zoom", str(zoom))
        panel.page.keyboard.press("ArrowRight")
        panel.send_fit(plain((30, 30, 30)), FRAME, zoom)
        panel.send_fit(plain((30, 30, 30)), (height, width), zoom, side="before", place=way)
        panel.rest()
        asked = {wanted["before"]: wanted for wanted in panel.sent("loupe")}
        assert [asked[side]["block"] for side in (False, True)] == [1, max(1, round(1 / (size * zoom)))]
        # A star on whole pixels of both frames, near the middle of what is seen.
        star = max(4, round(4 * size))
        middle = [asked[False][at] + 0.4 * asked[False][length] for at, length in (("x0", "width"), ("y0", "height"))]
        corners = [np.round(np.divide(middle, star)) * star]
        corners.append(corners[0] + star)
        send_star(panel, asked[False], corners, zoom)
        send_star(panel, asked[True], [on_before(way, *corner) for corner in corners], zoom)
        panel.wait_data("exact", "true")
        panel.wait_data("exactBefore", "true")
        box, shown = panel.page.locator(".wt-stage").bounding_box(), []
        for key in ("Home", "End"):
            panel.page.get_by_role("slider").focus()
            panel.page.keyboard.press(key)
            panel.rest()
            shown.append(panel.pixels(20, 0, int(box["width"]) - 40, int(box["height"])))
        assert np.count_nonzero(shown[0][..., 0] > 200) == (star * zoom) ** 2
        assert (shown[0] == shown[1]).all(), "to the very pixel"


def send_star(panel, wanted, corners, generation):
    """Answer a request for a close-up with a dark sky and a bright square between two corners, in frame pixels."""
    block = wanted["block"]
    assert wanted["height"] % block == wanted["width"] % block == 0
    pixels = plain((30, 30, 30), (wanted["height"] // block, wanted["width"] // block))
    places = np.round((np.sort(corners, axis=0) - (wanted["x0"], wanted["y0"])) / block).astype(int)
    (x0, y0), (x1, y1) = places.tolist()
    pixels[y0:y1, x0:x1] = 250
    side = "before" if wanted["before"] else "now"
    panel.send_loupe(pixels, wanted["y0"], wanted["x0"], generation, side, block=block)


def test_a_before_without_a_known_place_is_not_shown_and_that_is_said(divided):
    x, y = middle(divided)
    divided.send_fit(plain((200, 160, 40)), FRAME, 2, side="before")
    divided.wait_data("framesBefore", "2")
    assert near(divided.pixel(x - 20, y), (200, 160, 40))
    divided.send_fit(plain((200, 160, 40)), FRAME, 3, side="before", place=None)
    divided.wait_data("framesBefore", "3")
    divided.rest()
    assert near(divided.pixel(x - 20, y), (90, 90, 90))
    assert not divided.page.locator(".wt-divider").is_visible()
    assert "nothing tells where it lies" in divided.page.locator(".wt-badges").inner_text()


def test_a_narrow_frame_is_not_asked_for_huge_close_ups_of_the_other_side(viewer):
    panel = viewer(state={"compare": {"kind": "step", "step": 0, "name": None}})
    panel.send_fit(plain((30, 30, 30)), (16000, 24000), 1, side="before", place=(0.125, 0, 0, 0.125, 0, 0))
    panel.wait_data("framesBefore", "1")
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("1")
    panel.wait_data("zoom", "1")
    panel.rest()
    assert {wanted["before"] for wanted in panel.sent("loupe")} == {False}
    panel.page.keyboard.press("+")
    panel.wait_data("zoom", "2")
    panel.rest()
    assert panel.sent("loupe")[-1]["block"] == 4


# -- overlays --------------------------------------------------------------------------------------


def marks(panel):
    """How many pixels of the layer over the picture are drawn on, the edge of the print left out."""
    box = panel.page.locator(".wt-stage").bounding_box()
    width, height = (int(box[side]) - 60 for side in ("width", "height"))
    return np.count_nonzero(panel.pixels(30, 30, width, height, ".wt-marks")[..., 3])


MARGINS = drawn("crop.margins", {"top": 100, "right": 0, "bottom": 0, "left": 60})

#: A picture of 10 by 10 dark pixels.
DARK = (
    "data:image/png;base64," + base64.b64encode(cv2.imencode(".png", np.full((10, 10, 4), 150, np.uint8))[1]).decode()
)

OVERLAYS = {
    "stars": ({"stars": [[1000, 1500, 4, 1.2, 30, 0], [500, 700, 5, 1.0, 0, 1]]}, "2 ellipses"),
    "remove_gradient.samples": (
        shown("remove_gradient.samples", "points", "1 ring, 1 cross", points=[[400, 500, 1], [400, 900, 0]]),
        "1 ring, 1 cross",
    ),
    "remove_gradient.gradient": (
        shown(
            "remove_gradient.gradient",
            "contours",
            "sky model from 0.1 to 0.2",
            lines=[{"tenth": 5, "points": [[100, 1200], [900, 1250], [1700, 1200]]}],
        ),
        "from 0.1 to 0.2",
    ),
    "crop.crop": (
        shown(
            "crop.crop",
            "outline",
            "cut away: 9 rows",
            region={"shape": "rectangle", "x0": 300, "y0": 300, "x1": 2000, "y1": 1500},
        ),
        "9 rows",
    ),
    "mask": (
        {"mask": {"picture": DARK, "place": [100, 0, 0, 100, 900, 600], "says": "mask: under a brush"}},
        "a brush",
    ),
}


@pytest.mark.parametrize("name", OVERLAYS)
def test_an_overlay_is_drawn_and_explained_in_words(viewer, name):
    data, words = OVERLAYS[name]
    panel = viewer()
    assert marks(panel) == 0
    panel.put(overlays=switched(name), overlay_data=data)
    panel.page.locator(".wt-legend", has_text=words).wait_for()
    panel.rest()  # a mask is unpacked before it is drawn
    assert marks(panel) > 20
    assert panel.page.locator(f'[data-overlay="{name}"]').get_attribute("aria-pressed") == "true"
    panel.put(overlays=switched(), overlay_data={})
    panel.rest()
    assert marks(panel) == 0


def test_a_switch_asks_for_its_overlay(viewer):
    panel = viewer()
    panel.page.get_by_role("button", name="Sky model").click()
    assert panel.wait_sent("overlay") == [{"name": "remove_gradient.gradient", "on": True}]


def test_a_star_lies_around_its_place(viewer):
    panel = viewer(state={"overlays": switched("stars"), "overlay_data": {"stars": [[800, 2000, 40, 1.0, 0, 0]]}})
    panel.rest()
    stage = Stage(panel)
    x, y = (a - b for a, b in zip(stage.at(2000.5, 800.5), (stage.box["x"], stage.box["y"]), strict=True))
    radius = 40 * stage.zoom
    at = [(x + radius, y), (x - radius, y), (x, y + radius), (x, y - radius)]
    opacity = [panel.pixels(*place, 1, 1, ".wt-marks")[0, 0, 3] for place in [*at, (x, y)]]
    assert min(opacity[:4]) > 100
    assert opacity[4] == 0


def test_clipped_pixels_are_those_of_each_side(divided):
    divided.put(overlays=switched("clipped"))
    divided.send_fit(plain((255, 255, 255)), FRAME, 2, side="before")
    divided.wait_data("framesBefore", "2")
    divided.page.locator(".wt-legend", has_text="0 % black; before 100 % white, 0 % black").wait_for()
    x, y = middle(divided)
    assert divided.pixels(x - 20, y, 1, 1, ".wt-marks")[0, 0, 3] == 255
    assert divided.pixels(x + 20, y, 1, 1, ".wt-marks")[0, 0, 3] == 0


def test_clipped_pixels_are_found_in_the_picture_itself(viewer):
    panel = viewer(state={"overlays": switched("clipped")})
    pixels = plain((90, 90, 90))
    pixels[:96, :72] = 255  # whole JPEG blocks, so that no edge is blurred
    pixels[104:, 152:] = 0
    panel.send_fit(pixels, FRAME, 2)
    panel.wait_data("generation", "2")
    panel.page.locator(".wt-legend", has_text="24 % black").wait_for()
    assert "12 % white" in panel.page.locator(".wt-legend").inner_text()


# -- tools -----------------------------------------------------------------------------------------


def test_a_tool_is_asked_for_and_shown_as_taken(viewer):
    panel = viewer()
    panel.page.get_by_role("button", name="Crop").first.click()
    assert panel.wait_sent("tool") == [{"name": "crop.margins"}]
    panel.put(tool="crop.margins", frame_of=0)
    panel.wait_data("tool", "crop.margins")
    panel.page.locator(".wt-badges", has_text="frame before step 1").wait_for()


def test_a_dragged_crop_is_applied_with_its_margins(viewer):
    panel = viewer(state={"tool": "crop.margins", "overlay_data": MARGINS})
    stage = Stage(panel)
    stage.drag((60, 100), (360, 400))  # the top left corner
    stage.drag((3000, 1200), (2700, 1200))  # the right edge, whose grip is in the middle of it
    panel.page.keyboard.press("Enter")
    (asked,) = panel.wait_sent("draw")
    assert asked["what"] == "crop.margins"
    margins = asked["value"]
    pixel = 1 / stage.zoom
    wanted = {"top": 400, "right": 300, "bottom": 0, "left": 360}
    assert margins == {side: pytest.approx(value, abs=1.5 * pixel) for side, value in wanted.items()}
    assert all(isinstance(value, int) for value in margins.values())
    assert panel.wait_sent("tool")[-1] == {"name": "look"}


def test_a_crop_follows_the_arrow_keys_on_a_handle(viewer):
    panel = viewer(state={"tool": "crop.margins", "overlay_data": MARGINS})
    step = max(1, round(1 / Stage(panel).zoom))
    panel.page.locator('[data-handle="n"]').focus()
    panel.page.keyboard.press("ArrowDown")
    panel.page.keyboard.press("Shift+ArrowDown")
    panel.rest()
    assert f"row {100 + 11 * step}" in panel.page.locator('[data-handle="n"]').get_attribute("aria-label")
    panel.page.keyboard.press("Enter")
    wanted = {"top": 100 + 11 * step, "right": 0, "bottom": 0, "left": 60}
    assert panel.wait_sent("draw") == [{"what": "crop.margins", "value": wanted}]


def test_escape_puts_a_crop_away_and_then_the_tool(viewer):
    panel = viewer(state={"tool": "crop.margins"})
    Stage(panel).drag((500, 500), (2500, 1500))
    panel.page.keyboard.press("Escape")
    panel.rest()
    assert panel.sent("tool") == []
    panel.page.keyboard.press("Escape")
    assert panel.wait_sent("tool") == [{"name": "look"}]
    assert panel.sent("draw") == []


@pytest.mark.parametrize("shape", ["rectangle", "ellipse"])
def test_a_drawn_region_is_excluded_from_the_sky(viewer, shape):
    panel = viewer(state={"tool": "remove_gradient.exclude", "frame_of": 1})
    panel.page.get_by_role("button", name=shape).click()
    stage = Stage(panel)
    stage.drag((600, 400), (1800, 1200))
    region = panel.wait_sent("draw")[-1]["value"]
    pixel = 1.5 / stage.zoom
    if shape == "rectangle":
        wanted = {"x0": 599.5, "y0": 399.5, "x1": 1799.5, "y1": 1199.5}
    else:
        wanted = {"x": 1199.5, "y": 799.5, "along": 600, "across": 400, "angle_deg": 0}
    assert region == {"shape": shape} | {key: pytest.approx(value, abs=pixel) for key, value in wanted.items()}


def test_an_excluded_region_is_drawn_by_keyboard_alone(viewer):
    panel = viewer(state={"tool": "remove_gradient.exclude", "frame_of": 1})
    panel.page.locator(".wt-stage").focus()
    panel.page.keyboard.press("Enter")
    panel.page.wait_for_function("document.activeElement.dataset.handle === 'move'")
    panel.page.keyboard.press("Shift+ArrowLeft")
    panel.page.keyboard.press("Enter")
    region = panel.wait_sent("draw")[-1]["value"]
    assert (region["x0"] + region["x1"]) / 2 < 1500
    assert (region["y0"] + region["y1"]) / 2 == pytest.approx(999.5, abs=2)


def test_an_excluded_region_can_be_taken_away(viewer):
    regions = [{"shape": "rectangle", "x0": 100, "y0": 100, "x1": 700, "y1": 700}] * 2
    panel = viewer(
        state={"tool": "remove_gradient.exclude", "overlay_data": drawn("remove_gradient.exclude", *regions)}
    )
    panel.page.get_by_role("button", name="take region 2 away").focus()
    panel.page.keyboard.press("Enter")
    assert panel.wait_sent("erase") == [{"what": "remove_gradient.exclude", "number": 1}]
    assert panel.sent("draw") == []


def test_places_are_added_moved_and_deleted(viewer):
    tool = "remove_gradient.samples"
    panel = viewer(state={"tool": tool, "overlay_data": drawn(tool, {"x": 800, "y": 600})})
    stage = Stage(panel)
    panel.page.mouse.click(*stage.at(2000.5, 1000.5))
    pixel = 1.5 / stage.zoom
    place = {"y": pytest.approx(1000, abs=pixel), "x": pytest.approx(2000, abs=pixel)}
    assert panel.wait_sent("draw") == [{"what": tool, "value": place}]
    stage.drag((800.5, 600.5), (1000.5, 900.5))
    (moved,) = panel.wait_sent("redraw")
    place = {"y": pytest.approx(900, abs=pixel), "x": pytest.approx(1000, abs=pixel)}
    assert moved == {"what": tool, "number": 0, "value": place}
    mark = panel.page.get_by_role("button", name="sky sample 1")
    mark.focus()
    panel.page.keyboard.press("ArrowRight")
    place = {"y": 600, "x": 800 + round(1 / stage.zoom)}
    assert panel.wait_sent("redraw", 2)[-1] == {"what": tool, "number": 0, "value": place}
    panel.page.keyboard.press("Delete")
    assert panel.wait_sent("erase") == [{"what": tool, "number": 0}]


def test_the_print_stays_where_it_is_when_a_tool_is_taken_up(viewer):
    panel = viewer()
    before = Stage(panel).box
    panel.put(tool="remove_gradient.exclude")
    panel.wait_data("tool", "remove_gradient.exclude")
    panel.rest()
    assert panel.page.locator(".wt-hint").is_visible()
    assert Stage(panel).box == before


def test_a_drawn_white_region_is_sent_and_the_tool_put_down(viewer):
    panel = viewer(state={"tool": "calibrate_color.region"})
    stage = Stage(panel)
    stage.drag((900, 600), (1200, 900))
    pixel = 1.5 / stage.zoom
    wanted = {k: pytest.approx(v, abs=pixel) for k, v in {"y0": 600, "x0": 900, "y1": 900, "x1": 1200}.items()}
    assert panel.wait_sent("draw") == [{"what": "calibrate_color.region", "value": wanted}]
    assert panel.wait_sent("tool") == [{"name": "look"}]


def test_the_wheel_still_zooms_while_a_tool_is_taken(viewer):
    panel = viewer(state={"tool": "crop.margins"})
    stage = Stage(panel)
    panel.page.mouse.move(*stage.at(1500, 1000))
    panel.page.mouse.wheel(0, -300)
    panel.page.wait_for_function(f"document.querySelector('.wt').dataset.zoom > {stage.zoom * 1.5}")


def test_a_refused_gesture_is_told_in_its_own_words(viewer):
    panel = viewer()
    panel.answer("tool", error="open a stack first")
    panel.page.get_by_role("button", name="Crop").first.click()
    panel.page.get_by_role("alert").filter(has_text="open a stack first").wait_for()


# -- the page --------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [480, 900, 1400])
def test_nothing_is_wider_than_the_panel(viewer, width):
    panel = viewer(
        width=width, state={"tool": "remove_gradient.exclude", "compare": {"kind": "step", "step": 1, "name": None}}
    )
    script = """() => {
        const right = (e) => e.getBoundingClientRect().right
        const edge = right(document.getElementById("el")) + 1
        const all = [...document.querySelectorAll(".wt > *, .wt-row > *")]
        return all.filter((e) => right(e) > edge).map((e) => e.className)
    }"""
    assert panel.page.evaluate(script) == []


def test_plain_keys_are_kept_from_the_notebook_and_commands_are_not(viewer):
    panel = viewer()
    panel.page.locator(".wt-stage").focus()
    flag = "document.querySelector('.wt').hasAttribute('data-lm-suppress-shortcuts')"
    panel.page.keyboard.press("b")
    assert panel.page.evaluate(flag)
    panel.page.keyboard.press("Control+s")
    assert not panel.page.evaluate(flag)


def test_every_control_has_a_name_and_the_tab_key_reaches_them(viewer):
    panel = viewer(state={"tool": "crop.margins", "compare": {"kind": "step", "step": 1, "name": None}})
    panel.send_fit(plain((20, 20, 20)), FRAME, 1, side="before")
    panel.wait_data("framesBefore", "1")
    panel.rest()
    reached = []
    panel.page.locator("body").press("Tab")
    for _ in range(40):
        name = panel.page.evaluate(
            """() => {
                const e = document.activeElement
                if (e === document.body) return null
                return e.getAttribute("aria-label") || e.labels?.[0]?.textContent || e.textContent
            }"""
        )
        if name is None:
            break
        reached.append(name.strip())
        panel.page.keyboard.press("Tab")
    assert all(reached)
    for wanted in ("Crop", "Picture", "Divider", "top left corner", "Compare with", "Hold for before", "zoom in"):
        assert any(wanted in name for name in reached), wanted


def test_a_view_that_is_gone_leaves_nothing_behind(viewer):
    panel = viewer()
    counts = "Object.fromEntries(Object.entries(fake.listeners).map(([k, v]) => [k, v.length]))"
    before = panel.page.evaluate(counts)
    panel.page.evaluate(
        """async () => {
            window.ended = 0
            window.close_bitmap = ImageBitmap.prototype.close
            ImageBitmap.prototype.close = function () { window.ended += 1; return close_bitmap.call(this) }
            window.second = await open_view()
        }"""
    )
    panel.send_fit(plain((90, 90, 90)), FRAME, 2)
    panel.rest()  # both views have it
    assert panel.data("generation") == "2"
    panel.page.evaluate(
        "() => { window.ended = 0; window.gone(); window.second(); ImageBitmap.prototype.close = close_bitmap }"
    )
    after = panel.page.evaluate(counts)
    assert panel.page.evaluate("window.ended") == 2
    assert panel.page.locator(".wt").count() == 0
    # The one listener for replies stays with the model, which outlives its views.
    assert after == {"change:state": 0, "msg:custom": 1}
    assert before["change:state"] == 1
    sent = panel.page.evaluate("fake.sent.length")
    panel.page.keyboard.press("b")
    panel.put(tool="crop.margins")
    panel.page.set_viewport_size({"width": 500, "height": 500})
    panel.rest()
    assert panel.page.evaluate("fake.sent.length") == sent


# -- a window of its own ---------------------------------------------------------------------------


@pytest.mark.parametrize("light", [True, False])
def test_the_picture_is_shown_once_more_in_a_window_of_its_own(viewer, light):
    panel = viewer(light=light, width=700)
    own, asked = panel.page.get_by_role("button", name="Own window"), Stage(panel).wait_asked()
    with panel.page.context.expect_page() as opening:
        own.click()
    other = opening.value
    other.set_viewport_size({"width": 1240, "height": 860})
    other.locator(".wt-viewer").wait_for()
    assert own.get_attribute("aria-pressed") == "true"
    assert other.get_by_role("button", name="Own window").count() == 0

    last = "fake.sent.filter((m) => m.do === 'view_width').at(-1).with.width"
    panel.page.wait_for_function(f"{last} > 1000")  # one picture serves both, the wider of them well
    panel.send_fit(plain((40, 160, 60), (667, 1000)), FRAME, 2)
    panel.wait_data("generation", "2")
    other.locator(".wt-viewer[data-generation='2']").wait_for()
    stage = other.locator(".wt-stage").bounding_box()
    assert stage["width"] > 1200
    assert stage["height"] > 650  # the room that the buttons leave
    painted = canvas_pixels(other, round(stage["width"] / 2), round(stage["height"] / 2), 1, 1)[0, 0, :3]
    assert near(painted.astype(int), (40, 160, 60))
    assert grave_findings(other, ".wt") == []
    panel.screenshot(f"own-window-{'light' if light else 'dark'}", other)

    fitted = panel.data("zoom")
    other.locator(".wt-stage").focus()
    other.keyboard.press("1")
    other.wait_for_function("document.querySelector('.wt-viewer').dataset.zoom === '1'")
    assert panel.data("zoom") == fitted  # each looks where it likes

    other.close()
    panel.page.get_by_role("button", name="Own window", pressed=False).wait_for()
    panel.page.wait_for_function(f"{last} === {asked}")
    with panel.page.context.expect_page() as opening:
        own.click()
    with opening.value.expect_event("close"):
        panel.page.evaluate("gone()")  # the notebook puts the bench away


def test_a_browser_that_opens_no_window_is_told_of(viewer):
    panel = viewer()
    panel.page.evaluate("() => { window.real_open = window.open; window.open = () => null }")
    panel.page.get_by_role("button", name="Own window").click()
    panel.page.get_by_text("allow pop-up windows for this page").wait_for()
    panel.page.evaluate("() => { window.open = real_open }")

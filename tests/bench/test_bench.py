"""The bench without a browser: commands of page and cell, views, files, keeping, ending."""

import ctypes
import gc
import json
import sys
import threading
import time
import tracemalloc
import weakref
from contextlib import contextmanager

import numpy as np
import pytest

import workbench as wb
from workbench.bench import measuring as measuring_module
from workbench.bench.panels.toolbar.panel import Toolbar
from workbench.bench.views import encoded
from workbench.cli import main
from workbench.errors import WorkbenchError
from workbench.operations.base import REGISTRY

STEPS = ["level_sky", "stretch", "saturate"]


@pytest.fixture
def stack_file(color_stack, tmp_path):
    path = tmp_path / "night.tif"
    color_stack.save(path)
    return path


@pytest.fixture
def bench(open_bench, stack_file):
    made = open_bench(stack_file, wb.Recipe([REGISTRY[s]() for s in STEPS]))
    assert made.wait()
    return made


class Page:
    """Asks as a page does, and waits for the reply."""

    def __init__(self, bench, sent):
        self.bench, self.sent, self.next = bench, sent, 0

    def ask(self, panel, name, buffers=(), /, **wanted):
        self.next += 1
        self.bench.screen.panels[panel]._handle_custom_msg({"id": self.next, "do": name, "with": wanted}, buffers)
        until = time.monotonic() + 60
        while time.monotonic() < until:
            for _, message, _ in list(self.sent):
                if message.get("reply") == self.next:
                    return message
            time.sleep(0.005)
        raise AssertionError(f"no reply to {name}")

    def do(self, panel, name, /, **wanted):
        reply = self.ask(panel, name, **wanted)
        assert reply["error"] is None, reply["error"]
        return reply["value"]


@pytest.fixture
def page(bench, sent):
    return Page(bench, sent)


class _Heap(ctypes.Structure):
    """What glibc tells of its heap (malloc.h, struct mallinfo2)."""

    _fields_ = tuple(
        (name, ctypes.c_size_t)
        for name in ["arena", "ordblks", "smblks", "hblks", "mapped", "usmblks", "fsmblks", "used", "free", "keepcost"]
    )


@contextmanager
def allocated():
    """How many bytes are allocated, as a function to ask. Tracing takes four times as long as the edits themselves."""
    libc = ctypes.CDLL(None) if sys.platform == "linux" else None
    if hasattr(libc, "mallinfo2"):
        libc.mallinfo2.restype = _Heap

        def held():
            gc.collect()
            heap = libc.mallinfo2()
            # Python's small objects, of some 80 bytes, lie in a pool of its own.
            return heap.mapped + heap.used + 80 * sys.getallocatedblocks()

        yield held
        return

    def traced():
        gc.collect()
        return tracemalloc.get_traced_memory()[0]  # numpy tells it of every array

    tracemalloc.start()
    try:
        yield traced
    finally:
        tracemalloc.stop()


def frames(sent, side="now"):
    return [m for _, m, _ in sent if m.get("kind") == "fit" and m["side"] == side]


# -- commands ----------------------------------------------------------------------------------------------------------

REGION = {"shape": "rectangle", "x0": 5, "y0": 6, "x1": 40, "y1": 50}
TOOLBAR = Toolbar.module
COMMANDS = [
    ("steps", "add", {"operation": "limit_green"}),
    ("steps", "move", {"index": 1, "to": 0}),
    ("steps", "note", {"index": 0, "text": "because"}),
    ("steps", "switch", {"index": 3, "on": False}),
    ("steps", "duplicate", {"index": 0}),
    ("steps", "remove", {"index": 1}),
    ("settings", "set", {"index": 2, "live": True, "sky": 0.3}),
    ("settings", "set", {"index": 2, "live": False, "sky": 0.2}),
    ("settings", "reset", {"index": 2, "names": ["black"]}),
    ("settings", "limit", {"index": 0, "where": {"kind": "stars"}}),
    ("steps", "rename", {"title": "a title"}),
    ("viewer", "draw", {"what": "crop.margins", "value": {"top": 3, "right": 4, "bottom": 5, "left": 6}}),
    ("viewer", "draw", {"what": "remove_gradient.exclude", "value": REGION}),
    ("viewer", "draw", {"what": "remove_gradient.samples", "value": {"x": 30, "y": 20}}),
    ("viewer", "redraw", {"what": "remove_gradient.samples", "number": 0, "value": {"x": 30, "y": 25}}),
    ("viewer", "draw", {"what": "remove_gradient.samples", "value": {"x": 50, "y": 20}}),
    ("viewer", "erase", {"what": "remove_gradient.samples", "number": 1}),
    ("viewer", "draw", {"what": "calibrate_color.region", "value": {"y0": 5, "x0": 6, "y1": 30, "x1": 40}}),
    ("steps", "undo", {}),
    ("steps", "redo", {}),
    ("steps", "keep_variant", {"name": "one"}),
    ("settings", "set", {"index": 0, "top": 9}),
    ("steps", "use_variant", {"name": "one"}),
]


def test_the_page_and_a_cell_reach_the_same_recipe_by_the_same_commands(open_bench, stack_file, sent):
    start = wb.Recipe([REGISTRY[s]() for s in STEPS])
    by_page, by_cell = (open_bench(stack_file, start, autosave=False) for _ in range(2))
    page = Page(by_page, sent)
    for panel, name, wanted in COMMANDS:
        page.do(panel, name, **wanted)
        getattr(by_cell, name)(**wanted)
        assert by_page.recipe == by_cell.recipe, name
    assert by_page.log == by_cell.log
    assert len(by_page.recipe) == 7


def test_the_log_reads_back_as_python_that_makes_the_same_recipe(bench, page):
    for panel, name, wanted in COMMANDS:
        page.do(panel, name, **wanted)
    bench.add(wb.Crop(top=4), 0)
    bench.limit(2, wb.RegionMask(regions=[{"shape": "rectangle", "x0": 0, "y0": 0, "x1": 9, "y1": 9}]))
    bench.recipe = wb.Recipe([*bench.recipe.steps, wb.Saturate(amount=1.1)], "other")
    told = page.do("code", "history")
    assert "live" not in told
    names = {}
    exec(told, names)  # what the bench wrote itself
    again = names["bench"]
    assert again.recipe == bench.recipe
    again.close()


def test_every_command_has_a_button_or_a_place_on_a_panel():
    from workbench.bench.commands.dispatch import lane_of
    from workbench.bench.panels import PANELS

    code = "".join(panel._esm for panel in PANELS)
    bench = wb.Bench()
    asked = {n for n in dir(type(bench)) if lane_of(bench, n)}
    bench.close()
    assert {n for n in asked if f'"{n}"' not in code} == set()


def test_what_cannot_be_done_is_told_in_a_sentence_and_changes_nothing(bench, page, tmp_path):
    before = bench.recipe
    refused = [
        ("steps", "move", {"index": 1, "to": 2}, "works on a display image"),
        ("steps", "remove", {"index": 9}, "no step 9"),
        ("steps", "add", {"operation": "magic"}, "no operation 'magic'"),
        ("settings", "set", {"index": 1, "sky": 7}, "sky"),
        ("settings", "set", {"index": 1, "colour": 1}, "colour"),
        ("settings", "limit", {"index": 1, "where": {"kind": "stars"}}, "changes the tone"),
        ("steps", "use_variant", {"name": "none"}, "no variant"),
        ("viewer", "tool", {"name": "hammer"}, "no tool"),
        ("viewer", "loupe", {"y0": "x"}, "missing a required argument"),
        ("steps", "perform", {"name": "x"}, "does not know"),
        ("steps", "__init__", {}, "does not know"),
        ("open", "open", {"path": str(tmp_path / "gone.tif")}, "gone.tif"),
        ("open", "open_recipe", {"path": str(tmp_path / "gone.recipe.json")}, "gone.recipe.json"),
        ("export", "save_picture", {"path": str(tmp_path / "night.tif"), "overwrite": True}, "the stack itself"),
        ("checkup", "add_advised", {"number": 99}, "no advice 99"),
    ]
    for panel, name, wanted, words in refused:
        reply = page.ask(panel, name, **wanted)
        assert reply["error"] is not None, name
        assert words in reply["error"], reply["error"]
        assert "Traceback" not in reply["error"]
        assert "inside" not in reply["error"]
    assert bench.recipe == before


def test_an_empty_bench_asks_for_a_stack_and_opens_one(open_bench, stack_file, sent):
    bench = open_bench()
    page = Page(bench, sent)
    assert "open a stack first" in page.ask("toolbar", "suggest")["error"]
    page.do("open", "open", path=str(stack_file))
    page.do("steps", "add", operation="stretch")
    assert bench.wait()
    assert bench.screen.panels["toolbar"].state["stack"]["name"] == "night.tif"
    assert frames(sent)[-1]["frame"] == [217, 331, 3]


def test_the_selection_follows_its_step(bench):
    bench.select(2)
    bench.move(0, 0)
    bench.select(2)
    bench.add("crop", 0)
    bench.select(3)
    bench.remove(0)
    assert bench.recipe[bench.selected].operation.id == "saturate"
    bench.undo()
    assert bench.recipe[bench.selected].operation.id == "saturate"
    bench.remove(bench.selected)
    assert bench.selected == 2


# -- views -------------------------------------------------------------------------------------------------------------


def test_a_moving_slider_shows_drafts_and_its_release_the_exact_frame(bench, page, sent):
    bench.select(1)
    bench.wait()
    sent.clear()
    for sky in (0.15, 0.2, 0.25):
        page.do("settings", "set", index=1, live=True, sky=sky)
        assert bench.views.feed.wait_drafts(30)
    drafts = frames(sent)
    assert [f["draft"] for f in drafts] == [True] * 3
    assert bench.screen.panels["settings"].state["drafted"]
    page.do("settings", "set", index=1, live=False, sky=0.25)
    assert bench.wait()
    last = frames(sent)[-1]
    assert not last["draft"]
    assert not bench.screen.panels["settings"].state["drafted"]
    generations = [f["generation"] for f in frames(sent)]
    assert generations == sorted(generations)
    preview = wb.Preview(bench.stack, bench.recipe)
    jpeg = next(b for _, m, b in reversed(sent) if m is last)[0]
    assert jpeg == encoded(preview.fit(bench.views.feed.width), draft=False)
    bench.undo()
    assert bench.recipe[1].operation.sky == REGISTRY["stretch"]().sky


def test_the_range_around_the_sky_stays_under_the_hand_and_follows_when_it_is_let_go(bench, page):
    def near():
        assert bench.wait()
        return {end: bench.screen.panels["histogram"].state["near"][end] for end in ("low", "top")}

    first = near()
    page.do("histogram", "set", index=1, live=True, black=90)
    assert near() == first
    page.do("histogram", "set", index=1, live=False, black=90)
    assert near()["low"] < first["low"]


def test_a_draft_that_cannot_be_made_alarms_nobody_and_the_exact_frame_follows(bench, sent, monkeypatch):
    view, pictures = wb.Preview.view, [card["thumb"] for card in bench.screen.panels["steps"].state["cards"]]

    def only_the_full_frame_has_enough_stars(preview, *args, draft, **kwargs):
        if draft:
            raise WorkbenchError("too few stars").at_step(0, "level_sky")
        return view(preview, *args, draft=draft, **kwargs)

    monkeypatch.setattr(wb.Preview, "view", only_the_full_frame_has_enough_stars)
    says = []
    bench.screen.panels["viewer"].observe(lambda change: says.append(change["new"]["message"]), "state")
    sent.clear()
    bench.set(1, sky=0.3)
    assert bench.wait()
    assert [f["draft"] for f in frames(sent)] == [False]
    assert set(says) == {""}
    assert all(card["problem"] is None for card in bench.screen.panels["steps"].state["cards"])
    assert len(pictures) == 3
    assert [card["thumb"] for card in bench.screen.panels["steps"].state["cards"]] == pictures


def test_settings_that_no_measurement_looks_at_are_exact_at_once(bench, page, sent):
    sent.clear()
    page.do("settings", "set", index=2, live=True, amount=1.9)
    assert bench.views.feed.wait_drafts(30)
    assert [f["draft"] for f in frames(sent)] == [False]


def test_the_loupe_shows_the_very_pixels_of_the_picture(bench, page, sent):
    place = page.do("viewer", "loupe", y0=40, x0=50, height=60, width=80)
    message, buffers = next((m, b) for _, m, b in sent if m.get("kind") == "loupe")
    assert place == {"y0": 40, "x0": 50, "height": 60, "width": 80}
    shown = np.frombuffer(buffers[0], np.uint8).reshape(60, 80, 3)
    whole = bench.recipe.run(bench.stack).image.pixels[40:100, 50:130]
    expected = np.floor(np.clip(whole, 0, 1) * 255 + 0.5)
    assert np.abs(shown - expected).max() <= 1
    assert message["side"] == "now"


def test_close_up_a_moving_slider_shows_a_draft_and_exact_pixels_once_let_go(open_bench, stack_file, sent, monkeypatch):
    bench = open_bench(stack_file, wb.Recipe([wb.Denoise(), wb.Stretch(), wb.Saturate()]))
    page = Page(bench, sent)
    assert bench.wait()
    place = {"y0": 40, "x0": 50, "height": 60, "width": 80}
    for live in (True, False):
        page.do("settings", "set", index=0, live=live, strength=1.1)
        assert bench.wait()
        assert page.do("viewer", "loupe", draft=True, **place) == place
    assert [m["draft"] for _, m, _ in sent if m.get("kind") == "loupe"] == [True, False]
    monkeypatch.setattr(wb.Preview, "draft_loupe", lambda *_, **__: None)  # facts of a small frame only
    assert page.do("viewer", "loupe", draft=True, **place) is None


def test_two_steps_and_variants_are_compared_side_by_side(bench, page, sent):
    page.do("steps", "keep_variant", name="pale")
    page.do("settings", "set", index=2, amount=3.0)
    page.do("viewer", "compare", variant="pale")
    assert bench.wait()
    assert frames(sent, "before")
    wanted = {"kind": "variant", "step": None, "name": "pale", "upto": None}
    assert bench.screen.panels["steps"].state["compare"] == wanted
    sent.clear()
    page.do("steps", "compare", step=1)
    assert bench.wait()
    assert frames(sent, "before")[-1]["linear"]
    sent.clear()
    page.do("viewer", "compare")
    assert bench.wait()
    assert not frames(sent, "before")
    page.do("steps", "drop_variant", name="pale")
    assert bench.screen.panels["steps"].state["variants"] == []


def test_variants_get_small_pictures_and_what_was_done_is_listed(bench, page):
    state = bench.screen.panels["steps"]
    page.do("steps", "keep_variant", name="pale")
    page.do("settings", "set", index=2, amount=3.0)
    page.do("steps", "keep_variant", name="vivid")
    assert bench.wait()
    pictures = state.state["variant_pictures"]
    assert set(pictures) == {"pale", "vivid"}
    assert pictures["pale"] != pictures["vivid"]
    assert state.state["used"] == ["vivid"]
    assert state.state["history"] == ["The beginning", "Saturate: amount 1.4 → 3"]
    page.do("steps", "go_to", place=0)
    assert bench.wait()
    assert (state.state["used"], state.state["here"]) == (["pale"], 0)
    assert bench.recipe[2].operation == REGISTRY["saturate"]()
    assert state.state["variant_pictures"] == pictures
    assert bench.log[-1] == "bench.go_to(place=0)"
    page.do("steps", "drop_variant", name="pale")
    assert set(state.state["variant_pictures"]) == {"vivid"}


def test_both_sides_tell_where_they_lie_on_the_stack_and_show_things_equally_large(open_bench, stack_file, sent):
    bench = open_bench(stack_file, wb.Recipe([wb.Crop(top=7, right=10, bottom=3, left=21), wb.Turn(), wb.Stretch()]))
    page = Page(bench, sent)
    bench.views.feed.width = 150
    page.do("viewer", "compare", step=0)
    assert bench.wait()
    now, before = frames(sent)[-1], frames(sent, "before")[-1]
    assert [now["draft"], before["draft"]] == [False, False]
    assert before["place"] == [1, 0, 0, 1, 0, 0]
    # The clockwise turn has the first row, where the cut begins, at the right.
    assert now["frame"][:2] == [300, 207]
    assert now["place"] == pytest.approx([0, -1, 1, 0, 21, 7 + 207])
    for side in (now, before):
        scale = [np.hypot(*side["image_place"][i : i + 2]) for i in (0, 2)]
        assert scale == pytest.approx([207 / 150] * 2, rel=0.01)


def test_a_wide_frame_on_the_other_side_has_its_view_limited(open_bench, stack_file, sent):
    bench = open_bench(stack_file, wb.Recipe([wb.Crop(top=90, right=150, bottom=97, left=160), wb.Stretch()]))
    page = Page(bench, sent)
    page.do("viewer", "compare", step=0)
    assert bench.wait()
    sent.clear()
    bench.views.feed.width = 20
    bench.views.feed.resize(20)
    assert bench.wait()
    sizes = [np.prod(frames(sent, side)[-1]["size"]) for side in ("now", "before")]
    assert sizes[1] == pytest.approx(4 * sizes[0], rel=0.1)


def test_blocks_of_pixels_that_the_screen_shows_as_one_are_sent_as_their_means(bench, page, sent):
    wanted = {"y0": 40, "x0": 50, "height": 60, "width": 81}
    page.do("viewer", "loupe", **wanted)
    assert page.do("viewer", "loupe", block=2, **wanted) == {"y0": 40, "x0": 50, "height": 60, "width": 80}
    (one, pixels), (two, means) = [(m, b) for _, m, b in sent if m.get("kind") == "loupe"]
    assert (one["size"], two["size"], two["block"]) == ([60, 81], [30, 40], 2)
    pixels = np.frombuffer(pixels[0], np.uint8).reshape(60, 81, 3)[:, :80].reshape(30, 2, 40, 2, 3)
    means = np.frombuffer(means[0], np.uint8).reshape(30, 40, 3)
    assert np.abs(means - pixels.mean(axis=(1, 3))).max() <= 0.75


def test_the_other_side_is_read_in_its_own_pixels(open_bench, stack_file, sent):
    bench = open_bench(stack_file, wb.Recipe([wb.Stretch(), wb.Turn(quarter_turns=1)]))
    page = Page(bench, sent)
    page.do("viewer", "overlay", name="stars", on=True)
    page.do("viewer", "compare", step=0)
    height, _, _ = bench.stack.shape
    brightest = int(np.argmax(bench.screen.panels["viewer"].find_stars().flux))
    x, y = (round(float(getattr(bench.screen.panels["viewer"].find_stars(), axis)[brightest])) for axis in "xy")
    before = page.do("viewer", "probe", y=y, x=x, before=True)
    now = page.do("viewer", "probe", y=x, x=height - 1 - y)
    assert before["linear"] == pytest.approx(bench.stack.pixels[y, x].tolist())
    assert before["display"] is None
    assert now["display"] is not None
    assert before["star"] == pytest.approx(now["star"])


def test_linear_values_are_those_of_the_same_pixel_before_the_stretch(open_bench, stack_file, sent):
    steps = [wb.Stretch(), wb.Turn(quarter_turns=2), wb.Crop(top=5, right=0, bottom=0, left=9)]
    bench = open_bench(stack_file, wb.Recipe(steps))
    page = Page(bench, sent)
    height, width, _ = bench.stack.shape
    value = page.do("viewer", "probe", y=40, x=70)
    wanted = bench.stack.pixels[height - 1 - (40 + 5), width - 1 - (70 + 9)]
    assert value["linear"] == pytest.approx(wanted.tolist())
    bench.recipe = wb.Recipe([wb.Stretch(), wb.Resample(bin=2)])
    assert page.do("viewer", "probe", y=40, x=70)["linear"] is None


def test_steps_get_thumbnails_times_and_what_was_found(bench):
    cards = bench.screen.panels["steps"].state["cards"]
    assert all(c["thumb"].startswith("data:image/jpeg;base64,") for c in cards)
    assert cards[-1]["thumb"] != cards[-2]["thumb"]
    assert all(c["found"] for c in cards)
    assert all(c["seconds"][0] is not None for c in cards)


def test_a_step_that_fails_says_so_in_its_place(bench, page):
    page.do("steps", "add", operation="remove_gradient")
    page.do(
        "settings",
        "set",
        index=bench.selected,
        exclude=[{"shape": "rectangle", "x0": -5, "y0": -5, "x1": 999, "y1": 999}],
    )
    assert bench.wait()
    card = bench.screen.panels["steps"].state["cards"][bench.selected]
    assert "no place to sample the sky" in card["problem"]
    page.do("steps", "undo")
    assert bench.wait()
    assert [c["problem"] for c in bench.screen.panels["steps"].state["cards"]] == [None] * 4


def test_a_refused_move_says_so_at_the_step_until_the_next_change(bench, page):
    def problems():
        return [card["problem"] for card in bench.screen.panels["steps"].state["cards"]]

    reply = page.ask("steps", "move", index=2, to=0)
    assert "works on a display image" in reply["error"]
    assert problems()[:2] == [None, None]
    assert problems()[2].startswith("not moved to place 1: step 1 (saturate) works on a display image")
    assert bench.log[-1] != "bench.move(2, 0)"
    bench.note(0, "as it was")
    assert problems() == [None] * 3


def test_frozen_measurements_stay_until_measured_again(bench, page):
    before = bench.facts[1]
    page.do("settings", "freeze", index=1)
    page.do("settings", "set", index=1, sky=0.4)
    assert bench.facts[1] == before
    assert bench.screen.panels["steps"].state["cards"][1]["frozen"]
    page.do("settings", "measure_again", index=1)
    assert bench.facts[1] != before
    page.do("steps", "undo")
    assert bench.facts[1] == before


def test_overlays_and_the_probe_tell_what_was_measured(bench, page):
    page.do("viewer", "overlay", name="stars", on=True)
    stars = bench.screen.panels["viewer"].state["overlay_data"]["stars"]
    assert any(abs(y - 180) < 1 and abs(x - 300) < 1 for y, x, *_ in stars)
    value = page.do("viewer", "probe", y=180, x=300)
    assert value["star"]["distance"] < 1
    assert len(value["linear"]) == len(value["display"]) == 3
    assert value["display"] == pytest.approx(bench.recipe.run(bench.stack).image.pixels[180, 300].tolist())


def test_while_a_tool_draws_the_frame_before_its_step_is_shown(bench, page, sent):
    page.do("viewer", "draw", what="crop.margins", value={"top": 10, "left": 20})
    bench.wait()
    assert frames(sent)[-1]["frame"][:2] == [207, 311]
    page.do("viewer", "tool", name="crop.margins")
    bench.wait()
    assert frames(sent)[-1]["frame"][:2] == [217, 331]
    assert bench.screen.panels["viewer"].state["frame_of"] == 0


# -- advice and suggestion ---------------------------------------------------------------------------------------------


def test_a_recipe_is_suggested_and_advice_adds_its_steps(bench, page):
    page.do("toolbar", "suggest")
    assert bench.recipe.steps == wb.suggest(bench.stack).steps
    page.do("checkup", "check")
    advice = bench.screen.panels["checkup"].state["advice"]
    assert bench.screen.panels["checkup"].state["measured"]
    number = next(i for i, a in enumerate(advice) if a["step"])
    bench.recipe = wb.Recipe()
    place = page.do("checkup", "add_advised", number=number)
    assert bench.recipe[place].operation.id == advice[number]["step"]["do"]
    assert bench.recipe[place].note == advice[number]["says"]


def test_advice_knows_the_step_that_does_it_already(bench, page):
    def placed():
        return bench.screen.panels["checkup"].state["placed"]

    assert placed() == {step: place for place, step in enumerate(STEPS)}
    bench.duplicate(0)
    assert placed()["level_sky"] == 0
    bench.switch(0, on=False)
    assert placed()["level_sky"] == 1


@pytest.mark.parametrize("errand", ["suggest", "check"])
def test_who_stops_measuring_is_let_go_at_once_and_the_recipe_is_as_it_was(bench, page, monkeypatch, errand):
    measuring, go_on, times = threading.Event(), threading.Event(), []
    check = measuring_module.check

    def waiting(stack):
        times.append(stack)
        measuring.set()
        assert go_on.wait(30)
        return check(stack)

    monkeypatch.setattr(measuring_module, "check", waiting)
    replies, before = [], bench.recipe
    asked = threading.Thread(target=lambda: replies.append(page.ask("toolbar", errand)))
    asked.start()
    assert measuring.wait(30)
    bench.stop()
    asked.join(30)
    assert "stopped" in replies[0]["error"]
    assert bench.recipe == before
    assert bench.screen.panels["checkup"].state["measured"] == []
    go_on.set()
    page.do("toolbar", errand)  # the next one is not stopped, and finds what was measured
    assert len(times) == 1


def test_a_stack_that_cannot_be_measured_is_told_each_time(bench, page, monkeypatch):
    def refuse(stack):
        tries.append(stack)
        raise WorkbenchError("no light in it: look at the file")

    tries = []
    monkeypatch.setattr(measuring_module, "check", refuse)
    for count in (1, 2):
        assert "no light in it" in page.ask("checkup", "check")["error"]
        assert len(tries) == count


# -- files -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg", ".fits"])
def test_a_saved_picture_is_byte_for_byte_what_the_command_makes_of_the_saved_recipe(
    bench, page, stack_file, tmp_path, suffix
):
    bench.set(1, sky=0.17)
    bench.note(0, "why not")
    page.do("export", "save_picture", path=str(tmp_path / f"bench{suffix}"))
    page.do("export", "save_recipe", path=str(tmp_path / "r.recipe.json"))
    assert bench.wait()
    command = tmp_path / f"command{suffix}"
    assert main(["run", str(tmp_path / "r.recipe.json"), str(stack_file), "-o", str(command)]) == 0
    assert (tmp_path / f"bench{suffix}").read_bytes() == command.read_bytes()


def test_record_and_step_sheet_are_written_and_files_are_not_replaced_unasked(bench, page, tmp_path):
    page.do("export", "save_record", path=str(tmp_path / "a.record.json"))
    assert bench.wait()
    assert json.loads((tmp_path / "a.record.json").read_text())["recipe"] == bench.recipe.to_dict()
    page.do("export", "save_sheet", path=str(tmp_path / "a.html"))
    assert bench.wait()
    assert (tmp_path / "a.html").read_text().startswith("<!")
    bench.save_recipe(tmp_path / "a.recipe.json")
    for what, name in (("save_sheet", "a.html"), ("save_recipe", "a.recipe.json")):
        assert "or allow replacing it" in page.ask("export", what, path=str(tmp_path / name))["error"]
    page.do("export", "save_sheet", path=str(tmp_path / "a.html"), overwrite=True)
    assert bench.wait()
    written = [str(tmp_path / n) for n in ("a.record.json", "a.html", "a.recipe.json", "a.html")]
    assert bench.screen.panels["export"].state["saved"] == written


def test_the_step_sheet_is_a_notebook_where_its_name_says_so(bench, page, stack_file, tmp_path):
    page.do("export", "save_sheet", path=str(stack_file.with_name("a.ipynb")))
    assert bench.wait()
    cells = json.loads(stack_file.with_name("a.ipynb").read_text(encoding="utf-8"))["cells"]
    assert f"wb.read('{stack_file.name}')" in "".join("".join(c["source"]) for c in cells)
    with pytest.raises(wb.WorkbenchError, match=r"\.html, \.htm, \.ipynb"):
        bench.save_sheet(tmp_path / "a.docx")
    assert not (tmp_path / "a.docx").exists()


def test_a_cell_gets_its_file_at_once_and_hears_of_faults_as_exceptions(bench, tmp_path):
    bench.save_picture(tmp_path / "a.png")
    assert (tmp_path / "a.png").is_file()
    with pytest.raises(wb.WorkbenchError, match="suffix"):
        bench.save_picture(tmp_path / "a.docx")
    assert bench.screen.panels["toolbar"].state["message"]["kind"] == "error"
    with pytest.raises(wb.WorkbenchError, match="quality"):
        bench.save_picture(tmp_path / "b.jpg", quality=1000)
    assert not (tmp_path / "b.jpg").exists()


def test_a_file_that_cannot_be_written_is_refused_before_the_recipe_runs(bench, tmp_path, monkeypatch):
    def run(*_, **__):
        raise AssertionError("the recipe was run")

    monkeypatch.setattr(wb.Recipe, "run", run)
    for save in (bench.save_picture, bench.save_layers):
        with pytest.raises(wb.WorkbenchError, match="suffix of a known format"):
            save(tmp_path / "a.docx")
        with pytest.raises(wb.WorkbenchError, match=r"the folder .* does not exist"):
            save(tmp_path / "missing" / "a.png")
    with pytest.raises(wb.WorkbenchError, match="is a folder"):
        bench.save_record(tmp_path)
    with pytest.raises(wb.WorkbenchError, match="too long"):
        bench.save_sheet(tmp_path / f"{'a' * 300}.html")


def test_linear_light_is_refused_where_a_picture_is_wanted_before_the_recipe_runs(open_bench, tmp_path, monkeypatch):
    pixels = np.random.default_rng(1).normal(0.1, 0.01, (80, 120, 3)).astype(np.float32)
    wb.Stack(pixels).save(tmp_path / "stack.tif")
    bench = open_bench(tmp_path / "stack.tif", wb.Recipe([wb.LevelSky()]))
    bench.put_output("web", long_side=60)
    monkeypatch.setattr(wb.Recipe, "run", lambda *_, **__: pytest.fail("the recipe was run"))
    monkeypatch.setattr("workbench.bench.commands.save.checked_solution", lambda _: None)
    with pytest.raises(wb.WorkbenchError, match=r"a\.png would show linear light almost black: put a stretch"):
        bench.save_picture(tmp_path / "a.png")
    with pytest.raises(wb.WorkbenchError, match="a labelled copy is made of a finished picture"):
        bench.save_labelled(tmp_path / "a.labelled.png")
    with pytest.raises(wb.WorkbenchError, match="an output is made of a finished picture"):
        bench.save_outputs(tmp_path / "a.picture.tif")


def test_writing_can_be_stopped_and_leaves_nothing(bench, page, tmp_path, monkeypatch):
    begun, go_on = threading.Event(), threading.Event()
    slow = REGISTRY["saturate"]
    apply = slow.apply

    def waiting(self, tile, plan, out):
        begun.set()
        assert go_on.wait(30)
        apply(self, tile, plan, out)

    monkeypatch.setattr(slow, "apply", waiting)
    page.do("export", "save_picture", path=str(tmp_path / "a.tif"))
    assert begun.wait(30)
    assert "still being written" in page.ask("export", "save_record", path=str(tmp_path / "b.json"))["error"]
    page.do("toolbar", "stop")
    go_on.set()
    assert bench.wait()
    assert bench.screen.panels["toolbar"].state["message"]["text"] == "stopped; a.tif was not written"
    assert bench.screen.panels["toolbar"].state["progress"] is None
    assert not [f for f in tmp_path.iterdir() if f.name.startswith(("a.", ".a", "b."))]


def test_an_uploaded_stack_is_opened_and_a_picture_gives_its_recipe_back(bench, page, stack_file, tmp_path):
    data = stack_file.read_bytes()
    token = page.do("open", "upload_begin", name="other.tif", size=len(data), folder=str(tmp_path))
    for at in range(0, len(data), 300_000):
        reply = page.ask("open", "upload_piece", [memoryview(data[at : at + 300_000])], token=token, at=at)
        assert reply["error"] is None
    assert page.do("open", "upload_end", token=token) == str(tmp_path / "other.tif")
    assert (bench.path, len(bench.recipe)) == (tmp_path / "other.tif", 0)
    bench.recipe = wb.Recipe([wb.Stretch(sky=0.3)], "kept")
    bench.save_picture(tmp_path / "p.tif")
    bench.recipe = wb.Recipe()
    page.do("open", "open_recipe", path=str(tmp_path / "p.tif"))
    assert bench.recipe == wb.Recipe([wb.Stretch(sky=0.3)], "kept")
    page.do("open", "browse", path=str(tmp_path))
    assert "other.tif" in [e["name"] for e in bench.screen.panels["open"].state["folder"]["entries"]]


def test_the_session_as_python_makes_the_same_picture(bench, page, tmp_path):
    code = page.do("code", "session_code")
    exec(code, {})  # what the bench wrote itself
    made = wb.read(tmp_path / "night.picture.tif")
    expected = bench.recipe.run(bench.stack).image.pixels
    assert np.abs(made.pixels - expected).max() < 1.6e-5


# -- keeping and ending ------------------------------------------------------------------------------------------------


def test_a_bench_opened_again_goes_on_where_it_was(open_bench, stack_file):
    first = open_bench(stack_file)
    first.recipe = wb.Recipe([wb.LevelSky(), wb.Stretch()], "mine")
    first.keep_variant("early")
    first.freeze(0)
    first.set(1, sky=0.3)
    first.select(1)
    first.set(1, sky=0.31)
    recipe, facts = first.recipe, first.facts
    first.close()
    again = open_bench(stack_file)
    assert (again.recipe, again.selected, list(again.session.variants)) == (recipe, 1, ["early"])
    assert again.facts == facts
    again.undo()
    assert again.recipe[1].operation.sky == 0.3
    assert wb.Recipe.load(stack_file.parent / "night.tif.autosave.recipe.json") == recipe


def test_the_chosen_step_is_kept_even_where_nothing_else_changed_after_it(open_bench, stack_file):
    first = open_bench(stack_file, recipe := wb.Recipe([wb.LevelSky(), wb.LimitGreen()]))
    kept, until = stack_file.parent / "night.tif.bench.json", time.monotonic() + 30
    while not kept.exists() and time.monotonic() < until:
        time.sleep(0.01)
    first.select(1)
    first.close()
    again = open_bench(stack_file, recipe)
    assert again.selected == 1
    again.move(1, 0)
    again.close()
    assert open_bench(stack_file).selected == 0


def test_running_the_same_cell_again_keeps_the_work_and_another_recipe_can_be_undone(open_bench, stack_file):
    given = wb.Recipe([wb.Stretch()])
    first = open_bench(wb.read(stack_file), given)
    first.set(0, sky=0.33)
    work = first.recipe
    first.close()
    same = open_bench(wb.read(stack_file), given)
    assert same.recipe == work
    same.close()
    other = open_bench(stack_file, wb.Recipe([wb.LevelSky()]))
    assert [s.operation.id for s in other.recipe] == ["level_sky"]
    other.undo()
    assert other.recipe == work


def test_a_damaged_state_is_told_and_the_bench_opens_all_the_same(open_bench, stack_file):
    (stack_file.parent / "night.tif.bench.json").write_text(
        '{"kind": "bench state", "version": 1, "table": {"layout": 7}}'
    )
    bench = open_bench(stack_file)
    assert len(bench.recipe) == 0
    assert "damaged" in bench.screen.panels["toolbar"].state["message"]["text"]


def test_of_two_benches_on_one_stack_the_later_one_keeps_and_both_are_told(open_bench, stack_file):
    first = open_bench(stack_file, wb.Recipe([wb.Stretch()]))
    first.add("level_sky", 0)
    first.wait()
    until = time.monotonic() + 30
    kept = stack_file.parent / "night.tif.autosave.recipe.json"
    while not (kept.exists() and len(wb.Recipe.load(kept)) == 2) and time.monotonic() < until:
        time.sleep(0.02)
    second = open_bench(stack_file)
    assert len(second.recipe) == 2
    assert "another bench has this stack open" in second.screen.panels[TOOLBAR].state["message"]["text"]
    second.add("saturate")
    second.close()
    first.remove(0)
    first.close()
    assert [s.operation.id for s in wb.Recipe.load(kept)] == ["level_sky", "stretch", "saturate"]


def test_autosave_can_be_left_out(open_bench, stack_file):
    bench = open_bench(stack_file, autosave=False)
    bench.add("stretch")
    bench.close()
    assert [f.name for f in stack_file.parent.iterdir()] == ["night.tif"]


def test_closing_ends_the_threads_and_frees_the_stack(stack_file, sent):
    before = set(threading.enumerate())
    bench = wb.Bench(stack_file, wb.Recipe([wb.Stretch()]))
    Page(bench, sent).do("viewer", "loupe", y0=0, x0=0, height=50, width=50)
    bench.wait()
    stack = weakref.ref(bench.stack.pixels.base if bench.stack.pixels.base is not None else bench.stack.pixels)
    bench.close()
    until = time.monotonic() + 10
    while set(threading.enumerate()) - before and time.monotonic() < until:
        time.sleep(0.01)
    assert {t.name for t in set(threading.enumerate()) - before} == set()
    del bench
    sent.clear()
    gc.collect()
    assert stack() is None


def test_after_a_hundred_edits_no_more_memory_is_held_than_after_twenty(bench, sent):
    frame = bench.stack.pixels.nbytes
    bench.views.preview.cache.budget = 12 * frame  # so that it is full after twenty edits
    bench.views.feed.width = 200

    def edit(count):
        for i in range(count):
            bench.set(1, live=True, sky=0.1 + i / 2000)
            bench.set(1, sky=0.1 + i / 1000)
            assert bench.wait()
            sent.clear()

    edit(20)
    with allocated() as held:
        edit(20)
        before = held()
        edit(80)
        # What may grow is the list of things to undo, with what was found then; a view that stayed would be 300 kB.
        assert held() <= before + 80 * 30_000


def test_commands_from_several_threads_leave_a_whole_recipe(bench):
    def work(n):
        for i in range(20):
            bench.note(n, f"{n}:{i}")
            bench.set(1, sky=0.1 + i / 100)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(3)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert [s.note for s in bench.recipe] == ["0:19", "1:19", "2:19"]
    for _ in range(120):
        if bench.session.timeline.can_undo:
            bench.undo()
    assert bench.recipe[1].operation.sky == REGISTRY["stretch"]().sky


def test_a_notebook_can_show_the_bench(bench):
    data = bench._repr_mimebundle_()
    assert "application/vnd.jupyter.widget-view+json" in data
    assert repr(bench) == data["text/plain"] == "Bench(night.tif, 3 steps)"


def test_samples_placed_by_hand_are_drawn_and_counted_and_the_model_follows_with_the_tool_in_hand(bench, page):
    page.do("viewer", "draw", what="remove_gradient.samples", value={"x": 30, "y": 20})
    page.do("viewer", "tool", name="remove_gradient.samples")
    assert bench.wait()
    for count in (1, 2):
        if count == 2:
            page.do("viewer", "draw", what="remove_gradient.samples", value={"x": 80, "y": 90})
            assert bench.wait()
        shown = bench.screen.panels["viewer"].state["overlay_data"]["shown"]
        (samples,) = (each for each in shown if each["kind"] == "points")
        facts = bench.views.facts[bench.selected]
        assert len(samples["points"]) == facts.cells + count
        assert [20.0, 30.0, 1.0] in samples["points"]
        assert f"{facts.used} used (rings)" in samples["says"]
        assert f"{facts.used} of {facts.cells + count} sky samples" in bench.recipe[bench.selected].operation.explain(
            facts
        )

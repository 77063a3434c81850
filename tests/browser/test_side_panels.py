"""Recipe card, settings and toolbar in a real browser: by pointer, by keyboard alone, in both themes."""

import base64

import cv2
import numpy as np
import pytest
from axe_check import grave_findings

import workbench as wb
from workbench import Recipe, Step
from workbench.bench.commands import RecipeCommands
from workbench.bench.model import Session
from workbench.bench.panels.export.panel import output_fields
from workbench.bench.panels.settings.panel import Settings, settings_state
from workbench.bench.panels.steps.panel import Steps, addable_operations, history_lines, step_states
from workbench.bench.snapshot import Snapshot
from workbench.operations.base import REGISTRY

pytestmark = pytest.mark.browser

NOTHING_OPEN = {
    "stack": None,
    "opened": False,
    "stem": None,
    "folder": {"path": "/home/me", "parent": "/home", "entries": [], "left_out": 0},
}
NAMES = ["crop", "remove_gradient", "stretch", "saturate"]


def table(names=NAMES):
    return RecipeCommands(Session(Recipe([REGISTRY[n]() for n in names], "A night")))


def steps_state(worktable, selected=None, **more):
    session = worktable.session
    cards = step_states(session.now, {}, selected, {})
    state = {"title": session.now.title, "cards": cards, "selected": selected, "variants": ["pale"]}
    state |= {"can_undo": session.timeline.can_undo, "can_redo": session.timeline.can_redo, "opened": True}
    return state | {"operations": addable_operations(session), "compare": {"kind": "none"}} | more


def settings_of(operation, index=2, facts=None, **changes):
    card = Snapshot.of(Recipe([Step(operation, **changes)])).steps[0]
    # The same card each time, however its settings change.
    return settings_state(card, index, facts) | {"key": 1}


def small_picture(seed):
    pixels = np.random.default_rng(seed).integers(0, 90, (16, 24, 3), np.uint8)
    done, data = cv2.imencode(".png", cv2.resize(pixels, (240, 160), interpolation=cv2.INTER_CUBIC))
    assert done
    return f"data:image/png;base64,{base64.b64encode(data).decode()}"


@pytest.fixture
def open_steps(open_panel):
    def one(worktable=None, selected=1, **options):
        worktable = worktable or table()
        return open_panel(Steps, steps_state(worktable, selected), width=400, **options)

    return one


@pytest.fixture
def open_settings(open_panel):
    return lambda operation, **options: open_panel(Settings, settings_of(operation), width=400, **options)


def titles(page):
    return page.page.locator(".wt-step-title").all_text_contents()


def focused(page):
    script = "document.activeElement.getAttribute('aria-label') ?? document.activeElement.textContent"
    return page.page.evaluate(script)


# -- the recipe card ---------------------------------------------------------------------------------------------------


def test_cards_are_numbered_in_order_and_tell_what_they_hold(open_steps):
    page = open_steps()
    assert titles(page) == ["Crop", "Remove gradient", "Stretch", "Saturate"]
    assert page.page.locator(".wt-grip").all_text_contents() == ["1", "2", "3", "4"]
    assert page.page.get_by_text("4 steps").is_visible()
    assert page.page.locator("[aria-current=true]").count() == 1


def test_the_tools_of_the_chosen_step_ask_for_what_they_say(open_steps):
    page = open_steps()
    for words, name, wanted in [
        ("Move up", "move", {"index": 1, "to": 0}),
        ("Move down", "move", {"index": 1, "to": 2}),
        ("Compare", "compare", {"step": 1}),
        ("Copy", "duplicate", {"index": 1}),
        ("Remove", "remove", {"index": 1}),
    ]:
        page.page.get_by_role("button", name=words, exact=True).click()
        assert page.wait_sent(name)[-1] == wanted
    page.page.get_by_role("switch", name="step 3, Stretch is used").click()
    assert page.wait_sent("switch") == [{"index": 2, "on": False}]
    page.page.locator(".wt-step").nth(3).click(position={"x": 200, "y": 12})
    assert page.wait_sent("select") == [{"index": 3}]


def test_a_step_is_dragged_to_another_place_by_its_number(open_steps):
    page = open_steps()
    first, last = (page.page.locator(".wt-grip").nth(i).bounding_box() for i in (0, 3))
    x = first["x"] + 10
    page.page.mouse.move(x, first["y"] + 10)
    page.page.mouse.down()
    page.page.mouse.move(x, last["y"] + last["height"] + 30, steps=6)
    assert page.page.locator(".wt-drop-below").count() == 1
    page.page.mouse.up()
    assert page.wait_sent("move") == [{"index": 0, "to": 3}]
    assert page.page.locator(".wt-dragged").count() == 0


def test_a_step_is_moved_by_keys_and_keeps_the_focus(open_steps):
    worktable = table(["limit_green", "level_sky", "stretch"])
    page = open_steps(worktable)
    page.page.locator(".wt-grip").nth(0).focus()
    page.page.keyboard.press("ArrowDown")
    assert page.wait_sent("move") == [{"index": 0, "to": 1}]
    worktable.move(0, 1)
    page.put(**steps_state(worktable, 1))
    assert titles(page) == ["Level sky", "Limit green", "Stretch"]
    assert focused(page).startswith("Move step 2, Limit green")


def test_everything_on_the_card_is_reached_by_the_tab_key(open_steps):
    page = open_steps()
    seen = set()
    page.page.locator(".wt-title").focus()
    for _ in range(40):
        seen.add(focused(page))
        page.page.keyboard.press("Tab")
    for words in (
        "Title of the recipe",
        "1. Crop: show its settings",
        "step 2, Remove gradient is used",
        "+ Add a step",
        "Variants (1)",
    ):
        assert words in seen, seen
    page.page.get_by_role("button", name="Move up").focus()
    page.page.keyboard.press("ArrowRight")
    page.page.keyboard.press("ArrowRight")
    assert focused(page) == "Compare"


def test_focus_is_seen(open_steps):
    page = open_steps()
    page.page.locator(".wt-title").focus()
    page.page.keyboard.press("Tab")
    style = page.page.evaluate(
        "getComputedStyle(document.activeElement).outlineStyle + getComputedStyle(document.activeElement).outlineWidth"
    )
    assert style == "solid2px"


def test_undo_and_redo_by_keys_inside_the_card_are_not_the_notebooks(open_steps):
    page = open_steps()
    page.page.evaluate(
        """() => { window.heard = []; document.addEventListener("keydown", (e) => {
          if (!e.target.closest("[data-lm-suppress-shortcuts]")) heard.push(e.key) }, true) }"""
    )
    page.page.locator(".wt-grip").nth(0).focus()
    for keys in ("Control+z", "Control+Shift+Z", "Control+y"):
        page.page.keyboard.press(keys)
    assert len(page.wait_sent("redo", 2)) == 2
    assert len(page.sent("undo")) == 1
    assert page.page.evaluate("heard.filter((k) => 'zZy'.includes(k))") == []


def test_undo_in_a_text_field_is_the_fields_own(open_steps):
    page = open_steps()
    page.page.locator(".wt-title").fill("Another")
    page.page.keyboard.press("Control+z")
    assert page.sent("undo") == []
    assert page.page.locator(".wt-title").input_value() == "A night"


def test_a_note_is_written_on_the_card_and_escape_leaves_the_old_one(open_steps):
    page = open_steps()
    page.page.get_by_role("button", name="Note").click()
    page.page.keyboard.type("the street lamps")
    page.put(can_undo=True)  # news from the kernel must not take the text away
    page.page.keyboard.press("Enter")
    assert page.wait_sent("note") == [{"index": 1, "text": "the street lamps"}]
    page.page.get_by_role("button", name="Note").click()
    page.page.keyboard.type(" no")
    page.page.keyboard.press("Escape")
    assert len(page.sent("note")) == 1
    assert focused(page) == "Note"


def test_steps_are_added_from_a_list_by_purpose_that_says_why_some_do_not_fit(open_steps):
    page = open_steps(table(["crop"]), selected=None)
    page.answer("add", 1)
    page.page.get_by_role("button", name="Add a step").click()
    assert page.page.get_by_role("heading", name="Even sky").is_visible()
    assert page.page.get_by_role("button", name="Saturate").is_disabled()
    assert page.page.get_by_text("put a stretch before it").first.is_visible()
    page.page.get_by_role("button", name="Denoise").click()
    assert page.wait_sent("add") == [{"operation": "denoise"}]
    page.page.wait_for_selector(".wt-adding", state="hidden")
    page.page.get_by_role("button", name="Add a step").click()
    page.page.get_by_role("button", name="Denoise").focus()
    page.page.keyboard.press("Escape")
    assert focused(page) == "+ Add a step"


def test_variants_are_kept_used_compared_and_forgotten(open_steps):
    page = open_steps()
    page.page.locator(".wt-variants summary").click()
    page.page.get_by_label("Name of the variant").fill("darker")
    page.page.keyboard.press("Enter")
    assert page.wait_sent("keep_variant") == [{"name": "darker"}]
    for words, name, wanted in [
        ("compare with variant pale", "compare", {"variant": "pale"}),
        ("use variant pale", "use_variant", {"name": "pale"}),
        ("forget variant pale", "drop_variant", {"name": "pale"}),
    ]:
        page.page.get_by_role("button", name=words).click()
        assert page.wait_sent(name) == [wanted]
    page.put(compare={"kind": "variant", "name": "pale", "step": None})
    page.page.get_by_role("button", name="compare with variant pale").click()
    assert page.wait_sent("compare", 2)[-1] == {}


@pytest.mark.parametrize("light", [True, False])
def test_variants_stand_side_by_side_and_every_line_of_what_was_done_leads_there(open_panel, light):
    worktable = table()
    worktable.set(2, sky=0.2)
    worktable.switch(3)
    worktable.add("denoise")
    worktable.undo()
    state = steps_state(worktable, history=history_lines(worktable.session), here=worktable.session.timeline.here)
    names = ["darker sky", "as suggested", "strong color", "for print"]
    pictures = {name: small_picture(i) for i, name in enumerate(names)}
    state |= {"variants": names, "variant_pictures": pictures, "used": ["as suggested"]}
    page = open_panel(Steps, state, width=400, light=light)
    page.page.locator(".wt-variants summary").click()
    page.page.locator(".wt-done summary").click()
    boxes = page.page.locator(".wt-variants-list img").evaluate_all("all => all.map((i) => i.getBoundingClientRect())")
    assert boxes[0]["y"] == boxes[1]["y"]
    assert boxes[0]["width"] > 110
    assert page.page.get_by_role("button", name="use variant as suggested").is_disabled()
    page.page.locator(".wt-variants-list img").first.click()
    assert page.wait_sent("use_variant") == [{"name": "darker sky"}]
    lines = page.page.locator(".wt-history li")
    assert lines.all_inner_texts() == [
        "The beginning",
        "Stretch: sky 0.1 → 0.2",
        "Saturate switched off",
        "Denoise added",
    ]
    assert page.page.locator(".wt-history [aria-current]").inner_text() == "Saturate switched off"
    page.screenshot(f"variants-and-history-{'light' if light else 'dark'}")
    assert grave_findings(page.page, ".wt") == []
    lines.nth(3).get_by_role("button").click()
    page.page.locator(".wt-history button").nth(2).focus()
    page.page.keyboard.press("ArrowUp")
    page.page.keyboard.press("Enter")
    assert page.wait_sent("go_to", 2) == [{"place": 3}, {"place": 1}]


def test_what_cannot_be_done_is_told_on_the_card(open_steps):
    page = open_steps()
    page.answer("move", error="step 2 works on a linear image: move it before the stretch")
    page.page.get_by_role("button", name="Move down").click()
    page.page.get_by_role("alert").filter(has_text="works on a linear image").wait_for()


# -- settings ----------------------------------------------------------------------------------------------------------


def slider(page, name):
    return page.page.locator(f"[data-name={name}] input[type=range]")


def entry(page, name):
    return page.page.locator(f"[data-name={name}] .wt-entry").first


def drag(page, name, start, end, steps=8, hold=False):
    box = slider(page, name).bounding_box()

    def at(share):
        return box["x"] + 7 + (box["width"] - 14) * share

    y = box["y"] + box["height"] / 2
    page.page.mouse.move(at(start), y)
    page.page.mouse.down()
    for i in range(1, steps + 1):
        page.page.mouse.move(at(start + (end - start) * i / steps), y)
        page.rest()
    if not hold:
        page.page.mouse.up()


def test_a_slider_sends_while_it_moves_and_ends_with_the_final_value(open_settings):
    page = open_settings(REGISTRY["stretch"]())
    drag(page, "sky", 0.15, 0.7)
    page.page.wait_for_function("fake.sent.some((m) => m.do === 'set' && !m.with.live)")
    sent = page.sent("set")
    assert [s["live"] for s in sent] == [True] * (len(sent) - 1) + [False]
    assert len(sent) > 2
    assert all(s["index"] == 2 for s in sent)
    assert sent[-1]["sky"] == pytest.approx(0.01 + 0.59 * 0.7, abs=0.01)
    assert entry(page, "sky").input_value() == "0.1"  # the kernel has not told of a change here


def test_there_is_never_more_than_one_unanswered_move_and_the_last_value_wins(open_settings):
    page = open_settings(REGISTRY["stretch"]())
    page.page.evaluate("fake.silent.add('set')")
    drag(page, "sky", 0.15, 0.9, steps=10)
    page.rest()
    assert len(page.sent("set")) == 1
    page.page.evaluate(
        "() => { fake.silent.clear(); fake.message({ reply: fake.sent.find((m) => m.do === 'set').id, error: null }) }"
    )
    sent = page.wait_sent("set", 2)
    assert [s["live"] for s in sent] == [True, False]
    assert sent[-1]["sky"] == pytest.approx(0.01 + 0.59 * 0.9, abs=0.01)


def test_news_from_the_kernel_do_not_move_what_is_in_the_hand(open_settings):
    page = open_settings(REGISTRY["stretch"]())
    drag(page, "sky", 0.15, 0.6, hold=True)
    held = slider(page, "sky").input_value()
    page.put(**settings_of(REGISTRY["stretch"](sky=0.02, black=9.0)))
    assert slider(page, "sky").input_value() == held
    assert entry(page, "black").input_value() == "9"
    page.page.mouse.up()
    entry(page, "black").fill("12")
    page.put(**settings_of(REGISTRY["stretch"](black=30.0)))
    assert entry(page, "black").input_value() == "12"


def test_an_exact_number_is_typed_with_point_or_comma_and_escape_takes_it_back(open_settings):
    page = open_settings(REGISTRY["stretch"]())
    entry(page, "sky").fill("0,137")
    page.page.keyboard.press("Enter")
    assert page.wait_sent("set") == [{"index": 2, "live": False, "sky": 0.137}]
    entry(page, "sky").fill("7")
    page.page.keyboard.press("Escape")
    assert entry(page, "sky").input_value() == "0.1"
    entry(page, "sky").fill("dark")
    page.page.keyboard.press("Tab")
    assert entry(page, "sky").input_value() == "0.1"
    assert len(page.sent("set")) == 1


def test_a_value_out_of_range_is_told_and_the_old_one_comes_back(open_settings):
    page = open_settings(REGISTRY["stretch"]())
    page.answer("set", error="stretch: sky must be at most 0.6, not 7")
    entry(page, "sky").fill("7")
    page.page.keyboard.press("Enter")
    page.page.get_by_role("alert").filter(has_text="at most 0.6").wait_for()
    assert entry(page, "sky").input_value() == "0.1"


def test_a_slider_is_moved_by_keys_and_a_held_key_is_one_movement(open_settings):
    page = open_settings(REGISTRY["saturate"]())
    slider(page, "amount").focus()
    for _ in range(5):
        page.page.keyboard.down("ArrowRight")
        page.rest()
    page.page.keyboard.up("ArrowRight")
    page.page.wait_for_function("fake.sent.some((m) => m.do === 'set' && !m.with.live)")
    sent = page.sent("set")
    assert sum(not s["live"] for s in sent) == 1
    assert sent[-1]["amount"] == pytest.approx(1.4 + 5 * 0.02)


def test_a_logarithmic_slider_has_each_decade_the_same_length(open_settings):
    page = open_settings(REGISTRY["remove_gradient"]())
    drag(page, "stiffness", 0.5, 2 / 3)
    page.page.wait_for_function("fake.sent.some((m) => m.do === 'set' && !m.with.live)")
    assert page.sent("set")[-1]["stiffness"] == pytest.approx(10, rel=0.1)


def test_choices_switches_and_empty_values_are_set_by_keys_and_clicks(open_settings):
    page = open_settings(REGISTRY["remove_gradient"]())
    page.page.get_by_role("radio", name="Subtract").focus()
    page.page.keyboard.press("ArrowRight")
    assert page.wait_sent("set")[-1] == {"index": 2, "live": False, "mode": "divide"}
    page.page.locator("[data-name=keep_sky] input").click()
    assert page.wait_sent("set", 2)[-1] == {"index": 2, "live": False, "keep_sky": False}
    page.page.get_by_label("Spacing: automatic").click()
    assert page.wait_sent("set", 3)[-1] == {"index": 2, "live": False, "spacing": 64}
    page.put(**settings_of(REGISTRY["remove_gradient"](spacing=100)))
    page.page.get_by_label("Spacing: automatic").click()
    assert page.wait_sent("set", 4)[-1] == {"index": 2, "live": False, "spacing": None}


def test_a_choice_comes_with_what_it_needs_or_takes_up_the_tool_that_draws_it(open_settings):
    page = open_settings(REGISTRY["calibrate_color"]())
    page.page.get_by_role("radio", name="Region").click()
    assert page.wait_sent("tool") == [{"name": "calibrate_color.region"}]
    assert page.page.get_by_role("radio", name="Stars").is_checked()
    page.page.get_by_role("radio", name="Given").click()
    assert page.wait_sent("set") == [{"index": 2, "live": False, "reference": "given", "gains": [1, 1, 1]}]


def test_fields_that_were_changed_are_marked_and_put_back_one_by_one_or_all(open_settings):
    page = open_settings(REGISTRY["stretch"](sky=0.2))
    assert page.page.locator(".wt-field.wt-changed").count() == 1
    page.page.get_by_role("button", name="put Sky back to 0.1").click()
    assert page.wait_sent("reset") == [{"index": 2, "names": ["sky"]}]
    page.page.get_by_role("button", name="Reset all").click()
    assert page.wait_sent("reset", 2)[-1] == {"index": 2, "names": []}


def test_beginners_see_few_settings_and_experts_find_all(open_settings):
    page = open_settings(REGISTRY["denoise"]())
    assert slider(page, "amount").is_visible()
    assert not slider(page, "scales").is_visible()
    page.page.get_by_text("Finer settings").click()
    assert slider(page, "scales").is_visible()


def test_why_and_when_is_one_click_away(open_settings):
    page = open_settings(REGISTRY["stretch"]())
    words = page.page.get_by_text("Do it after everything that belongs in linear light")
    assert not words.is_visible()
    page.page.get_by_text("Why and when").click()
    assert words.is_visible()
    assert page.page.get_by_text("Lupton et al. 2004").is_visible()


def test_facts_are_shown_in_numbers_kept_and_measured_again(open_panel, color_stack):
    from workbench.operations.base import Frame

    operation = REGISTRY["level_sky"]()
    facts = operation.measure(Frame(color_stack.planes))
    page = open_panel(Settings, settings_of(operation, facts=facts), width=400)
    page.page.get_by_text("The numbers").click()
    assert page.page.locator("dt", has_text="Levels").is_visible()
    page.page.get_by_role("button", name="Keep these measurements").click()
    assert page.wait_sent("freeze") == [{"index": 2}]
    page.put(frozen=True)
    page.page.get_by_role("button", name="Measure again").click()
    assert page.wait_sent("measure_again") == [{"index": 2}]
    page.put(frozen=False, drafted=True, facts=[])
    assert page.page.get_by_text("Measuring…").is_visible()
    assert page.page.get_by_role("button", name="Keep these measurements").is_disabled()


def test_opacity_is_set_at_every_step_that_can_be_mixed(open_settings):
    page = open_settings(REGISTRY["denoise"]())
    slider(page, "opacity").focus()
    page.page.keyboard.press("ArrowLeft")
    assert page.wait_sent("fade")[-1]["opacity"] == pytest.approx(0.99)


def test_a_step_is_limited_by_masks_without_a_pointer(open_settings):
    page = open_settings(REGISTRY["denoise"]())
    page.page.get_by_text("Only a part of the frame").click()
    page.page.get_by_label("Limit this step by").select_option("brightness")
    assert page.wait_sent("add_mask") == [{"index": 2, "kind": "brightness"}]
    masks = [wb.BrightnessMask(), wb.RegionMask()]
    page.put(where=settings_of(REGISTRY["denoise"](), where=wb.UnionMask(masks=masks))["where"])
    assert grave_findings(page.page, ".wt") == []
    entry(page, "low").fill("12")
    page.page.keyboard.press("Enter")
    assert page.wait_sent("change_mask")[-1] == {"index": 2, "number": 0, "live": False, "low": 12}
    page.page.get_by_label("How the masks are joined").select_option("intersection")
    assert page.wait_sent("combine_masks") == [{"index": 2, "how": "intersection"}]
    page.page.get_by_label("Mask 2: Drawn regions").get_by_role("button", name="Draw").press("Enter")
    assert page.wait_sent("tool") == [{"name": "mask.regions"}]
    page.page.get_by_label("Mask 1: Brightness").get_by_role("button", name="Take away").press("Enter")
    assert page.wait_sent("remove_mask") == [{"index": 2, "number": 0}]


def test_a_moved_step_keeps_its_controls_and_asks_at_its_new_place(open_settings):
    page = open_settings(REGISTRY["stretch"]())
    page.put(index=5)
    assert page.page.get_by_role("heading", name="6 · Stretch").is_visible()
    entry(page, "sky").fill("0.2")
    page.page.keyboard.press("Enter")
    assert page.wait_sent("set")[0]["index"] == 5
    page.put(index=None)
    assert page.page.get_by_text("Choose a step of the recipe").is_visible()


@pytest.mark.parametrize("kind", list(REGISTRY.values()), ids=list(REGISTRY))
def test_every_operation_shows_its_settings_each_with_a_name_and_help(open_settings, kind):
    page = open_settings(kind())
    for summary in page.page.locator("summary:visible").all():
        summary.click()
    fields = page.page.locator(".wt-field")
    assert fields.count() == len(kind.model_fields) + Step(kind()).blends  # its opacity
    nameless = page.page.evaluate(
        """() => [...document.querySelectorAll("input, select, textarea, button")].filter((e) =>
          !e.getAttribute("aria-label") && !e.labels?.length && !e.textContent.trim()).map((e) => e.outerHTML)"""
    )
    assert nameless == []


# -- the toolbar -------------------------------------------------------------------------------------------------------


def test_without_a_stack_the_drawer_for_opening_is_out(open_toolbar):
    page = open_toolbar(
        stack=None,
        opened=False,
        stem=None,
        folder={"path": "/home/me", "parent": "/home", "entries": [], "left_out": 0},
    )
    assert page.page.get_by_label("Path of a stack").is_visible()
    assert page.page.get_by_role("button", name="Suggest a recipe").is_disabled()
    page.page.get_by_label("Path of a stack").fill("/home/me/n.tif")
    page.page.keyboard.press("Enter")
    assert page.wait_sent("open") == [{"path": "/home/me/n.tif"}]


def test_enter_in_the_path_field_opens_the_file_once(open_toolbar):
    page = open_toolbar(
        stack=None,
        opened=False,
        stem=None,
        folder={"path": "/home/me", "parent": "/home", "entries": [], "left_out": 0},
    )
    field = page.page.get_by_label("Path of a stack")
    field.fill(" /home/me/night.tif ")
    field.press("Enter")
    page.rest()
    assert page.sent("open") == [{"path": "/home/me/night.tif"}]


def test_folders_are_looked_through_and_stacks_and_recipes_opened(open_toolbar):
    entries = [
        {"name": "june", "folder": True, "recipe": False, "size": 0},
        {"name": "n.tif", "folder": False, "recipe": False, "size": 144_000_000},
        {"name": "n.recipe.json", "folder": False, "recipe": True, "size": 3000},
    ]
    page = open_toolbar(folder={"path": "/home/me", "parent": "/home", "entries": entries, "left_out": 3})
    page.page.get_by_role("button", name="Open…").click()
    assert page.page.get_by_text("144 MB").is_visible()
    assert page.page.get_by_text("and 3 more").is_visible()
    page.page.get_by_role("button", name="june/").click()
    assert page.wait_sent("browse")[-1] == {"path": "/home/me/june"}
    page.page.get_by_role("button", name="Folder above").click()
    assert page.wait_sent("browse", 2)[-1] == {"path": "/home"}
    page.page.get_by_role("button", name="n.recipe.json").click()
    assert page.wait_sent("open_recipe") == [{"path": "/home/me/n.recipe.json"}]
    page.page.get_by_role("button", name="n.tif").click()
    assert page.wait_sent("open") == [{"path": "/home/me/n.tif"}]


def test_an_upload_goes_in_pieces_of_which_one_is_under_way_at_a_time(open_toolbar, tmp_path):
    page = open_toolbar()
    file = tmp_path / "n.tif"
    size = 5_000_000
    file.write_bytes(b"\1" * size)
    page.answer("upload_begin", "token")
    page.page.evaluate(
        """() => { const send = fake.send; window.pieces = []
          fake.send = function (content, _, buffers) {
            if (content.do === "upload_piece") pieces.push([content.with.at, buffers[0].byteLength])
            return send.call(this, content) } }"""
    )
    page.page.get_by_role("button", name="Open…").click()
    page.page.locator("input[type=file]").set_input_files(str(file))
    assert page.wait_sent("upload_end") == [{"token": "token"}]
    assert page.sent("upload_begin")[0]["size"] == size
    pieces = page.page.evaluate("pieces")
    assert [at for at, _ in pieces] == [0, 2_097_152, 4_194_304]
    assert sum(n for _, n in pieces) == size
    assert max(n for _, n in pieces) <= 4 * 2**20


def test_the_picture_is_saved_under_a_name_whose_suffix_is_its_format(open_toolbar):
    page = open_toolbar()
    page.page.get_by_role("button", name="Export…").click()
    name = page.page.get_by_label("File of the picture")
    assert name.input_value() == "/home/me/night.picture.tif"
    page.page.get_by_label("Format of the picture").select_option(index=3)
    assert name.input_value() == "/home/me/night.picture.jpg"
    page.page.get_by_label("quality, 1 to 100").fill("80")
    page.page.get_by_label("replace a file that exists").check()
    page.page.get_by_role("button", name="Save the picture").click()
    assert page.wait_sent("save_picture") == [{"path": "/home/me/night.picture.jpg", "overwrite": True, "quality": 80}]
    name.fill("/home/me/x.fits")
    page.page.get_by_role("button", name="Save the picture").click()
    assert page.wait_sent("save_picture", 2)[-1] == {"path": "/home/me/x.fits", "overwrite": True, "float32": True}
    for words, what in (
        ("Save the recipe", "save_recipe"),
        ("Save the record", "save_record"),
        ("Write the sheet", "save_sheet"),
    ):
        page.page.get_by_role("button", name=words).click()
        assert page.wait_sent(what)[0]["overwrite"] is True


def test_outputs_are_listed_changed_added_and_written(open_toolbar):
    web = wb.Output(long_side=2048, max_kb=1000)
    outputs = [{"name": "web", "words": web.words(), "fields": output_fields(web)}]
    page = open_toolbar(outputs=outputs, presets=["web", "print"])
    page.page.get_by_role("button", name="Export…").click()
    page.page.get_by_text("web: JPEG, 2048 px, at most 1000 kB").click()
    page.page.get_by_label("web: Long side").fill("1600")
    page.page.get_by_label("web: Long side").press("Tab")
    page.page.get_by_label("web: Profile").select_option("display_p3")
    page.page.get_by_label("web: Acquired").check()
    page.page.get_by_label("web: Max kb").fill("")
    page.page.get_by_role("button", name="Add: print").click()
    told = page.wait_sent("put_output", 5)
    assert told == [
        {"name": "web", "long_side": 1600},
        {"name": "web", "profile": "display_p3"},
        {"name": "web", "acquired": True},
        {"name": "web", "max_kb": None},
        {"name": "print"},
    ]
    assert page.page.get_by_role("button", name="Add: web").count() == 0
    page.page.get_by_role("button", name="Remove this output").click()
    assert page.wait_sent("remove_output") == [{"name": "web"}]
    page.page.get_by_role("button", name="Save the outputs").click()
    assert page.wait_sent("save_outputs") == [{"path": "/home/me/night.picture.tif", "overwrite": False}]


def test_a_labelled_copy_is_offered_of_a_located_stack_only(open_toolbar):
    page = open_toolbar()
    page.page.get_by_role("button", name="Export…").click()
    assert page.page.get_by_role("button", name="Save the labelled copy").is_hidden()
    page.put(located=True)
    assert page.page.get_by_label("File of the labelled copy").input_value() == "/home/me/night.labelled.png"
    page.page.get_by_label("north and grid").uncheck()
    page.page.get_by_role("button", name="Save the labelled copy").click()
    told = {"path": "/home/me/night.labelled.png", "overwrite": False, "grid": False, "names": True}
    assert page.wait_sent("save_labelled") == [told]


def test_a_soft_proof_is_asked_for_told_and_ended(open_toolbar):
    page = open_toolbar()
    page.page.get_by_role("button", name="Export…").click()
    page.page.get_by_label("ICC profile of the printer").fill("/home/me/paper.icc")
    page.page.get_by_label("Rendering intent").select_option("perceptual")
    show = page.page.get_by_role("button", name="Show the soft proof")
    show.click()
    wanted = {"profile": "/home/me/paper.icc", "intent": "perceptual", "on": True}
    assert page.wait_sent("soft_proof") == [wanted]
    page.put(proof={"printer": "Matte paper", "lost": 0.034})
    assert page.page.get_by_text("Matte paper: 3.4 % of the picture is out of gamut").is_visible()
    assert show.get_attribute("aria-pressed") == "true"
    show.click()
    assert page.wait_sent("soft_proof", 2)[-1] == {**wanted, "on": False}
    page.put(proof=None)
    assert show.get_attribute("aria-pressed") == "false"


def test_progress_is_shown_and_stopped_and_the_file_is_told(open_toolbar):
    page = open_toolbar(progress={"share": 0.42, "doing": "denoise"})
    assert page.page.get_by_text("42 % · denoise").is_visible()
    page.page.get_by_role("button", name="Stop", exact=True).click()
    assert page.wait_sent("stop") == [{}]
    page.put(progress=None, saved=["/home/me/a.tif"], message={"kind": "info", "text": "written: /home/me/a.tif"})
    assert page.page.get_by_role("status").filter(has_text="written: /home/me/a.tif").is_visible()
    assert page.page.locator(".wt-export").get_attribute("data-saved") == "1"
    page.put(message={"kind": "error", "text": "there is no room on the disk"})
    assert page.page.get_by_role("alert").filter(has_text="no room").is_visible()
    page.page.get_by_role("button", name="put this message away").click()
    assert page.page.get_by_text("Put away").is_hidden()
    assert page.wait_sent("dismiss") == [{}]


def test_advice_comes_as_cards_that_add_the_step_they_recommend(open_toolbar):
    advice = [
        {
            "about": "Gradient",
            "severity": "warning",
            "says": "uneven",
            "do": "remove it",
            "step": {"do": "remove_gradient", "with": {}},
        },
        {"about": "Noise", "severity": "note", "says": "little", "do": "nothing", "step": None},
    ]
    page = open_toolbar()
    page.answer("add_advised", 0)
    page.page.get_by_role("button", name="Check-up").click()
    assert page.wait_sent("check") == [{}]
    page.put(advice=advice, measured=[["Stars", "1,500 found"]])
    assert page.page.get_by_text("Matters most").is_visible()
    assert page.page.locator("[data-severity=note] button").count() == 0
    page.page.get_by_role("button", name="Add this step: remove gradient").click()
    assert page.wait_sent("add_advised") == [{"number": 0}]
    page.page.get_by_role("status").filter(has_text="added as step 1").wait_for()
    page.put(placed={"remove_gradient": 3})
    assert page.page.get_by_role("button", name="Add this step").count() == 0
    page.page.get_by_role("button", name="Step 4 does this: show it").click()
    assert page.wait_sent("select") == [{"index": 3}]


def test_the_session_is_shown_as_python(open_toolbar):
    page = open_toolbar()
    page.answer("session_code", "import workbench as wb")
    page.answer("history", "bench.undo()")
    page.page.get_by_role("button", name="As Python").click()
    code = page.page.get_by_label("The session as Python")
    page.page.wait_for_function("document.querySelector('textarea').value.startsWith('import')")
    assert code.get_attribute("readonly") is not None
    page.page.get_by_role("button", name="Every command so far").click()
    page.page.wait_for_function("document.querySelector('textarea').value === 'bench.undo()'")
    page.page.get_by_role("button", name="Copy").click()
    page.page.get_by_role("status").filter(has_text="copied").wait_for()


_SUGGESTED = "fake.sent.findLast((message) => message.do === 'suggest').id"


def test_long_work_is_told_and_cannot_be_asked_for_twice(open_toolbar):
    page = open_toolbar()
    page.page.evaluate("fake.silent.add('suggest')")
    page.page.get_by_role("button", name="Suggest a recipe").click()
    assert page.page.get_by_role("button", name="Suggest a recipe").is_disabled()
    assert page.page.get_by_text("measuring the stack, then building a recipe…").is_visible()
    bar = page.page.get_by_role("progressbar", name="Progress")
    assert bar.get_attribute("value") is None  # it cannot say how far it is
    asked = page.page.evaluate(_SUGGESTED)
    page.page.get_by_role("button", name="Stop", exact=True).click()
    assert page.wait_sent("stop") == [{}]
    assert page.page.get_by_text("stopping…").is_visible()
    page.page.evaluate("(id) => fake.message({ reply: id, error: 'stopped' })", asked)
    page.page.get_by_role("status").filter(has_text="stopped: the recipe lies as it was").wait_for()
    assert bar.is_hidden()

    page.page.get_by_role("button", name="Suggest a recipe").click()
    asked = page.page.evaluate(_SUGGESTED)
    page.page.evaluate("(id) => fake.message({ reply: id, error: 'no stars were found: check the file' })", asked)
    page.page.get_by_role("alert").filter(has_text="no stars were found").wait_for()
    assert page.page.get_by_role("button", name="Suggest a recipe").is_enabled()


def test_a_drawer_closes_by_escape_and_gives_the_focus_back(open_toolbar):
    page = open_toolbar()
    page.page.get_by_role("button", name="As Python").click()
    page.page.get_by_role("button", name="Copy").focus()
    page.page.keyboard.press("Escape")
    assert page.page.locator(".wt-code").is_hidden()
    assert page.page.locator(".wt-bench").get_attribute("data-drawer") == ""
    assert focused(page) == "As Python"


def test_one_drawer_is_out_at_a_time_and_the_list_of_keys_is_called_by_its_key(open_toolbar):
    page = open_toolbar()
    assert page.page.locator(".wt-drawer:visible").count() == 0
    for words, panel in (("Export…", "export"), ("Open…", "open")):
        page.page.get_by_role("button", name=words).click()
        assert page.page.locator(".wt-drawer:visible").get_attribute("class").split()[1] == f"wt-{panel}"
        assert page.page.locator("button[aria-expanded=true]").all_text_contents() == [words]
    page.page.get_by_role("button", name="Open…").focus()
    page.page.keyboard.press("?")
    assert page.page.locator(".wt-drawer:visible").get_attribute("class").split()[1] == "wt-keys"
    page.page.keyboard.press("?")
    assert page.page.locator(".wt-drawer:visible").count() == 0


def test_while_something_long_goes_on_no_advice_can_be_added(open_toolbar):
    step = {"do": "remove_gradient", "with": {}}
    advice = [{"about": "Gradient", "severity": "warning", "says": "uneven", "do": "remove it", "step": step}]
    page = open_toolbar(advice=advice, measured=[["Stars", "1,500 found"]])
    page.page.get_by_role("button", name="Check-up").click()
    add = page.page.get_by_role("button", name="Add this step")
    page.page.evaluate("fake.silent.add('suggest')")
    page.page.get_by_role("button", name="Suggest a recipe").click()
    assert add.is_disabled()
    assert page.page.get_by_role("button", name="Check-up").is_disabled()
    page.page.evaluate("fake.message({ reply: fake.sent.at(-1).id, error: null, value: null })")
    page.page.get_by_role("status").filter(has_text="this is the suggested recipe").wait_for()
    assert add.is_enabled()


# -- all of them -------------------------------------------------------------------------------------------------------

LUMINANCE = """(color) => {
  const linear = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
  const [r, g, b] = color.match(/[\\d.]+/g).slice(0, 3).map((v) => linear(v / 255))
  return 0.2126 * r + 0.7152 * g + 0.0722 * b }"""


def contrasts(page):
    """Contrast of each visible text with the nearest ground that is painted (WCAG 2.2, relative luminance)."""
    page.rest()
    return page.page.evaluate(
        f"""() => {{
      const luminance = {LUMINANCE}
      const ground = (e) => {{
        for (; e; e = e.parentElement) {{
          const color = getComputedStyle(e).backgroundColor
          if (!/rgba\\(.*, 0\\)|transparent/.test(color)) return color
        }}
        return "rgb(255, 255, 255)"
      }}
      const found = []
      for (const e of document.querySelectorAll(".wt *")) {{
        const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())
        if (!own || !e.checkVisibility() || e.disabled || e.closest(":disabled, option, .wt-hidden, textarea")) continue
        const [a, b] = [luminance(getComputedStyle(e).color), luminance(ground(e))].sort((x, y) => y - x)
        found.push([(a + 0.05) / (b + 0.05), e.textContent.trim().slice(0, 40)])
      }}
      return found }}"""
    )


@pytest.mark.parametrize("light", [True, False], ids=["light", "dark"])
def test_words_stand_out_from_their_ground_in_both_themes(open_panel, open_toolbar, light):
    """At least 4.5 to 1: Web Content Accessibility Guidelines 2.2 (W3C 2023), criterion 1.4.3."""
    steps = open_panel(Steps, steps_state(table(), 1), width=400, light=light)
    steps.page.get_by_role("button", name="Add a step").click()
    settings = open_panel(Settings, settings_of(REGISTRY["stretch"](sky=0.2)), width=400, light=light)
    toolbar = open_toolbar(width=900, light=light, saved=["/a.tif"])
    toolbar.page.get_by_role("button", name="Export…").click()
    for page in (steps, settings, toolbar):
        page.page.mouse.move(1, 1)
        found = contrasts(page)
        assert len(found) > 5
        assert [(round(c, 2), words) for c, words in found if c < 4.5] == []


def test_a_panel_fits_a_narrow_window_and_leaves_nothing_behind_when_it_goes(open_panel, open_toolbar):
    for page in (
        open_panel(Steps, steps_state(table(), 1), width=310),
        open_panel(Settings, settings_of(REGISTRY["remove_gradient"]()), width=310),
        open_toolbar(width=720),
    ):
        assert page.page.evaluate(
            "document.querySelector('.wt').scrollWidth <= document.querySelector('.wt').clientWidth"
        )
        page.page.evaluate("gone()")
        assert page.page.locator(".wt").count() == 0
        page.put(title="x")
        assert page.page.evaluate("Object.values(fake.listeners['change:state'] ?? []).length") == 0

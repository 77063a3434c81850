"""Room to work: the bench in a real JupyterLab, at two sizes of the window and in both themes, by its boxes."""

import pytest
from axe_check import grave_findings
from real_lab import write_notebook

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

SHAPE = (600, 860)
CELL = """import workbench as wb

steps = [wb.Crop(), wb.RemoveGradient(), wb.CalibrateColor(), wb.Denoise(), wb.Stretch(), wb.Saturate()]
wb.Bench("night.tif", wb.Recipe(steps))"""
STEPS = 6
SIZE = {"width": 1400, "height": 900}
#: Window -> least width and height of the picture, and least count of sliders of a step in sight.
ROOM = {(1400, 900): (800, 560, 4), (1000, 760): (560, 380, 2)}

# Boxes of what is drawn, and what hides a part of each: a box around it that clips it, or what lies over its middle.
_SEEN = """(query) => [...document.querySelectorAll(query)].map((element) => {
    const box = element.getBoundingClientRect()
    if (!box.width || !box.height) return null
    const hides = (at) => {
        const clip = at.getBoundingClientRect()
        if (getComputedStyle(at).overflow === "visible" || !clip.width || !clip.height) return false
        return box.left < clip.left - 1 || box.right > clip.right + 1
            || box.top < clip.top - 1 || box.bottom > clip.bottom + 1
    }
    let hidden = null
    for (let at = element.parentElement; at && at !== document.body && !hidden; at = at.parentElement) {
        if (hides(at)) hidden = at
        if (at.matches(":popover-open")) break
    }
    const there = document.elementFromPoint(box.left + box.width / 2, box.top + box.height / 2)
    if (!hidden && !element.contains(there) && !there?.contains(element)) hidden = there ?? document.body
    const { x, y, width, height } = box
    return { x, y, width, height, hidden: hidden && `${hidden.tagName} ${hidden.className}` }
}).filter(Boolean)"""


@pytest.fixture(scope="module")
def one_page(open_lab):
    """A function that gives the page of all tests of this file, or a new one after a test has failed."""
    pages, failed = [], [0]

    def give(failures):
        if pages and failures == failed[0]:
            pages[-1].begin_again(**SIZE)
        else:
            pages.append(open_lab(CELL, **SIZE))
            pages[-1].open("bench.ipynb")
            pages[-1].run_cell()
        failed[0] = failures
        return pages[-1]

    return give


@pytest.fixture
def lab(one_page, request):
    """The bench as it stands after its cell was run; all tests of this file have one kernel."""
    page = one_page(request.session.testsfailed)
    page.wait_settled(steps=STEPS)
    return page


def in_sight(lab, query, least=1):
    """Boxes of what is wholly seen; at least so many."""
    boxes = lab.page.evaluate(_SEEN, query)
    seen = [box for box in boxes if not box["hidden"]]
    assert len(seen) >= least, f"{len(seen)} of {query} in sight: {boxes}"
    return seen


def test_picture_sliders_and_histogram_are_seen_at_once_at_both_sizes_in_both_themes(lab):
    # Nothing was scrolled: this is how the bench stands after its cell was run.
    lab.choose("stretch")
    for theme in ("Light", "Dark"):
        if theme == "Dark":
            lab.menu("Settings", "Theme", "JupyterLab Dark")
            lab.page.locator("body[data-jp-theme-light=false]").wait_for(state="attached")
            lab.page.locator("#jupyterlab-splash").wait_for(state="detached")
        for size, (width, height, sliders) in ROOM.items():
            lab.page.set_viewport_size({"width": size[0], "height": size[1]})
            lab.wait_still(".wt-bench *")
            lab.wait_settled()
            lab.screenshot(f"{theme.lower()}-{size[0]}x{size[1]}")
            [picture] = in_sight(lab, ".wt-stage")
            assert picture["width"] >= width
            assert picture["height"] >= height
            in_sight(lab, ".wt-step[aria-current] .wt-slider", sliders)
            for part in (".wt-plot", ".wt-strip", ".wt-foot", ".wt-card-head"):
                in_sight(lab, part)
            assert grave_findings(lab.page, ".wt-bench") == []
    lab.menu("Settings", "Theme", "JupyterLab Light")
    lab.page.locator("body[data-jp-theme-light=true]").wait_for(state="attached")
    assert lab.errors == []


def test_settings_unfold_in_their_card_and_the_chosen_card_stands_at_the_top(lab):
    page = lab.page
    for step in ("denoise", "saturate", "crop"):
        lab.choose(step)
        page.locator(f".wt-step[data-id={step}] .wt-settings[data-step={step}]").wait_for()
        assert page.locator(".wt-settings").count() == 1
        # Every other card is one line.
        others = page.locator(".wt-step:not([aria-current])")
        heights = others.evaluate_all("(all) => all.map((each) => each.offsetHeight)")
        assert len(heights) == STEPS - 1
        assert max(heights) <= 36
        in_sight(lab, f".wt-step[data-id={step}] .wt-step-title")
    # Undo says what it undoes.
    page.locator(".wt-step[data-id=saturate] .wt-switch").first.click()
    page.get_by_role("button", name="Undo: Saturate switched off").click()
    page.locator(".wt-step[data-id=saturate]:not(.wt-off)").wait_for()


def test_the_bench_takes_the_whole_window_and_gives_it_back(lab):
    page = lab.page
    bench = page.locator(".wt-bench")
    before = bench.bounding_box()
    page.get_by_role("button", name="Whole window").click()
    page.get_by_role("button", name="Back to the notebook").wait_for()
    assert bench.bounding_box() == {"x": 0, "y": 0, "width": 1400, "height": 900}
    [picture] = in_sight(lab, ".wt-stage")
    assert picture["width"] * picture["height"] > 1.2 * 800 * 560
    lab.wait_settled()
    lab.screenshot("whole-window")
    # A double click shows exact pixels there, another one the whole frame; in a window that is smaller than the frame.
    page.set_viewport_size({"width": 1000, "height": 760})
    page.wait_for_function("() => Number(document.querySelector('.wt-viewer').dataset.zoom) < 1")
    lab.wait_settled()
    [picture] = in_sight(lab, ".wt-stage")
    fitted = lab.data("zoom")
    middle = picture["x"] + picture["width"] / 2, picture["y"] + picture["height"] / 2
    for zoom in ("1", fitted):
        page.mouse.dblclick(*middle)
        page.wait_for_function("(zoom) => document.querySelector('.wt-viewer').dataset.zoom === zoom", arg=zoom)
    # The list of keys: Escape puts it away first, and only then the whole window.
    page.keyboard.press("?")
    page.get_by_text("exact pixels there (1:1)").wait_for()
    lab.screenshot("keys")
    page.get_by_role("button", name="? Keys and mouse").click()
    page.locator(".wt-keys").wait_for(state="hidden")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Whole window").wait_for()
    page.set_viewport_size({"width": 1400, "height": 900})
    lab.wait_still(".wt-bench")
    assert bench.bounding_box() == pytest.approx(before, abs=1)
    assert lab.errors == []


def test_the_panels_beside_the_picture_are_resized_and_folded_by_mouse_and_keys(lab):
    page = lab.page
    line, side, stage = page.locator(".wt-room-line"), page.locator(".wt-bench-side"), page.locator(".wt-stage")

    def width_of(part):
        return part.bounding_box()["width"]

    before, picture = width_of(side), width_of(stage)
    box = line.bounding_box()
    y = box["y"] + box["height"] / 2
    lab.drag((box["x"] + 5, y), (box["x"] - 60, y), (box["x"] - 115, y))
    assert width_of(side) == pytest.approx(before + 120, abs=8)
    assert width_of(stage) == pytest.approx(picture - 120, abs=8)
    wide = width_of(side)
    page.keyboard.press("ArrowRight")
    assert width_of(side) == pytest.approx(wide - 16, abs=1)
    page.keyboard.press("Enter")
    side.wait_for(state="hidden")
    assert width_of(stage) > picture + before - 30
    lab.wait_settled()
    lab.screenshot("folded")
    assert grave_findings(page, ".wt-bench") == []
    page.keyboard.press("Enter")
    side.wait_for()
    page.get_by_role("button", name="Histogram", exact=True).click()
    page.locator(".wt-plot").wait_for(state="hidden")
    lab.screenshot("histogram-folded")
    # The next bench on this page has the same room.
    lab.run_cell()
    lab.wait_settled(steps=STEPS)
    assert width_of(page.locator(".wt-bench-side")) == pytest.approx(wide - 16, abs=1)
    assert page.locator(".wt-plot").is_hidden()
    assert lab.errors == []


def test_the_check_up_stands_beside_the_picture_and_a_finding_shows_its_place(lab):
    page = lab.page
    page.get_by_role("button", name="Check-up").click()
    borders = page.locator(".wt-advice button[data-about=Borders]")
    borders.wait_for()
    [drawer] = in_sight(lab, ".wt-checkup")
    stage = page.locator(".wt-stage").bounding_box()
    assert drawer["x"] >= stage["x"] + stage["width"]
    borders.click()
    page.get_by_text("inside the dashed line all frames overlap").wait_for()
    assert borders.inner_text() == "Marked in the picture"
    lab.screenshot("check-up")
    assert grave_findings(page, ".wt-bench") == []
    borders.click()
    page.get_by_text("inside the dashed line all frames overlap").wait_for(state="detached")


def test_a_bench_without_a_stack_offers_recent_stacks_and_samples(lab):
    write_notebook(lab.folder / "empty.ipynb", "import workbench as wb\nwb.Bench()")
    lab.open("empty.ipynb")
    lab.run_cell()
    page = lab.page
    page.get_by_role("list", name="Sample stacks").get_by_role("button").first.wait_for()
    # The tests before this one opened stacks of the same name; the last is first.
    recent = page.get_by_role("list", name="Stacks that were open last").get_by_role("button", name="night.tif").first
    recent.wait_for()
    lab.screenshot("empty")
    assert grave_findings(page, ".wt-bench") == []
    recent.click()
    lab.wait_settled()
    assert page.locator(".wt-open:visible").count() == 0
    # A file that was taken for the wrong thing.
    page.get_by_role("button", name="Open…").click()
    page.get_by_role("button", name="It is a finished picture").click()
    page.get_by_text("display").first.wait_for()
    lab.screenshot("declared-finished")

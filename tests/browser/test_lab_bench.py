"""A session with the bench in a real JupyterLab, by mouse and keyboard, from the empty table to the restart."""

import json
import subprocess
import sys
from urllib.parse import urlsplit

import cv2
import numpy as np
import pytest
from axe_check import grave_findings

import workbench as wb

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

SHAPE = HEIGHT, WIDTH = 600, 860
STEPS = ["remove_gradient", "calibrate_color", "stretch", "saturate"]
CELL = 'import workbench as wb\n\nbench = wb.Bench("night.tif")\nbench'

# Keeps what the picture panel told of itself each time it painted.
_WATCH = """() => {
    const viewer = document.querySelector(".wt-viewer")
    window.told = []
    const tell = () => window.told.push([Number(viewer.dataset.generation), viewer.dataset.draft])
    new MutationObserver(tell).observe(viewer, { attributeFilter: ["data-frames"] })
}"""


@pytest.fixture
def lab(open_lab):
    return open_lab(CELL)


def test_a_session_from_the_empty_table_to_the_finished_picture_and_after_a_restart(lab):
    folder = lab.folder
    lab.open("bench.ipynb")
    lab.run_cell()
    lab.wait_settled()
    lab.screenshot("opened")

    add_steps(lab, folder)
    drag_a_slider(lab, folder)
    drag_the_divider(lab)
    draw_an_exclude_region(lab, folder)
    reorder_by_keyboard_and_undo(lab, folder)
    save_recipe_and_picture(lab, folder)
    the_command_line_writes_the_same_bytes(folder)
    restart_and_find_everything_again(lab, folder)
    close_the_tab_and_come_back(lab, folder)
    work_in_a_narrow_window_in_the_dark(lab)

    assert lab.errors == []
    hosts = {urlsplit(url).hostname for url in lab.asked if not url.startswith(("data:", "blob:"))}
    assert hosts == {"127.0.0.1"}


def add_steps(lab, folder):
    for count, step in enumerate(STEPS, 1):
        lab.page.locator(".wt-add[aria-expanded=false]").click()
        lab.page.locator(f"[data-operation={step}]").click()
        lab.page.locator(f".wt-steps[data-steps='{count}']").wait_for()
    lab.wait_settled(steps=len(STEPS))
    assert lab.steps() == STEPS
    assert kept(lab, folder, lambda recipe: ids(recipe) == STEPS)
    assert grave_findings(lab.page, ".wt") == []
    lab.screenshot("steps-added")


def drag_a_slider(lab, folder):
    """The picture follows the hand, and what stays is the last value measured on the full frame."""
    lab.choose("stretch")
    lab.page.evaluate(_WATCH)
    slider = lab.page.locator(".wt-field[data-name=sky] input[type=range]")
    slider.scroll_into_view_if_needed()
    box = slider.bounding_box()
    before, frames, generation = lab.pixels(), int(lab.data("frames")), lab.generation()
    entry = lab.page.locator(".wt-field[data-name=sky] .wt-entry")
    first = float(entry.input_value())
    shares, mouse = np.linspace(slider_share(slider), 0.5, 7), lab.page.mouse
    mouse.move(box["x"] + 8 + shares[0] * (box["width"] - 16), box["y"] + box["height"] / 2)
    mouse.down()
    for share in shares[1:]:
        mouse.move(box["x"] + 8 + share * (box["width"] - 16), box["y"] + box["height"] / 2)
        lab.wait_newer(generation)
        generation = lab.generation()
    assert int(lab.data("frames")) >= frames + len(shares) - 1
    mouse.up()
    last = float(entry.input_value())
    assert last > first
    assert kept(lab, folder, lambda recipe: settings(recipe, "stretch").get("sky") == last)
    lab.wait_settled(generation)
    assert lab.pixels().mean() > before.mean() + 10
    told = lab.page.evaluate("window.told")
    assert [each[0] for each in told] == sorted(each[0] for each in told)
    assert told[-1] == [lab.generation(), "false"]
    lab.screenshot("slider-dragged")


def drag_the_divider(lab):
    """Left of the divider is the picture before the step, right of it nothing changes."""
    now = lab.pixels()
    lab.page.get_by_role("button", name="Compare", exact=True).click()
    divider = lab.page.get_by_role("slider", name="Divider between before and now")
    divider.wait_for()
    lab.page.wait_for_function("Number(document.querySelector('.wt-viewer').dataset.framesBefore) > 0")
    box, stage = divider.bounding_box(), lab.page.locator(".wt-stage").bounding_box()
    y = stage["y"] + 0.7 * stage["height"]
    x = box["x"] + box["width"] / 2
    lab.drag(*((x + (stage["x"] + share * stage["width"] - x) * part, y) for share in [0.3] for part in (0, 0.5, 1)))
    assert abs(int(divider.get_attribute("aria-valuenow")) - 30) <= 1
    shown = lab.pixels()
    # What is compared with what may take a line of its own below the stage: the picture stays in the stage's middle.
    lower = (now.shape[0] - shown.shape[0]) // 2
    now = now[lower : lower + shown.shape[0]]
    middle, edge = slice(100, -100), round(0.3 * now.shape[1])
    changed = np.abs(shown - now)[middle].mean(axis=(0, 2))
    assert changed[60 : edge - 20].mean() > 10
    assert changed[edge + 20 : -60].max() < 1
    lab.screenshot("divider-dragged")
    lab.page.get_by_role("button", name="Compare", exact=True).click()
    divider.wait_for(state="hidden")


def draw_an_exclude_region(lab, folder):
    """A region drawn on the print is in the recipe, in pixels of the frame."""
    generation = lab.generation()
    lab.page.locator("[data-tool='remove_gradient.exclude']").click()
    lab.page.locator(".wt-viewer[data-tool='remove_gradient.exclude']").wait_for()
    lab.wait_newer(generation)
    frame = (WIDTH, HEIGHT)
    lab.drag(*(lab.place_of(x, y, frame) for x, y in ((300, 180), (400, 260), (520, 380))))
    [region] = excluded(kept(lab, folder, excluded))
    assert region["shape"] == "rectangle"
    assert [region[k] for k in ("x0", "y0", "x1", "y1")] == pytest.approx([300, 180, 520, 380], abs=2)
    lab.screenshot("region-excluded")
    generation = lab.generation()
    lab.page.get_by_role("button", name="Done", exact=True).click()
    lab.page.locator(".wt-viewer[data-tool=look]").wait_for()
    lab.wait_settled(generation)


def reorder_by_keyboard_and_undo(lab, folder):
    moved = ["calibrate_color", "remove_gradient", "stretch", "saturate"]
    lab.page.locator(".wt-step[data-id=calibrate_color] .wt-grip").focus()
    lab.page.keyboard.press("ArrowUp")
    lab.page.locator(".wt-step:first-child[data-id=calibrate_color]").wait_for()
    assert lab.steps() == moved
    assert kept(lab, folder, lambda recipe: ids(recipe) == moved)
    lab.screenshot("reordered")
    generation = lab.generation()
    lab.page.keyboard.press("Control+z")
    lab.page.locator(".wt-step:first-child[data-id=remove_gradient]").wait_for()
    assert lab.steps() == STEPS
    assert kept(lab, folder, lambda recipe: ids(recipe) == STEPS)
    lab.wait_settled(generation)


def save_recipe_and_picture(lab, folder):
    lab.page.locator("button[data-drawer=export]").click()
    lab.page.get_by_label("File of the recipe").fill(str(folder / "mine.recipe.json"))
    lab.page.get_by_role("button", name="Save the recipe").click()
    lab.page.locator(".wt-export[data-saved='1']").wait_for()
    lab.page.get_by_label("File of the picture").fill(str(folder / "mine.png"))
    lab.page.get_by_role("button", name="Save the picture").click()
    lab.page.locator(".wt-export[data-saved='2']").wait_for()
    lab.screenshot("saved")
    lab.page.locator("button[data-drawer=export]").click()
    lab.wait_settled()
    # What hangs on the screen is the picture that was saved, but for the size and the JPEG in between.
    saved = np.round(np.clip(wb.read(folder / "mine.png").pixels, 0, 1) * 255)
    zoom, screen = float(lab.data("zoom")), lab.pixels()
    width, height = round(zoom * WIDTH), round(zoom * HEIGHT)
    left, top = (screen.shape[1] - width) // 2, (screen.shape[0] - height) // 2
    wanted = cv2.resize(saved, (width, height), interpolation=cv2.INTER_AREA if zoom < 1 else cv2.INTER_LINEAR)
    difference = cv2.blur(screen[top : top + height, left : left + width] - wanted, (9, 9))[8:-8, 8:-8]
    assert np.abs(difference).mean() < 1.5


def the_command_line_writes_the_same_bytes(folder):
    run = [sys.executable, "-m", "workbench", "run", "mine.recipe.json", "night.tif", "-o", "again.png", "-q"]
    subprocess.run(run, cwd=folder, check=True, timeout=300)
    assert (folder / "again.png").read_bytes() == (folder / "mine.png").read_bytes()


def restart_and_find_everything_again(lab, folder):
    entry = lab.page.locator(".wt-field[data-name=sky] .wt-entry")
    lab.choose("stretch")
    value = entry.input_value()
    kept(lab, folder, lambda _: json.loads((folder / "night.tif.bench.json").read_text())["selected"] == 2)
    was = lab.pixels()
    lab.restart_kernel()
    lab.run_cell()
    lab.wait_settled(steps=len(STEPS))
    assert lab.steps() == STEPS
    lab.page.get_by_text("the recipe lies as it was left").wait_for()
    lab.page.locator(".wt-settings[data-step=stretch]").wait_for()
    assert entry.input_value() == value
    assert recipe_of(folder / "night.tif.autosave.recipe.json") == recipe_of(folder / "mine.recipe.json")
    lab.wait_pixels(was)
    lab.screenshot("after-the-restart")
    # What was done before the restart can be undone after it.
    for words, there in (("Undo", False), ("Redo", True)):
        generation = lab.generation()
        lab.page.locator(".wt-steps").get_by_role("button", name=words).click()
        assert kept(lab, folder, lambda recipe, there=there: bool(excluded(recipe)) is there)
        lab.wait_settled(generation)


def close_the_tab_and_come_back(lab, folder):
    """The kernel has the bench still, and a new tab shows it."""
    was = lab.pixels()
    lab.save(folder / "bench.ipynb")
    lab.page.locator(".jp-NotebookPanel .jp-mod-dirty, .jp-mod-current .jp-mod-dirty").wait_for(state="detached")
    lab.open("bench.ipynb")
    lab.wait_settled(steps=len(STEPS))
    assert lab.steps() == STEPS
    lab.wait_pixels(was)
    lab.screenshot("in-a-new-tab")


def work_in_a_narrow_window_in_the_dark(lab):
    """At 900 pixels all is there, nothing is cut off at the right, and the dark theme can be read."""
    lab.page.set_viewport_size({"width": 900, "height": 1100})
    lab.menu("Settings", "Theme", "JupyterLab Dark")
    lab.page.locator("body[data-jp-theme-light=false]").wait_for(state="attached")
    lab.page.locator("#jupyterlab-splash").wait_for(state="detached")
    lab.wait_settled()
    room = lab.page.locator(".jp-NotebookPanel").bounding_box()
    for panel in ("toolbar", "viewer", "histogram", "steps", "settings"):
        box = lab.page.locator(f".wt-{panel}").bounding_box()
        assert box["width"] > 200
        assert box["x"] + box["width"] <= room["x"] + room["width"]
    assert lab.page.locator(".wt-stage").evaluate("(stage) => stage.clientWidth") > 300
    lab.screenshot("narrow-and-dark")
    assert grave_findings(lab.page, ".wt") == []


# -- the recipe that is kept beside the stack --------------------------------------------------------------------------


def recipe_of(path):
    return json.loads(path.read_text(encoding="utf-8"))


def kept(lab, folder, holds):
    """The recipe that the bench keeps by itself, as soon as it is as wanted."""
    path = folder / "night.tif.autosave.recipe.json"
    for _ in range(300):
        if path.exists() and holds(recipe := recipe_of(path)):
            return recipe
        lab.page.evaluate("() => new Promise((done) => setTimeout(done, 100))")
    pytest.fail(f"the recipe was not kept as wanted: {path.read_text() if path.exists() else 'there is none'}")


def ids(recipe):
    return [step["do"] for step in recipe["steps"]]


def settings(recipe, name):
    return next(step.get("with", {}) for step in recipe["steps"] if step["do"] == name)


def excluded(recipe):
    return settings(recipe, "remove_gradient").get("exclude")


def slider_share(slider):
    return slider.evaluate("(input) => input.valueAsNumber / Number(input.max)")

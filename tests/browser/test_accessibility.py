"""Every panel of the bench against axe-core: nothing that keeps people out, in both themes."""

import copy

import pytest
from axe_check import grave_findings
from picture_state import drawn, shown, switched
from test_histogram_page import STATE as HISTOGRAM
from test_side_panels import settings_of, steps_state, table
from test_viewer_page import FRAME, plain
from test_viewer_page import STATE as VIEWER

from workbench.bench.panels.histogram.panel import Histogram
from workbench.bench.panels.settings.panel import Settings
from workbench.bench.panels.steps.panel import Steps
from workbench.bench.panels.viewer.panel import Viewer
from workbench.operations.base import REGISTRY

pytestmark = pytest.mark.browser


@pytest.fixture(params=["light", "dark"])
def light(request):
    return request.param == "light"


def unfold(panel):
    """Open every part that is folded up, so that it is checked too."""
    panel.page.locator("details").evaluate_all("(all) => all.forEach((each) => (each.open = true))")


def viewer_state(**changes):
    return copy.deepcopy(VIEWER) | changes


@pytest.mark.parametrize(
    ("spoil", "finding"),
    [
        ("(b) => { b.removeAttribute('title'); b.replaceChildren() }", "button-name"),
        ("(b) => { b.style.color = '#dddddd' }", "color-contrast"),
    ],
)
def test_axe_finds_what_is_wrong_with_a_page(open_panel, spoil, finding):
    panel = open_panel(Histogram, HISTOGRAM, width=700, height=300)
    panel.page.get_by_role("button", name="Display").evaluate(spoil)
    assert [found.split(":")[0] for found in grave_findings(panel.page)] == [finding]


def test_the_histogram_has_no_grave_finding(open_panel, light):
    panel = open_panel(Histogram, HISTOGRAM, width=700, height=300, light=light)
    panel.page.locator(".wt-counts").first.wait_for()
    assert grave_findings(panel.page) == []


@pytest.mark.parametrize("tool", ["look", "crop.margins", "remove_gradient.exclude", "remove_gradient.samples"])
def test_the_picture_and_its_tools_have_no_grave_finding(open_panel, light, tool):
    points = shown("remove_gradient.samples", "points", "1 ring, 1 cross", points=[[400, 500, 1], [700, 900, 0]])
    data = {"stars": [[100, 200, 3.0, 0.1, 20.0, False]]} | points
    data["drawn"] = [
        *drawn("remove_gradient.exclude", {"shape": "rectangle", "x0": 300, "y0": 300, "x1": 900, "y1": 800})["drawn"],
        *drawn("remove_gradient.samples", {"x": 2000, "y": 1500})["drawn"],
        *drawn("crop.margins", {"top": 10, "right": 10, "bottom": 10, "left": 10})["drawn"],
    ]
    overlays = switched("stars", "remove_gradient.samples", "crop.crop")
    compare = {"kind": "step", "step": 1, "name": None, "upto": None} if tool == "look" else VIEWER["compare"]
    state = viewer_state(tool=tool, overlays=overlays, overlay_data=data, compare=compare, message="something failed")
    panel = open_panel(Viewer, state, light=light)
    panel.send_fit(plain((90, 90, 90)), FRAME, draft=True)
    panel.send_fit(plain((40, 40, 90)), FRAME, draft=True, side="before")
    panel.wait_data("frames", "1")
    if tool == "look":
        panel.wait_data("framesBefore", "1")
    assert grave_findings(panel.page) == []


def test_the_recipe_card_has_no_grave_finding(open_panel, light):
    worktable = table()
    worktable.switch(3)
    worktable.note(1, "the lamp of the neighbors")
    state = steps_state(worktable, 1)
    state["cards"][2]["problem"] = "there are too few stars"
    panel = open_panel(Steps, state, width=400, light=light)
    unfold(panel)
    panel.page.get_by_role("button", name="+ Add a step").click()
    assert grave_findings(panel.page) == []
    panel.page.get_by_role("button", name="Note", exact=True).click()
    assert grave_findings(panel.page) == []


def test_a_recipe_card_without_steps_has_no_grave_finding(open_panel, light):
    panel = open_panel(Steps, steps_state(table([])), width=400, light=light)
    assert grave_findings(panel.page) == []


@pytest.mark.parametrize("name", sorted(REGISTRY))
def test_the_settings_of_every_step_have_no_grave_finding(open_panel, name):
    panel = open_panel(Settings, settings_of(REGISTRY[name]()), width=400)
    unfold(panel)
    assert grave_findings(panel.page) == []


@pytest.mark.parametrize("name", ["remove_gradient", "stretch"])
def test_changed_and_measured_settings_have_no_grave_finding(open_panel, light, name):
    changed = {"remove_gradient": {"stiffness": 2.0}, "stretch": {"sky": 0.3}}[name]
    state = settings_of(REGISTRY[name](**changed)) | {"facts": [["sky", "0.1"]], "found": "found", "frozen": True}
    panel = open_panel(Settings, state, width=400, light=light)
    unfold(panel)
    assert panel.page.locator(".wt-changed").count() == 1
    assert grave_findings(panel.page) == []


@pytest.mark.parametrize("drawer", ["open", "checkup", "export", "code", "keys"])
def test_the_toolbar_and_its_drawers_have_no_grave_finding(open_toolbar, light, drawer):
    advice = [
        {
            "about": "sky",
            "severity": severity,
            "says": "the sky is uneven",
            "do": "level it",
            "step": {"do": "level_sky"},
        }
        for severity in ("warning", "advice", "note")
    ]
    folder = {
        "path": "/home/me",
        "parent": "/home",
        "entries": [
            {"name": "nights", "folder": True, "size": 0, "path": "/home/me/nights"},
            {"name": "night.tif", "folder": False, "size": 3_000_000, "path": "/home/me/night.tif"},
        ],
    }
    panel = open_toolbar(
        saved=["/home/me/night.png"],
        advice=advice,
        measured=[["sky", "0.1"]],
        folder=folder,
        progress={"share": 0.4, "doing": "step 2"},
        message={"kind": "error", "text": "night.tif is a picture"},
        autosave="kept by itself",
        light=light,
    )
    panel.page.locator(f"button[data-drawer={drawer}]").click()
    unfold(panel)
    assert grave_findings(panel.page) == []

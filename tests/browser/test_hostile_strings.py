"""Names, notes and headers that hold a page's own language are shown as text, in every panel."""

import numpy as np
import pytest
from astropy.io import fits
from picture_state import drawn, shown, switched
from test_histogram_page import STATE as HISTOGRAM
from test_side_panels import settings_of, steps_state, table
from test_viewer_page import FRAME, plain
from test_viewer_page import STATE as VIEWER

import workbench as wb
from workbench.bench.panels.histogram.panel import Histogram
from workbench.bench.panels.open.files import listing
from workbench.bench.panels.settings.panel import Settings
from workbench.bench.panels.steps.panel import Steps
from workbench.bench.panels.toolbar.panel import stack_state
from workbench.bench.panels.viewer.panel import Viewer
from workbench.operations.base import REGISTRY

pytestmark = pytest.mark.browser

#: Would be run by a page that takes it for its own language.
HOSTILE = """<img src=x onerror="hacked=1"><script>hacked=1</script>&lt;"><svg onload='hacked=1'>"""
#: The same without what no file name holds.
HOSTILE_NAME = "<img src=x onerror=hacked=1>&lt;b&gt;.tif"


def harmless(panel, *texts):
    """All of it can be read on the page, and none of it became a part of the page."""
    panel.rest()
    assert panel.page.evaluate("typeof hacked") == "undefined"
    # The test's own page has two scripts; panels have none.
    assert panel.page.locator("#el script, #el img[src=x], #el svg[onload], #el [onerror]").count() == 0
    words = panel.page.evaluate(
        """() => [...document.querySelectorAll("#el *")].flatMap((e) => [
            e.childElementCount ? "" : e.textContent, e.value, e.title, e.getAttribute("aria-label"),
        ]).join("\\n")"""
    )
    for text in texts:
        assert text in words, text


@pytest.fixture
def hostile_stack(tmp_path):
    """A FITS file whose name and header hold a page's language."""
    path = tmp_path / HOSTILE_NAME.replace(".tif", ".fits")
    header = fits.Header({"OBJECT": "<img src=x onerror=hacked=1>", "INSTRUME": "<b onclick=hacked=1>camera</b>"})
    header["HISTORY"] = "<script>hacked=1</script>"
    pixels = np.random.default_rng(1).normal(0.1, 0.01, (3, 60, 80)).astype(np.float32)
    fits.PrimaryHDU(pixels, header).writeto(path)
    return path


def test_a_file_of_hostile_name_and_header_is_told_as_text(open_toolbar, hostile_stack):
    panel = open_toolbar()
    told = stack_state(wb.read(hostile_stack), hostile_stack)
    assert told["name"] == hostile_stack.name
    panel.page.get_by_role("button", name="Open…").click()
    panel.put(stack=told, folder=listing(str(hostile_stack.parent), hostile_stack.parent))
    harmless(panel, hostile_stack.name)
    panel.put(stack=told | {"acquisition": HOSTILE, "remarks": [HOSTILE]}, message={"kind": "error", "text": HOSTILE})
    harmless(panel, HOSTILE, f"Note: {HOSTILE}")


def test_hostile_advice_files_and_code_are_told_as_text(open_toolbar):
    panel = open_toolbar()
    panel.page.get_by_role("button", name="Check-up").click()
    one = {"about": HOSTILE, "severity": "note", "says": HOSTILE, "do": HOSTILE, "step": {"do": HOSTILE}}
    panel.put(advice=[one], measured=[[HOSTILE, HOSTILE]], progress={"share": 0.5, "doing": HOSTILE}, autosave=HOSTILE)
    harmless(panel, HOSTILE, f"50 % · {HOSTILE}")
    panel.page.get_by_role("button", name="Export…").click()
    panel.put(saved=[HOSTILE])
    harmless(panel, HOSTILE)
    panel.answer("history", HOSTILE)
    panel.page.get_by_role("button", name="As Python").click()
    panel.page.get_by_role("button", name="Every command so far").click()
    harmless(panel, HOSTILE)


def test_hostile_titles_notes_and_variants_are_told_as_text(open_panel):
    session = table()
    panel = open_panel(Steps, steps_state(session, 1), width=400)
    state = steps_state(session, 1)
    card = state["cards"][1]
    card |= {"title": HOSTILE, "note": HOSTILE, "found": HOSTILE, "problem": HOSTILE, "where": HOSTILE}
    panel.put(**state | {"title": HOSTILE, "variants": [HOSTILE]})
    panel.page.get_by_text("Variants").click()
    harmless(panel, HOSTILE, f"use variant {HOSTILE}")
    panel.answer("undo", error=HOSTILE)
    panel.put(can_undo=True)
    panel.page.get_by_role("button", name="Undo").click()
    panel.page.get_by_role("alert").filter(has_text="onerror").wait_for()
    harmless(panel, HOSTILE)


def test_hostile_settings_and_facts_are_told_as_text(open_panel):
    panel = open_panel(Settings, settings_of(REGISTRY["remove_gradient"]()), width=400)
    state = settings_of(REGISTRY["remove_gradient"]()) | {"key": 2}
    told = {"label": HOSTILE, "help": HOSTILE, "unit": HOSTILE, "empty": HOSTILE}
    state["fields"] = [field | told for field in state["fields"]]
    words = {"title": HOSTILE, "summary": HOSTILE, "why": [HOSTILE], "details": [HOSTILE], "found": HOSTILE}
    panel.put(**state | words | {"facts": [[HOSTILE, HOSTILE]], "drafted": False})
    harmless(panel, HOSTILE)


def test_hostile_tools_overlays_and_values_are_told_as_text(open_panel):
    panel = open_panel(Viewer, VIEWER)
    panel.send_fit(plain((90, 90, 90)), FRAME)
    panel.wait_data("frames", "1")
    panel.answer("probe", {"x": 1, "y": 1, "sky": HOSTILE, "linear": [0.1]})
    tool = {"id": "own.places", "kind": "places", "words": HOSTILE, "help": HOSTILE, "item": HOSTILE}
    mark = drawn("remove_gradient.samples", {"x": 1500, "y": 1000}, says=HOSTILE)["drawn"][0] | {"tool": "own.places"}
    data = shown("crop.crop", "none", HOSTILE) | {"drawn": [mark]}
    compare = {"kind": "variant", "step": None, "name": HOSTILE, "upto": None}
    state = {
        "tool": "own.places",
        "tools": [tool],
        "overlays": [*switched(), {"id": "o", "words": HOSTILE, "on": True}],
    }
    panel.put(**state, overlay_data=data, compare=compare, variants=[HOSTILE], steps=[HOSTILE], message=HOSTILE)
    panel.page.locator(".wt-stage").hover()
    panel.page.locator(".wt-readout", has_text="onerror").wait_for()
    harmless(panel, HOSTILE, f"variant {HOSTILE}")


def test_hostile_words_on_the_histogram_are_told_as_text(open_panel):
    panel = open_panel(Histogram, HISTOGRAM, width=700, height=300)
    panel.page.get_by_role("button", name="Linear").click()
    panel.put(line_label=HOSTILE, line_aria=HOSTILE, line=HISTOGRAM["line"] | {"unit": HOSTILE, "words": HOSTILE})
    harmless(panel, HOSTILE)

"""A kernel that is busy, stopped or started anew: what the bench says of it, in a real JupyterLab."""

import os
import signal

import pytest
from axe_check import grave_findings

from workbench.bench.panels.toolbar.panel import Toolbar

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

SHAPE = (400, 600)
CELL = """import os
import workbench as wb

open("kernel", "w").write(str(os.getpid()))
wb.Bench("night.tif", wb.Recipe([wb.CalibrateColor(), wb.Stretch()]))"""


@pytest.fixture
def lab(open_lab):
    page = open_lab(CELL, width=1200, height=860)
    page.open("bench.ipynb")
    page.run_cell()
    page.wait_settled(steps=2)
    return page


def test_a_busy_kernel_is_said_and_so_is_one_that_was_started_anew_until_the_cell_runs_again(lab):
    notice, steps = lab.page.locator(".wt-kernel"), lab.page.locator(".wt-steps")
    lab.choose("stretch")
    lab.page.locator(".wt-step[data-id=stretch] .wt-switch").first.click()
    lab.page.locator(".wt-step[data-id=stretch].wt-off").wait_for()
    assert not notice.is_visible()

    kernel = int((lab.folder / "kernel").read_text())
    os.kill(kernel, signal.SIGSTOP)
    try:
        notice.get_by_text("The kernel is busy.").wait_for()
        steps.get_by_role("button", name="Undo").click()
        steps.get_by_text("this is done as soon as the kernel is free").wait_for()
        lab.screenshot("busy")
        assert grave_findings(lab.page, ".wt-bench") == []
    finally:
        os.kill(kernel, signal.SIGCONT)
    notice.wait_for(state="hidden")
    lab.page.locator(".wt-step[data-id=stretch]:not(.wt-off)").wait_for()  # the click was not lost
    lab.wait_settled()

    lab.menu("Kernel", "Restart Kernel…")
    lab.page.locator(".jp-Dialog .jp-mod-accept").click()
    notice.get_by_text("The kernel of this bench was stopped.").wait_for()
    assert "night.tif.autosave.recipe.json" in notice.inner_text()
    steps.get_by_role("button", name="Redo").click()
    steps.get_by_text("not done: the kernel of this bench was stopped").wait_for()
    lab.screenshot("started-anew")
    assert grave_findings(lab.page, ".wt-bench") == []
    lab.wait_idle()
    lab.run_cell()
    notice.wait_for(state="hidden")
    lab.wait_settled(steps=2)
    steps.get_by_role("button", name="Redo").click()
    lab.page.locator(".wt-step[data-id=stretch].wt-off").wait_for()
    assert lab.errors == []


@pytest.mark.parametrize("light", [True, False])
def test_the_notice_can_be_read_in_both_themes(open_panel, light):
    state = {"stack": None, "formats": [], "autosave": "kept by itself in /home/me/night.tif.autosave.recipe.json"}
    panel = open_panel(Toolbar, state, width=1000, light=light)
    panel.page.evaluate("fake.silent.add('ping')")
    notice = panel.page.locator(".wt-kernel")
    notice.get_by_text("The kernel is busy.").wait_for()
    panel.screenshot(f"kernel-busy-{'light' if light else 'dark'}")
    assert grave_findings(panel.page, ".wt") == []

"""``workbench bench``: from a stack to its bench in a browser, found again, and no question of JupyterLab in front."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from axe_check import grave_findings
from real_lab import PATIENCE

from workbench.cli.lab import deliver, notebooks
from workbench.simulate import simulate

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

#: What the person has set: JupyterLab saves each notebook that counts as changed after so many seconds.
AUTOSAVE = 6


@pytest.fixture
def person(tmp_path, monkeypatch):
    """A person with a stack, notebooks and settings of their own, and a browser that notes what it is to open."""
    home, folder = tmp_path / "home", tmp_path / "nights"
    for place in (home, folder):
        place.mkdir()
    monkeypatch.setenv("HOME", str(home))
    for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_RUNTIME_DIR", "JUPYTER_DATA_DIR", "IPYTHONDIR"):
        monkeypatch.setenv(name, str(home / name.lower()))
    for name in ("JUPYTERLAB_SETTINGS_DIR", "JUPYTERLAB_WORKSPACES_DIR"):
        monkeypatch.delenv(name, raising=False)
    saving = home / "jupyter_config_dir/lab/user-settings/@jupyterlab/docmanager-extension/plugin.jupyterlab-settings"
    saving.parent.mkdir(parents=True)
    saving.write_text(json.dumps({"autosaveInterval": AUTOSAVE}))
    (home / "jupyter_config_dir" / "jupyter_server_config.py").write_text("c.ServerApp.allow_root = True")
    browser = home / "browser"
    browser.write_text(f'#!/bin/sh\necho "$1" >> {home}/opened\n')
    browser.chmod(0o700)
    monkeypatch.setenv("BROWSER", str(browser))
    simulate("lantern_nebula", shape=(400, 600)).stack.save(folder / "night.tif")
    deliver(folder)
    return home


def asked_for(person, tmp_path, *more):
    """The command, under way, and the page that it has opened in the person's browser."""
    opened = person / "opened"
    opened.unlink(missing_ok=True)
    log = tmp_path / "log"
    with log.open("w") as file:
        command = [sys.executable, "-m", "workbench", "bench", "nights/night.tif", *more]
        child = subprocess.Popen(command, cwd=tmp_path, stdin=subprocess.DEVNULL, stdout=file, stderr=file)
    end = time.monotonic() + 120
    while not (opened.is_file() and opened.read_text().endswith("\n")):
        assert child.poll() in {None, 0}, log.read_text()
        assert time.monotonic() < end, log.read_text()
        time.sleep(0.1)
    return child, opened.read_text().strip()


def seen(chromium, address, screenshots, name):
    """A window of the browser that shows the bench there, with what it wrote to the server."""
    context = chromium.new_context(viewport={"width": 1400, "height": 900})
    context.set_default_timeout(PATIENCE)
    page, written = context.new_page(), []
    page.on("request", lambda r: written.append(r.url) if r.method == "PUT" and "api/contents" in r.url else None)
    page.goto(address)
    page.locator(".wt-viewer[data-draft=false]").wait_for()
    page.locator("#jupyterlab-splash").wait_for(state="detached")
    page.screenshot(path=screenshots / f"bench-command-{name}.png")
    return page, written


def settings_of(person):
    """The person's files of Jupyter, but for what a server writes down of itself while it runs."""
    files = {f: f.read_bytes() for f in (person / "jupyter_config_dir").rglob("*") if f.is_file()}
    return {f: content for f, content in files.items() if f.name not in {"migrated", "build_config.json"}}


def test_from_a_file_to_its_bench_found_again_and_nothing_asked(chromium, person, tmp_path):
    screenshots = Path(os.environ.get("WORKBENCH_SCREENSHOTS") or tmp_path)
    before = settings_of(person)
    child, door = asked_for(person, tmp_path)
    try:
        assert door.startswith("file://")
        assert "token" not in door  # who lists the processes does not see it
        assert Path(door.removeprefix("file://")).stat().st_mode & 0o077 == 0
        page, written = seen(chromium, door, screenshots, "opened")
        assert page.url.endswith("/doc/tree/night.tif.bench.ipynb")
        assert page.locator("[data-shell-mode=single-document]").count() == 1  # the simple view
        assert page.locator(".jp-Dialog, .jp-toast-message, .Toastify__toast").count() == 0
        stage = page.locator(".wt-stage").bounding_box()
        assert (stage["width"], stage["height"]) >= (800, 560)
        assert grave_findings(page, ".wt") == []
        page.locator(".wt-add[aria-expanded=false]").click()
        page.locator("[data-operation=stretch]").click()
        page.locator(".wt-steps[data-steps='1']").wait_for()

        # Two windows on each notebook, longer than after what time changed ones are saved: a file that JupyterLab
        # would complete (name and language of the kernel) is saved by the one, and the other asks what happened.
        book = tmp_path / "nights" / "night.tif.bench.ipynb"
        lesson = tmp_path / "nights" / notebooks()[0].name
        contents = book.read_bytes(), lesson.read_bytes()
        second, again = asked_for(person, tmp_path)
        assert second.wait(30) == 0
        other, written_there = seen(chromium, again, screenshots, "again")
        other.locator(".wt-steps[data-steps='1'] .wt-step[data-id=stretch]").wait_for()  # the same bench
        windows = [page, other]
        for _ in range(2):
            windows.append(page.context.new_page())
            windows[-1].on(
                "request", lambda r: written.append(r.url) if r.method == "PUT" and "/contents" in r.url else 0
            )
            windows[-1].goto(other.url.replace(book.name, lesson.name))
            windows[-1].locator('.jp-Notebook-ExecutionIndicator[data-status="idle"]').wait_for()
        page.wait_for_timeout(1000 * (AUTOSAVE + 3))
        assert [window.locator(".jp-Dialog").count() for window in windows] == [0] * 4
        assert (book.read_bytes(), lesson.read_bytes()) == contents
        assert written + written_there == []
        for window in windows:
            window.context.close()
    finally:
        child.send_signal(signal.SIGTERM)
        code = child.wait(60)
    assert code in {0, 130}
    assert not Path(door.removeprefix("file://")).exists()
    assert settings_of(person) == before
    kept = json.loads((tmp_path / "nights" / "night.tif.autosave.recipe.json").read_text())
    assert [step["do"] for step in kept["steps"]] == ["stretch"]

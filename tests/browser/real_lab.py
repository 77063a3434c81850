"""A real JupyterLab, and a page of a real browser that works in it."""

import base64
import json
import os
import shutil
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import TimeoutError as NothingYet

TOKEN = "only-this-machine"
#: Milliseconds for things that need a fresh kernel, whose first run may compile.
PATIENCE = 120_000
#: Milliseconds between two looks at what a kernel works on; by default a page draws a frame for each look.
POLLING = 50

# As PNG, whose few bytes are much sooner here than all pixels in JSON.
_CANVAS = """async ([query, ...part]) => {
    const canvas = document.querySelector(query)
    const [x, y, width, height] = part.length ? part : [0, 0, canvas.width, canvas.height]
    const copy = new OffscreenCanvas(width, height)
    copy.getContext("2d", { willReadFrequently: true }).drawImage(canvas, -x, -y)
    const bytes = new Uint8Array(await (await copy.convertToBlob()).arrayBuffer())
    let text = ""
    for (let at = 0; at < bytes.length; at += 8192) text += String.fromCharCode(...bytes.subarray(at, at + 8192))
    return btoa(text)
}"""


def canvas_pixels(page, *part, canvas=".wt-picture"):
    """RGBA (height, width, 4) of a canvas or a part of it. Read from a copy: reading slows a canvas down for good."""
    data = base64.b64decode(page.evaluate(_CANVAS, [canvas, *part]))
    return cv2.cvtColor(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED), cv2.COLOR_BGRA2RGBA)


def write_notebook(path, *cells):
    empty = {"cell_type": "code", "metadata": {}, "outputs": [], "execution_count": None}
    cells = [empty | {"id": f"cell-{i}", "source": source} for i, source in enumerate(cells)]
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    book = {"cells": cells, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    path.write_text(json.dumps(book), encoding="utf-8")


@dataclass(frozen=True)
class Lab:
    """A running JupyterLab: where it answers, the folder that it shows, and where it keeps a person's settings."""

    address: str
    folder: Path
    settings: Path

    def ask(self, path, method="GET"):
        """What the server answers to a request, as plain data."""
        request = urllib.request.Request(f"{self.address}/api/{path}", method=method)
        request.add_header("Authorization", f"token {TOKEN}")
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.loads(answer.read() or "null")

    def end_kernels(self):
        """End what runs, so that the next test has the machine for itself."""
        for session in self.ask("sessions"):
            self.ask(f"sessions/{session['id']}", "DELETE")

    def forget_settings(self):
        """Take back what a person chose, the theme for example; but never ask about news, in front of the bench."""
        shutil.rmtree(self.settings, ignore_errors=True)
        news = self.settings / "@jupyterlab/apputils-extension/notification.jupyterlab-settings"
        news.parent.mkdir(parents=True)
        news.write_text('{"fetchNews": "false", "checkForUpdates": false}')


@contextmanager
def running_lab(home):
    """Start JupyterLab on a folder in ``home``, with settings and workspaces of its own, and end it."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    named = ("JUPYTER_CONFIG_DIR", "JUPYTER_RUNTIME_DIR", "JUPYTER_DATA_DIR", "JUPYTERLAB_SETTINGS_DIR")
    named += ("JUPYTERLAB_WORKSPACES_DIR", "IPYTHONDIR")
    environment = os.environ | {name: str(home / name.lower()) for name in named} | {"HOME": str(home)}
    lab = Lab(f"http://127.0.0.1:{port}", home / "nights", home / "jupyterlab_settings_dir")
    lab.folder.mkdir()
    lab.forget_settings()
    options = {"ip": "127.0.0.1", "port": port, "port_retries": 0, "root_dir": lab.folder, "open_browser": False}
    command = [sys.executable, "-m", "jupyterlab", "--allow-root", f"--IdentityProvider.token={TOKEN}"]
    command += [f"--ServerApp.{name}={value}" for name, value in options.items()]
    command += ["--LabApp.news_url=", "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate"]
    with (home / "server.log").open("wb") as log:
        quiet = {"stdout": log, "stderr": log, "stdin": subprocess.DEVNULL}
        server = subprocess.Popen(command, env=environment, cwd=lab.folder, **quiet)
    try:
        _until_it_answers(lab.address, server, home / "server.log")
        yield lab
    finally:
        server.terminate()  # it ends its kernels before it goes
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _until_it_answers(address, server, log):
    for _ in range(240):
        try:
            with urllib.request.urlopen(f"{address}/api", timeout=5):
                return
        except (urllib.error.URLError, TimeoutError):
            try:
                server.wait(0.25)
            except subprocess.TimeoutExpired:
                continue
            break
    pytest.fail(f"JupyterLab does not answer: {log.read_text(errors='replace')[-2000:]}")


class LabPage:
    """A notebook in JupyterLab, with a bench in its first cell; ``folder`` lies in the folder that the lab shows."""

    def __init__(self, browser, lab, folder, *, width=1500, height=1300):
        self.lab, self.folder = lab, folder
        self.context = browser.new_context(viewport={"width": width, "height": height})
        self.context.on("request", lambda request: self.asked.append(request.url))
        self.context.set_default_timeout(PATIENCE)
        self.asked, self.errors, self._shots = [], [], 0
        self.page = None

    # -- JupyterLab ----------------------------------------------------------------------------------------------

    def open(self, notebook):
        """Open a notebook in a fresh tab, the one before closed."""
        if self.page is not None:
            self.page.close()
        self.page = self.context.new_page()
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        place = f"{self.lab.address}/lab/tree/{self.folder.name}/{notebook}"
        self.page.goto(f"{place}?reset&token={TOKEN}", wait_until="domcontentloaded")
        self.page.locator(".jp-Notebook .jp-Cell").first.wait_for()
        self.wait_idle()
        self.page.keyboard.press("Control+b")  # the side bar takes a third of the window

    def wait_idle(self):
        self.page.locator('.jp-Notebook-ExecutionIndicator[data-status="idle"]').first.wait_for()

    def run_cell(self):
        """Run the first cell; a kernel that is only just there may miss the first key."""
        prompt = self.page.locator(".jp-Notebook .jp-InputPrompt").first
        for _ in range(10):
            self.answer_questions()
            try:
                self.page.locator(".jp-Notebook .jp-Cell .cm-content").first.click(timeout=8000)
                self.page.keyboard.press("Control+Enter")
                prompt.filter(has_not_text="[ ]:").wait_for(timeout=4000)
            except NothingYet:
                continue
            return
        pytest.fail("the cell does not run")

    def save(self, path):
        """Save the notebook until its file holds the bench; a busy page may miss the key."""
        for _ in range(20):
            self.page.keyboard.press("Control+s")
            self.page.wait_for_timeout(500)
            if "widget-view+json" in path.read_text(encoding="utf-8"):
                return
        pytest.fail(f"{path.name} was not saved")

    def answer_questions(self):
        """Accept what JupyterLab asks by itself while it starts; that the kernel died is no question."""
        dialog = self.page.locator(".jp-Dialog").first
        if dialog.is_visible():
            says = dialog.inner_text()
            assert "died" not in says, says
            dialog.locator(".jp-mod-accept").click()

    def forget_benches(self):
        """What benches keep beside the stack and in the browser goes."""
        for kept in self.folder.glob("night.tif?*"):
            kept.unlink()
        if self.page is not None:
            self.page.evaluate("localStorage.clear()")

    def begin_again(self, *, width, height):
        """A new bench on the same page, which takes as long to load as most tests last; its kernel is kept."""
        self.page.set_viewport_size({"width": width, "height": height})
        self.menu("Edit", "Clear Outputs of All Cells")
        self.page.locator(".wt").first.wait_for(state="detached")
        self.forget_benches()
        self.run_cell()

    def restart_kernel(self):
        """Restart the kernel from the menu and take the old output away."""
        self.menu("Kernel", "Restart Kernel and Clear Outputs of All Cells…")
        self.page.locator(".jp-Dialog .jp-mod-accept").click()
        self.page.locator(".jp-Dialog").wait_for(state="detached")
        self.page.locator(".wt").first.wait_for(state="detached")
        self.wait_idle()

    def menu(self, name, *entries):
        self.page.locator(".lm-MenuBar").get_by_text(name, exact=True).click()
        for entry in entries:
            self.page.locator(".lm-Menu-item").filter(has=self.page.get_by_text(entry, exact=True)).click()

    def screenshot(self, name):
        """Keep what is seen where the environment says that screenshots are wanted."""
        if os.environ.get("WORKBENCH_SCREENSHOTS"):
            self._shots += 1
            place = Path(os.environ["WORKBENCH_SCREENSHOTS"]) / self.folder.name
            self.page.screenshot(path=place / f"{self._shots:02d}-{name}.png")

    def close(self):
        self.context.close()

    # -- the bench -----------------------------------------------------------------------------------------------

    def data(self, name, panel="viewer"):
        return self.page.locator(f".wt-{panel}").evaluate("(element, name) => element.dataset[name]", name)

    def wait_settled(self, newer_than=0, steps=0):
        """Until all is measured on the full frame, painted, and every card has its thumbnail."""
        script = """([newer, steps]) => {
            const [viewer, card] = [document.querySelector(".wt-viewer"), document.querySelector(".wt-steps")]
            return viewer && card && viewer.dataset.draft === "false" && Number(viewer.dataset.generation) > newer
                && Number(card.dataset.steps) >= steps
                && card.querySelectorAll(".wt-thumb:not([hidden])").length === Number(card.dataset.steps)
        }"""
        self.page.wait_for_function(script, arg=[newer_than, steps], polling=POLLING)

    def wait_still(self, query):
        """Until no box of what is drawn has moved for a while: a resized window is laid out in several turns."""
        script = """([query, turns]) => {
            const boxes = [...document.querySelectorAll(query)].map((each) => each.getBoundingClientRect().toJSON())
            const now = JSON.stringify(boxes)
            window.still = now === window.seen ? (window.still ?? 0) + 1 : 0
            window.seen = now
            return window.still >= turns
        }"""
        self.page.wait_for_function(script, arg=[query, 10], polling=POLLING)

    def wait_newer(self, generation):
        script = "(old) => Number(document.querySelector('.wt-viewer').dataset.generation) > old"
        self.page.wait_for_function(script, arg=generation, polling=POLLING)

    def generation(self):
        return int(self.data("generation"))

    def pixels(self):
        """RGB of the picture as it is on the screen, as plain numbers."""
        return canvas_pixels(self.page)[..., :3].astype(np.int16)

    def wait_pixels(self, wanted, tries=100):
        """Until the picture on the screen is this one: a first frame may come before the stage's size is known."""
        for _ in range(tries):
            shown = self.pixels()
            if shown.shape == wanted.shape and np.abs(shown - wanted).max() <= 1:
                return
            self.page.evaluate("() => new Promise((done) => setTimeout(done, 100))")
        pytest.fail("another picture is on the screen than the one wanted")

    def place_of(self, x, y, frame):
        """Page place of a pixel of the frame (width, height) while all of it is fitted into the stage."""
        box = self.page.locator(".wt-stage").bounding_box()
        zoom = float(self.data("zoom"))
        middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        return middle[0] + (x + 0.5 - frame[0] / 2) * zoom, middle[1] + (y + 0.5 - frame[1] / 2) * zoom

    def drag(self, *places):
        """Drag the mouse along page places, one painted frame after the other."""
        mouse = self.page.mouse
        mouse.move(*places[0])
        mouse.down()
        for place in places[1:]:
            mouse.move(*place)
            self.page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        mouse.up()

    def steps(self):
        """Ids of the steps, from the cards."""
        return self.page.locator(".wt-step").evaluate_all("(cards) => cards.map((card) => card.dataset.id)")

    def choose(self, step):
        self.page.locator(f".wt-step[data-id={step}] .wt-step-title").click()
        self.page.locator(f".wt-settings[data-step={step}]").wait_for()

"""A plain page in a real browser that shows one panel without a kernel: the test holds its traits and messages."""

import base64
import gzip
import os
from dataclasses import asdict
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from live_bench import LivePicture
from playwright.sync_api import sync_playwright
from real_lab import LabPage, canvas_pixels, running_lab, write_notebook

import workbench as wb
from workbench.bench.drawer import Drawer
from workbench.bench.panels import PANELS
from workbench.bench.panels.export.panel import LABELLED, picture_formats
from workbench.bench.panels.open.files import stack_suffixes
from workbench.bench.panels.toolbar.panel import Toolbar
from workbench.simulate import simulate

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-extensions",
    "--no-first-run",
]

#: Where a frame lies on the stack that is the stack's own.
_AS_IT_IS = (1, 0, 0, 1, 0, 0)

# A window loads it once, as that takes longer than most tests: `show` makes a new body for each panel, and views that
# their test has not put away are put away at its end. The model is as anywidget hands it to a module.
_PAGE = """<!doctype html><html lang="en"><meta charset="utf-8"><title>panel</title><body>
<script>
// What the page has still to do by itself: delays, paintings, pictures that are unpacked; no limits of its patience.
const PATIENCE = 1000
const toDo = new Set()
const painted = requestAnimationFrame.bind(window)
for (const [begin, end] of [["setTimeout", "clearTimeout"], ["requestAnimationFrame", "cancelAnimationFrame"]]) {
  const [start, stop] = [window[begin].bind(window), window[end].bind(window)]
  window[begin] = (work, ms) => {
    const id = start((...given) => { toDo.delete(begin + id); work(...given) }, ms)
    if (!(ms >= PATIENCE)) toDo.add(begin + id)
    return id
  }
  window[end] = (id) => { toDo.delete(begin + id); stop(id) }
}
const unpack = createImageBitmap.bind(window)
window.createImageBitmap = (...given) => {
  const image = unpack(...given)
  toDo.add(image)
  const done = () => toDo.delete(image)
  image.then(done, done)
  return image
}
const source = Object.getOwnPropertyDescriptor(HTMLImageElement.prototype, "src")
const load = function (place) {
  toDo.add(this)
  for (const end of ["load", "error"]) this.addEventListener(end, () => toDo.delete(this), { once: true })
  source.set.call(this, place)
}
Object.defineProperty(HTMLImageElement.prototype, "src", { ...source, set: load })
const passes = (motion) => motion.playState === "running" && isFinite(motion.effect.getComputedTiming().endTime)
// The first painting tells the page of new sizes, and the second shows what it made of them.
async function at_rest(ms) {
  const end = performance.now() + ms
  for (let still = 0; still < 2; ) {
    await new Promise(painted)
    still = toDo.size || document.getAnimations().some(passes) ? 0 : still + 1
    if (performance.now() > end) throw new Error(`the page does not come to rest: ${[...toDo]}`)
  }
}

const bytesOf = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0))
const modelOf = (state) => ({
  traits: { state }, listeners: {}, sent: [], answers: {}, errors: [],
  get(name) { return this.traits[name] },
  set(name, value) { this.traits[name] = value },
  save_changes() {},
  on(event, react) { (this.listeners[event] ??= []).push(react) },
  off(event, react) { this.listeners[event] = (this.listeners[event] ?? []).filter((r) => r !== react) },
  fire(event, ...args) { for (const react of [...(this.listeners[event] ?? [])]) react(...args) },
  put(changes) { this.traits.state = { ...this.traits.state, ...changes }; this.fire("change:state") },
  message(content, buffers = []) { this.fire("msg:custom", content, buffers) },
  async packed(content, buffers) {
    const unpacked = (b) => new Blob([bytesOf(b)]).stream().pipeThrough(new DecompressionStream("gzip"))
    const all = buffers.map((b) => new Response(unpacked(b)).arrayBuffer())
    this.message(content, (await Promise.all(all)).map((b) => new DataView(b)))
  },
  silent: new Set(),
  unanswered: 0,
  send(content) {
    this.sent.push(content)
    if (this.silent.has(content.do)) return
    const answer = this.answers[content.do] ?? { error: null, value: null }
    this.unanswered += 1
    setTimeout(() => {
      this.unanswered -= 1
      this.message({ reply: content.id, ...answer })
    }, 0)
  },
})
window.addEventListener("error", (event) => fake.errors.push(String(event.message)))
window.addEventListener("unhandledrejection", (event) => fake.errors.push(String(event.reason)))

const loaded = async (code) => {
  const address = URL.createObjectURL(new Blob([code], { type: "text/javascript" }))
  return (await import(address)).default
}
async function show({ css, esm, state, light, ground, width }) {
  document.querySelectorAll("style").forEach((style) => style.remove())
  for (const text of [`body { margin: 8px; background: ${ground} }`, ...css]) {
    document.head.append(Object.assign(document.createElement("style"), { textContent: text }))
  }
  document.body.replaceWith(document.createElement("body"))
  document.body.dataset.jpThemeLight = light
  const el = document.createElement("main")
  el.id = "el"
  el.style.width = width
  document.body.append(el)
  window.fake = modelOf(state)
  window.views = []
  const view = async (module, place) => {
    let end = await module.render({ model: fake, el: place })
    const once = () => { end?.(); end = null }
    views.push(once)
    return once
  }
  const modules = await Promise.all(esm.map(loaded))
  window.open_view = () => view(modules[0], el)
  if (modules.length === 1) window.gone = await open_view()
  else {
    // Several stand on a bench, a place each, as `laid_out` lays them out.
    el.className = "wt-bench"
    const top = document.createElement("div")
    top.className = "wt-bench-top"
    el.append(top)
    const ends = await Promise.all(modules.map((module) => {
      const place = document.createElement("div")
      top.append(place)
      return view(module, place)
    }))
    window.gone = () => ends.forEach((end) => end())
  }
}
function put_away() {
  views.forEach((end) => end())
  localStorage.clear()
  return fake.errors
}
</script></body></html>"""
#: Where it lies; nobody answers there but the tests.
_ADDRESS = "http://panel.invalid/"


class FakePage:
    """A panel class in a window, or the toolbar and drawers that share a state, and what they sent."""

    def __init__(self, window, panels, state, *, width=900, height=900, light=True):
        self.page, self.context = window, window.context
        self.page.set_viewport_size({"width": width + 16, "height": height})
        self.page.mouse.move(0, 0)  # a window that was used before remembers where the mouse was
        self.problems = []
        self._heard = {
            "console": lambda m: self.problems.append(m.text) if m.type in {"error", "warning"} else None,
            "pageerror": lambda e: self.problems.append(str(e)),
        }
        for event, hear in self._heard.items():
            self.page.on(event, hear)
        if self.page.url != _ADDRESS:
            self.page.route("**/*", lambda route: route.fulfill(body=_PAGE, content_type="text/html"))
            self.page.goto(_ADDRESS)
        wanted = {"css": [panel._css for panel in panels], "esm": [panel._esm for panel in panels], "state": state}
        wanted |= {"light": str(light).lower(), "ground": "#ffffff" if light else "#111111", "width": f"{width}px"}
        self.page.evaluate("(wanted) => show(wanted)", wanted)

    def put(self, **changes):
        self.page.evaluate("(changes) => fake.put(changes)", changes)

    def answer(self, name, value=None, error=None):
        self.page.evaluate("([n, a]) => { fake.answers[n] = a }", [name, {"value": value, "error": error}])

    def sent(self, name):
        """Arguments of all requests of this name so far."""
        return self.page.evaluate("(name) => fake.sent.filter((m) => m.do === name).map((m) => m.with)", name)

    def wait_sent(self, name, count=1):
        """Arguments of all requests of this name, as soon as there are so many and each has its answer."""
        there = "([n, c]) => fake.sent.filter((m) => m.do === n).length >= c && fake.unanswered === 0"
        self.page.wait_for_function(there, arg=[name, count])
        return self.sent(name)

    def message(self, content, *buffers):
        coded = [base64.b64encode(gzip.compress(b, 1)).decode() for b in buffers]  # text is slow on its way
        self.page.evaluate("([content, buffers]) => fake.packed(content, buffers)", [content, coded])

    def send_fit(self, pixels, frame, generation=1, *, side="now", draft=False, linear=False, place=_AS_IT_IS):
        """Send pixels (h, w, 3) uint8 RGB as the reduced view of a frame of (height, width).

        ``place`` is where the frame lies on the stack, as a canvas's transform, or None where that is not known.
        """
        height, width, _ = pixels.shape
        options = [cv2.IMWRITE_JPEG_QUALITY, 98, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
        done, data = cv2.imencode(".jpg", np.ascontiguousarray(pixels[..., ::-1]), options)
        assert done
        message = {"kind": "fit", "side": side, "generation": generation, "draft": draft, "linear": linear}
        message |= {"scale": frame[1] / width, "frame": [*frame, 3], "size": [height, width], "place": place}
        across, down = frame[1] / width, frame[0] / height
        size = (across, across, down, down, 1, 1)
        message["image_place"] = place and [a * b for a, b in zip(place, size, strict=True)]
        self.message(message, data.tobytes())

    def send_loupe(self, pixels, y0, x0, generation=1, side="now", *, draft=False, block=1):
        height, width, _ = pixels.shape
        about = {"kind": "loupe", "side": side, "generation": generation, "draft": draft}
        place = {"y0": y0, "x0": x0, "height": height * block, "width": width * block}
        self.message({**about, **place, "block": block, "size": [height, width]}, pixels.tobytes())

    def data(self, name):
        return self.page.evaluate("(n) => document.querySelector('.wt').dataset[n]", name)

    def wait_data(self, name, value):
        self.page.wait_for_function("([n, v]) => document.querySelector('.wt').dataset[n] === v", arg=[name, value])

    def rest(self):
        """Until the page has nothing left to do by itself: delays, pictures, motions and paintings are over."""
        self.page.evaluate("at_rest(30_000)")

    def pixel(self, x, y, canvas=".wt-picture"):
        """RGB at a place of a canvas, in device pixels."""
        return self.pixels(x, y, 1, 1, canvas)[0, 0, :3].tolist()

    def pixels(self, x, y, width, height, canvas=".wt-picture"):
        """RGBA (height, width, 4) of a part of a canvas. Read from a copy: reading slows a canvas down for good."""
        return canvas_pixels(self.page, round(x), round(y), width, height, canvas=canvas)

    def screenshot(self, name, page=None):
        """Keep what is seen, here or on another page, where the environment says that screenshots are wanted."""
        if os.environ.get("WORKBENCH_SCREENSHOTS"):
            (page or self.page).screenshot(path=Path(os.environ["WORKBENCH_SCREENSHOTS"]) / "panels" / f"{name}.png")

    def close(self):
        errors = self.page.evaluate("put_away()")
        for event, hear in self._heard.items():
            self.page.remove_listener(event, hear)
        assert self.problems == []
        assert errors == []


@pytest.fixture(scope="session")
def chromium():
    if not Path(CHROMIUM).exists():
        pytest.skip(f"there is no {CHROMIUM}: install Debian's chromium to run the browser tests")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def jupyterlab(tmp_path_factory):
    """One JupyterLab for all tests of a process."""
    with running_lab(tmp_path_factory.mktemp("lab")) as lab:
        yield lab


@pytest.fixture(scope="module")
def nights(jupyterlab, request):
    """A folder of the lab for a module's tests, with the stack and the notebook that the module names."""
    folder = jupyterlab.folder / request.path.stem
    folder.mkdir()
    simulate("lantern_nebula", shape=request.module.SHAPE).stack.save(folder / "night.tif")
    yield folder
    jupyterlab.end_kernels()


@pytest.fixture(scope="module")
def open_lab(chromium, jupyterlab, nights):
    """Open a page on the module's folder as it was; settings, what was kept and the browser's memory are fresh."""
    pages = []

    def one(cell, **size):
        jupyterlab.forget_settings()
        write_notebook(nights / "bench.ipynb", cell)
        pages.append(LabPage(chromium, jupyterlab, nights, **size))
        pages[-1].forget_benches()
        return pages[-1]

    yield one
    for page in pages:
        if page.page is not None:
            page.screenshot("end")
        page.close()


@pytest.fixture(scope="session")
def window_for(chromium):
    """A browser window by its options: one for all tests, as it takes as long to start as most of them last."""

    @cache
    def one(ratio, touch):
        return chromium.new_context(device_scale_factor=ratio, has_touch=touch).new_page()

    return one


@pytest.fixture
def open_panel(window_for):
    """Open panel classes with a state; when the test ends, nothing may have gone wrong on the page."""
    pages, more = [], []

    def open_all(panels, state, *, ratio=1, touch=False, **options):
        panels = panels if isinstance(panels, tuple) else (panels,)
        window = window_for(ratio, touch)
        if any(page.page is window for page in pages):
            window = window.context.new_page()
            more.append(window)
        pages.append(FakePage(window, panels, state, **options))
        return pages[-1]

    yield open_all
    for page in pages:
        page.close()
    for window in more:
        window.close()


@pytest.fixture
def open_picture(open_panel, monkeypatch):
    """Open the picture panel of a bench with a stack and steps, and wait until it is settled."""
    made = []

    def one(stack, steps, **options):
        recipe = wb.Recipe(steps)
        made.append(LivePicture(open_panel, monkeypatch, lambda: wb.Bench(stack, recipe, autosave=False), **options))
        made[-1].until("d.draft === 'false'")
        return made[-1]

    yield one
    for live in made:
        live.bench.close()


@pytest.fixture
def open_toolbar(open_panel):
    """Open the toolbar with all drawers, a stack being open."""

    def one(*, width=1000, light=True, **more):
        drawers = {kind.module: kind.place for kind in PANELS if isinstance(kind.place, Drawer)}
        told = [{"name": name, **asdict(drawer)} for name, drawer in drawers.items()]
        stack = {
            "name": "night.tif",
            "size": "6000 x 4000 px",
            "acquisition": "",
            "remarks": ["rows were turned"],
        }
        state = {
            "stack": stack,
            "opened": True,
            "stem": "/home/me/night",
            "drawers": told,
            "formats": picture_formats(),
            "labelled": LABELLED,
        }
        state |= {
            "kinds": "TIFF or FITS",
            "suffixes": stack_suffixes(),
            "saved": [],
            "advice": [],
            "measured": [],
            "folder": None,
        }
        kinds = tuple(kind for kind in PANELS if kind is Toolbar or kind.module in drawers)
        return open_panel(kinds, state | more, width=width, light=light)

    return one

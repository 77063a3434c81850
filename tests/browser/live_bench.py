"""A bench and its picture panel on a plain page in a real browser, without JupyterLab between them."""

import json
import queue
import time

import numpy as np

from workbench.bench.panel import Panel
from workbench.bench.panels.viewer.panel import Viewer

#: What the page asks the bench for; other requests the page answers itself.
_ASKED = ("hello", "view_width", "loupe", "probe", "compare", "tool", "overlay", "brighten", "magnify", "see", "pick")


class LivePicture:
    """The picture panel of a bench.

    Parameters
    ----------
    open_panel : callable
        The fixture.
    monkeypatch : pytest.MonkeyPatch
    make : callable
        Makes the bench, whose messages then come here.
    **options
        Of the page.
    """

    def __init__(self, open_panel, monkeypatch, make, **options):
        self._messages = queue.SimpleQueue()

        def send(panel, content, buffers=None):
            if isinstance(panel, Viewer):
                self._messages.put((content, [bytes(b) for b in buffers or []]))

        monkeypatch.setattr(Panel, "send", send)
        self.bench = make()
        self.panel = open_panel(Viewer, self._state(), **options)
        self.page = self.panel.page
        self.page.evaluate("(names) => names.forEach((n) => fake.silent.add(n))", list(_ASKED))
        self._asked, self._unanswered = 0, set()
        self._put = None
        self.pump()

    def _state(self):
        return json.loads(json.dumps(self.bench.screen.panels["viewer"].state))

    def pump(self):
        """Carry what waits in both directions; whether anything did."""
        carried = False
        state = self._state()
        if state != self._put:
            self.panel.put(**state)
            self._put, carried = state, True
        for wanted in self.page.evaluate("(n) => fake.sent.slice(n)", self._asked):
            self._asked += 1
            carried = True
            if wanted["do"] in _ASKED:
                self._unanswered.add(wanted["id"])
                self.bench.screen.panels["viewer"]._handle_custom_msg(wanted, [])
        while not self._messages.empty():
            content, buffers = self._messages.get()
            self._unanswered.discard(content.get("reply"))
            self.panel.message(content, *buffers)
            carried = True
        return carried

    def until(self, condition, seconds=120):
        """Carry messages until an expression in ``d``, what the picture tells of itself, is true."""
        script = f"(() => {{ const d = document.querySelector('.wt').dataset; return Boolean({condition}) }})()"
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.pump()
            if self.page.evaluate(script):
                return
            self.page.wait_for_timeout(20)
        raise AssertionError(f"not in time: {condition}")

    def rest(self):
        """Carry messages until the bench has nothing left to make and to answer, nor the page to do or to ask."""
        carried, end = True, time.monotonic() + 300
        while carried or self._unanswered:
            assert time.monotonic() < end, f"the bench and its page do not come to rest: {self._unanswered}"
            self.panel.rest()
            assert self.bench.wait(max(end - time.monotonic(), 0))
            carried = self.pump()

    def compare(self, **wanted):
        """Choose the other side, and wait until it is shown at rest."""
        self.bench.screen.panels["viewer"].compare(**wanted)
        self.rest()
        self.until("Number(d.framesBefore) > 0 && d.draft === 'false'")

    def show(self, side):
        """Give the whole stage to one side, and return its pixels without what lies over them."""
        self.page.get_by_role("slider").focus()
        self.page.keyboard.press({"now": "Home", "before": "End"}[side])
        self.rest()
        width, height = self.size
        return self.panel.pixels(0, 0, width, height)[..., :3].astype(np.float64)

    @property
    def size(self):
        box = self.page.locator(".wt-stage").bounding_box()
        return int(box["width"]), int(box["height"])

"""Views are made in time: none is sent for a value that has been left."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from workbench.bench.sides import Side
from workbench.bench.views import Feed, Viewed
from workbench.engine import CloseUp, View
from workbench.recipe.model import RecipeData


class SlowPreview:
    """Makes a view when it is let, and says when it was asked."""

    def __init__(self):
        self.recipe = RecipeData(())
        self.asked, self.go = threading.Semaphore(0), threading.Semaphore(0)
        self.settling, self.settled = threading.Semaphore(0), threading.Event()
        self.settled.set()
        self.cancels, self.widths = [], []

    def view(self, width, *, draft=False, **_):
        self.asked.release()
        self.widths.append(width)
        assert self.go.acquire(timeout=30)
        pixels = np.zeros((4, 6, 3), np.uint8)
        return View(pixels, np.zeros((3, 4, 6), np.float32), 1.0, draft, (4, 6, 3), False, None, None)

    def settle(self, *, cancel=None, **_):
        self.cancels.append(cancel)
        self.settling.release()
        assert self.settled.wait(30)
        return {}


def test_a_picture_in_the_making_is_shown_while_the_slider_moves_but_not_once_it_was_let_go():
    sent = []
    feed = Feed(lambda e: sent.append((e.generation, e.view.draft)) if isinstance(e, Viewed) else None, lambda *_: None)
    preview = SlowPreview()
    first = feed.show(Side(preview), None, moving=True)
    assert preview.asked.acquire(timeout=30)
    second = feed.show(Side(preview), None, moving=True)
    preview.go.release()
    assert preview.asked.acquire(timeout=30)
    let_go = feed.show(Side(preview), None)
    for _ in range(3):
        preview.go.release()
    assert feed.wait(30)
    feed.close()
    assert first < second < let_go
    assert sent[0] == (first, True)
    assert {generation for generation, _ in sent[1:]} == {let_go}
    assert sent[-1] == (let_go, False)


def test_another_width_leaves_what_is_being_measured_alone():
    sent = []
    feed = Feed(lambda e: sent.append(e.view.draft) if isinstance(e, Viewed) else None, lambda *_: None)
    preview = SlowPreview()
    preview.settled.clear()
    feed.show(Side(preview), None)
    preview.go.release()
    assert preview.settling.acquire(timeout=30)  # once the draft is out
    for _ in range(3):
        preview.go.release()
    for width in (640, 700):
        feed.resize(width)
        assert feed.wait_drafts(30)
    assert not preview.cancels[0].wanted
    preview.settled.set()
    assert feed.wait(30)
    feed.close()
    assert len(preview.cancels) == 1
    assert preview.widths[-1] == 700
    assert sent[-1] is False


class NeverSettled(SlowPreview):
    """Measures until it is told to stop; a draft is at hand."""

    def __init__(self):
        super().__init__()
        self.go = threading.Semaphore(100)

    def settle(self, *, cancel=None, **_):
        self.settling.release()
        while not cancel.wanted:
            time.sleep(0.001)
        cancel.check()

    def draft_loupe(self, y0, x0, height, width, **_):
        return CloseUp(np.zeros((height, width, 3), np.uint8), draft=True)


def test_an_exact_close_up_is_given_up_when_something_else_is_to_be_shown():
    feed, preview = Feed(lambda _event: None, lambda *_: None), NeverSettled()
    feed.show(Side(preview), None, moving=True)
    assert feed.loupe(0, 0, 5, 7)[1].draft, "while a control moves nothing is measured for a close-up"
    shown = feed.show(Side(preview), None)
    assert preview.settling.acquire(timeout=30)  # behind the draft
    with ThreadPoolExecutor(1) as pool:
        exact = pool.submit(feed.loupe, 0, 0, 5, 7)
        assert preview.settling.acquire(timeout=30)
        feed.show(Side(preview), None, moving=True)
        assert exact.result(30) == (shown, None)
    feed.close()

"""The bench's screen: its panels, what they show at any moment, and the threads that make it."""

from __future__ import annotations

import base64
import contextlib
import re
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.bench.arrangement import family, laid_out
from workbench.bench.comparison import Comparison
from workbench.bench.controls import card_states, settings_state, shelf_operations, stack_state
from workbench.bench.feed import Feed
from workbench.bench.files import Files, listing
from workbench.bench.gestures import beside, lane_of, request
from workbench.bench.histogram import Histogram, histogram_state
from workbench.bench.leaving import Leaving
from workbench.bench.probe import probe
from workbench.bench.settings import Settings
from workbench.bench.shelf import Shelf
from workbench.bench.showing import Showing
from workbench.bench.steps import Steps
from workbench.bench.tools import Tools
from workbench.bench.viewer import Viewer
from workbench.bench.warm import warm_up
from workbench.checkup import Checkup
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts

if TYPE_CHECKING:
    from workbench.bench.bench import Bench

__all__ = ["Screen"]

#: Largest blocks of pixels whose means make a close-up.
_LARGEST_BLOCK = 4
#: How a failure names its step.
_OF_STEP = re.compile(r"step (\d+) \(\w+\): (.*)", re.DOTALL)


class Screen:
    """What a bench shows. Only this class talks to the panels."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._lanes = {name: ThreadPoolExecutor(1, thread_name_prefix=f"bench {name}") for name in ("look", "errand")}
        self._lock = threading.RLock()
        self._compare = Comparison()
        self._shown: tuple[Any, ...] = ()
        self._thumbs: dict[int, str] = {}
        self._keys: tuple[int, list[int]] = (0, [])
        self._problem: tuple[int, str] | None = None
        self.viewer = Viewer(self.handle)
        self.histogram = Histogram(self.handle)
        self.steps = Steps(self.handle)
        self.settings = Settings(self.handle)
        self.shelf = Shelf(self.handle)
        self.tools = Tools(bench)
        self.files = Files(Path.cwd())
        self.leaving = Leaving(self.shelf)
        self.feed = Feed(self.viewer.send_frame, self._on_histogram, self._on_thumbs, self._told)
        self.layout_widget = laid_out(self.shelf, self.viewer, self.histogram, self.steps, self.settings)
        self.refresh("recipe")

    def handle(self, name: str, wanted: dict[str, Any], reply: Callable[[Callable[[], Any]], None]) -> None:
        """Do what a page asks for and reply, at once or, where it takes long, from another thread."""

        def work() -> Any:
            return self.bench.perform(name, wanted)

        lane = next((lane for o in (self.bench, self, self.files) if (lane := lane_of(o, name))), "now")
        if lane == "now":
            reply(work)
        else:
            self._lanes[lane].submit(reply, work)

    # -- what is shown ---------------------------------------------------------------------------------------------

    def opened(self) -> None:
        """Show another stack."""
        bench, stack = self.bench, self.bench.opened_stack()
        with self._lock:
            self._compare, self._problem, self._shown = Comparison(), None, ()
            self._thumbs.clear()
            self.tools.forget()
            self.files.home = Path.cwd() if bench.path is None else bench.path.resolve().parent
            told = {"stack": stack_state(stack, bench.path), "folder": None, "message": None}
            self.shelf.put(**told, advice=[], measured=[], saved=[])

    def refresh(self, what: str) -> None:
        """Bring the panels up to date after a change of ``what``: recipe, moving, selection, variants, view."""
        bench = self.bench
        with self._lock:
            if what in {"recipe", "moving"}:
                self._problem = None
            if what != "moving":
                self._put_steps()
                self.shelf.put(autosave=bench.kept_where)
            self._put_settings()
            self._put_viewer()
            if bench.preview is None or what == "variants":
                return
            shown = (self._now(), self._before())
            if what == "selection" and shown == self._shown:
                return
            self._shown = shown
            generation = self.feed.show(shown[0], shown[1], moving=what == "moving")
            self._keys = (generation, [card.key for card in bench.table.layout.cards])

    def _now(self) -> Showing:
        assert self.bench.preview is not None
        return Showing(self.bench.preview, self._shown_upto())

    def _shown_upto(self) -> int | None:
        """How many steps the frame shown has gone through; None: all."""
        edited = self.tools.shown_before
        return self._compare.near_upto(self.bench.table) if edited is None else edited

    def _before(self) -> Showing | None:
        preview = self.bench.preview
        return None if preview is None else self._compare.far(preview, self.bench.table)

    def _facts(self) -> dict[int, Facts]:
        return {} if self.bench.preview is None else self.bench.preview.known_facts

    def _put_steps(self) -> None:
        bench, layout = self.bench, self.bench.table.layout
        seconds = {} if bench.preview is None else bench.preview.seconds
        self._thumbs = {c.key: self._thumbs[c.key] for c in layout.cards if c.key in self._thumbs}
        self.steps.put(
            title=layout.title,
            cards=card_states(layout, self._facts(), bench.selected, self._thumbs, seconds, self._problem),
            selected=bench.selected,
            can_undo=bench.table.can_undo,
            can_redo=bench.table.can_redo,
            variants=list(bench.table.variants),
            shelf=shelf_operations(bench.table),
            compare=self._compare.state(),
            opened=bench.stack is not None,
        )
        # Of several steps of a kind the first one is meant.
        on = ((c.step.operation.id, i) for i, c in enumerate(layout.cards) if c.step.on)
        self.shelf.put(placed=dict(reversed(list(on))))

    def _put_settings(self) -> None:
        bench, index = self.bench, self.bench.selected
        if index is None:
            self.settings.put(index=None)
            return
        shape = None if bench.stack is None else bench.stack.shape[:2]
        self.settings.put(**settings_state(bench.table.layout.cards[index], index, self._facts().get(index), shape))

    def _put_viewer(self) -> None:
        table = self.bench.table
        names = [card.step.operation.id for card in table.layout.cards]
        shown = self.tools.state(self._shown_upto())
        self.viewer.put(compare=self._compare.state(), steps=names, variants=list(table.variants), **shown)

    def show_checkup(self, report: Checkup) -> None:
        """Show the check-up's numbers and advice."""
        measured = [list(row) for row in report.summary()]
        self.shelf.put(advice=report.to_dict()["advice"], measured=measured)

    # -- told by the threads that make views -------------------------------------------------------------------------

    def _told(self, what: str) -> None:
        failed = what.removeprefix("failed: ") if what.startswith("failed: ") else ""
        with self._lock:
            self.viewer.put(busy=what == "busy", message=failed)
            if what == "busy":
                return
            if what == "settled":
                warm_up()  # what the steps not yet on the table need; now that nobody waits for a picture
            of_step = _OF_STEP.fullmatch(failed)
            self._problem = (int(of_step[1]) - 1, of_step[2]) if of_step else None
            self._put_steps()
            self._put_settings()
            self._put_viewer()

    def _on_histogram(self, message: dict[str, Any]) -> None:
        self.histogram.put(**histogram_state(message, self.bench.table.layout, self._facts()))

    def _on_thumbs(self, generation: int, pictures: list[bytes]) -> None:
        with self._lock:
            shown, keys = self._keys
            if shown != generation or len(keys) < len(pictures):
                return
            urls = (f"data:image/jpeg;base64,{base64.b64encode(p).decode('ascii')}" for p in pictures)
            self._thumbs |= zip(keys, urls, strict=False)  # a step without a new one keeps what it had
            self._put_steps()

    # -- requests of the page ------------------------------------------------------------------------------------------

    @request
    def view_width(self, width: int) -> None:
        """The picture's width on the screen changed."""
        width = int(np.clip(width, 200, 4000))
        if width != self.feed.width:
            self.feed.resize(width)

    @beside("look")
    def loupe(
        self, y0: int, x0: int, height: int, width: int, before: bool = False, draft: bool = False, block: int = 1
    ) -> dict[str, Any] | None:
        """Send the pixels of a region: exact, or those of a draft, of which there may be none.

        Of blocks of ``block`` x ``block`` pixels the means are sent.
        """
        y0, x0, block = max(0, int(y0)), max(0, int(x0)), int(np.clip(block, 1, _LARGEST_BLOCK))
        height, width = int(np.clip(height, 1, 2400 * block)), int(np.clip(width, 1, 3200 * block))
        generation, seen = self.feed.loupe(y0, x0, height, width, before=before, draft=draft, block=block)
        if seen is None:
            return None
        h, w, _ = seen.pixels.shape
        about = {"side": "before" if before else "now", "generation": generation, "draft": seen.draft}
        place = {"y0": y0, "x0": x0, "height": h * block, "width": w * block}
        image = {"block": block, "size": [h, w]}
        self.viewer.send_frame({"kind": "loupe", **about, **place, **image}, [seen.pixels.tobytes()])
        return place

    @beside("look")
    def probe(self, y: int, x: int, before: bool = False) -> dict[str, Any]:
        """Values under the pointer, on one side of the divider."""
        self.bench.opened_stack()
        side = (self._before() if before else None) or self._now()
        return probe(side, int(y), int(x), self.tools.stars)

    @request
    def compare(self, step: int | None = None, variant: str | None = None, upto: int | None = None) -> None:
        """Show the picture before ``step``, or a variant, on the other side of the divider; neither: no divider.

        ``upto`` is how many steps the near side shows (default: all), so that any two places can be compared.
        """
        if variant is not None and variant not in self.bench.table.variants:
            raise WorkbenchError(f"there is no variant {variant!r}")
        step, upto = (None if place is None else int(place) for place in (step, upto))
        self._compare = Comparison(step, variant, upto)
        self.refresh("view")

    @request
    def tool(self, name: str) -> None:
        """Choose what dragging on the picture does."""
        self.tool_for(name)
        self.refresh("view")

    def tool_for(self, name: str | None) -> None:
        """Take a tool up, or put it down."""
        self.tools.take("look" if name is None else name)

    @beside("look")
    def overlay(self, name: str, on: bool) -> None:
        """Switch an overlay on or off."""
        self.tools.switch(name, on=bool(on))
        with self._lock:
            self._put_viewer()

    @request
    def dismiss(self) -> None:
        """Put the message away."""
        self.shelf.put(message=None)

    @request
    def gestures(self) -> str:
        """Every gesture so far as Python."""
        return self.bench.history

    @request
    def browse(self, path: str | None = None) -> None:
        """List a folder on the shelf."""
        self.shelf.put(folder=listing(path, self.files.home))

    @beside("errand")
    def upload_end(self, token: str) -> str:
        """Give an uploaded file its name, and open it."""
        path = str(self.files.upload_finish(token))
        self.bench.open(path)
        return path

    # -- the end -------------------------------------------------------------------------------------------------------

    def rest(self) -> None:
        """Stop what is being made for the screen."""
        self.feed.stop()

    def wait(self, timeout: float | None) -> bool:
        """Wait for views and files."""
        return self.feed.wait(timeout) and self.leaving.wait(timeout)

    def close(self) -> None:
        """End the threads and close the panels."""
        self.leaving.close()
        self.feed.close()
        self.files.close()
        for lane in self._lanes.values():
            lane.shutdown(wait=False, cancel_futures=True)
        for widget in family(self.layout_widget):
            with contextlib.suppress(Exception):
                widget.close()

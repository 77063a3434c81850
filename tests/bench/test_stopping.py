"""A stop counts from the first moment of what it stops, however soon it comes."""

import threading

import pytest

import workbench.bench.measuring as measuring_module
from workbench.bench.leaving import Leaving
from workbench.bench.measuring import Measuring
from workbench.bench.shelf import Shelf
from workbench.errors import Cancelled


@pytest.mark.parametrize("errand", ["checkup", "suggestion"])
def test_measuring_stopped_as_it_begins(color_stack, monkeypatch, errand):
    measuring, go_on = Measuring(), threading.Event()
    monkeypatch.setattr(measuring_module, "check", lambda _stack: go_on.wait(30))
    begin = measuring._measured

    def stopped_at_once(stack):
        begun = begin(stack)
        measuring.stop()
        return begun

    monkeypatch.setattr(measuring, "_measured", stopped_at_once)
    try:
        with pytest.raises(Cancelled, match="as it was"):
            getattr(measuring, errand)(color_stack)
    finally:
        go_on.set()
        measuring.close()


def test_writing_stopped_before_its_thread_has_begun(tmp_path, monkeypatch):
    shelf = Shelf(lambda *_: None)
    leaving, worked = Leaving(shelf), []
    give = leaving._thread.give

    def stopped_before(job):
        leaving.stop()
        give(job)

    monkeypatch.setattr(leaving._thread, "give", stopped_before)
    try:
        with pytest.raises(Cancelled):
            leaving.write(tmp_path / "a.tif", worked.append, wait=True)
        assert worked == []
        assert shelf.state["message"]["text"] == "stopped; a.tif was not written"
        assert shelf.state["progress"] is None
        monkeypatch.undo()
        leaving.write(tmp_path / "b.tif", worked.append, wait=True)  # the next one is neither stopped nor refused
        assert len(worked) == 1
    finally:
        leaving.close()

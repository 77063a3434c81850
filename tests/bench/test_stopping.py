"""A stop counts from the first moment of what it stops, however soon it comes."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

import workbench.bench.measuring as measuring_module
from workbench.bench.events import FilesProgress, Said, Written
from workbench.bench.exporting import Writer
from workbench.bench.measuring import Measuring
from workbench.bench.worker import LatestWins
from workbench.errors import Cancelled


@pytest.mark.parametrize("wanted", ["checkup", "suggestion"])
def test_measuring_stopped_as_it_begins(color_stack, monkeypatch, wanted):
    stopped, go_on = threading.Event(), threading.Event()

    class Pool(ThreadPoolExecutor):
        """Hands over what was begun once it was told to stop."""

        def submit(self, *job):
            begun = super().submit(*job)
            stopped.wait(30)
            return begun

    def check(_stack):
        measuring.stop()
        stopped.set()
        go_on.wait(30)

    monkeypatch.setattr(measuring_module, "ThreadPoolExecutor", Pool)
    monkeypatch.setattr(measuring_module, "check", check)
    measuring = Measuring()
    try:
        with pytest.raises(Cancelled, match="as it was"):
            getattr(measuring, wanted)(color_stack)
    finally:
        go_on.set()
        measuring.close()


def test_writing_stopped_before_its_thread_has_begun(tmp_path, monkeypatch):
    told, worked = [], []
    writer = Writer(told.append)
    give = LatestWins.give

    def stopped_before(thread, job):
        writer.stop()
        give(thread, job)

    monkeypatch.setattr(LatestWins, "give", stopped_before)
    try:
        with pytest.raises(Cancelled):
            writer.write(tmp_path / "a.tif", worked.append, wait=True)
        assert worked == []
        assert Said("stopped; a.tif was not written") in told
        assert told[-1] == FilesProgress()
        monkeypatch.undo()
        writer.write(tmp_path / "b.tif", worked.append, wait=True)  # the next one is neither stopped nor refused
        assert len(worked) == 1
        assert Written(str(tmp_path / "b.tif")) in told
    finally:
        writer.close()

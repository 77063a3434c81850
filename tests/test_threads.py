"""Work is shared between as many threads as were asked for and no more, however deep the asking goes."""

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import cv2
import pytest

from workbench.measure.blocks import together
from workbench.threads import default_threads, in_order, thread_count, use_threads


class Busy:
    """Counts how many threads are inside at once."""

    def __init__(self):
        self.lock, self.now, self.most, self.names = threading.Lock(), 0, 0, set()

    def __call__(self, item):
        with self.lock:
            self.now += 1
            self.most = max(self.most, self.now)
            self.names.add(threading.current_thread().name)
        time.sleep(0.002)
        with self.lock:
            self.now -= 1
        return item


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_no_more_threads_are_at_work_than_were_asked_for(count):
    busy = Busy()
    with use_threads(count):
        assert thread_count() == count
        assert in_order(busy, list(range(40))) == list(range(40))
        nested = together(*[lambda: in_order(lambda i: in_order(busy, [i] * 5), list(range(4)))] * 3)
    assert nested == [[[i] * 5 for i in range(4)]] * 3
    assert busy.most <= count
    assert busy.most == count or count > 3, "the threads work side by side"


def test_measuring_obeys_the_number_of_threads_of_a_run(monkeypatch):
    import numpy as np

    import workbench as wb

    busy, find = Busy(), wb.Crop.measure

    def measured(self, frame):
        in_order(busy, list(range(30)))
        return find(self, frame)

    monkeypatch.setattr(wb.Crop, "measure", measured)
    stack = wb.Stack.from_array(np.random.default_rng(1).normal(0.1, 0.001, (90, 120, 3)).astype(np.float32))
    for count in (1, 3):
        busy.most = 0
        wb.Recipe([wb.Crop()]).run(stack, threads=count)
        assert busy.most == count
        busy.most = 0
        wb.Preview(stack, wb.Recipe([wb.Crop()]), threads=count).settle()
        assert busy.most == count


def test_the_error_of_the_first_item_is_raised_and_the_threads_end():
    def work(item):
        if item >= 3:
            raise ValueError(item)
        return item

    before = threading.active_count()
    for _ in range(20):
        with use_threads(4), pytest.raises(ValueError, match=r"^3$"):
            in_order(work, list(range(50)))
    assert threading.active_count() == before


def test_inside_libraries_are_quiet_and_afterwards_they_are_as_they_were():
    before = cv2.getNumThreads()
    with use_threads(3):
        with use_threads():
            assert thread_count() == 3
        assert cv2.getNumThreads() == 1
    assert (cv2.getNumThreads(), thread_count()) == (before, default_threads())


@pytest.mark.parametrize("load", ["linalg.inv([[1.0]])", 'load_behind("no.such.library", "scipy.linalg").join()'])
def test_a_library_that_is_loaded_meanwhile_is_quiet_too_and_afterwards_as_it_was(load):
    program = f"""if True:
        from threadpoolctl import threadpool_info
        from workbench.lazy import load_behind, on_first_use
        from workbench.threads import one_thread_libraries
        linalg = on_first_use("scipy.linalg")
        def most():
            return max(library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas")
        with one_thread_libraries():
            {load}
            print(most())
        print(most())
    """
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "2"}
    ran = subprocess.run([sys.executable, "-c", program], env=environment, check=True, capture_output=True, text=True)
    assert ran.stdout.split() == ["1", str(min(2, default_threads()))]


def test_only_one_place_of_the_engine_and_of_measuring_starts_threads():
    package = Path(__file__).parent.parent / "workbench"
    rooms = [*package.glob("engine/*.py"), *package.glob("measure/**/*.py"), *package.glob("operations/**/*.py")]
    assert len(rooms) > 50
    assert [path.name for path in rooms if "ThreadPool" in path.read_text()] == []

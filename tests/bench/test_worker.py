"""The latest job wins; nothing queues up; errors are told and do not end the thread."""

import subprocess
import sys
import threading

import pytest

from workbench.bench.worker import LatestWins


@pytest.fixture
def failures():
    return []


@pytest.fixture(params=[False, True], ids=["finishing", "interrupting"])
def worker(request, failures):
    made = LatestWins("test", failures.append, interrupt=request.param)
    yield made
    made.close()


def test_the_last_of_many_jobs_is_done_and_those_between_are_dropped(worker):
    done, release, started = [], threading.Event(), threading.Event()

    def first(_cancel):
        started.set()
        release.wait(10)
        done.append(0)

    worker.give(first)
    assert started.wait(10)
    for i in range(1, 50):
        worker.give(lambda _cancel, i=i: done.append(i))
    release.set()
    assert worker.wait(10)
    assert done == [0, 49]


def test_a_job_at_work_is_cancelled_only_where_that_is_wanted(failures):
    for interrupt in (False, True):
        worker = LatestWins("test", failures.append, interrupt=interrupt)
        started, release, seen = threading.Event(), threading.Event(), []

        def long(cancel, started=started, release=release, seen=seen):
            started.set()
            release.wait(10)
            seen.append(cancel.wanted)
            cancel.check()

        worker.give(long)
        assert started.wait(10)
        worker.give(lambda _cancel: None)
        release.set()
        assert worker.wait(10)
        assert seen == [interrupt]
        worker.close()
    assert failures == []


def test_an_error_is_told_and_the_next_job_still_runs(worker, failures):
    worker.give(lambda _cancel: 1 / 0)
    assert worker.wait(10)
    done = threading.Event()
    worker.give(lambda _cancel: done.set())
    assert done.wait(10)
    assert [type(f) for f in failures] == [ZeroDivisionError]


def test_closing_ends_the_thread_and_later_jobs_are_ignored(failures):
    worker = LatestWins("short lived", failures.append, interrupt=True)
    worker.close()
    worker.give(lambda _cancel: failures.append("ran"))
    assert not any(t.name == "short lived" for t in threading.enumerate())
    assert failures == []


def test_a_program_that_ends_waits_for_the_thread_at_work_in_a_library():
    # A thread that comes back from OpenCV when the interpreter is gone ends the process with an abort.
    script = (
        "import threading, cv2, numpy as np; from workbench.bench.worker import LatestWins\n"
        "begun = threading.Event()\n"
        "def job(cancel):\n"
        "    while not cancel.wanted:\n"
        "        cv2.GaussianBlur(np.zeros((1500, 1500), np.float32), (31, 31), 5)\n"
        "        begun.set()\n"
        "    print('stopped')\n"
        "LatestWins('test', print, interrupt=False).give(job)\n"
        "begun.wait()\n"
    )
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False)
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, "stopped\n", "")

"""Frames on disk and tiles of other processes: the same bytes, whatever dies on the way."""

import os
import signal
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import workbench as wb
from workbench.errors import Cancelled, WorkbenchError
from workbench.io import scratch as module
from workbench.io.scratch import Scratch, stored
from workbench.simulate import simulate

RECIPE = wb.Recipe([wb.LevelSky(), wb.Denoise(), wb.Stretch(), wb.Turn(quarter_turns=1)], title="on a cluster")


@pytest.fixture(scope="module")
def stack():
    return simulate("beehouse_cluster", shape=(1100, 1300), seed=2).stack


@pytest.fixture(scope="module")
def usual(stack):
    return RECIPE.run(stack)


def test_a_worker_that_is_killed_in_the_middle_loses_nothing(stack, usual, cluster, tmp_path):
    before = cluster.run(os.getpid)
    victims = [next(iter(before.values()))]

    def progress(share, doing):
        if victims and "denoise" in doing:
            os.kill(victims.pop(), signal.SIGKILL)

    result = RECIPE.run(stack, scratch=tmp_path, scheduler=cluster, progress=progress)
    assert not victims, "no worker was killed"
    np.testing.assert_array_equal(result.image.pixels, usual.image.pixels)
    assert usual.record.compare(result.record).same == "identical"
    assert set(cluster.run(os.getpid).values()) != set(before.values())


def test_a_run_on_a_cluster_can_be_stopped(stack, cluster, tmp_path):
    cancel = wb.Cancel()
    with pytest.raises(Cancelled):
        RECIPE.run(stack, scratch=tmp_path, scheduler=cluster, cancel=cancel, progress=lambda *_: cancel.set())
    assert not list(tmp_path.iterdir())


class _Broken(wb.LevelSky):
    def apply(self, tile, plan, out):
        raise WorkbenchError("this tile cannot be made")


def test_a_fault_on_a_worker_is_told_as_it_is(stack, cluster, tmp_path):
    cloudpickle = pytest.importorskip("cloudpickle")
    cloudpickle.register_pickle_by_value(sys.modules[__name__])  # workers do not have this file on their path
    with pytest.raises(WorkbenchError, match="this tile cannot be made"):
        wb.Recipe([_Broken()]).run(stack, scratch=tmp_path, scheduler=cluster)


def test_a_worker_that_does_not_see_the_frames_is_told_as_that(stack, cluster, tmp_path):
    def unlink(*_):
        for path in tmp_path.iterdir():
            path.unlink()  # this process has them mapped; workers open them by name

    with pytest.raises(WorkbenchError, match=r"a worker cannot use the scratch folder .*no such file"):
        RECIPE.run(stack, scratch=tmp_path, scheduler=cluster, progress=unlink)


def test_no_scheduler_and_no_folder_are_told_in_a_sentence(stack, tmp_path, monkeypatch):
    monkeypatch.setattr("workbench.engine.cluster.CONNECT_SECONDS", 1)
    with pytest.raises(WorkbenchError, match=r"no scheduler answers at 'tcp://127\.0\.0\.1:9'"):
        RECIPE.run(stack, scratch=tmp_path, scheduler="tcp://127.0.0.1:9")
    with pytest.raises(WorkbenchError, match="is not a folder that can be written in"):
        RECIPE.run(stack, scratch=tmp_path / "nowhere")


def test_arrays_on_disk_go_with_their_last_user(tmp_path):
    scratch = Scratch(tmp_path)
    planes = scratch.array((3, 40, 50))
    assert len(list(tmp_path.iterdir())) == 1
    planes[1, 2, 3] = 7
    place = stored(planes)
    assert place.opened()[1, 2, 3] == 7
    place.write(np.full((3, 5, 4), 2, np.float32), 35, 46)
    assert planes[:, 35:, 46:].min() == 2
    assert planes.sum() == 7 + 2 * 60
    view = planes[1:, ::2]
    assert stored(view) is None, "a view that is not the whole must not pass for it"
    del planes
    assert view[0, 1, 3] == 7
    del view
    assert not list(tmp_path.iterdir())


def test_what_a_killed_process_left_goes_with_the_next(tmp_path):
    scratch = Scratch(tmp_path)
    mine = scratch.array((1, 4, 4))
    file = next(tmp_path.iterdir())
    ending = "01" if file.stem.endswith("00") else "00"  # names are random
    left = file.with_name(file.name[:-7] + f"{ending}.part")
    left.write_bytes(bytes(64))
    os.utime(left, (1, 1))
    os.utime(file, (1, 1))
    Scratch(tmp_path)
    assert file.exists(), "another process still uses it"
    assert not left.exists()
    assert mine.sum() == 0


def test_pages_are_let_go_and_come_back(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "RESIDENT", 0)
    array = Scratch(tmp_path).array((1, 256, 4096))
    array[...] = np.arange(4096, dtype=np.float32)
    time.sleep(0.3)
    resident = _resident_kb(stored(array).path)
    if resident is not None:
        assert resident < array.nbytes // 1024
    assert (array == np.arange(4096, dtype=np.float32)).all()


def _resident_kb(path):
    """Pages of a file that this process maps, where the system tells."""
    try:
        lines = Path("/proc/self/smaps").read_text().splitlines()
    except OSError:
        return None
    at = next((i for i, line in enumerate(lines) if line.endswith(path)), None)
    return None if at is None else int(next(line for line in lines[at:] if line.startswith("Rss:")).split()[1])


def test_a_full_disk_is_told_before_the_work(tmp_path):
    with pytest.raises(WorkbenchError, match=r"cannot make .* of scratch space"):
        Scratch(tmp_path).array((3, 1 << 22, 1 << 22))
    assert not list(tmp_path.iterdir())

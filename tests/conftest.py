"""Fixtures shared by all tests."""

import gc
import os
import sys
from functools import cache

# Before numpy is loaded: one thread for linear algebra. Those of several processes would spend more time on waiting for
# each other, the cores kept busy, than on the work.
os.environ.setdefault("OMP_NUM_THREADS", "1")

# What Python makes of the source is kept, also where a machine is told not to: else each of the many processes that
# tests start would compile the package for itself.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings

from workbench.prepared import UNPREPARED, prepare
from workbench.stack import Stack

# And what pytest makes of the tests, for the next run.
sys.dont_write_bytecode = False

# A busy machine is no fault: tests never assert times.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

# Each worker of a parallel run would have processes prepare what tests compile as they need it.
os.environ[UNPREPARED] = "1"


def pytest_configure(config):
    """Before the processes of a parallel run begin: what two of them would compile at once is compiled once, by all."""
    if getattr(config.option, "numprocesses", None) and not hasattr(config, "workerinput"):
        with pytest.MonkeyPatch.context() as patch:
            patch.delenv(UNPREPARED)
            prepare("picture", lambda _: None)


def pytest_collection_finish():
    """What is loaded and collected stays to the end; the collector of garbage need not look through it each time."""
    gc.collect()
    gc.freeze()


#: Files of tests that take longest, by their processor time. A parallel run hands out files in order, each to one
#: process as its tests share scenes, kernels and clusters; so that none waits for another at the end, these come first.
LONGEST = (
    "browser/test_room.py",
    "notebooks/test_notebooks.py",
    "operations/test_contract.py",
    "browser/test_viewer_page.py",
    "bench/test_bench.py",
    "browser/test_bench_command.py",
    "engine/test_approximation.py",
    "browser/test_before_and_now.py",
    "real/test_real_frames.py",
    "cli/test_commands.py",
    "independent/test_borders.py",
    "checkup/test_suggest.py",
    "cli/test_lab.py",
    "browser/test_side_panels.py",
    "cli/test_bad_requests.py",
    "browser/test_accessibility.py",
    "teach/test_notebook.py",
    "io/test_untrusted.py",
    "independent/test_gradient.py",
)

#: Files of tests that one process of a parallel run does together: for them a second JupyterLab, a second cluster would
#: be started.
TOGETHER = (
    ("browser/test_room.py", "browser/test_lab_bench.py", "browser/test_kernel.py"),
    ("operations/test_contract.py", "engine/test_cluster.py", "cli/test_batch.py"),
)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    if config.getoption("dist") != "loadfile":
        return None
    from xdist.scheduler import LoadFileScheduling

    first_of = {f"tests/{name}": f"tests/{names[0]}" for names in TOGETHER for name in names}

    class ByFileOrTogether(LoadFileScheduling):
        def _split_scope(self, nodeid):
            file = super()._split_scope(nodeid)
            return first_of.get(file, file)

    return ByFileOrTogether(config, log)


def pytest_collection_modifyitems(items):
    order = {Path(__file__).parent / name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: order.get(item.path, len(order)))


@pytest.fixture(autouse=True, scope="session")
def own_state(tmp_path_factory):
    """What programs keep for a person is not this person's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture(scope="session")
def star_patterns(tmp_path_factory):
    """Where the patterns of stars that tests make are kept, once for all files and processes of a run."""
    own = tmp_path_factory.getbasetemp()
    place = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "star-patterns"
    place.mkdir(exist_ok=True)
    return place


SEED = 20260311


@pytest.fixture
def rng():
    return np.random.default_rng(SEED)


@cache
def _color_pixels():
    """The pixels of `color_stack`, and where its random numbers end."""
    rng = np.random.default_rng(SEED)
    h, w = 217, 331
    y, x = np.mgrid[:h, :w].astype(np.float32)
    sky = 0.08 + 2e-5 * x + 1e-5 * y
    blob = 0.05 * np.exp(-((y - 90) ** 2 + (x - 200) ** 2) / (2 * 25.0**2))
    pixels = np.stack([sky * 1.3 + blob, sky, sky * 0.8 + 0.3 * blob], axis=2)
    for cy, cx, peak in ((40, 60, 0.5), (150, 120, 0.2), (180, 300, 0.9), (20, 250, 0.1)):
        star = peak * (1 + ((y - cy) ** 2 + (x - cx) ** 2) / 2.5**2) ** -2.5
        pixels += star[:, :, None] * np.float32([1.0, 0.9, 0.8])
    pixels += rng.normal(0, 0.002, pixels.shape)
    return pixels, rng.bit_generator.state


@pytest.fixture
def color_stack(rng):
    """A small linear color stack whose sides are no multiple of any tile: smooth sky, a blob, a few stars, noise."""
    pixels, rng.bit_generator.state = _color_pixels()
    return Stack.from_array(pixels.copy())


@pytest.fixture(scope="session")
def cluster():
    """A client of two worker processes of this computer."""
    distributed = pytest.importorskip("distributed")
    # By default each of its processes looks at itself fifty times a second, to the end of all tests: a tenth of a core.
    resting = {"distributed.worker.profile.enabled": False}
    resting |= {"distributed.admin.tick.interval": "1s", "distributed.admin.system-monitor.interval": "5s"}
    with (
        pytest.importorskip("dask").config.set(resting),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, memory_limit=0, dashboard_address="127.0.0.1:0"
        ) as local,
        distributed.Client(local) as client,
    ):
        yield client

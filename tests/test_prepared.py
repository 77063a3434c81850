"""The list of kernels to compile beforehand, and preparing itself."""

import json
import os
import subprocess
import sys
from importlib import import_module

import numba
import numpy as np
import pytest

from workbench import prepared
from workbench.compiled import kernel
from workbench.measure.statistics import count_below, ranked, sort

LISTED = json.loads(prepared.LIST.read_bytes())


@pytest.mark.parametrize("name", sorted({name for part in LISTED.values() for name in part}))
def test_a_listed_kernel_is_there_and_takes_so_many_arguments(name):
    module, attribute = name.split(":")
    anew = "python benchmarks/first_picture.py --list makes the list anew"
    kernel = getattr(import_module(module), attribute, None)
    assert kernel is not None, anew
    for part in LISTED.values():
        for kinds in part.get(name, []):
            assert len(prepared.signature(kinds)) == kernel.py_func.__code__.co_argcount, anew


def test_types_come_back_from_plain_data():
    record = np.zeros(3, [("x", "<f8"), ("n", "<i4")])
    values = (np.zeros((2, 3, 4), np.float32), np.zeros((4, 6), np.uint8)[:, ::2], record, 1, 2.0, np.float32(3), True)
    kinds = [numba.typeof(value) for value in (*values, (1, 2), (1, 2.0))]
    plain = json.loads(json.dumps(prepared.described(kinds)))
    assert prepared.signature(plain) == tuple(kinds)


def test_what_cannot_be_told_is_left_out():
    fixed = np.zeros(3)
    fixed.flags.writeable = False
    assert prepared.described([numba.typeof(fixed)]) is None
    assert prepared.described([numba.typeof("text")]) is None


def test_preparing_is_done_once_and_leaves_the_kernels_in_the_cache(tmp_path):
    name = "workbench.measure.statistics:median_deviation"
    script = (
        "import sys, pathlib; from workbench import prepared; prepared.LIST = pathlib.Path(sys.argv[1])\n"
        "prepared.prepare(sys.argv[2], print)\n"
        "from workbench.measure.statistics import median_deviation\n"
        "import numpy as np; median_deviation(np.ones(8, np.float32), 1)\n"
        "print(sum(median_deviation.stats.cache_hits.values()))\n"
    )
    short = tmp_path / "workbench_list.json"
    short.write_text(json.dumps({"check": {name: LISTED["check"][name]}, "picture": {}}))
    environment = {k: v for k, v in os.environ.items() if k != prepared.UNPREPARED}
    environment |= {"NUMBA_CACHE_DIR": str(tmp_path), "PYTHONWARNINGS": "error"}
    said = [
        subprocess.run(
            [sys.executable, "-c", script, str(short), purpose],
            env=environment, capture_output=True, text=True, check=True,
        ).stdout
        for purpose in ("picture", "picture", "check")
    ]  # fmt: skip
    assert said[0].splitlines()[0].startswith("getting ready")
    assert said[0].splitlines()[-1] == "1"
    assert said[1].splitlines() == ["1"]
    assert said[2].splitlines() == ["1"]  # what a picture needs is all that a check needs


def test_what_is_prepared_behind_is_told_and_done_once(tmp_path, monkeypatch):
    waited = []
    monkeypatch.delenv(prepared.UNPREPARED, raising=False)
    monkeypatch.setattr(prepared, "_mark", lambda purpose: tmp_path / purpose)
    monkeypatch.setattr(prepared, "_compiled_by", lambda *_, behind: waited.append(behind) or True)
    said = []
    thread = prepared.prepare_behind("picture", said.append)
    prepared.prepare("check", said.append)  # whoever cannot go on without it waits for it
    thread.join()
    assert waited in ([True], [False, True])  # who comes first compiles for both
    assert "every step is ready now" in said
    assert prepared.prepare_behind("picture", said.append) is None


def test_a_program_that_ends_does_not_wait_for_what_is_prepared_behind(tmp_path):
    begun = tmp_path / "begun"
    (tmp_path / "slow.py").write_text(f"import pathlib, time\npathlib.Path({str(begun)!r}).touch()\ntime.sleep(100)\n")
    listed = tmp_path / "list.json"
    listed.write_text(json.dumps({"look": {"slow:kernel": [[]]}}))
    script = (
        "import pathlib, sys, time; from workbench import prepared; prepared.LIST = pathlib.Path(sys.argv[1])\n"
        "prepared.prepare_behind('look', print)\n"
        "while not pathlib.Path(sys.argv[2]).exists(): time.sleep(0.05)\n"
    )
    environment = {k: v for k, v in os.environ.items() if k != prepared.UNPREPARED}
    paths = [str(tmp_path), *filter(None, [os.environ.get("PYTHONPATH")])]
    environment |= {"NUMBA_CACHE_DIR": str(tmp_path), "PYTHONPATH": os.pathsep.join(paths)}
    ended = subprocess.run(
        [sys.executable, "-c", script, str(listed), str(begun)], env=environment, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert (ended.returncode, ended.stderr) == (0, "")
    assert len(ended.stdout.splitlines()) == 1  # that it begins; never that all is ready


def test_a_look_needs_little_and_a_picture_all():
    look, check, picture = (set(prepared.kernels_of(purpose, prepared.LIST)) for purpose in prepared.PURPOSES)
    assert len(look) <= 10
    assert look | check < picture


@pytest.mark.parametrize("n", [0, 1, 2, 23, 24, 25, 400])
def test_sort_and_ranked_agree_with_numpy(n, rng):
    for values in (rng.normal(size=n), np.arange(n)[::-1], rng.integers(0, 3, n), np.zeros(n)):
        made = values.astype(np.float32)
        sort(made, n)
        np.testing.assert_array_equal(made, np.sort(values.astype(np.float32)))
        for rank in {0, n // 3, n - 1} if n else ():
            shuffled = rng.permutation(values).astype(np.float32)
            assert ranked(shuffled, n, rank) == made[rank]
            # Those below come first, which a median of an even number rests on.
            assert (shuffled[:rank] <= made[rank]).all()
        for bound in (-1.0, 0.0, 1.0, *made[:2].tolist()):
            for side, or_equal in (("left", False), ("right", True)):
                assert count_below(made, n, bound, or_equal) == np.searchsorted(made, np.float32(bound), side)


def test_a_kernel_works_where_nothing_can_be_kept(monkeypatch):
    monkeypatch.setattr(numba.core.caching.CacheImpl, "_locator_classes", [])

    @kernel
    def doubled(value):
        return 2 * value

    assert doubled(21) == 42
    assert doubled.stats.cache_path is None

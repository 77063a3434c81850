"""Noise reduction against scikit-image's denoisers on a stack with known truth."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest
from skimage.restoration import denoise_nl_means, denoise_tv_chambolle  # noqa: F401 - the peers must be installed

from workbench.simulate import simulate

_PATH = Path(__file__).parents[2] / "benchmarks" / "denoise.py"
_spec = importlib.util.spec_from_file_location("benchmark_denoise", _PATH)
assert _spec is not None
assert _spec.loader is not None
benchmark = importlib.util.module_from_spec(_spec)
sys.modules["benchmark_denoise"] = benchmark
_spec.loader.exec_module(benchmark)

KEEPERS = ["non-local means h 0.6", "non-local means h 0.8"]
SMOOTHERS = ["total variation weight 1", "total variation weight 2"]


@pytest.fixture(scope="module", params=["beehouse_cluster", "hayfield_stars"])
def table(request):
    made = simulate(request.param, shape=(300, 440))
    return benchmark.gains(made, names=KEEPERS + SMOOTHERS)


def test_no_kind_of_pixel_is_worse_than_with_non_local_means(table):
    # Buades, Coll & Morel 2005, as scikit-image has it, at the settings that keep stars.
    for name in KEEPERS:
        for ours, theirs in zip(table["Denoise"], table[name], strict=True):
            assert not ours < theirs  # nan where a scene has no such pixels


def test_no_kind_of_pixel_is_worse_than_with_total_variation(table):
    # Chambolle 2004, as scikit-image has it.
    for name in SMOOTHERS:
        for ours, theirs in zip(table["Denoise"], table[name], strict=True):
            assert not ours < theirs

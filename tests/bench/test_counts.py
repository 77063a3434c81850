"""Counting pixels by value."""

import numpy as np
import pytest

from workbench.bench.panels.histogram.counts import histogram, histogram_reference
from workbench.operations.base import Frame, Geometry
from workbench.operations.drawing import LightRange
from workbench.operations.stretch import Stretch


@pytest.mark.parametrize(("channels", "top"), [(3, 1.0), (1, 0.037)])
def test_counts_are_those_of_plain_numpy_and_lose_no_pixel(channels, top):
    planes = np.random.default_rng(4).normal(0.5, 0.4, (channels, 61, 83)).astype(np.float32) * np.float32(top)
    planes[0, :2, :3] = [[0, top, -1], [2 * top, top / 256, np.inf]]
    told = histogram(planes, top)
    assert told == histogram_reference(planes, top)
    assert [sum(row) for row in told] == [61 * 83] * channels


def test_a_range_of_its_own_for_each_channel_is_counted():
    planes = np.random.default_rng(5).normal(0.2, 0.01, (3, 40, 50)).astype(np.float32)
    offsets = (-0.02, 0.0, 0.03)
    planes += np.float32(offsets)[:, None, None]
    told = histogram(planes, 0.26, 0.18, offsets)
    assert told == histogram_reference(planes, 0.26, 0.18, offsets)
    middles = [np.average(np.arange(256), weights=row) for row in told]
    assert middles == pytest.approx([256 * 0.25 - 0.5] * 3, abs=3)  # 0.2 lies a quarter of the way from 0.18 to 0.26


def test_the_skies_of_a_stretch_lie_over_each_other_and_black_is_in_sight(color_stack):
    planes = np.ascontiguousarray(color_stack.planes)
    facts = Stretch().measure(Frame(planes))
    shown = Stretch().shown(facts, Geometry(*planes.shape[1:], 3))
    skies = next(overlay for overlay in shown if isinstance(overlay, LightRange))
    peaks = [int(np.argmax(row)) for row in histogram(planes, skies.top, skies.low, skies.offsets)]
    assert max(peaks) - min(peaks) <= 12
    black = np.array(facts.black) - skies.offsets
    assert np.ptp(black) == pytest.approx(0, abs=1e-9)
    assert skies.low < black[0] < skies.top - 3 * (skies.top - skies.low) / 5


def test_a_known_frame_is_counted_in_its_bins():
    planes = np.array([[[0.0, 0.5, 0.999, 3.0, -2.0]]], np.float32)
    (told,) = histogram(planes, 1.0)
    assert {i: n for i, n in enumerate(told) if n} == {0: 2, 128: 1, 255: 2}

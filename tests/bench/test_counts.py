"""Counting pixels by value."""

import numpy as np
import pytest

from workbench.bench.counts import histogram, histogram_reference


@pytest.mark.parametrize(("channels", "top"), [(3, 1.0), (1, 0.037)])
def test_counts_are_those_of_plain_numpy_and_lose_no_pixel(channels, top):
    planes = np.random.default_rng(4).normal(0.5, 0.4, (channels, 61, 83)).astype(np.float32) * np.float32(top)
    planes[0, :2, :3] = [[0, top, -1], [2 * top, top / 256, np.inf]]
    told = histogram(planes, top)
    assert told == histogram_reference(planes, top)
    assert [sum(row) for row in told] == [61 * 83] * channels


def test_a_known_frame_is_counted_in_its_bins():
    planes = np.array([[[0.0, 0.5, 0.999, 3.0, -2.0]]], np.float32)
    (told,) = histogram(planes, 1.0)
    assert {i: n for i, n in enumerate(told) if n} == {0: 2, 128: 1, 255: 2}

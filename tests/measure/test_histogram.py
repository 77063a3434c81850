"""Order statistics by compiled histograms equal numpy's."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from workbench.errors import WorkbenchError
from workbench.measure.histogram import count, histogram, median_mad, quantiles

VALUES = st.floats(-1e6, 1e6, width=32, allow_nan=False, allow_infinity=False)


@settings(max_examples=60, deadline=None)
@given(arrays(np.float32, st.tuples(st.integers(1, 12), st.integers(1, 12)), elements=VALUES))
def test_quantiles_are_those_of_numpy_to_the_last_bit(plane):
    q = [0.0, 0.1, 0.25, 0.5, 0.9, 1.0]
    expected = np.quantile(plane.astype(np.float64), q)
    np.testing.assert_allclose(quantiles(plane, q), expected, rtol=1e-14, atol=1e-300)


def test_median_and_mad_leave_out_uncovered_and_non_finite_pixels(rng):
    plane = rng.normal(0.1, 0.02, (301, 277)).astype(np.float32)
    coverage = (rng.random(plane.shape) > 0.2).astype(np.uint8)
    plane[coverage == 0] = 1e9
    plane[5, 7] = np.inf
    plane[6, 7] = np.nan
    seen = plane[(coverage > 0) & np.isfinite(plane)]
    median = np.median(seen.astype(np.float64))
    mad = np.median(np.abs(seen - np.float32(median)).astype(np.float64))
    assert median_mad(plane, coverage) == (pytest.approx(median, rel=1e-12), pytest.approx(mad, rel=1e-7))
    assert count(plane, coverage) == seen.size


def test_a_strided_plane_gives_the_same_as_its_copy(rng):
    pixels = rng.normal(0, 1, (90, 70, 3)).astype(np.float32)
    view = np.moveaxis(pixels, 2, 0)[1]
    assert median_mad(view) == median_mad(np.ascontiguousarray(view))


def test_the_linear_histogram_counts_as_numpy_does(rng):
    plane = rng.random((83, 61)).astype(np.float32)
    expected, _ = np.histogram(plane, bins=20, range=(0.25, 0.75))
    counts = histogram(plane, 0.25, 0.75, 20)
    assert np.abs(counts - expected).max() <= 1  # a value on a bin's edge may fall either way
    assert counts.sum() == expected.sum()


def test_a_frame_without_a_covered_pixel_is_refused_in_one_sentence():
    with pytest.raises(WorkbenchError, match="no covered pixel"):
        quantiles(np.ones((4, 4), np.float32), [0.5], np.zeros((4, 4), np.uint8))


def test_a_probability_outside_0_to_1_is_refused():
    with pytest.raises(WorkbenchError, match=r"0\.\.1"):
        quantiles(np.ones((4, 4), np.float32), [1.5])

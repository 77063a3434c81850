"""Local maxima against scikit-image and scipy, and what counts where neighbors are equal."""

import numpy as np
import pytest
from scipy.ndimage import maximum_filter
from skimage.feature import peak_local_max

from workbench.measure.local_maxima import is_highest, local_maxima


@pytest.mark.parametrize("reach", [1, 7])
def test_maxima_are_those_that_scikit_image_finds(rng, reach):
    plane = rng.normal(size=(90, 120)).astype(np.float32)
    found = local_maxima(plane, 0.5, reach=reach, margin=12)
    theirs = peak_local_max(plane, min_distance=reach, threshold_abs=0.5, exclude_border=12, p_norm=np.inf)
    own = {(y, x) for y, x in found.T if plane[y, x] == maximum_filter(plane, 2 * reach + 1)[y, x]}
    assert len(own) == found.shape[1]
    assert own == {(y, x) for y, x in theirs.tolist()}


def test_of_equal_neighbors_the_first_in_reading_order_counts():
    plane = np.zeros((9, 9), np.float32)
    plane[4, 3:6] = plane[3, 5] = 1
    assert local_maxima(plane, 0.5, reach=1, margin=1).T.tolist() == [[3, 5], [4, 3]]
    assert local_maxima(plane, 0.5, reach=2, margin=2).T.tolist() == [[3, 5]]
    assert [is_highest(plane, 4, x, 1) for x in (3, 4, 5)] == [True, False, False]


def test_every_one_of_many_maxima_is_found():
    plane = np.zeros((101, 101), np.float32)
    plane[1::2, 1::2] = 1
    assert local_maxima(plane, 0.5, reach=1, margin=1).shape == (2, 2500)
    assert local_maxima(plane, 1.0, reach=1, margin=1).shape == (2, 0)

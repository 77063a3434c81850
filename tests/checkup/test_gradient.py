"""Size and direction of the gradient that a checkup tells."""

import json

import numpy as np
import pytest

from workbench.checkup.gradient import background_gradient
from workbench.errors import WorkbenchError
from workbench.simulate import simulate


@pytest.mark.parametrize(("across", "down", "direction"), [(1, 0, 0), (0, -1, 90), (-1, 0, 180), (1, 1, -45)])
def test_a_plane_gradient_is_measured_in_size_and_direction(rng, across, down, direction):
    h, w = 360, 500
    y, x = np.mgrid[:h, :w].astype(np.float32)
    slope = 1e-4 * (across * x + down * y)
    planes = rng.normal(0.2, 0.01, (3, h, w)).astype(np.float32) + slope
    found = background_gradient(planes)
    assert found.peak_to_peak == pytest.approx([float(np.ptp(slope))] * 3, rel=0.05)
    assert abs((found.direction_deg - direction + 180) % 360 - 180) < 5


def test_the_gradient_of_a_sky_is_found_beneath_the_stars():
    cluster = simulate("beehouse_cluster", shape=(900, 1300), seed=8)
    found = background_gradient(cluster.stack.planes)
    truth = cluster.truth.sky * cluster.truth.falloff
    assert found.peak_to_peak == pytest.approx([float(np.ptp(p)) for p in truth], rel=0.05)
    json.dumps(found.to_dict())


def test_a_constant_frame_has_no_gradient():
    found = background_gradient(np.full((1, 200, 200), 0.3, np.float32))
    assert found.share == pytest.approx(0, abs=1e-6)


def test_the_gradient_of_an_uncovered_frame_is_refused():
    with pytest.raises(WorkbenchError, match="no covered pixel"):
        background_gradient(np.ones((1, 50, 50), np.float32), np.zeros((50, 50), np.uint8))

"""The size of the gradient that `check` tells, on scenes that `workbench.simulate` did not make."""

import numpy as np

from independent.scenes import Plan, make_scene
from workbench.checkup.gradient import background_gradient

GLOWS = [
    ("plane", 0.05),
    ("plane", 0.8),
    ("dome", 0.3),
    ("two_domes", 0.4),
    ("moon", 0.5),
    ("vignetting", 0.1),
    ("dome", 0.1),
]


def test_the_size_of_the_gradient_is_within_seven_per_cent():
    off = []
    for seed, (glow, height) in enumerate(GLOWS):
        scene = make_scene(Plan(seed=seed, shape=(360, 540), stars=250, glow=glow, height=height))
        found = background_gradient(scene.stack.planes)
        truth = np.ptp(scene.sky.reshape(-1, 3), axis=0)
        off.append(np.abs(np.array(found.peak_to_peak) / truth - 1).max())
        assert found.sure
    # The step's own misses are this measurement's: there is one model of the gradient.
    assert np.median(off) <= 0.03
    assert np.mean(np.array(off) <= 0.07) >= 0.8


def test_where_objects_leave_no_sky_the_size_is_called_unsure():
    plan = Plan(seed=3, shape=(360, 540), objects=("star cloud",), brightness=30.0, glow="plane", height=0.2)
    assert not background_gradient(make_scene(plan).stack.planes).sure

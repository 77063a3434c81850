"""Noise of a pixel under nebulae, galaxies and in clusters, on scenes that `workbench.simulate` did not make."""

import numpy as np
import pytest

from independent.scenes import KERNELS, Grain, Plan, make_scene
from workbench.measure.background.sky import common_level
from workbench.measure.noise import noises

OBJECTS = [("emission",), ("dust",), ("star cloud",), ("overfilling galaxy",), ("reflection",), ()]


@pytest.mark.parametrize("seed", range(6))
def test_noise_is_within_a_tenth_under_objects_and_in_clusters(seed):
    objects = OBJECTS[seed]
    plan = Plan(
        seed=seed,
        shape=(420, 630),
        objects=objects,
        cluster=0.0 if objects else 0.7,
        stars=400 if objects else 3000,
        brightness=30.0,
        grain=Grain(kernel=KERNELS[seed]),
    )
    scene = make_scene(plan)
    planes = np.ascontiguousarray(scene.stack.planes)
    for c, found in enumerate(noises(planes)):
        # Noise grows with light: compared where the light is the frame's most common.
        away = np.abs(scene.clean[..., c] - common_level(planes[c]))
        truth = np.median(scene.noise[..., c][away <= np.quantile(away, 0.1)])
        assert found.sigma == pytest.approx(truth, rel=0.1)

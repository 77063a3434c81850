"""Extended light is told from crowded stars, and found where it lies over most of the frame."""

import numpy as np
import pytest

import workbench as wb
from independent.scenes import Optics, Plan, make_scene
from workbench.operations.trial import extended_light


def light_of(plan):
    """What is found once the glow is taken off exactly, and the share of pixels with more objects' light than noise."""
    scene = make_scene(plan)
    even = scene.stack.pixels - scene.sky + np.median(scene.sky, axis=(0, 1))
    found = extended_light(wb.Stack.from_array(even.astype(np.float32)))
    return found, float(np.mean(scene.objects.mean(axis=2) > scene.noise.mean(axis=2)))


@pytest.mark.parametrize(("stars", "cluster", "fwhm"), [(400, 0.0, 2.8), (1500, 0.7, 2.2), (3000, 0.7, 3.0)])
def test_crowded_stars_are_not_extended_light(stars, cluster, fwhm):
    optics = Optics(fwhm=(fwhm,) * 3)
    found, _ = light_of(Plan(seed=stars, shape=(420, 630), stars=stars, cluster=cluster, optics=optics))
    assert not found.there


@pytest.mark.parametrize(("kind", "brightness"), [("dust", 13.0), ("star cloud", 40.0), ("emission", 40.0)])
def test_light_over_most_of_the_frame_is_found_in_about_its_share(kind, brightness):
    for seed in (2, 3):
        plan = Plan(seed=seed, shape=(420, 630), stars=300, objects=(kind,), brightness=brightness)
        found, share = light_of(plan)
        assert found.there
        assert found.share == pytest.approx(share, abs=0.2)

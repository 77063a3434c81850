"""Banding is taken off scenes of which the simulator knows nothing, and objects keep their light.

Beside it runs the plain way (common practice): the median of each row less a running median of those medians.
"""

import numpy as np
import pytest
from scipy.ndimage import median_filter

import workbench as wb
from independent.scenes import Plan, make_scene

SHAPE = (500, 1500)
SCENES = {"galaxy": (1, ("galaxy",)), "emission nebula": (2, ("emission",)), "star field": (4, ())}


@pytest.fixture(scope="module", params=list(SCENES))
def scene(request):
    seed, objects = SCENES[request.param]
    return request.param, make_scene(Plan(seed=seed, objects=objects, shape=SHAPE))


def banded(scene, size):
    """The scene's stack with rows and columns of so many noise units, and the rows' true offsets (H, C)."""
    rng, noise = np.random.default_rng(7), scene.noise.mean(axis=(0, 1))
    rows, columns = (rng.normal(0, size, (n, 3)) * noise for n in SHAPE)
    pixels = scene.stack.pixels + rows[:, None] + columns[None]
    return scene.stack.with_pixels(pixels.astype(np.float32)), rows, columns


def test_most_of_the_banding_goes_and_objects_keep_their_light(scene):
    name, truth = scene
    stack, rows, columns = banded(truth, 0.5)
    noise = truth.noise.mean(axis=(0, 1))
    facts = wb.Recipe([wb.RemoveBanding()]).run(stack, progress=False).record.steps[0].facts
    left = np.std(facts.rows.T - rows, axis=0) / noise
    median = np.median(stack.pixels, axis=1)
    plain = median - median_filter(median, (101, 1), mode="nearest")
    left_plainly = np.std(plain - rows, axis=0) / noise
    assert left.max() < (0.09 if name == "emission nebula" else 0.08)
    assert left.mean() < left_plainly.mean()
    on = truth.objects.mean(axis=2) > 2 * noise.mean()
    if on.any():
        wrong = (facts.rows.T - rows)[:, None] + (facts.columns.T - columns)[None]
        wrong -= wrong[~on].mean(axis=0)  # light is counted from the sky
        allowed = 0.01 if name == "emission nebula" else 0.005
        assert np.abs(wrong[on].sum(axis=0) / truth.objects[on].sum(axis=0)).max() < allowed


def test_where_there_is_none_next_to_nothing_is_taken(scene):
    _, truth = scene
    facts = wb.Recipe([wb.RemoveBanding()]).run(truth.stack, progress=False).record.steps[0].facts
    noise = truth.noise.mean(axis=(0, 1))
    assert (np.std(facts.rows, axis=1) / noise).max() < 0.01
    assert (np.std(facts.columns, axis=1) / noise).max() < 0.01

"""Banding is taken off scenes of which the simulator knows nothing, and objects keep their light.

Beside it runs the plain way (common practice): the median of each row less a running median of those medians.
"""

import numpy as np
import pytest
from scipy.ndimage import median_filter

import workbench as wb
from independent.scenes import Plan, make_scene
from workbench.measure.banding import quick_banding

SHAPE = (500, 1500)
SCENES = {"galaxy": (1, ("galaxy",)), "emission nebula": (2, ("emission",)), "star field": (4, ())}


@pytest.fixture(scope="module", params=[*SCENES, "dark corners"])
def scene(request):
    seed, objects = SCENES.get(request.param, (4, ()))
    falloff = 0.45 if request.param == "dark corners" else 0.0
    return request.param, make_scene(Plan(seed=seed, objects=objects, shape=SHAPE, falloff=falloff))


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
    ends = np.r_[:8, -8:0]
    at_the_edges = (facts.rows.T - rows)[ends] - (facts.rows.T - rows).mean(axis=0)
    assert (np.sqrt((at_the_edges**2).mean(axis=0)) / noise).mean() < 0.15
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


def test_a_quick_look_tells_stripes_from_none(scene):
    _, truth = scene
    none = quick_banding(np.ascontiguousarray(truth.stack.pixels[..., 1]))
    assert max(none) < 0.02
    stack, _, _ = banded(truth, 0.1)
    assert min(quick_banding(np.ascontiguousarray(stack.pixels[..., 1]))) > 0.07


def test_stripes_are_told_and_the_step_suggested_where_there_are_some_and_nowhere_else(scene):
    _, truth = scene
    stack, _, _ = banded(truth, 0.3)
    found = wb.check(stack)
    assert found.banding == pytest.approx((0.3, 0.3), rel=0.25)
    assert [a.step["do"] for a in found.advice if a.about == "Stripes"] == ["remove_banding"]
    first = wb.suggest(stack, found)[0]
    assert first.operation == wb.RemoveBanding()
    assert "offsets of rows (0." in first.note
    clean = wb.check(truth.stack)
    assert not [a for a in clean.advice if a.about == "Stripes"]
    assert "remove_banding" not in [step.operation.id for step in wb.suggest(truth.stack, clean)]

"""Masks by measured light on scenes of which the simulator knows nothing: GalSim's objects and stars are the truth."""

import numpy as np
import pytest

import workbench as wb
from independent.scenes import Plan, make_scene
from workbench.engine.chain import Chain, measure_facts
from workbench.operations.base import Frame, Rect, Tile


@pytest.fixture(scope="module", params=[1, 2], ids=["galaxy", "emission nebula"])
def scene(request):
    objects = {1: ("galaxy",), 2: ("emission",)}[request.param]
    return make_scene(Plan(seed=request.param, objects=objects, height=0.0))


def weights_of(mask, stack):
    step = wb.Step(wb.Denoise(), where=mask)
    facts = measure_facts(0, step, Frame(stack.planes, coverage=stack.coverage))
    bound = Chain.of(stack).then(0, step, facts).steps[0]
    return mask.weights(Tile(stack.planes, Rect(0, 0, *stack.shape[:2]), 0, bound.before), bound.mask)


def test_an_object_is_masked_where_its_light_is(scene):
    light, noise = scene.objects.mean(axis=2), float(scene.noise.mean())
    weights = weights_of(wb.ObjectMask(), scene.stack)
    assert weights[light > noise].mean() > 0.95
    assert weights[light < 0.02 * noise].mean() < 0.05


def test_bright_stars_are_masked_and_no_object_is(scene):
    table, weights = scene.table, weights_of(wb.StarMask(), scene.stack)
    height, width = weights.shape
    seen = (table.x > 5) & (table.y > 5) & (table.x < width - 6) & (table.y < height - 6) & (table.peak > 15)
    assert seen.sum() > 20
    assert weights[np.rint(table.y[seen]).astype(int), np.rint(table.x[seen]).astype(int)].mean() > 0.95
    assert weights[scene.objects.mean(axis=2) > scene.noise.mean()].mean() < 0.2

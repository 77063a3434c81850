"""Masks by measured light: what they take for light, color, stars and objects, against truths of their own."""

import colorsys

import numpy as np
import pytest

import workbench as wb
from workbench.engine.chain import Chain, measure_facts
from workbench.masks import Mask
from workbench.operations.base import Frame, Rect, Tile

HEIGHT, WIDTH = 256, 384
SKY, NOISE = 0.08, 0.004


@pytest.fixture(scope="module")
def scene():
    """Sky, a red cloud in the middle, thirty stars; and where they are."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)
    cloud = np.exp(-((y - 128) ** 2 + (x - 190) ** 2) / (2 * 35.0**2))
    pixels = SKY + rng.normal(0, NOISE, (HEIGHT, WIDTH, 3))
    pixels += cloud[..., None] * np.array([0.12, 0.03, 0.03])
    stars = np.column_stack([rng.uniform(8, HEIGHT - 8, 30), rng.uniform(8, WIDTH - 8, 30), rng.uniform(0.1, 0.7, 30)])
    for row, column, peak in stars:
        pixels += peak * np.exp(-((y - row) ** 2 + (x - column) ** 2) / (2 * 1.5**2))[..., None]
    return wb.Stack(pixels.astype(np.float32)), cloud, stars


def weights_of(mask: Mask, stack):
    """Weights over the whole frame of a stack, from facts measured on it."""
    step = wb.Step(wb.Denoise(), where=mask)
    frame = Frame(stack.planes)
    bound = Chain.of(stack).then(0, step, measure_facts(0, step, frame)).steps[0]
    r = bound.reach
    pixels = np.pad(stack.planes, ((0, 0), (r, r), (r, r)), mode="reflect")
    return mask.weights(Tile(pixels, Rect(0, 0, *stack.shape[:2]), r, bound.before), bound.mask), bound.facts.mask


def test_brightness_is_counted_from_the_sky_in_units_of_its_noise(scene):
    stack, _, _ = scene
    mask = wb.BrightnessMask(low=10, high=40, edge=0, smooth=0)
    weights, (facts,) = weights_of(mask, stack)
    assert facts.sky == pytest.approx(SKY, abs=0.5 * NOISE)
    light = stack.pixels @ np.array([0.2126, 0.7152, 0.0722])  # luminance: IEC 61966-2-1
    level = (light - facts.sky) / facts.noise
    sure = (np.abs(level - 10) > 1e-3) & (np.abs(level - 40) > 1e-3)
    np.testing.assert_array_equal(weights[sure] == 1, ((level >= 10) & (level < 40))[sure])


def test_hues_are_those_of_the_color_circle(scene):
    stack, _, _ = scene
    for hue in range(0, 360, 60):
        light = np.array(colorsys.hsv_to_rgb(hue / 360, 1, 0.3))  # Smith 1978, SIGGRAPH 12, 12: a hexagon's corners
        block = stack.with_pixels(stack.pixels.copy())
        block.pixels[100:140, 20:60] += light.astype(np.float32)
        inside = weights_of(wb.ColorMask(hue=hue, width=40, edge=10), block)[0][105:135, 25:55]
        beside = weights_of(wb.ColorMask(hue=(hue + 60) % 360, width=40, edge=10), block)[0][105:135, 25:55]
        assert np.median(inside) == 1
        assert np.median(beside) == 0


def test_a_color_is_found_on_its_cloud_and_not_in_the_sky(scene):
    stack, cloud, _ = scene
    weights, _ = weights_of(wb.ColorMask(hue=0, width=60), stack)
    assert weights[cloud > 0.6].mean() > 0.99
    assert weights[cloud < 0.001].mean() < 0.01


def test_stars_are_covered_and_the_sky_between_them_is_not(scene):
    stack, _, stars = scene
    weights, (facts,) = weights_of(wb.StarMask(feather=2), stack)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    distance = np.min([np.hypot(y - row, x - column) for row, column, _ in stars], axis=0)
    assert len(facts.x) == pytest.approx(len(stars), abs=3)
    covered = [weights[round(row), round(column)] for row, column, _ in stars]
    assert np.mean(covered) > 0.95
    assert weights[distance > 25].mean() < 0.01


def test_an_object_is_found_and_stars_are_not(scene):
    stack, cloud, stars = scene
    weights, _ = weights_of(wb.ObjectMask(), stack)
    assert weights[cloud > 0.3].mean() > 0.98
    assert weights[cloud < 1e-4].mean() < 0.05
    alone = [(round(row), round(column)) for row, column, _ in stars if cloud[round(row), round(column)] < 1e-3]
    assert np.mean([weights[place] for place in alone]) < 0.2


def test_a_mask_by_color_asks_for_color(scene):
    stack, _, _ = scene
    gray = wb.Stack(stack.pixels[..., :1])
    with pytest.raises(wb.WorkbenchError, match=r"step 1 \(denoise\).*a mask by color needs a color frame"):
        wb.Recipe([wb.Step(wb.Denoise(), where=wb.ColorMask())]).run(gray, progress=False)


@pytest.mark.parametrize("mask", [wb.BrightnessMask(), wb.ColorMask(), wb.StarMask(), wb.ObjectMask()])
def test_a_stack_exposed_longer_has_the_same_mask(scene, mask):
    stack, _, _ = scene
    once, _ = weights_of(mask, stack)
    longer, _ = weights_of(mask, stack.with_pixels(stack.pixels * np.float32(1.25)))
    assert np.abs(once - longer).mean() < 2e-3

"""Mending takes hot pixels out and touches nothing else."""

import numpy as np
import pytest

import workbench as wb
from workbench.operations._mending import MendPlan, mend_numpy
from workbench.operations.base import Frame, Geometry
from workbench.simulate import SCENES, simulate


@pytest.fixture(scope="module")
def made():
    camera = SCENES["lantern_nebula"].camera.model_copy(update={"hot_pixels_per_megapixel": 150.0})
    return simulate(SCENES["lantern_nebula"].model_copy(update={"camera": camera}), seed=3, shape=(601, 900))


@pytest.fixture(scope="module")
def result(made):
    return wb.Recipe([wb.MendPixels()]).run(made.stack)


def test_a_hot_pixel_s_place_becomes_what_it_would_have_been(made, result):
    hot, sigma = made.truth.hot_pixels, np.asarray(made.truth.noise_sigma)
    inside = (hot.y > 20) & (hot.y < 580) & (hot.x > 20) & (hot.x < 880)
    at = hot.y[inside], hot.x[inside], hot.channel[inside]
    noiseless = np.moveaxis(made.truth.noiseless, 0, 2)
    off = np.abs(result.image.pixels[at] - noiseless[at]) / sigma[hot.channel[inside]]
    assert np.mean(off < 4) > 0.9
    assert np.mean(np.abs(made.stack.pixels[at] - noiseless[at]) / sigma[hot.channel[inside]] < 4) < 0.02


def test_everything_else_stays_as_it_was(made, result):
    changed = result.image.pixels != made.stack.pixels
    near = np.zeros(changed.shape, bool)
    hot = made.truth.hot_pixels
    for y, x, c in zip(hot.y, hot.x, hot.channel, strict=True):
        near[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2, c] = True
    assert changed.any()
    assert np.mean(near[changed]) > 0.98  # a spot between two hot pixels may have its middle beside both
    stars = made.truth.stars
    lone = np.rint(stars.y[:50]).astype(int), np.rint(stars.x[:50]).astype(int)
    assert not (changed & ~near)[lone].any()


def test_the_plain_twin_fills_alike(made, result):
    planes = np.ascontiguousarray(made.stack.planes)
    facts = wb.MendPixels().measure(Frame(planes))
    plan = wb.MendPixels().prepare(facts, Geometry(*planes.shape[1:], 3))
    assert isinstance(plan, MendPlan)
    np.testing.assert_array_equal(np.moveaxis(mend_numpy(planes, plan), 0, 2), result.image.pixels)


@pytest.mark.parametrize("width", [300, 450, 643])
def test_the_fit_view_shows_it_too(made, width):
    """A bright hot pixel is still seen in the reduced frame, and gone after the step."""
    preview = wb.Preview(made.stack, wb.Recipe([wb.MendPixels()]))
    before, after = preview.view(width, upto=0), preview.view(width)
    hot, scale = made.truth.hot_pixels, after.scale
    bright = (hot.value > 0.1) & (hot.y > 20) & (hot.y < 580) & (hot.x > 20) & (hot.x < 880)
    y, x = ((hot.y[bright] + 0.5) // scale).astype(int), ((hot.x[bright] + 0.5) // scale).astype(int)
    drop = before.planes[hot.channel[bright], y, x] - after.planes[hot.channel[bright], y, x]
    assert np.mean(drop > 0.02) > 0.9


def test_a_spot_of_a_site_that_leaks_into_other_colors_is_filled_in_all(rng):
    """Demosaicing by color differences leaves up to a quarter of a red or blue site in the other colors."""
    pixels = rng.normal(0.1, 0.001, (60, 70, 3)).astype(np.float32)
    tent = np.outer([0.5, 1, 0.5], [0.5, 1, 0.5])[:, :, None]
    pixels[29:32, 39:42] += np.float32(0.4) * tent * np.float32([1, 0.25, 0.25])
    result = wb.Recipe([wb.MendPixels()]).run(wb.Stack.from_array(pixels))
    assert np.abs(result.image.pixels[29:32, 39:42] - 0.1).max() < 0.004
    assert result.record.facts[0].hot == (1, 0, 0)
    assert result.record.steps[0].found.startswith("Filled 1 hot pixel (red 1, green 0, blue 0). Few bright stars")


def test_in_one_color_only_the_sharpest_spots_are_taken(rng):
    pixels = rng.normal(0.1, 0.001, (60, 120, 1)).astype(np.float32)
    pixels[30, 30] += 0.2
    pixels[19:22, 79:82, 0] += np.float32(0.2) * np.outer([0.5, 1, 0.5], [0.5, 1, 0.5])  # as wide as a small star
    found = wb.Recipe([wb.MendPixels()]).run(wb.Stack.from_array(pixels)).record.steps[0].found
    assert found.startswith("Filled 1 hot pixel. Few bright stars")


def test_a_frame_without_defects_or_noise_is_left_alone():
    stack = wb.Stack.from_array(np.full((40, 50, 3), 0.25, np.float32))
    result = wb.Recipe([wb.MendPixels()]).run(stack)
    np.testing.assert_array_equal(result.image.pixels, stack.pixels)
    assert result.record.steps[0].found == "No pixel stands alone: nothing to mend."

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import correlate1d, maximum_filter, minimum_filter

import workbench as wb
from workbench.acquisition import Tone
from workbench.operations._deconvolve import restore
from workbench.operations._deconvolve.spread import bridge, moffat_kernel, separable
from workbench.operations._equalisation import LEVELS, equalised, equalised_reference, limited_mapping
from workbench.operations._sharpening import sharpened
from workbench.operations.detail import Deconvolve, LocalContrast, Sharpen

f32 = np.float32


@pytest.fixture(scope="module")
def light():
    rng = np.random.default_rng(5)
    plane = 0.1 + rng.normal(0, 0.002, (50, 61))
    plane[20:24, 30:33] += 0.3
    return plane.astype(np.float32)


def plan_for(blurs, **changes):
    numbers = {"sky": 0.1, "sigma": 0.002, "pedestal": 0.05, "strength": 0.15, "relaxation": 1.8} | changes
    return restore.ChannelPlan(blurs, **{k: f32(v) for k, v in numbers.items()}, iterations=6)


# --- the kernel between two point spreads


@pytest.mark.parametrize(("elongation", "alpha"), [(1.0, 3.0), (1.25, 2.5), (1.1, 8.0)])
def test_the_narrow_spread_through_the_kernel_is_the_wide_one(elongation, alpha):
    wide, narrow = moffat_kernel(3.2, alpha, elongation, 30.0, 24), moffat_kernel(2.1, alpha, 1.0, 0.0, 24)
    kernel = bridge(wide, narrow, 9)
    assert kernel.sum() == pytest.approx(1)
    assert kernel.min() >= 0
    seen = np.fft.irfft2(np.fft.rfft2(narrow) * np.fft.rfft2(np.pad(kernel, (0, 30))), narrow.shape)
    error = np.abs(np.roll(seen, (-9, -9), (0, 1)) - wide).max() / wide.max()
    assert error < 0.02


@pytest.mark.parametrize("radius", [6, 7])
def test_separable_parts_blur_as_the_whole_kernel_does(light, radius):
    kernel = bridge(moffat_kernel(3.2, 3.0, 1.2, 25.0, 24), moffat_kernel(2.1, 3.0, 1.0, 0.0, 24), radius)
    parts = restore.Blur(*separable(kernel, 1e-6))
    wide = np.pad(light.astype(np.float64), radius, mode="reflect")
    wanted = sum(
        kernel[i, j] * wide[i : i + light.shape[0], j : j + light.shape[1]] for i, j in np.ndindex(kernel.shape)
    )
    assert np.abs(restore.blurred(light, parts) - wanted).max() < 2e-6


def test_a_frame_smaller_than_the_kernel_is_folded_more_than_once():
    parts = restore.Blur(*separable(moffat_kernel(3.0, 3.0, 1.0, 0.0, 9), 1e-6))
    for shape in ((1, 1), (2, 5), (5, 2)):
        np.testing.assert_allclose(restore.blurred(np.full(shape, 0.3, f32), parts), 0.3, atol=1e-6)


# --- iterations


def test_an_iteration_agrees_with_its_plain_form(light):
    factor = np.random.default_rng(1).uniform(0.7, 1.4, light.shape).astype(np.float32)
    numbers = tuple(f32(v) for v in (0.002, 0.05, 0.3, 1.8))
    out = np.empty_like(light)
    restore.update(light, factor, *numbers, out)
    assert np.abs(out / restore.update_reference(light, factor, *map(float, numbers)) - 1).max() < 3e-6


def test_a_restoration_agrees_with_its_plain_form(light):
    kernel = bridge(moffat_kernel(3.2, 3.0, 1.1, 25.0, 24), moffat_kernel(2.1, 3.0, 1.0, 0.0, 24), 7)
    plan = plan_for((restore.Blur(*separable(kernel, 1e-6)),))
    assert np.abs(restore.restored(light, plan) - restore.restored_reference(light, kernel, plan)).max() < 2e-5


def test_two_kernels_that_are_the_same_are_one(light):
    parts = restore.Blur(*separable(moffat_kernel(2.0, 3.0, 1.0, 0.0, 7), 1e-6))
    share = np.random.default_rng(2).random(light.shape).astype(np.float32)
    two = restore.restored(light, plan_for((parts, parts)), share)
    assert np.abs(two - restore.restored(light, plan_for((parts,)))).max() < 2e-5


# --- the step


def test_too_few_stars_do_nothing_and_say_so():
    plane = np.random.default_rng(1).normal(0.1, 0.003, (90, 100, 3)).astype(np.float32)
    result = wb.Recipe([Deconvolve()]).run(wb.Stack.from_array(plane))
    np.testing.assert_array_equal(result.image.pixels, plane)
    facts = result.record.facts[0]
    assert facts.stars == 0
    assert facts.doubts[0].startswith("Too few stars are bright enough")


# --- Sharpen


def plainly_sharpened(plane, noise, amount, level):
    """What `sharpened` does, with scipy alone, in double precision."""
    b3 = np.array([1, 4, 6, 4, 1]) / 16

    def smooth(values, step):
        taps = np.zeros(4 * step + 1)
        taps[::step] = b3
        return correlate1d(correlate1d(values, taps, 0, mode="mirror"), taps, 1, mode="mirror")

    fine, added = np.asarray(plane, np.float64), np.zeros(np.shape(plane))
    for j, sigma in enumerate(noise):
        coarse = smooth(fine, 2**j)
        wave = fine - coarse
        power = smooth(wave**2, 1)
        ratio = np.minimum((level * sigma) ** 2 / np.maximum(power, 1e-20), 1)
        added += amount * (1 - ratio**2) * 0.03**2 / (0.03**2 + power) * wave
        fine = coarse
    low, high = minimum_filter(plane, 5, mode="nearest"), maximum_filter(plane, 5, mode="nearest")
    slack = 0.02 * (high - low)
    room = np.where(added > 0, high + slack - plane, plane - low + slack)
    return plane + added * room / np.maximum(room + np.abs(added), 1e-20)


def test_sharpening_agrees_with_its_plain_form(light):
    noise = np.array([0.0018, 0.0004, 0.0002])
    ours = sharpened(light, noise, 1.3, 2.0)
    assert np.abs(ours - plainly_sharpened(light, noise, 1.3, 2.0)).max() < 2e-6


def test_sharpening_by_nothing_changes_not_one_bit(light):
    picture = np.repeat(light[:, :, None], 3, axis=2)
    stack = wb.Stack.from_array(picture, tone=Tone.DISPLAY)
    for operation in (Sharpen(amount=0), LocalContrast(amount=0)):
        np.testing.assert_array_equal(wb.Recipe([operation]).run(stack).image.pixels, picture)


# --- LocalContrast


def test_mixing_mappings_agrees_with_its_plain_form():
    rng = np.random.default_rng(6)
    values = rng.random((40, 50)).astype(np.float32)
    for shape in ((3, 4), (1, 1), (1, 3), (2, 1)):
        maps = rng.uniform(-0.1, 0.1, (*shape, LEVELS + 1)).astype(np.float32)
        rows, columns = shape[0] / 100, shape[1] / 120
        out = np.empty_like(values)
        equalised(values, 30, 40, maps, *(np.float32(v) for v in (rows, columns, 0.7)), out)
        assert np.abs(out - equalised_reference(values, 30, 40, maps, rows, columns, 0.7)).max() < 3e-6


@given(st.lists(st.integers(0, 5000), min_size=LEVELS, max_size=LEVELS), st.floats(0, 0.95), st.floats(1, 6))
def test_a_mapping_rises_from_0_to_1_no_steeper_than_the_limit_and_keeps_what_is_dark(counts, start, limit):
    nodes = np.linspace(0, 1, LEVELS + 1)
    mapping = limited_mapping(np.array(counts), start, limit)
    np.testing.assert_array_equal(mapping[nodes <= start], nodes[nodes <= start])
    assert mapping[-1] == pytest.approx(1)
    above = nodes[:-1] >= start
    slopes = np.diff(mapping)[above] * LEVELS
    assert slopes.min() >= -1e-9
    assert slopes.max() <= limit * (1 + 1e-6)


def test_a_cell_with_nothing_above_the_sky_stays_as_it_is():
    counts = np.zeros(LEVELS)
    counts[12] = 10_000
    np.testing.assert_allclose(limited_mapping(counts, 0.2, 2.0), np.linspace(0, 1, LEVELS + 1), atol=1e-9)

"""Sky level and noise of planes whose truth is known."""

import json

import cv2
import numpy as np
import pytest

from workbench.errors import WorkbenchError
from workbench.measure.background.sky import common_level, sky_level, sky_levels
from workbench.measure.noise import noise, noises
from workbench.measure.statistics import median_deviation, shortest_interval
from workbench.simulate import simulate
from workbench.simulate.camera import correlated_share

SIGMA = 0.01


@pytest.fixture(scope="module")
def nebula():
    return simulate("lantern_nebula", shape=(700, 1000), seed=3)


@pytest.fixture(scope="module")
def galaxy():
    return simulate("millwheel_galaxy", shape=(700, 1000), seed=4)


def expected_noise(sim, channel, level):
    """Noise of the camera at ``level`` with all frames, from the scene's own numbers."""
    cam = sim.scene.camera
    variance = level / cam.full_well_e + (cam.read_noise_e / cam.full_well_e) ** 2
    return float(np.sqrt(variance / sim.scene.frames.count * correlated_share()[channel]))


@pytest.mark.parametrize("smoothing", [0.0, 0.7, 1.0])
def test_noise_is_right_whether_white_or_shared_between_neighbors(rng, smoothing):
    plane = rng.normal(0, 1, (600, 700)).astype(np.float32)
    if smoothing:
        plane = cv2.GaussianBlur(plane, (0, 0), smoothing)
    plane = plane[20:-20, 20:-20]
    plane *= SIGMA / plane.std()
    measured = noise(plane + np.float32(0.1))
    assert measured.sigma == pytest.approx(SIGMA, rel=0.015 if smoothing < 1 else 0.03)
    assert (measured.correlation > 1.2) == (smoothing > 0)


def test_noise_counts_neither_a_gradient_nor_stars(rng):
    h, w = 500, 640
    y, x = np.mgrid[:h, :w].astype(np.float32)
    plane = 0.05 + 2e-4 * x + 1e-4 * y + rng.normal(0, SIGMA, (h, w)).astype(np.float32)
    for _ in range(300):
        cy, cx, peak = rng.uniform(0, h), rng.uniform(0, w), 10 ** rng.uniform(-2, 0)
        y0, x0 = int(cy), int(cx)
        part = np.s_[max(y0 - 25, 0) : y0 + 25, max(x0 - 25, 0) : x0 + 25]
        r2 = (y[part] - cy) ** 2 + (x[part] - cx) ** 2
        plane[part] += peak * (1 + r2 / 4) ** -3
    assert noise(plane.astype(np.float32)).sigma == pytest.approx(SIGMA, rel=0.03)


@pytest.mark.parametrize("channel", [0, 1, 2])
@pytest.mark.parametrize("scene", ["nebula", "galaxy"])
def test_noise_of_a_demosaiced_stack_is_the_cameras_within_six_percent(scene, channel, request):
    sim = request.getfixturevalue(scene)
    plane = sim.stack.planes[channel]
    measured = noise(plane)
    assert measured.sigma == pytest.approx(expected_noise(sim, channel, float(np.median(plane))), rel=0.06)
    assert measured.correlation > 1.2


def test_noise_of_a_weighted_sum_is_that_of_the_summed_plane(nebula):
    planes, weights = nebula.stack.planes, np.array([[0.2, 0.7, 0.1], [0.0, 1.0, 0.0]])
    summed, green = noises(planes, mixes=weights)
    plane = np.tensordot(weights[0], planes, axes=1).astype(np.float32)
    assert summed.sigma == pytest.approx(noise(plane).sigma, rel=0.03)
    assert green.sigma == pytest.approx(noises(planes)[1].sigma, rel=1e-6)


@pytest.mark.parametrize(("size", "step"), [(1, 1), (501, 1), (4001, 3), (4000, 3)])
def test_the_median_deviation_kernel_agrees_with_numpy(rng, size, step):
    values = rng.normal(0, 1, size).astype(np.float32)
    thin = values[::step]
    apart = np.abs(thin - np.sort(thin)[thin.size // 2])
    assert median_deviation(values, step) == np.sort(apart)[thin.size // 2]


def test_a_thinned_plane_has_the_sky_of_the_whole(nebula, galaxy):
    for sim in (nebula, galaxy):
        sky = sim.truth.sky[1] * sim.truth.falloff
        plane = sim.stack.planes[1] - sky + np.float32(np.median(sky))
        thin = np.ascontiguousarray(plane[::3, ::3])
        assert abs(common_level(thin, thinned=3) - common_level(plane)) < 0.5 * float(sim.truth.noise_sigma[1])


def test_noise_falls_as_one_over_the_root_of_the_frames():
    few, many = (
        simulate("hayfield_stars", shape=(500, 700), frames={"count": n, "sessions": 1}).stack.planes[1]
        for n in (16, 64)
    )
    assert noise(few).sigma / noise(many).sigma == pytest.approx(2.0, rel=0.05)


def test_the_sky_is_found_under_a_nebula_and_a_galaxy(nebula, galaxy):
    for sim in (nebula, galaxy):
        for c in range(3):
            sky = sim.truth.sky[c] * sim.truth.falloff
            level = float(np.median(sky))
            plane = sim.stack.planes[c] - sky + np.float32(level)
            found = sky_level(plane, sim.truth.coverage)
            assert abs(found.level - level) < 0.6 * float(sim.truth.noise_sigma[c])


def test_the_sky_is_found_when_an_object_fills_two_thirds_of_the_frame(rng):
    h, w = 400, 600
    plane = rng.normal(0.1, SIGMA, (h, w)).astype(np.float32)
    x = np.linspace(0, 1, 400, dtype=np.float32)
    plane[:, 200:] += 0.02 + 0.1 * x + 0.02 * np.sin(12 * x)
    assert sky_level(plane).level == pytest.approx(0.1, abs=0.1 * SIGMA)
    assert np.median(plane) > 0.1 + 2 * SIGMA


def test_uncovered_pixels_count_neither_for_sky_nor_for_noise(rng):
    plane = rng.normal(0.1, SIGMA, (300, 400)).astype(np.float32)
    coverage = np.full(plane.shape, 255, np.uint8)
    coverage[:, :230] = 0
    clean = sky_level(plane, coverage)
    plane[:, :230] = rng.uniform(0, 5, (300, 230))
    assert sky_level(plane, coverage) == clean
    assert clean.level == pytest.approx(0.1, abs=0.1 * SIGMA)
    assert clean.sigma == pytest.approx(SIGMA, rel=0.05)


@pytest.mark.parametrize("shape", [(1, 1), (1, 50), (50, 1), (3, 3), (40, 40), (64, 64)])
def test_tiny_and_constant_frames_have_a_level_and_no_noise(shape):
    found = sky_level(np.full(shape, 0.3, np.float32))
    assert found.level == pytest.approx(0.3, rel=1e-6)
    assert found.sigma == 0


def test_a_frame_without_covered_pixels_is_refused_in_one_sentence():
    plane, nothing = np.ones((100, 100), np.float32), np.zeros((100, 100), np.uint8)
    for measure in (sky_level, noise):
        with pytest.raises(WorkbenchError, match="no covered pixel"):
            measure(plane, nothing)


def test_a_coverage_of_another_shape_is_refused():
    with pytest.raises(WorkbenchError, match="coverage"):
        sky_level(np.ones((9, 9), np.float32), np.ones((9, 8), np.uint8))


def test_results_are_plain_data_and_the_same_each_time(nebula):
    first, second = (sky_levels(nebula.stack.planes) for _ in range(2))
    assert first == second
    json.dumps([s.to_dict() for s in first])
    json.dumps(noise(nebula.stack.planes[0]).to_dict())


def test_the_shortest_interval_is_where_values_crowd():
    assert shortest_interval(np.array([0.0, 5, 5.1, 5.2, 9, 20]), 0.5) == (5.0, 5.2)

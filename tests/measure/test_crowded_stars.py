"""Stars on nebulae and galaxies: the second look, its fit and its mixture of bands."""

import os

import cv2
import numpy as np
import pytest
from astropy.modeling.models import Moffat2D
from scipy.spatial import cKDTree

from workbench.measure.background.mesh import BackgroundMesh, background_mesh
from workbench.measure.stars import crowded, find_stars
from workbench.measure.stars.moffat import moffat_gamma
from workbench.measure.stars.point_fit import FITTED, PointSpread, Template, fit_points
from workbench.measure.stars.two_band_filter import AROUND, band_peaks, band_weights, bands, response_of
from workbench.simulate import simulate

ALL = np.empty((0, 0), np.uint8)
SIGMA = 0.001
FWHM, ALPHA = 2.8, 3.0
ROUND = PointSpread(ALPHA, 1.0, 0.0)


def star(shape, x, y, height, fwhm=FWHM):
    """A Moffat star drawn by astropy."""
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    return Moffat2D(height, x, y, moffat_gamma(fwhm, ALPHA), ALPHA)(xx, yy)


def wrinkled(rng, shape=(256, 320), depth=80 * SIGMA):
    """Ground with structure down to the size of a star, steeper than white, as nebulae have."""
    wave = np.hypot(*np.meshgrid(np.fft.fftfreq(shape[1]), np.fft.fftfreq(shape[0])))
    wave[0, 0] = 1
    field = np.fft.ifft2(np.fft.fft2(rng.normal(size=shape)) * wave**-1.8).real
    field = cv2.GaussianBlur(field / field.std(), (0, 0), FWHM / 2.355)
    return depth * field


def stars_on(rng, ground, heights=(10, 60)):
    """Stars of 10 to 60 standard deviations on a grid over the ground: plane, places, heights."""
    h, w = ground.shape
    x, y = (a.ravel() for a in np.meshgrid(np.arange(16.0, w - 12, 24), np.arange(16.0, h - 12, 24)))
    x, y = x + rng.uniform(-3, 3, x.size), y + rng.uniform(-3, 3, y.size)
    plane = 0.1 + ground + rng.normal(0, SIGMA, ground.shape)
    peak = rng.uniform(*heights, x.size) * SIGMA
    for sx, sy, height in zip(x, y, peak, strict=True):
        plane += star(ground.shape, sx, sy, height)
    return plane.astype(np.float32), x, y, peak


def fitted(plane, at, fwhm=FWHM, spread=ROUND, coverage=ALL):
    t = Template.of(spread, fwhm)
    rows = np.empty(len(at), FITTED)
    fit_points(np.asarray(plane, np.float32), coverage, np.asarray(at, np.int32), t.half, t.basis, t.solve, rows)
    return rows


# A lone star has no brighter one within 2.5 FWHM.
@pytest.mark.parametrize(("scene", "seed"), [("lantern_nebula", 203), ("millwheel_galaxy", 201)])
def test_lone_stars_on_an_object_are_found_and_few_of_the_list_are_false(scene, seed):
    sim = simulate(scene, shape=(1000, 1430), seed=seed)
    found = find_stars(sim.stack.planes)
    t, b = sim.truth.stars, sim.truth.borders
    noise = (sim.stack.planes - sim.truth.noiseless).mean(axis=0)[b.top : 1000 - b.bottom, b.left : 1430 - b.right]
    fwhm, alpha = float(np.median(t.fwhm_px)), sim.scene.optics.alpha
    light = (t.flux * sim.truth.channel_gains).mean(axis=1)
    height = light * (alpha - 1) / (np.pi * moffat_gamma(fwhm, alpha) ** 2) / (1.4826 * np.median(np.abs(noise)))
    at, places = np.c_[t.x, t.y], np.c_[found.x, found.y]
    low, high = np.array([b.left, b.top]) + 6, np.array([1430 - b.right, 1000 - b.bottom]) - 6
    wanted = ((at > low) & (at < high)).all(axis=1) & (height > 10)
    pairs = cKDTree(at).query_pairs(2.5 * fwhm, output_type="ndarray")
    wanted[np.where(light[pairs[:, 0]] < light[pairs[:, 1]], pairs[:, 0], pairs[:, 1])] = False
    distance, _ = cKDTree(places).query(at[wanted])
    assert np.count_nonzero(wanted) > 600
    assert np.mean(distance < 1.5) >= 0.98
    assert np.median(distance[distance < 1.5]) < 0.1
    away, _ = cKDTree(at[height > 1]).query(places)
    assert np.mean(away > 2) <= 0.02


def test_the_crowded_field_pass_finds_what_structure_hid(rng, monkeypatch):
    ground = wrinkled(rng)
    plane = np.hstack([ground, np.zeros((256, 900))])
    plane, x, y, peak = stars_on(rng, plane)
    on_ground = x < 300
    complete = {}
    for ratio in (1.25, np.inf):
        monkeypatch.setattr(crowded, "_ROUGH", ratio)
        stars = find_stars(plane)
        distance, index = cKDTree(np.c_[stars.x, stars.y]).query(np.c_[x, y])
        complete[ratio] = np.mean(distance[on_ground] < 1.5)
        assert np.mean(distance[~on_ground & (x > 340)] < 1.5) > 0.98
        away, _ = cKDTree(np.c_[x, y]).query(np.c_[stars.x, stars.y])
        assert np.mean(away > 2) <= 0.02
        if ratio == 1.25:
            light = peak * np.pi * moffat_gamma(FWHM, ALPHA) ** 2 / (ALPHA - 1)
            got = on_ground & (distance < 1.5)
            assert np.median(stars.flux[index[got]] / light[got]) == pytest.approx(1, abs=0.05)
            assert np.median(stars.fwhm[index[got]]) == pytest.approx(FWHM, rel=0.05)
    assert complete[1.25] > 0.9
    assert complete[1.25] > complete[np.inf] + 0.2


def test_knots_and_hot_pixels_on_rough_ground_are_not_stars(rng):
    ground = np.hstack([wrinkled(rng), np.zeros((256, 640))])
    plane, x, y, _ = stars_on(rng, ground)
    knots = [(52.3, 64.4), (148.2, 112.6), (100.4, 160.3)]
    hot = [(76, 135), (172, 184), (124, 88)]
    for kx, ky in knots:
        plane += star(plane.shape, kx, ky, 60 * SIGMA, fwhm=1.8 * FWHM).astype(np.float32)
    for hx, hy in hot:
        plane[hy, hx] += 80 * SIGMA
    found = find_stars(plane)
    places = np.c_[found.x, found.y]
    free = cKDTree(np.c_[x, y]).query(knots + hot)[0] > 5
    assert np.count_nonzero(free) >= 3
    assert (cKDTree(places).query(np.array(knots + hot)[free])[0] > 2).all()


def test_plain_sky_has_no_rough_cell_and_noisy_cells_are_rough(rng):
    plain = rng.normal(0.1, SIGMA, (1, 640, 640)).astype(np.float32)
    assert not crowded.uneven_cells(background_mesh(plain, ALL).filled()).any()
    sigma = np.ones((4, 5), np.float32)
    sigma[1, 2:4] = 2
    assert list(crowded.runs_of_cells(crowded.uneven_cells(BackgroundMesh(64, sigma, sigma)))) == [(1, 2, 4)]


def test_the_fit_tells_height_and_place_of_a_star_on_curved_ground(rng):
    yy, xx = np.mgrid[:40, :40] - 20.0
    for _ in range(20):
        x, y = 20 + rng.uniform(-0.5, 0.5, 2)
        a, b, c, d, e = rng.uniform(-1, 1, 5)
        ground = 3 + a * xx + b * yy + 0.1 * (c * xx * xx + d * xx * yy + e * yy * yy)
        row = fitted(ground + star((40, 40), x, y, 2.0), [(20, 20)])[0]
        assert row["height"] == pytest.approx(2.0, rel=0.02)
        assert np.hypot(row["x"] - x, row["y"] - y) < 0.02
        assert abs(row["growth"]) < 0.03
        assert row["clearness"] > 100


@pytest.mark.parametrize("ratio", [0.8, 0.9, 1.1, 1.25])
def test_the_fit_tells_how_much_wider_a_star_is(ratio):
    row = fitted(star((40, 40), 20.1, 19.8, 1.0, fwhm=ratio * FWHM), [(20, 20)])[0]
    assert row["growth"] == pytest.approx(ratio - 1, abs=0.06)


def test_the_fit_follows_the_fields_elongation():
    spread = PointSpread(ALPHA, 1.4, 30.0)
    yy, xx = np.mgrid[:40, :40] - 20.0
    row = fitted(spread.over(yy - 0.2, xx + 0.3, FWHM), [(20, 20)], spread=spread)[0]
    assert list(row)[:3] == pytest.approx([19.7, 20.2, 1.0], abs=0.02)


def test_the_fit_kernel_agrees_with_least_squares(rng):
    plane = rng.normal(0, 0.05, (40, 40)) + star((40, 40), 20.0, 20.0, 1.0)
    row = fitted(plane, [(20, 20)])[0]
    t = Template.of(ROUND, FWHM)
    square = np.s_[20 - t.half : 21 + t.half]
    y, x = (a.ravel() for a in np.mgrid[-t.half : t.half + 1, -t.half : t.half + 1].astype(float))
    profile = star((40, 40), 20, 20, 1.0)
    down, across = np.gradient(profile)
    columns = [profile, -across, -down]
    design = np.stack([*(c[square, square].ravel() for c in columns), x**0, x, y, x * x, x * y, y * y], axis=1)
    values = plane.astype(np.float32)[square, square].ravel().astype(float)
    best, left, *_ = np.linalg.lstsq(design, values, rcond=None)
    # The reference has coarser derivatives: places differ a little, the height and what is left hardly.
    assert row["height"] == pytest.approx(best[0], rel=2e-3)
    assert row["x"] - 20 == pytest.approx(best[1] / best[0], abs=0.03)
    assert row["clearness"] == pytest.approx(best[0] / np.sqrt(left[0] / (len(values) - 9)), rel=0.02)


def test_a_square_over_an_edge_or_a_hole_has_no_fit_and_a_hollow_is_no_star():
    plane = star((60, 60), 30, 30, 1.0) - star((60, 60), 45, 45, 1.0)
    coverage = np.full(plane.shape, 255, np.uint8)
    coverage[30, 12] = 0
    rows = fitted(plane, [(30, 30), (45, 45), (1, 30), (30, 58), (30, 13)], coverage=coverage)
    assert rows["height"][0] == pytest.approx(1, rel=0.01)
    assert not any(rows[1])
    assert np.isnan(rows["clearness"][2:]).all()


def test_a_mixture_keeps_the_height_of_stars_and_holds_least_scatter(rng):
    plane = (wrinkled(rng) + rng.normal(0, SIGMA, (256, 320))).astype(np.float32)
    first, second = bands(plane, FWHM)
    answer = response_of(ROUND, FWHM)
    a, b, level, scatter = band_weights(first, second, ALL, (40, 200, 40, 200), answer)
    assert a * answer[0] + b * answer[1] == pytest.approx(1)
    part = np.s_[40:200:3, 40:200:3]
    mixed = a * first[part] + b * second[part]
    assert level == pytest.approx(np.median(mixed), abs=0.02 * scatter)
    assert scatter == pytest.approx(1.482602 * np.median(np.abs(mixed - np.median(mixed))), rel=0.01)
    # Any other mixture that keeps the height scatters no less, up to what clipping and sampling leave open.
    for other in (1 / answer[0], 1.5 * a, 0.5 * a):
        rest = other * first[part] + (1 - other * answer[0]) / answer[1] * second[part]
        assert np.std(rest) > 0.99 * np.std(mixed)


def test_a_mixture_of_too_little_is_unknown():
    first = np.ones((40, 40), np.float32)
    assert band_weights(first, first, np.zeros((40, 40), np.uint8), (0, 40, 0, 40), np.ones(2)) == (0, 0, 0, 0)


def test_mixed_peaks_agree_with_a_plain_search(rng):
    plane, *_ = stars_on(rng, wrinkled(rng, (128, 160)), (20, 60))
    first, second = bands(plane, FWHM)
    answer, t = response_of(ROUND, FWHM), Template.of(ROUND, FWHM)
    rows = np.empty(500, FITTED)
    cell = (32, 96, 48, 112)
    n = band_peaks(plane, first, second, ALL, np.array([cell]), answer, 4.0, t.half, t.basis, t.solve, rows)
    box = (32 - AROUND, 96 + AROUND, 48 - AROUND, 112 + AROUND)
    a, b, level, scatter = band_weights(first, second, ALL, box, answer)
    mixed = np.float32(a) * first + np.float32(b) * second
    plain = [
        (y, x)
        for y in range(32, 96)
        for x in range(48, 112)
        if mixed[y, x] > level + 4.0 * scatter and mixed[y, x] == mixed[y - 1 : y + 2, x - 1 : x + 2].max()
    ]
    expected = fitted(plane, plain)
    expected = expected[expected["height"] > 0]
    assert n == len(expected) > 3
    for name in set(FITTED.names) - {"snr"}:
        np.testing.assert_allclose(rows[name][:n], expected[name])


def test_added_stars_lie_apart():
    known = np.array([[10.0, 10.0]])
    new = np.array([[11.0, 10.0], [20.0, 10.0], [21.0, 10.0], [22.5, 10.0]])
    assert crowded.lie_apart(new, np.full(4, 2.0), known).tolist() == [False, True, False, True]
    assert crowded.lie_apart(new[:0], np.empty(0), known).size == 0


def test_the_crowded_field_pass_does_not_depend_on_threads_and_respects_coverage(rng, monkeypatch):
    ground = np.hstack([wrinkled(rng), np.zeros((256, 640))])
    plane, x, *_ = stars_on(rng, ground)
    coverage = np.full(plane.shape, 255, np.uint8)
    coverage[:, :100] = 0
    some = find_stars(plane, coverage).to_dict()
    plane[:, :100] = rng.uniform(0, 1, (256, 100))
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert find_stars(plane, coverage).to_dict() == some
    assert min(some["x"]) > 99
    assert len(some["x"]) > 0.8 * np.count_nonzero(x > 105)

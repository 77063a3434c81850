"""The star list, held against simulated truth."""

import json
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy.spatial import cKDTree

from workbench.errors import WorkbenchError
from workbench.measure import blocks
from workbench.measure.stars import Stars, find_stars, star_colors
from workbench.measure.stars.centroid import PEAK, measure_peaks
from workbench.measure.stars.detect import MatchedFilter, mean_plane, peaks, ring
from workbench.measure.stars.moffat import moffat_gamma
from workbench.measure.stars.psf import PsfModel, field_psf
from workbench.simulate import simulate

SIGMA = 0.002
FWHM = 3.0


def draw(plane, x, y, peak, fwhm=FWHM, alpha=3.0, elongation=1.0, angle=0.0):
    """Add a Moffat star, sampled at pixel centres, and return its total flux."""
    gamma = moffat_gamma(fwhm, alpha)
    yy, xx = np.mgrid[: plane.shape[0], : plane.shape[1]]
    c, s = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    u = ((xx - x) * c + (yy - y) * s) / np.sqrt(elongation)
    v = ((yy - y) * c - (xx - x) * s) * np.sqrt(elongation)
    plane += (peak * (1 + (u * u + v * v) / gamma**2) ** -alpha).astype(np.float32)
    return peak * np.pi * gamma**2 / (alpha - 1)


def empty(rng, shape=(220, 260), level=0.05):
    return rng.normal(level, SIGMA, shape).astype(np.float32)


def grid_of_stars(rng, shape=(420, 520), step=40, peak=0.2, **form):
    plane = empty(rng, shape)
    x, y = (a.ravel() for a in np.meshgrid(np.arange(20, shape[1] - 15, step), np.arange(20, shape[0] - 15, step)))
    x, y = x + rng.uniform(-0.5, 0.5, x.size), y + rng.uniform(-0.5, 0.5, y.size)
    window = 20
    flux = np.empty(x.size)
    for i, (cx, cy) in enumerate(zip(x, y, strict=True)):
        y0, x0 = int(cy) - window, int(cx) - window
        y0, x0 = max(y0, 0), max(x0, 0)
        part = plane[y0 : y0 + 2 * window, x0 : x0 + 2 * window]
        flux[i] = draw(part, cx - x0, cy - y0, peak, **form)
    return plane, x, y, flux


def nearest(stars, x, y):
    return cKDTree(np.c_[stars.x, stars.y]).query(np.c_[x, y])


@pytest.fixture(scope="module")
def field():
    return simulate("hayfield_stars", shape=(900, 1300), seed=21)


@pytest.fixture(scope="module")
def found(field):
    return find_stars(field.stack.planes)


def judged(sim, stars):
    """Truth table joined to the list: signal-to-noise ratio, distance to and index of the nearest entry, blends."""
    t = sim.truth.stars
    recorded = (t.flux * sim.truth.channel_gains).mean(axis=1)
    noise = (sim.stack.planes - sim.truth.noiseless).mean(axis=0)
    gamma = moffat_gamma(float(np.median(t.fwhm_px)), sim.scene.optics.alpha)
    height = (sim.scene.optics.alpha - 1) / (np.pi * gamma**2)
    b = sim.truth.borders
    h, w = noise.shape
    spread = 1.4826 * np.median(np.abs(noise[b.top : h - b.bottom, b.left : w - b.right]))
    # Ten standard deviations of a pixel, as a person reads it off the image.
    height_snr = recorded * height / spread
    at = np.c_[t.x, t.y]
    near = np.zeros(len(t.x), bool)
    for i, j in cKDTree(at).query_pairs(2.5 * float(np.median(t.fwhm_px))):
        near[i if recorded[i] < recorded[j] else j] = True
    inside = (t.x > b.left + 6) & (t.x < w - b.right - 6) & (t.y > b.top + 6) & (t.y < h - b.bottom - 6)
    distance, index = nearest(stars, t.x, t.y)
    return t, recorded, height_snr, distance, index, inside & ~near


def test_completeness_above_ten_sigma_is_98_percent(field, found):
    _, _, snr, distance, _, usable = judged(field, found)
    wanted = usable & (snr > 10)
    assert np.count_nonzero(wanted) > 300
    assert np.mean(distance[wanted] < 1.5) >= 0.98


def test_false_detections_are_below_two_percent(field, found):
    t, _, snr, *_ = judged(field, found)
    real = snr > 1
    distance, _ = cKDTree(np.c_[t.x, t.y][real]).query(np.c_[found.x, found.y])
    assert np.mean(distance > 2) <= 0.02


def test_centroids_are_within_a_tenth_of_a_pixel(field, found):
    t, _, snr, distance, index, usable = judged(field, found)
    good = usable & (snr > 10) & (distance < 1.5)
    assert np.median(distance[good]) < 0.08
    dx, dy = found.x[index[good]] - t.x[good], found.y[index[good]] - t.y[good]
    assert np.sqrt(np.mean(np.r_[dx, dy] ** 2)) < 0.11
    assert abs(np.median(dx)) < 0.01
    assert abs(np.median(dy)) < 0.01


def test_fwhm_is_within_three_percent_and_flux_within_five(field, found):
    t, recorded, snr, distance, index, usable = judged(field, found)
    good = usable & (snr > 20) & (distance < 1) & ~t.saturated
    assert np.median(found.fwhm[index[good]] / t.fwhm_px[good]) == pytest.approx(1, abs=0.03)
    in_core = recorded[good] * (1 - field.scene.optics.halo_share)
    x, y = (np.rint(a[good]).astype(int) for a in (t.x, t.y))
    in_core = in_core * field.truth.falloff[y, x]
    assert np.median(found.flux[index[good]] / in_core) == pytest.approx(1, abs=0.05)


def test_the_point_spread_of_the_field_is_the_scenes(field, found):
    model = field_psf(field.stack.planes, found)
    t = field.truth.stars
    assert model.fwhm_px == pytest.approx(float(np.median(t.fwhm_px)), rel=0.02)
    assert model.alpha == pytest.approx(field.scene.optics.alpha, rel=0.15)
    assert model.elongation == pytest.approx(float(np.median(t.elongation)), abs=0.03)
    corner, middle = model.fwhm_at(0, 0), model.fwhm_at(650, 450)
    assert corner / middle == pytest.approx(float(t.fwhm_px.max() / t.fwhm_px.min()), rel=0.06)
    assert PsfModel.from_dict(json.loads(json.dumps(model.to_dict()))) == model


def test_the_point_spread_holds_for_one_channel_too(field, found):
    one, all_ = (field_psf(p, found) for p in (field.stack.planes[1], field.stack.planes))
    assert one.fwhm_px == pytest.approx(all_.fwhm_px, rel=0.02)


@pytest.mark.parametrize(("elongation", "angle"), [(1.3, 30.0), (1.5, -60.0), (1.2, 90.0)])
def test_elongation_and_angle_are_measured(rng, elongation, angle):
    plane, *_ = grid_of_stars(rng, elongation=elongation, angle=angle)
    stars = find_stars(plane)
    assert np.median(stars.elongation) == pytest.approx(elongation, rel=0.06)
    off = (np.median((stars.angle_deg - angle + 90) % 180) - 90) % 180
    assert min(off, 180 - off) < 3
    model = field_psf(plane, stars)
    assert model.elongation == pytest.approx(elongation, rel=0.06)


@pytest.mark.parametrize(("fwhm", "alpha"), [(2.0, 3.0), (3.0, 2.5), (4.5, 4.0)])
def test_size_and_flux_hold_for_sharp_and_soft_stars(rng, fwhm, alpha):
    plane, x, y, flux = grid_of_stars(rng, step=52, fwhm=fwhm, alpha=alpha)
    stars = find_stars(plane)
    distance, index = nearest(stars, x, y)
    assert len(stars) == x.size
    assert distance.max() < 0.12
    assert np.median(stars.fwhm[index]) == pytest.approx(fwhm, rel=0.03)
    assert np.median(stars.flux[index] / flux) == pytest.approx(1, abs=0.05)


def test_a_hot_pixel_and_a_cosmic_ray_are_not_stars(rng):
    plane, x, _y, _ = grid_of_stars(rng)
    plane[100, 121] += 0.3
    plane[200:201, 316:324] += 0.2
    stars = find_stars(plane)
    for cx, cy in ((121, 100), (320, 200)):
        assert np.hypot(stars.x - cx, stars.y - cy).min() > 5
    assert len(stars) == x.size


def test_a_knot_broader_than_stars_is_not_a_star(rng):
    plane, x, _y, _ = grid_of_stars(rng)
    yy, xx = np.mgrid[: plane.shape[0], : plane.shape[1]]
    plane += (0.2 * np.exp(-0.5 * ((xx - 200.4) ** 2 + (yy - 200.2) ** 2) / 4.0**2)).astype(np.float32)
    stars = find_stars(plane)
    assert np.hypot(stars.x - 200.4, stars.y - 200.2).min() > 3
    assert len(stars) == x.size


def test_a_pair_two_fwhm_apart_is_two_stars(rng):
    plane, *_ = grid_of_stars(rng, step=80)
    draw(plane, 200.3, 140.2, 0.2)
    draw(plane, 206.3, 140.2, 0.15)
    stars = find_stars(plane)
    distance, index = nearest(stars, [200.3, 206.3], [140.2, 140.2])
    assert distance.max() < 0.3
    assert index[0] != index[1]


def test_every_star_of_a_dense_group_is_found(rng):
    plane = empty(rng, (120, 160))
    places = [(70, 55, 0.5), (78, 57, 0.4), (75, 64, 0.3), (84, 63, 0.6), (90, 52, 0.2), (79, 49, 0.5), (70, 47, 0.1)]
    for x, y, peak in places:
        draw(plane, x + 0.3, y - 0.2, peak)
    for x, y in rng.uniform(8, 112, (25, 2)):
        draw(plane, x * 1.3, y, 0.1)
    x, y, _ = np.transpose(places)
    distance, index = nearest(find_stars(plane), x + 0.3, y - 0.2)
    assert distance.max() < 0.3
    assert len(set(index.tolist())) == len(places)


def test_a_star_on_bright_nebulosity_is_found_with_its_own_light(rng):
    plane, x, y, flux = grid_of_stars(rng, step=60)
    yy, xx = np.mgrid[: plane.shape[0], : plane.shape[1]]
    plane += (0.3 * np.exp(-0.5 * ((xx - 260) ** 2 + (yy - 200) ** 2) / 60.0**2)).astype(np.float32)
    stars = find_stars(plane)
    distance, index = nearest(stars, x, y)
    assert distance.max() < 0.2
    assert np.abs(stars.flux[index] / flux - 1).max() < 0.15


@pytest.mark.parametrize("level", [1.0, 0.55])
def test_saturated_stars_are_flagged_once_and_placed_well(rng, level):
    plane, _x, _y, _ = grid_of_stars(rng, step=60)
    bright = [(100.3, 110.7, 30.0), (330.6, 230.1, 8.0), (210.2, 330.4, 100.0)]
    flux = [draw(plane, cx, cy, peak) for cx, cy, peak in bright]
    plane = np.minimum(plane, np.float32(level)) + rng.normal(0, SIGMA, plane.shape).astype(np.float32)
    stars = find_stars(plane)
    saturated = stars.select(stars.saturated)
    assert len(saturated) == len(bright)
    distance, index = nearest(saturated, [b[0] for b in bright], [b[1] for b in bright])
    assert distance.max() < 0.3
    assert saturated.flux[index] == pytest.approx(flux, rel=0.25)


def test_unsaturated_stars_are_not_flagged(rng):
    plane, *_ = grid_of_stars(rng, peak=0.8)
    assert not find_stars(plane).saturated.any()


def test_what_is_not_covered_holds_no_star(rng):
    plane, x, _, _ = grid_of_stars(rng)
    coverage = np.full(plane.shape, 255, np.uint8)
    coverage[:, 260:] = 0
    stars = find_stars(plane, coverage)
    assert len(stars) == np.count_nonzero(x < 255)
    junk = plane.copy()
    junk[:, 260:] = rng.uniform(0, 1, junk[:, 260:].shape)
    assert find_stars(junk, coverage).to_dict() == stars.to_dict()


def test_colors_keep_the_ratio_between_channels(rng):
    mono, x, y, flux = grid_of_stars(rng)
    light = mono - np.float32(0.05)
    planes = np.stack([0.6 * light + 0.02, light + 0.05, 1.4 * light + 0.1]).astype(np.float32)
    stars = find_stars(planes)
    colors = star_colors(planes, stars)
    ratio = colors / colors[:, 1:2]
    np.testing.assert_allclose(np.median(ratio, axis=0), [0.6, 1.0, 1.4], rtol=0.005)
    _, index = nearest(stars, x, y)
    assert np.median(colors[index, 1] / flux) == pytest.approx(1, abs=0.05)


def test_colors_are_those_of_the_scene(field, found):
    t, _, snr, distance, index, usable = judged(field, found)
    good = usable & (snr > 40) & (distance < 0.5) & ~t.saturated
    colors = star_colors(field.stack.planes, found)[index[good]]
    truth = (t.flux * field.truth.channel_gains)[good]
    for c in (0, 2):
        ratio = (colors[:, c] / colors[:, 1]) / (truth[:, c] / truth[:, 1])
        assert np.median(ratio) == pytest.approx(1, abs=0.01)


def test_the_list_does_not_depend_on_threads(field, monkeypatch):
    planes = field.stack.planes[:, :500, :600]
    many = find_stars(planes).to_dict()
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert find_stars(planes).to_dict() == many
    monkeypatch.setattr(os, "cpu_count", lambda: 7)
    with ThreadPoolExecutor(3) as pool:
        assert all(s.to_dict() == many for s in pool.map(find_stars, [planes] * 3))


def test_the_frame_is_not_changed_and_its_layout_does_not_matter(field):
    view = field.stack.planes[:, :300, :400]
    planar = np.ascontiguousarray(view)
    before = planar.copy()
    assert find_stars(planar).to_dict() == find_stars(view).to_dict()
    np.testing.assert_array_equal(planar, before)


def test_a_list_survives_json(found):
    again = Stars.from_dict(json.loads(json.dumps(found.to_dict())))
    assert again.to_dict() == found.to_dict()
    assert len(found.select(found.snr > 100)) == np.count_nonzero(found.snr > 100)
    assert np.all(np.diff(found.flux) <= 0)


def test_a_damaged_list_is_refused(found):
    data = found.to_dict()
    with pytest.raises(WorkbenchError, match="columns"):
        Stars.from_dict({k: v for k, v in data.items() if k != "snr"})
    with pytest.raises(WorkbenchError, match="length"):
        Stars.from_dict({**data, "x": data["x"][:-1]})


@pytest.mark.parametrize("shape", [(1, 1), (1, 80), (80, 1), (5, 5), (40, 40)])
def test_tiny_and_constant_frames_have_no_stars(shape):
    assert len(find_stars(np.full(shape, 0.3, np.float32))) == 0


def test_pure_noise_and_an_uncovered_frame_have_no_stars(rng):
    assert len(find_stars(empty(rng, (300, 300)))) <= 2
    assert len(find_stars(empty(rng), np.zeros((220, 260), np.uint8))) == 0


def test_a_point_spread_without_stars_is_refused(rng):
    plane = np.full((50, 50), 0.1, np.float32)
    with pytest.raises(WorkbenchError, match="no unsaturated star"):
        field_psf(plane, find_stars(plane))


def test_a_threshold_of_zero_is_refused():
    with pytest.raises(WorkbenchError, match="threshold"):
        find_stars(np.ones((9, 9), np.float32), threshold=0)


def test_planes_of_a_wrong_shape_are_refused():
    for wrong in (np.ones(5, np.float32), np.ones((0, 5), np.float32)):
        with pytest.raises(WorkbenchError, match="one plane"):
            blocks.as_planes(wrong)


def test_the_mean_kernel_agrees_with_numpy(rng):
    planes = rng.random((3, 20, 30)).astype(np.float32)
    out = np.empty((20, 30), np.float32)
    mean_plane(planes, out)
    np.testing.assert_allclose(out, planes.mean(axis=0), rtol=1e-6)


def test_the_peak_kernel_agrees_with_a_plain_search(rng):
    image = rng.normal(0, 1, (60, 150)).astype(np.float32)
    sigma = np.ones((1, 3), np.float32)
    found = np.empty((9000, 2), np.int32)
    n = peaks(image, np.empty((0, 0), np.uint8), 0, 60, 0, sigma, 64, 1.5, found)
    plain = [
        (y, x)
        for y in range(1, 59)
        for x in range(1, 149)
        if image[y, x] > 1.5 and image[y, x] == image[y - 1 : y + 2, x - 1 : x + 2].max()
    ]
    assert [tuple(p) for p in found[:n]] == plain


def test_the_measuring_kernel_agrees_with_plain_numpy(rng):
    plane, x, y, _ = grid_of_stars(rng, step=60)
    by = MatchedFilter(1.4)
    filtered = by.of(plane)
    found = np.stack([np.rint(y), np.rint(x)], axis=1).astype(np.int32)
    rows = np.empty(len(found), PEAK)
    around = ring(by.ring_radii)
    measure_peaks(plane, filtered, np.empty((0, 0), np.uint8), found, by.window, by.stride, around, rows)
    h, w = plane.shape
    radius = int(np.ceil(3 * by.window))
    for (py, px), row in zip(found, rows, strict=True):
        ys, xs = py + around[:, 0], px + around[:, 1]
        ok = (ys >= 0) & (ys < h) & (xs >= 0) & (xs < w)
        samples = np.sort(plane[ys[ok], xs[ok]])
        assert row["background"] == samples[len(samples) // 2]
        part = np.s_[max(py - radius, 0) : py + radius + 1, max(px - radius, 0) : px + radius + 1]
        yy, xx = np.mgrid[part[0].start : min(part[0].stop, h), part[1].start : min(part[1].stop, w)]
        light = (plane[part] - row["background"]) * np.exp(
            -0.5 * ((xx - row["x"]) ** 2 + (yy - row["y"]) ** 2) / by.window**2
        )
        assert row["window_sum"] == pytest.approx(light.sum(), rel=1e-4)
        # At the centre that the iteration found, the windowed light balances.
        assert abs((light * (xx - row["x"])).sum() / light.sum()) < 1e-3
        assert abs((light * (yy - row["y"])).sum() / light.sum()) < 1e-3

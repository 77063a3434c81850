"""Reduced stars: narrower and dimmer as asked, nothing else touched, the same in every tile."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
import pytest

from workbench.engine.tiles import tile_rects
from workbench.errors import WorkbenchError
from workbench.operations import stars as stars_module
from workbench.operations._stars import fit as fit_module
from workbench.operations._stars.cutout import neighbors
from workbench.operations._stars.fit import fit_stars
from workbench.operations._stars.remove import left_by_model, plan_stars, take_light, take_light_numpy
from workbench.operations.base import Frame, Geometry, Rect, Tile
from workbench.operations.stars import ReduceStars, ReduceStarsFacts

SIGMA = 4e-4
SHAPE = (300, 420)
ALPHA = 3.0


class Field(NamedTuple):
    """A made field: recorded planes, the same without stars and noise, star table (x, y, peak), FWHM, elongation."""

    planes: np.ndarray
    ground: np.ndarray
    noise: np.ndarray
    table: np.ndarray
    fwhm: float
    elongation: float


def moffat(shape, x, y, fwhm, elongation=1.0, angle_deg=0.0):
    row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    along, across = (col - x) * c + (row - y) * s, -(col - x) * s + (row - y) * c
    half = fwhm / 2
    rho2 = (along / (half * np.sqrt(elongation))) ** 2 + (across * np.sqrt(elongation) / half) ** 2
    return (1 + rho2 * (2 ** (1 / ALPHA) - 1)) ** -ALPHA


def made(seed=3, channels=3, fwhm=3.0, elongation=1.25, nebula=0.03, saturated=3, n=70) -> Field:
    rng = np.random.default_rng(seed)
    h, w = SHAPE
    y, x = np.mgrid[:h, :w]
    sky = 0.05 + 2e-5 * x + 1e-5 * y
    cloud = cv2.GaussianBlur(rng.normal(0, 1, SHAPE), (0, 0), 18)
    sky = sky + nebula * np.square(cloud / np.abs(cloud).max())
    ground = np.stack([sky * t for t in (1.1, 1.0, 0.9)[:channels]])
    planes = ground.copy()
    peaks = np.sort(10 ** (-2.4 + 2.1 * rng.beta(1.0, 1.6, n)))[::-1]
    peaks[:saturated] = [6.0, 3.0, 2.0][:saturated]
    places = np.stack([rng.uniform(25, w - 25, n), rng.uniform(25, h - 25, n)], axis=1)
    places[10] = places[9] + [1.7 * fwhm, 0.5]  # a blend
    for k, ((px, py), peak) in enumerate(zip(places, peaks, strict=True)):
        light = peak * moffat(SHAPE, px, py, fwhm, elongation, 30.0)
        for c in range(channels):
            planes[c] += light * (1.0, 0.8 if k % 2 else 1.2, 0.7)[c]
    noise = rng.normal(0, SIGMA, planes.shape)
    recorded = np.minimum(planes, 1.0) + noise
    table = np.column_stack([places, peaks])
    return Field(recorded.astype(np.float32), ground, noise, table, fwhm, elongation)


@pytest.fixture(scope="module")
def field():
    return made()


@pytest.fixture(scope="module")
def facts(field):
    return ReduceStars().measure(Frame(field.planes))


def served(op, planes, facts, size=4096, scale=1.0, order=1):
    c, h, w = planes.shape
    geometry = Geometry(h, w, c, scale)
    assert op.reach(facts, geometry) == 0
    plan = op.prepare(facts, geometry)
    out = np.full_like(planes, np.nan)
    for core in tile_rects(h, w, size)[::order]:
        ys, xs = core.slices
        pixels = planes[:, ys, xs].copy()
        op.apply(Tile(pixels, core, 0, geometry), plan, pixels)
        out[:, ys, xs] = pixels
    return out


def footprints(facts, grow=0.0):
    """Pixels inside any footprint's square."""
    mask = np.zeros(SHAPE, bool)
    model = facts.stars.model()
    for x, y, r in zip(model.x, model.y, model.radius + grow, strict=True):
        mask[max(int(np.ceil(y - r)), 0) : int(y + r) + 1, max(int(np.ceil(x - r)), 0) : int(x + r) + 1] = True
    return mask


def nearest(facts, x, y):
    model = facts.stars.model()
    return int(np.argmin(np.hypot(model.x - x, model.y - y)))


def alone(field, at, far=22):
    d = np.hypot(*(field.table[:, :2] - field.table[at, :2]).T)
    return np.sort(d)[1] > far


def ring_mean(image, x, y, r0, r1):
    row, col = np.mgrid[: image.shape[-2], : image.shape[-1]]
    r = np.hypot(col - x, row - y)
    return image[..., (r >= r0) & (r < r1)].mean(axis=-1)


def half_width(image, x, y):
    """Width at half maximum from the area above half of the centre, on a finely enlarged cut-out."""
    big = cv2.resize(
        image[round(y) - 10 : round(y) + 11, round(x) - 10 : round(x) + 11],
        None,
        fx=8,
        fy=8,
        interpolation=cv2.INTER_CUBIC,
    )
    return 2 * np.sqrt(np.count_nonzero(big > 0.5 * big.max()) / 64 / np.pi)


# The contract


@pytest.mark.parametrize("size", [32, 97, 128])
def test_tiles_of_any_size_make_the_same_frame_bit_for_bit(field, facts, size):
    op = ReduceStars()
    whole = served(op, field.planes, facts)
    np.testing.assert_array_equal(served(op, field.planes, facts, size, order=-1), whole)


def test_measuring_changes_no_pixel_and_is_repeatable(field, facts):
    planes = field.planes.copy()
    assert ReduceStars().measure(Frame(planes)) == facts
    np.testing.assert_array_equal(planes, field.planes)


def test_facts_survive_json(field, facts):
    again = ReduceStarsFacts.model_validate_json(facts.model_dump_json())
    op = ReduceStars(size=0.5)
    np.testing.assert_array_equal(served(op, field.planes, again), served(op, field.planes, facts))
    assert again == facts


def test_nothing_changes_outside_the_footprints(field, facts):
    out = served(ReduceStars(size=0.3, brightness=0.0), field.planes, facts)
    outside = ~footprints(facts)
    assert 0.2 < outside.mean() < 0.98
    np.testing.assert_array_equal(out[:, outside], field.planes[:, outside])
    assert (out != field.planes).any()


def test_full_size_and_brightness_change_nothing(field, facts):
    np.testing.assert_array_equal(served(ReduceStars(size=1, brightness=1), field.planes, facts), field.planes)


@pytest.mark.parametrize(("shrink", "dim", "scale"), [(0.5, 0.7, 1.0), (1.0, 0.0, 1.0), (0.7, 0.8, 2.5)])
def test_the_kernel_and_its_numpy_twin_agree(field, facts, shrink, dim, scale):
    model = facts.stars.model()
    n = len(model)
    planes = field.planes if scale == 1 else np.ascontiguousarray(field.planes[:, :120, :168])
    plan = plan_stars(model, np.full(n, shrink), np.full(n, dim), facts.sigma, *planes.shape[1:], scale)
    out = np.empty_like(planes)
    take_light(planes, 0, 0, plan, 3.0, out)
    np.testing.assert_allclose(out, take_light_numpy(planes, plan, 3.0), atol=2e-6)


def test_what_a_model_leaves_of_squares_is_what_it_leaves_of_the_frame(field, facts):
    model = facts.stars.model()
    nothing, half = np.zeros(len(model)), 5
    plan = plan_stars(model, nothing + 1, nothing, 1.0, *field.planes.shape[1:])
    ys, xs = (np.rint(at).astype(np.int64) for at in (model.y, model.x))
    ys[0], xs[0] = 2, field.planes.shape[2] - 1  # beyond two sides
    ys[1], xs[1] = 128, 127  # where four cells of the star index meet
    squares = left_by_model(field.planes, plan, ys, xs, half)
    # Where a pixel would have to stand higher than any does to be trusted, all that is taken off is the model.
    whole = np.pad(take_light_numpy(field.planes, plan, 1e9).mean(axis=0), half)
    for square, y, x in zip(squares, ys, xs, strict=True):
        np.testing.assert_allclose(square, whole[y : y + 2 * half + 1, x : x + 2 * half + 1], atol=2e-6)


# What the photographer asked for


@pytest.mark.parametrize("size", [0.5, 0.7, 0.85])
def test_stars_get_the_wanted_width_and_brightness(field, facts, size):
    op = ReduceStars(size=size, brightness=0.8)
    before = field.planes[0] - field.ground[0]
    after = served(op, field.planes, facts)[0] - field.ground[0]
    widths, heights = [], []
    for k in range(len(field.table)):
        x, y, peak = field.table[k]
        if 0.025 < peak < 0.8 and alone(field, k, 15):
            at = round(y), round(x)
            # Pixels sample the profile off its peak: compare with the profile at the very same place.
            wanted = moffat((1, 1), x - at[1], y - at[0], field.fwhm * size, field.elongation, 30.0)[0, 0]
            had = moffat((1, 1), x - at[1], y - at[0], field.fwhm, field.elongation, 30.0)[0, 0]
            heights.append(after[at] / before[at] / (0.8 * wanted / had))
            ideal = moffat(SHAPE, x, y, field.fwhm * size, field.elongation, 30.0)
            widths.append(half_width(after, x, y) / half_width(ideal, x, y))
    assert len(heights) >= 5
    np.testing.assert_allclose(np.median(heights), 1.0, atol=0.03)
    np.testing.assert_allclose(np.median(widths), 1.0, atol=0.03)


def test_no_dark_ring_is_left_around_any_star(field, facts):
    out = served(ReduceStars(size=0.5, brightness=0.6), field.planes, facts)
    left = (out - field.ground).mean(axis=0) / (SIGMA / np.sqrt(3))
    depth = []
    for k, (x, y, peak) in enumerate(field.table):
        if peak > 0.02 and alone(field, k, 14):
            depth.append(min(ring_mean(left, x, y, r, r + 1.5) for r in np.arange(1.5, 12, 1.5)))
    assert len(depth) >= 15
    # The mean of a ring of 15 pixels scatters by a quarter of the noise by itself.
    assert np.median(depth) > -0.5
    assert min(depth) > -2.0


def test_the_nebula_comes_through_where_a_star_is_taken_out(field, facts):
    out = served(ReduceStars(size=0.3, brightness=0.0), field.planes, facts)
    error, star, listed = [], [], []
    model = facts.stars.model()
    for x, y, peak in field.table:
        if 0.02 < peak < 0.9:
            listed.append(np.hypot(model.x - x, model.y - y).min() < 1.5)
            error.append(ring_mean(out - field.ground, x, y, 0, 3))
            star.append(peak)
    error = np.array(error)
    assert np.median(np.abs(error)) < 1.0 * SIGMA
    # The worst are blends; even there next to nothing of the star is left.
    assert np.percentile(np.abs(error), 95) < 4 * SIGMA
    # A star that hides in the wings of another one is not in the list: like a knot of the nebula, it may stay.
    listed = np.array(listed)
    assert np.count_nonzero(~listed) <= 2
    assert (np.abs(error).max(axis=1) < 0.15 * np.array(star))[listed].all()


def test_the_grain_of_the_sky_stays_under_removed_wings(field, facts):
    out = served(ReduceStars(size=0.3, brightness=0.0), field.planes, facts)
    model = facts.stars.model()
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    wings, cores = np.zeros(SHAPE, bool), np.zeros(SHAPE, bool)
    for x, y, r, core in zip(model.x, model.y, model.radius, model.core * model.fwhm, strict=True):
        d = np.hypot(col - x, row - y)
        wings |= d < 0.8 * r
        cores |= d < 2.0 * core  # where the star stands above about a sigma
    wings &= ~cores
    grain = (out - field.ground)[0] - cv2.GaussianBlur((out - field.ground)[0], (0, 0), 1.5)
    sky = field.noise[0] - cv2.GaussianBlur(field.noise[0], (0, 0), 1.5)
    assert np.count_nonzero(wings) > 500
    assert grain[wings].std() / sky[wings].std() > 0.93


def test_a_saturated_star_shrinks_as_a_whole(field, facts):
    op = ReduceStars(size=0.5, brightness=1.0)
    out = served(op, field.planes, facts)
    for x, y, peak in field.table[:3]:
        index = nearest(facts, x, y)
        assert index in facts.stars.cut_off
        box = np.s_[round(y) - 14 : round(y) + 15, round(x) - 14 : round(x) + 15]
        for level in (0.5, 0.1):
            before = np.count_nonzero((field.planes[0] - field.ground[0])[box] > level)
            after = np.count_nonzero((out[0] - field.ground[0])[box] > level)
            assert after / before == pytest.approx(0.25, abs=0.1), (peak, level)
        assert out[0][round(y), round(x)] == pytest.approx(field.planes[0][round(y), round(x)], abs=0.02)


def test_star_colors_stay(field, facts):
    out = served(ReduceStars(size=0.6, brightness=0.7), field.planes, facts)
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for k, (x, y, peak) in enumerate(field.table):
        if 0.1 < peak < 0.7 and alone(field, k, 16):
            inside = np.hypot(col - x, row - y) < 4
            before = (field.planes - field.ground)[:, inside].sum(axis=1)
            after = (out - field.ground)[:, inside].sum(axis=1)
            np.testing.assert_allclose(after[1:] / after[0], before[1:] / before[0], rtol=0.03)


def test_blended_stars_are_both_reduced_and_both_stay(field, facts):
    out = served(ReduceStars(size=0.5, brightness=1.0), field.planes, facts) - field.ground
    a, b = field.table[9], field.table[10]
    at = [out[0, round(s[1]), round(s[0])] for s in (a, b)]
    between = out[0, round((a[1] + b[1]) / 2), round((a[0] + b[0]) / 2)]
    assert min(at) > 0.4 * min(a[2], b[2])
    before = (field.planes - field.ground)[0, round((a[1] + b[1]) / 2), round((a[0] + b[0]) / 2)]
    assert 0 < between < 0.45 * before


def test_the_profile_never_rises_and_so_the_ratio_never_exceeds_one(facts):
    profile = facts.stars.profile
    assert profile[0] == pytest.approx(1)
    assert (np.diff(profile, axis=0) <= 0).all()


def test_a_dense_group_in_a_bright_nebula_leaves_no_hole():
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:120, :160]
    ground = 0.05 + 0.08 * np.exp(-((x - 80) ** 2 + (y - 60) ** 2) / (2 * 30.0**2))
    plane = ground.copy()
    for px, py, peak in [(70, 55, 0.5), (78, 57, 0.4), (75, 64, 0.3), (84, 63, 0.6), (90, 52, 0.2), (79, 49, 0.5)]:
        plane += peak * moffat(plane.shape, px + 0.3, py - 0.2, 2.8)
    for px, py in rng.uniform(8, 112, (25, 2)):
        plane += 0.1 * moffat(plane.shape, px * 1.3, py, 2.8)
    planes = (plane + rng.normal(0, SIGMA, plane.shape))[None].astype(np.float32)
    facts = ReduceStars().measure(Frame(planes))
    out = served(ReduceStars(size=0.4, brightness=0.2), planes, facts)
    assert (out[0] - ground)[30:90, 40:120].min() > -15 * SIGMA  # a twelfth of the faintest star of the group


def test_bands_fitted_side_by_side_agree_with_one_and_with_any_number_of_threads(field, facts, monkeypatch):
    frame = Frame(field.planes)
    monkeypatch.setattr(fit_module, "_BAND", 60)
    banded = ReduceStars().measure(frame)
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert ReduceStars().measure(frame) == banded
    one, many = (f.stars.model() for f in (facts, banded))
    np.testing.assert_allclose(many.peak, one.peak, rtol=0.03, atol=5 * SIGMA)
    np.testing.assert_allclose(many.ground[..., 0], one.ground[..., 0], atol=5 * SIGMA)


# Which stars


def test_the_brightest_stars_can_be_kept(field, facts):
    out = served(ReduceStars(size=0.5, keep_brightest=1), field.planes, facts)
    model = facts.stars.model()
    y, x = round(model.y[0]), round(model.x[0])
    np.testing.assert_allclose(
        out[:, y - 2 : y + 3, x - 2 : x + 3], field.planes[:, y - 2 : y + 3, x - 2 : x + 3], atol=2e-3
    )
    assert (out != field.planes).any()


def test_faint_stars_can_be_left(field, facts):
    some = ReduceStars(least_snr=200.0)
    none = ReduceStars(least_snr=1000.0, keep_brightest=1000)
    assert 0 < (some.strength(np.array(facts.snr)) > 0).sum() < len(facts.snr)
    np.testing.assert_array_equal(served(none, field.planes, facts), field.planes)


def test_favor_moves_the_effect_between_faint_and_bright_stars():
    snr = np.linspace(100, 10, 11)
    np.testing.assert_allclose(ReduceStars(favor=0).strength(snr), 1)
    faint = ReduceStars(favor=-1).strength(snr)
    bright = ReduceStars(favor=0.5).strength(snr)
    assert (faint[0], faint[-1]) == (0, 1)
    assert (bright[0], bright[-1]) == (1, 0.5)
    assert (np.diff(faint) > 0).all()


def test_the_star_list_is_bounded(field, monkeypatch):
    monkeypatch.setattr(stars_module, "MOST_STARS", 20)
    facts = ReduceStars().measure(Frame(field.planes))
    assert len(facts.stars.x) == 20
    assert facts.found > 60


# The fit view


@pytest.mark.parametrize("scale", [2, 4])
def test_the_fit_view_shows_what_the_full_frame_becomes(field, facts, scale):
    def reduced(planes):
        c, h, w = planes.shape
        return planes.reshape(c, h // scale, scale, w // scale, scale).mean(axis=(2, 4)).astype(np.float32)

    op = ReduceStars(size=0.5, brightness=0.6)
    wanted = reduced(served(op, field.planes, facts))
    before = reduced(field.planes)
    got = served(op, before, facts, scale=float(scale))
    change = np.sqrt(np.mean((wanted - before) ** 2))
    assert np.sqrt(np.mean((got - wanted) ** 2)) < 0.12 * change


# Frames that have little to offer


def test_a_frame_without_stars_stays_as_it_is():
    planes = np.random.default_rng(1).normal(0.1, SIGMA, (3, 128, 160)).astype(np.float32)
    op = ReduceStars()
    facts = op.measure(Frame(planes))
    assert op.explain(facts.model_copy(update={"stars": None})) == "No stars found: nothing changed."
    out = served(op, planes, facts)
    assert np.abs(out - planes).max() < 6 * SIGMA


@pytest.mark.parametrize("shape", [(1, 1, 1), (3, 1, 1), (3, 1, 400), (1, 23, 40), (3, 30, 30)])
def test_tiny_and_constant_frames_stay_as_they_are(shape):
    planes = np.full(shape, 0.2, np.float32)
    op = ReduceStars()
    np.testing.assert_array_equal(served(op, planes, op.measure(Frame(planes))), planes)


def test_a_single_channel_is_reduced_too():
    field = made(channels=1)
    op = ReduceStars(size=0.5)
    facts = op.measure(Frame(field.planes))
    out = served(op, field.planes, facts)
    assert len(facts.stars.x) > 60
    assert (out - field.ground).sum() < 0.5 * (field.planes - field.ground).sum()


def test_uncovered_pixels_do_not_spoil_the_measurement(field):
    coverage = np.full(SHAPE, 255, np.uint8)
    coverage[:, :40] = 0
    spoiled = field.planes.copy()
    spoiled[:, :, :40] = 0.0
    op = ReduceStars(size=0.5)
    facts = op.measure(Frame(spoiled, coverage=coverage))
    assert min(facts.stars.x) > 35
    out = served(op, spoiled, facts)
    error = (out - field.ground)[:, :, 45:]
    assert np.percentile(error, 1) > -4 * SIGMA


def test_a_frame_with_no_covered_pixel_stays_as_it_is(field):
    op = ReduceStars()
    facts = op.measure(Frame(field.planes, coverage=np.zeros(SHAPE, np.uint8)))
    np.testing.assert_array_equal(served(op, field.planes, facts), field.planes)


def test_facts_of_a_color_frame_are_refused_by_a_gray_one(facts):
    with pytest.raises(WorkbenchError, match="3 channels, but the frame has 1"):
        facts.fits(Geometry(*SHAPE, 1))


def test_the_step_explains_itself(facts):
    text = ReduceStars(size=0.6, brightness=0.5).explain(facts)
    assert "0.6 times as wide" in text
    assert str(facts.found) in text


def test_a_tile_without_stars_is_copied(field, facts):
    plan = ReduceStars().prepare(facts, Geometry(5000, 5000, 3))
    pixels = np.full((3, 8, 8), 0.5, np.float32)
    out = np.empty_like(pixels)
    ReduceStars().apply(Tile(pixels, Rect(4000, 4000, 4008, 4008), 0, Geometry(5000, 5000, 3)), plan, out)
    np.testing.assert_array_equal(out, pixels)


# The parts of the model, against plain numpy


def test_neighbors_are_those_of_trying_all_pairs():
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 500, (2, 300))
    radius, look = rng.choice([3.0, 9.0, 23.9, 24.1, 80.0], 300), rng.uniform(2, 30, 300)
    start, found = np.empty(301, np.int64), np.empty(60_000, np.int64)
    total = neighbors(x, y, radius, look, start, found)
    assert total < found.size
    reach = look[:, None] + radius[None, :]
    near = (np.abs(x[:, None] - x) < reach) & (np.abs(y[:, None] - y) < reach) & ~np.eye(300, dtype=bool)
    for i in range(300):
        assert sorted(found[start[i] : start[i + 1]]) == np.flatnonzero(near[i]).tolist()


def test_a_fit_finds_the_model_that_made_the_frame(facts):
    # The frame is drawn by the numpy twin: what it takes out of an empty frame is the stars' light, negative.
    true = facts.stars.model()
    single = [i for i in range(len(true)) if np.sort(np.hypot(true.x - true.x[i], true.y - true.y[i]))[1] > 30]
    kept = np.array(single)
    columns = ("x", "y", "fwhm", "elongation", "angle_deg", "peak", "edge", "core", "wings")
    pick = {k: getattr(true, k)[kept] for k in columns}
    ground = np.zeros((len(kept), 3, 6))
    ground[:, :, 0] = 0.1
    model = true.replaced(**pick, ground=ground, limit=np.full((len(kept), 3), np.inf))
    ones = np.ones(len(kept))
    plan = plan_stars(model, ones, 0 * ones, 1e-4, *SHAPE)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    slope = np.stack([0.1 + 1e-5 * x * t - 2e-5 * y + 1e-7 * (x - 200) * (y - 100) for t in (1, 2, 3)])
    planes = (slope - take_light_numpy(np.zeros((3, *SHAPE), np.float32), plan, 1e9)).astype(np.float32)
    start = model.replaced(peak=model.peak * 0.5)
    for _ in range(4):
        start = fit_stars(planes, np.empty((0, 0), np.uint8), start, np.zeros(len(kept), bool), np.full(3, 1e-4))
    # Where the ground is bent and the ring small, a faint star's wings take up some of it, and its height with them.
    off = np.abs(start.peak / model.peak - 1)
    assert np.median(off) < 0.005
    assert off.max() < 0.05
    at = slope[:, np.rint(model.y).astype(int), np.rint(model.x).astype(int)].T
    np.testing.assert_allclose(start.ground[:, :, 0], at, atol=4e-4)


def test_the_brightest_pixels_become_what_narrower_and_dimmer_stars_have():
    """Moffat (1969), A&A 3, 455: u(rho) = (1 + rho^2)^-alpha; a star's light becomes dim x u(rho / size)."""
    row, column = np.mgrid[-300:301, -300:301]
    rho = np.hypot(row, column) / 40
    height = np.array([0.3, 0.5, 0.9])[:, None, None]
    before, after = (np.sort((height * (1 + (rho / size) ** 2) ** -2.5).ravel()) for size in (1.0, 0.7))
    facts = ReduceStarsFacts(found=3, sigma=1e-4, snr=np.full(3, 500.0), stars=None)
    seen = ReduceStars(size=0.7, brightness=0.8).brightest(facts, before.astype(np.float32))
    count = before.size // 50  # the brightest pixels are what a white point is read from
    np.testing.assert_allclose(seen[-count:], 0.8 * after[-count:], rtol=0.02)
    assert ReduceStars().brightest(facts.model_copy(update={"snr": np.zeros(0)}), before) is before

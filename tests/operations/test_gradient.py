"""Gradient removal and sky levelling on frames whose sky is known."""

from __future__ import annotations

from itertools import product

import cv2
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from workbench.errors import WorkbenchError
from workbench.operations._gradient.cells import clipped_means, sample_cells
from workbench.operations._gradient.fit import Samples, darker_side_sigma, kept_with_samples, leave_out
from workbench.operations._gradient.paint import make_painter, paint, paint_reference
from workbench.operations._gradient.surfaces import Mesh, Polynomial, ThinPlate, even_knots
from workbench.operations.base import Frame, Geometry, Rect, Tile
from workbench.operations.gradient import LevelSky, LevelSkyFacts, RemoveGradient, RemoveGradientFacts, model_planes
from workbench.operations.regions import Ellipse, Place, Polygon, Rectangle

H, W = 360, 520


def positions(height=H, width=W):
    y, x = np.mgrid[:height, :width].astype(np.float64)
    return (x - width / 2) / (width / 2), (y - height / 2) / (width / 2)


def glow(kind):
    u, v = positions()
    shape = {
        "slope": 0.4 * u - 0.3 * v,
        "two towns": np.exp(1.2 * (u - 1)) + 0.7 * np.exp(1.4 * (v - 0.7)),
        "moon": 0.8 / (1 + 0.8 * ((u - 1.1) ** 2 + (v + 0.8) ** 2)) - 0.2 * u,
        "falloff": -0.5 * (u * u + v * v) + 0.1 * u,
    }[kind]
    color = np.array([1.2, 1.0, 0.7])[:, None, None]
    return 0.1 + 0.03 * color * shape


def starry(sky, seed=1, objects=None, noise=0.001):
    rng = np.random.default_rng(seed)
    light = sky.copy() if objects is None else sky + objects
    y, x = np.mgrid[-9:10, -9:10]
    star = (1 + (x * x + y * y) / 4.0) ** -2.5
    for _ in range(400):
        cy, cx = rng.integers(9, H - 9), rng.integers(9, W - 9)
        light[:, cy - 9 : cy + 10, cx - 9 : cx + 10] += 0.004 * (1 + rng.pareto(1.2)) * star
    return (np.minimum(light, 1.0) + noise * rng.standard_normal(light.shape)).astype(np.float32)


def left(model, sky):
    """RMS of the model's error without its mean, as a share of the sky's peak-to-peak; worst channel."""
    e = model.astype(np.float64) - sky
    return max(float((a - a.mean()).std() / np.ptp(s)) for a, s in zip(e, sky, strict=True))


def remove(op, planes, coverage=None, size=128):
    facts = op.measure(Frame(planes, coverage=coverage))
    c, h, w = planes.shape
    geometry = Geometry(h, w, c)
    plan = op.prepare(facts, geometry)
    out = np.empty_like(planes)
    for y, x in product(range(0, h, size), range(0, w, size)):
        core = Rect(y, x, min(y + size, h), min(x + size, w))
        piece = np.ascontiguousarray(planes[(slice(None), *core.slices)])
        op.apply(Tile(piece, core, 0, geometry), plan, piece)
        out[(slice(None), *core.slices)] = piece
    return out, facts


def galaxy():
    u, v = positions()
    r = np.hypot(u, v / 0.5)
    return 0.15 * np.exp(-r / 0.06) * np.array([1.0, 0.9, 0.7])[:, None, None]


@pytest.mark.parametrize("kind", ["slope", "two towns", "moon", "falloff"])
@pytest.mark.parametrize("seed", [1, 2])
def test_glow_over_a_star_field_is_found_to_a_hundredth(kind, seed):
    sky = glow(kind)
    planes = starry(sky, seed)
    facts = RemoveGradient().measure(Frame(planes))
    assert left(model_planes(facts, Geometry(H, W, 3)), sky) < 0.01


@pytest.mark.parametrize("kind", ["slope", "two towns", "falloff"])
def test_a_galaxy_keeps_its_light_and_gets_no_dark_hollow(kind):
    sky, objects = glow(kind), galaxy()
    out, facts = remove(RemoveGradient(), starry(sky, 3, objects))
    e = model_planes(facts, Geometry(H, W, 3)) - sky
    u, v = positions()
    core = np.hypot(u, v / 0.5) < 0.25
    e -= e[:, np.hypot(u, v) > 0.7].mean(axis=1)[:, None, None]
    taken = e[:, core].sum(axis=1) / objects[:, core].sum(axis=1)
    assert np.abs(taken).max() < 0.02
    ring = (np.hypot(u, v / 0.5) > 0.4) & (np.hypot(u, v) < 0.7)
    assert e[:, ring].max() < 0.02 * np.ptp(sky)
    assert out.mean() > 0.09  # the sky level is kept


def red_cloud(seed):
    rng = np.random.default_rng(seed)
    f = np.fft.rfft2(rng.standard_normal((512, 1024)))
    k = np.hypot(np.fft.fftfreq(512)[:, None] * 512, np.fft.rfftfreq(1024)[None] * 1024)
    field = np.fft.irfft2(f * np.maximum(k, 1) ** -1.5)[:H, :W]
    cloud = np.exp(0.8 * (field - field.mean()) / field.std())
    return cloud * (0.008 / np.quantile(cloud, 0.99)) * np.array([1.0, 0.2, 0.3])[:, None, None]


def test_nebulosity_of_a_color_that_the_glow_lacks_is_not_taken_for_glow():
    sky, ours, plain = glow("two towns"), [], []
    for seed in (5, 6, 7, 8):
        planes = starry(sky, seed + 1, red_cloud(seed))
        ours.append(left(model_planes(RemoveGradient().measure(Frame(planes)), Geometry(H, W, 3)), sky))
        cells = sample_cells(planes, None, 20)
        y, x = np.repeat(cells.y, len(cells.x)), np.tile(cells.x, len(cells.y))
        basis = Polynomial(4).design((y - H / 2) / (W / 2), (x - W / 2) / (W / 2))
        yy, xx = np.mgrid[:H, :W].reshape(2, -1)
        everywhere = Polynomial(4).design((yy - H / 2) / (W / 2), (xx - W / 2) / (W / 2))
        level = everywhere @ np.linalg.lstsq(basis, cells.level.reshape(-1, 3))[0]
        plain.append(left(level.T.reshape(3, H, W), sky))
    assert np.mean(ours) < 0.5 * np.mean(plain)


def test_under_nebulosity_that_covers_the_frame_no_worse_than_a_plain_fit_is_done_and_a_doubt_is_told():
    u, v = positions()
    shape = 0.5 * u - 0.4 * v + 0.2 * u * u
    sky = 0.1 + 0.03 * np.array([1.2, 1.0, 0.7])[:, None, None] * shape
    everywhere, ours, plain = Polynomial(3).design(v.ravel(), u.ravel()), [], []
    for seed in (5, 6, 7):
        dust = red_cloud(seed)[0] * np.array([1.0, 1.0, 0.9])[:, None, None]  # a color that tells nothing
        facts = RemoveGradient().measure(Frame(starry(sky, seed + 1, dust, noise=0.0002)))
        assert facts.agree < 0.7
        assert "of the samples lie on one smooth surface" in facts.doubts[0]
        ours.append(left(model_planes(facts, Geometry(H, W, 3)), sky))
        level = everywhere @ np.linalg.lstsq(everywhere[::7], (sky + dust).reshape(3, -1).T[::7])[0]
        plain.append(left(level.T.reshape(sky.shape), sky))
    assert np.mean(ours) < 0.7 * np.mean(plain), (ours, plain)


def test_under_dust_of_one_color_that_covers_the_frame_the_glow_is_found_by_what_the_color_leaves_free():
    sky = glow("moon")
    dust = red_cloud(7)[0] * np.array([0.7, 1.0, 1.25])[:, None, None]
    facts = RemoveGradient().measure(Frame(starry(sky, 6, dust, noise=0.0002)))
    assert facts.one_color
    assert "what their color leaves free" in facts.doubts[0]
    ours = left(model_planes(facts, Geometry(H, W, 3)), sky)
    one_channel = RemoveGradient().measure(Frame(starry(sky, 6, dust, noise=0.0002)[1:2]))
    assert not one_channel.one_color
    assert ours < 0.5 * left(model_planes(one_channel, Geometry(H, W, 1)), sky[1:2])


def test_where_no_sky_is_seen_nothing_is_taken_off_unless_places_are_marked():
    u, v = positions()
    rng = np.random.default_rng(3)
    sky = 0.1 + 0.01 * np.ones((3, 1, 1)) * (u + v)
    rough = [cv2.resize(np.abs(rng.normal(0, 1, (12, 18))), (W, H), interpolation=cv2.INTER_CUBIC) for _ in range(3)]
    planes = starry(sky, 4, 0.3 * np.stack(rough), noise=0.0001)  # of all colors
    facts = RemoveGradient().measure(Frame(planes))
    assert facts.agree < 0.3
    assert facts.surface.degree == 0
    assert len(facts.doubts) == 1
    assert "The sky is not seen" in facts.doubts[0]
    assert facts.uncertainty is None
    marked = RemoveGradient(samples=(Place(x=100, y=100), Place(x=400, y=300))).measure(Frame(planes))
    assert marked.surface.degree > 0
    assert "mark places that are sky" in marked.doubts[0]
    assert marked.uncertainty > 0.3
    assert marked.taken < 0.9


@pytest.mark.parametrize(("op", "side"), [(RemoveGradient(degree=0), H), (RemoveGradient(), 20)])
def test_a_constant_that_was_asked_for_or_is_all_that_fits_is_no_doubt(op, side):
    facts = op.measure(Frame(np.ascontiguousarray(starry(glow("slope"), 17)[:, :side, :side])))
    assert (facts.surface.degree, facts.uncertainty, facts.doubts) == (0, None, ())


def test_margins_of_zeros_count_as_not_covered():
    sky = glow("two towns")
    planes = starry(sky, 3)
    planes[:, :23] = 0.0
    planes[:, :, -41:] = 0.0
    facts = RemoveGradient().measure(Frame(planes))
    inside = (slice(None), slice(23, None), slice(None, -41))
    assert left(model_planes(facts, Geometry(H, W, 3))[inside], sky[inside]) < 0.01


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_town_just_outside_the_frame_is_followed_over_plain_stars(seed):
    u, v = positions()
    town = 1 / (1 + ((u - 0.6) ** 2 + (v + 1.3) ** 2) / 0.9)
    sky = 0.1 + 0.03 * np.array([1.05, 1.0, 0.9])[:, None, None] * (town + 0.2 * u)
    facts = RemoveGradient().measure(Frame(starry(sky, seed)))
    assert left(model_planes(facts, Geometry(H, W, 3)), sky) < 0.005


def test_glow_of_three_colors_over_plain_stars_is_taken_whole():
    u, v = positions()
    green = 0.004 * np.exp(-((u + 0.5) ** 2 + (v - 0.3) ** 2)) * np.array([0.2, 1.0, 0.2])[:, None, None]
    sky = glow("two towns") + 0.006 * u * np.array([0.9, 1.0, 1.15])[:, None, None] + green
    assert left(model_planes(RemoveGradient().measure(Frame(starry(sky, 18))), Geometry(H, W, 3)), sky) < 0.004


def test_dividing_flattens_falloff():
    u, v = positions()
    falloff = 1 - 0.15 * (u * u + v * v)
    planes = starry(np.array([0.12, 0.1, 0.08])[:, None, None] * falloff, 4)
    out, facts = remove(RemoveGradient(mode="divide"), planes)
    levels = sample_cells(out, None, 40).level
    assert np.ptp(levels, axis=(0, 1)).max() < 0.1 * 0.12 * np.ptp(falloff)
    assert np.median(out[0]) == pytest.approx(facts.pedestal[0], rel=0.01)


@pytest.mark.parametrize("model", ["surface", "thin_plate", "mesh"])
def test_every_model_follows_a_smooth_glow(model):
    sky = glow("two towns")
    facts = RemoveGradient(model=model).measure(Frame(starry(sky, 7)))
    assert facts.surface.kind == model
    assert left(model_planes(facts, Geometry(H, W, 3)), sky) < (0.03 if model == "thin_plate" else 0.015)


def test_a_degree_given_by_hand_is_kept_and_a_slope_stays_a_slope():
    planes = starry(glow("two towns"))
    facts = RemoveGradient(model="surface", degree=1).measure(Frame(planes))
    assert (facts.surface.kind, facts.surface.degree) == ("surface", 1)
    model = model_planes(facts, Geometry(H, W, 3))
    assert np.abs(np.diff(model, 2, axis=2)).max() < 1e-6
    free = RemoveGradient(model="surface").measure(Frame(planes))
    again = RemoveGradient().drafted(free).measure(Frame(planes))
    assert again.coefficients.tolist() == free.coefficients.tolist()


@pytest.mark.parametrize("mode", ["subtract", "divide"])
@pytest.mark.parametrize("model", ["surface", "thin_plate", "mesh"])
@pytest.mark.parametrize("size", [37, 128, 512])
def test_tiles_fit_together_bit_for_bit(mode, model, size):
    planes = starry(glow("moon"), 8)
    op = RemoveGradient(mode=mode, model=model)
    facts = op.measure(Frame(planes))
    geometry = Geometry(H, W, 3)
    plan = op.prepare(facts, geometry)
    whole = np.empty_like(planes)
    op.apply(Tile(planes.copy(), Rect(0, 0, H, W), 0, geometry), plan, whole)
    pieces, _ = remove(op, planes, size=size)
    assert np.array_equal(whole, pieces)


@pytest.mark.parametrize("kind", ["surface", "thin_plate", "mesh"])
@pytest.mark.parametrize("scale", [1.0, 2.0, 3.7])
@pytest.mark.parametrize("full", [(H, W), (41, 3), (1, 1), (2, 60)])
def test_the_kernel_paints_what_the_plain_formula_says(kind, scale, full):
    ends = [max((n - 1) / max(full), 1e-3) for n in full]
    surface = {
        "surface": Polynomial(5),
        "thin_plate": ThinPlate(even_knots(*ends, 60)),
        "mesh": Mesh(4, 6, *ends),
    }[kind]
    a = np.random.default_rng(1).standard_normal((2, surface.size))
    geometry = Geometry(int(np.ceil(full[0] / scale)), int(np.ceil(full[1] / scale)), 2, scale)
    painter = make_painter(surface, a, full, geometry)
    got = paint(painter, 0, 0, geometry.height, geometry.width)
    want = paint_reference(surface, a, full, geometry, slice(None), slice(None))
    assert np.abs(got - want).max() < 2e-3 * max(np.abs(want).max(), np.ptp(want))


def test_subtracting_and_dividing_follow_the_formula():
    planes = starry(glow("slope"), 9)
    for mode in ("subtract", "divide"):
        op = RemoveGradient(mode=mode)
        out, facts = remove(op, planes)
        m = model_planes(facts, Geometry(H, W, 3))
        pedestal = np.array(facts.pedestal, np.float32)[:, None, None]
        want = planes - m + pedestal if mode == "subtract" else planes * pedestal / m
        np.testing.assert_allclose(out, want, atol=1e-7, rtol=2e-6)


def test_a_reduced_frame_sees_the_same_surface():
    facts = RemoveGradient().measure(Frame(starry(glow("two towns"), 10)))
    full = model_planes(facts, Geometry(H, W, 3))
    half = model_planes(facts, Geometry(H // 2, W // 2, 3, 2.0))
    mean = full.reshape(3, H // 2, 2, W // 2, 2).mean(axis=(2, 4))
    assert np.abs(half - mean).max() < 1e-5


def test_facts_are_plain_small_and_rebuild_the_surface():
    facts = RemoveGradient().measure(Frame(starry(glow("moon"), 11)))
    text = facts.model_dump_json()
    assert len(text) < 200_000
    again = RemoveGradientFacts.model_validate_json(text)
    assert again.surface.surface() == facts.surface.surface()
    assert again.coefficients.tobytes() == facts.coefficients.tobytes()
    states = "".join(facts.samples.state)
    assert len(states) == facts.cells
    assert states.count(".") == facts.used
    assert 0.8 < facts.agree <= max(t.agree for t in facts.tried) + 1e-4
    assert facts.doubts == ()


def test_the_sky_level_stays_or_goes_as_asked():
    planes = starry(glow("slope"), 12)
    kept, facts = remove(RemoveGradient(), planes)
    gone, _ = remove(RemoveGradient(keep_sky=False), planes)
    for c in range(3):
        assert np.median(kept[c]) == pytest.approx(facts.sky[c], abs=2e-4)
        assert abs(np.median(gone[c])) < 2e-4


def test_excluded_regions_give_no_samples():
    planes = starry(glow("slope"), 13)
    regions = (
        Rectangle(x0=0, y0=0, x1=100, y1=80),
        Ellipse(x=260, y=180, along=60, across=30, angle_deg=30),
        Polygon(points=((400, 200), (500, 200), (500, 350))),
    )
    facts = RemoveGradient(exclude=regions).measure(Frame(planes))
    y, x, state = facts.samples.y, facts.samples.x, facts.samples.letters
    for py, px, inside in ((40, 50, True), (180, 260, True), (220, 480, True), (300, 50, False), (20, 400, False)):
        i, j = np.abs(y - py).argmin(), np.abs(x - px).argmin()
        assert (state[i, j] == "x") == inside


def test_regions_know_their_inside():
    square = Polygon(points=((1, 1), (5, 1), (5, 5), (1, 5)))
    rectangle = Rectangle(x0=5, y0=5, x1=1, y1=1)
    y, x = np.mgrid[0:7:0.37, 0:7:0.37]
    assert np.array_equal(square.inside(y, x), rectangle.inside(y, x))
    assert Ellipse(x=0, y=0, along=2, across=1, angle_deg=90).inside(np.array([1.9]), np.array([0.0])).all()
    assert not Ellipse(x=0, y=0, along=2, across=1, angle_deg=90).inside(np.array([0.0]), np.array([1.9])).any()


def test_places_given_by_hand_shrink_with_a_reduced_frame():
    op = RemoveGradient(
        spacing=80,
        exclude=(
            Rectangle(x0=40, y0=80, x1=400, y1=200),
            Ellipse(x=260, y=180, along=60, across=30, angle_deg=30),
            Polygon(points=((400, 200), (500, 200), (500, 350))),
        ),
        samples=(Place(x=100, y=20),),
    )
    quarter = op.scaled(4)
    assert quarter.exclude == (
        Rectangle(x0=10, y0=20, x1=100, y1=50),
        Ellipse(x=65, y=45, along=15, across=7.5, angle_deg=30),
        Polygon(points=((100, 50), (125, 50), (125, 87.5))),
    )
    assert quarter.samples == (Place(x=25, y=5),)
    assert quarter.spacing == 20
    kept = {"outlier_limit", "stiffness", "mesh_cells"}
    assert quarter.model_dump(include=kept) == op.model_dump(include=kept)


def test_every_number_of_a_region_says_its_unit():
    for part in (Rectangle, Ellipse, Polygon, Place):
        for name, field in part.model_json_schema()["properties"].items():
            wanted = None if name == "shape" else "deg" if name.endswith("_deg") else "px"
            assert field.get("unit") == wanted, (part.__name__, name)


def test_uncovered_pixels_do_not_count():
    sky = glow("slope")
    planes = starry(sky, 14)
    coverage = np.full((H, W), 255, np.uint8)
    coverage[:, :60] = 0
    spoiled = planes.copy()
    spoiled[:, :, :60] = 0.9
    a = RemoveGradient().measure(Frame(planes, coverage=coverage))
    b = RemoveGradient().measure(Frame(spoiled, coverage=coverage))
    assert a == b
    assert left(model_planes(b, Geometry(H, W, 3))[:, :, 60:], sky[:, :, 60:]) < 0.005


def test_samples_given_by_hand_are_sky_whatever_they_look_like():
    planes = np.full((1, 200, 200), 0.1, np.float32)
    planes[:, 80:120, 80:120] = 0.3
    planes += 0.001 * np.random.default_rng(2).standard_normal(planes.shape).astype(np.float32)
    everywhere = (Rectangle(x0=-1, y0=-1, x1=201, y1=201),)
    op = RemoveGradient(exclude=everywhere, samples=(Place(x=100, y=100),), spacing=20)
    facts = op.measure(Frame(planes))
    assert facts.sky[0] == pytest.approx(0.3, abs=0.001)
    with pytest.raises(WorkbenchError, match="outside the frame"):
        RemoveGradient(samples=(Place(x=500, y=10),)).measure(Frame(planes))


def test_a_frame_without_any_sample_is_refused_with_a_sentence():
    planes = starry(glow("slope"), 15)
    with pytest.raises(WorkbenchError, match="no place to sample the sky"):
        RemoveGradient(exclude=(Rectangle(x0=-1, y0=-1, x1=W, y1=H),)).measure(Frame(planes))
    with pytest.raises(WorkbenchError, match="no place to sample the sky"):
        RemoveGradient().measure(Frame(planes, coverage=np.zeros((H, W), np.uint8)))
    with pytest.raises(WorkbenchError, match="cannot divide"):
        RemoveGradient(mode="divide").measure(Frame(np.zeros((3, 40, 40), np.float32)))


@settings(max_examples=25, deadline=None)
@given(
    st.integers(1, 40),
    st.integers(1, 40),
    st.sampled_from([1, 3]),
    st.sampled_from(["auto", "surface", "thin_plate", "mesh"]),
    st.booleans(),
)
@example(12, 2, 3, "auto", False)  # rounding gave less light than none
def test_frames_of_any_size_stay_finite(height, width, channels, model, constant):
    planes = np.full((channels, height, width), 0.1, np.float32)
    if not constant:
        planes += 0.01 * np.random.default_rng(3).standard_normal(planes.shape).astype(np.float32)
    out, _ = remove(RemoveGradient(model=model), planes)
    assert np.isfinite(out).all()
    if constant:
        np.testing.assert_allclose(out, planes, atol=1e-6)


def test_measuring_twice_gives_the_same_facts_and_leaves_the_frame_alone():
    planes = starry(glow("two towns"), 16)
    before = planes.copy()
    op = RemoveGradient()
    assert op.measure(Frame(planes)) == op.measure(Frame(planes))
    assert np.array_equal(planes, before)
    interleaved = np.moveaxis(np.ascontiguousarray(np.moveaxis(planes, 0, 2)), 2, 0)
    assert op.measure(Frame(interleaved)) == op.measure(Frame(planes))


def test_clipped_means_leave_stars_out_and_match_a_plain_loop():
    rng = np.random.default_rng(4)
    samples = rng.standard_normal((50, 400)).astype(np.float32)
    samples[:, :40] += 30
    samples[3, :100] = np.nan

    def plain(row):
        row = np.sort(row[np.isfinite(row)])
        lo, hi = 0, len(row)
        for _ in range(8):
            kept = row[lo:hi]
            median = np.float64(np.median(kept.astype(np.float64)))
            deviation = median - kept[int(0.1587 * (len(kept) - 1) + 0.5)]
            a = np.searchsorted(row, np.float32(median - 4 * deviation), "left")
            b = np.searchsorted(row, np.float32(median + 2.5 * deviation), "right")
            if b <= a or (a, b) == (lo, hi):
                break
            lo, hi = a, b
        return row[lo:hi].mean(dtype=np.float64)

    want = [plain(r) for r in samples]
    got = clipped_means(samples.copy())
    np.testing.assert_allclose(got, want, atol=1e-9)
    assert np.abs(got).max() < 0.25
    assert clipped_means(np.full((1, 5), np.nan, np.float32))[0] == 0


def test_level_sky_brings_channels_to_one_level():
    rng = np.random.default_rng(5)
    planes = np.array([0.12, 0.1, 0.07], np.float32)[:, None, None] + 0.002 * rng.standard_normal((3, 200, 300))
    planes = planes.astype(np.float32)
    out, facts = remove(LevelSky(), planes)
    assert facts.target == pytest.approx(0.1, abs=2e-4)
    assert np.abs(np.median(out, axis=(1, 2)) - 0.1).max() < 3e-4
    assert np.ptp(out - planes, axis=(1, 2)).max() < 1e-7  # each channel moved as a whole
    out, _ = remove(LevelSky(level=0.05), planes)
    assert np.abs(np.median(out, axis=(1, 2)) - 0.05).max() < 3e-4


def test_settings_out_of_range_are_refused_by_name():
    for wrong in ({"outlier_limit": 0.1}, {"spacing": 1}, {"stiffness": 0}, {"model": "cubic"}, {"spaceing": 3}):
        with pytest.raises(ValidationError, match=next(iter(wrong))):
            RemoveGradient(**wrong)


def test_explanations_say_what_was_done():
    op = RemoveGradient()
    facts = op.measure(Frame(starry(glow("slope"), 17)))
    assert "sky samples" in op.explain(facts)
    level = LevelSky()
    assert "Sky levels were" in level.explain(LevelSkyFacts(levels=(0.1, 0.2, 0.3), target=0.2))


def left_out_numpy(residual, grid, is_open, strength):
    """What `leave_out` does, in numpy and OpenCV."""
    ok = is_open.reshape(grid).copy()
    maps = [m.reshape(grid) for m in residual.T]
    maps = [m / darker_side_sigma(m[ok]) for m in maps]
    maps += [np.mean(maps, axis=0)] if len(maps) > 1 else []

    def window(plane, size):
        return cv2.blur(np.where(ok, plane, 0.0), (size, size), borderType=cv2.BORDER_CONSTANT)

    for size in (s for s in (1, 3, 5, 9) if s <= max(grid)):
        share = window(1.0, size)
        judged = ok & (share >= (0.3 if size > 1 else 0))
        means = [window(m, size) / np.maximum(share, 1e-9) for m in maps]
        ok &= ~np.any([judged & (m > strength * darker_side_sigma(m[judged])) for m in means], axis=0)
    return ok.ravel()


@pytest.mark.parametrize(("grid", "channels"), [((30, 45), 3), ((17, 8), 1), ((4, 60), 3)])
def test_what_rises_above_the_sky_is_left_out_as_the_plain_twin_does(grid, channels):
    rng = np.random.default_rng(3)
    residual = rng.normal(size=(*grid, channels))
    residual[: grid[0] // 3, : grid[1] // 3] += rng.random((grid[0] // 3, grid[1] // 3, 1)) * 3
    is_open = rng.random(grid[0] * grid[1]) < 0.9
    values = residual.reshape(-1, channels)
    samples = Samples(np.zeros(len(values)), np.zeros(len(values)), values, grid, is_open)
    sky = leave_out(samples, np.zeros_like(values), 2.0)
    np.testing.assert_array_equal(sky, left_out_numpy(residual.reshape(-1, channels), grid, is_open, 2.0))
    assert 0 < sky.sum() < is_open.sum()


def test_what_no_setting_changes_is_found_once_in_the_same_samples():
    asked = []

    @kept_with_samples
    def doubled(samples, factor):
        asked.append(factor)
        return factor * samples.value

    def samples():
        return Samples(np.zeros(1), np.zeros(1), np.ones((1, 1)), (1, 1), np.ones(1, bool))

    first = samples()
    assert doubled(first, 2.0) is doubled(first, 2.0)
    assert doubled(first, 3.0) == 3
    assert doubled(samples(), 2.0) == 2
    assert asked == [2.0, 3.0, 2.0]

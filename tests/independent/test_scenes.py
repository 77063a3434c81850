"""The independent scenes are what they say: held against photutils, GalSim's own formulas and plain counting."""

import astropy.units as u
import galsim
import numpy as np
import pytest
from astropy.modeling.models import BlackBody
from photutils.aperture import CircularAperture, aperture_photometry

from independent.camera import Frames, Grain, borders_of, demosaic, resample
from independent.light import GLOWS
from independent.optics import WAVELENGTHS, Optics, fwhm_of, point_spread, star_colors
from independent.scenes import FULL_SHARE, KERNELS, OBJECTS, Plan, make_scene, random_plan, random_scene

SMALL = (160, 220)


def test_the_same_seed_gives_the_same_scene_and_another_one_another():
    one, again, other = (random_scene(seed, SMALL) for seed in (4, 4, 5))
    np.testing.assert_array_equal(one.stack.pixels, again.stack.pixels)
    assert one.plan == again.plan
    assert one.plan != other.plan


@pytest.mark.parametrize("optics", [Optics((2.0,) * 3), Optics((1.2,) * 3), Optics((3.0,) * 3, trail=3)])
def test_a_point_spread_holds_all_light_and_has_galsims_width(optics):
    spread = point_spread(optics, 1)
    assert spread[::5, ::5].sum() == pytest.approx(1, abs=2e-3)
    drawn = galsim.Convolve([galsim.Kolmogorov(fwhm=optics.fwhm[1]), galsim.Pixel(1.0)])
    if not optics.trail:
        assert fwhm_of(spread) == pytest.approx(
            drawn.drawImage(scale=0.05, method="no_pixel").calculateFWHM(), rel=0.03
        )
    else:
        assert fwhm_of(spread) > 1.1 * fwhm_of(point_spread(Optics((3.0,) * 3), 1))


def test_spikes_reach_far_from_a_star_along_the_struts():
    spread = point_spread(Optics((2.0,) * 3, diffraction=1.0, struts=4, angle=0), 1, radius=90)
    middle = spread.shape[0] // 2
    far = 5 * 30
    y, x = np.mgrid[-5:6, -5:6]
    along = spread[middle + y, middle + far + x].mean()
    across = spread[middle + round(far / 2**0.5) + y, middle + round(far / 2**0.5) + x].mean()
    assert along > 4 * across


def test_photutils_finds_the_light_of_the_stars_that_the_table_names():
    scene = make_scene(Plan(seed=2, shape=(300, 400), stars=14, optics=Optics((2.5,) * 3), noise=1e-4))
    t = scene.table
    lone = np.array([np.sort(np.hypot(t.x - a, t.y - b))[1] > 40 for a, b in zip(t.x, t.y, strict=True)])
    lone &= (t.x > 30) & (t.x < 370) & (t.y > 30) & (t.y < 270)
    assert lone.sum() >= 3
    light = scene.stars.astype(float)
    for c in range(3):
        disks = CircularAperture(np.c_[t.x, t.y][lone], 18)
        got = aperture_photometry(light[:, :, c], disks)["aperture_sum"]
        np.testing.assert_allclose(got, t.flux[lone, c], rtol=0.03)


def test_a_star_is_as_red_as_astropys_black_body_of_its_temperature():
    colors = star_colors(np.array([0.653, 1.5, 0.0]))
    np.testing.assert_allclose(colors[0], 1, rtol=1e-6)
    # Ballesteros 2012 as worked out there: B-V 1.5 is 3794 K, 0 is 10125 K; the Sun's 0.653 is 5772 K (IAU 2015) +- 5
    for color, kelvin in ((colors[1], 3794), (colors[2], 10125)):
        there, sun = (BlackBody(t * u.K)(np.array(WAVELENGTHS) * u.nm).value for t in (kelvin, 5772))
        np.testing.assert_allclose(color, there / sun / (there / sun)[1], rtol=5e-3)


@pytest.mark.parametrize("kind", ["bilinear", "gradient"])
def test_demosaicing_keeps_plain_light_and_planes(kind):
    y, x = np.mgrid[:20, :24].astype(float)
    plane = np.repeat((2 + 0.1 * x + 0.05 * y)[:, :, None], 3, axis=2)
    for phase in ((0, 0), (1, 0), (0, 1), (1, 1)):
        back = demosaic(plane, kind, phase)
        np.testing.assert_allclose(back[3:-3, 3:-3], plane[3:-3, 3:-3], atol=1e-12)


@pytest.mark.parametrize("kind", ["bilinear", "lanczos"])
def test_resampling_moves_a_wave_by_what_it_is_told(kind):
    x = np.arange(64)
    wave = np.cos(2 * np.pi * x / 16)[None, :, None] * np.ones((8, 1, 1))
    moved = resample(wave, kind, 0.0, 0.4)[0, :, 0]
    wanted = np.cos(2 * np.pi * (x - 0.4) / 16)
    assert np.corrcoef(moved, wanted)[0, 1] > 0.9999


@pytest.mark.parametrize("kernel", KERNELS)
def test_the_noise_is_as_large_as_the_map_says_and_hangs_together_as_its_kernel_does(kernel):
    scene = make_scene(Plan(seed=3, stars=0, shape=(240, 360), grain=Grain(kernel), height=0.3))
    z = (scene.stack.pixels - scene.clean) / scene.noise
    np.testing.assert_allclose(z.std(axis=(0, 1)), 1, rtol=0.03)
    beside = np.mean(z[:, 1:] * z[:, :-1], axis=(0, 1))
    assert (np.abs(beside) < 0.02).all() if kernel == "none" else (np.abs(beside) > 0.03).any()


@pytest.mark.parametrize("kind", GLOWS)
def test_a_glow_is_as_high_as_the_plan_says(kind):
    scene = make_scene(Plan(seed=1, shape=SMALL, stars=0, glow=kind, height=0.5))
    low, high = scene.sky.min(axis=(0, 1)), scene.sky.max(axis=(0, 1))
    np.testing.assert_allclose(high / low, 1.5, rtol=1e-5)


@pytest.mark.parametrize("kind", OBJECTS)
def test_an_object_is_as_bright_as_the_plan_says(kind):
    plan = Plan(seed=6, shape=(240, 360), stars=0, objects=(kind,), brightness=80)
    scene = make_scene(plan)
    over = (
        (scene.objects / np.array(scene.gains, np.float32)).max(axis=2) / scene.sky.min(axis=(0, 1)).mean() / plan.noise
    )
    top = over.max() if kind in {"small galaxies", "knots"} else np.quantile(over, 0.995)
    assert top == pytest.approx(80, rel=0.05)
    assert scene.objects.min() > -1e-6
    if kind == "dust":
        assert 0.85 < np.mean(over > 0.4) < 0.97
    if kind == "overfilling galaxy":  # no sky without its light
        assert over[[0, 0, -1, -1], [0, -1, 0, -1]].max() > 3


@pytest.mark.parametrize("turn", [0.0, 2.0])
@pytest.mark.parametrize("nights", [1, 6])
def test_borders_leave_only_what_nine_tenths_of_the_frames_recorded(nights, turn):
    frames = Frames(nights=nights, per_night=6, dither=6, turn=turn)
    scene = make_scene(Plan(seed=5, stars=20, frames=frames))
    b = scene.borders
    assert (scene.coverage[scene.inside] >= FULL_SHARE).all()
    assert min(b) > 0
    # One more row or column on any side would hold pixels that fewer recorded.
    height, width = scene.coverage.shape
    for side in range(4):
        grown = list(b)
        grown[side] -= 1
        top, right, bottom, left = grown
        assert not (scene.coverage[top : height - bottom, left : width - right] >= FULL_SHARE).all()


def test_a_frame_that_all_recorded_has_no_borders():
    assert borders_of(np.ones((20, 30))) == (0, 0, 0, 0)


@pytest.mark.parametrize("fill", ["zero", "nan", "constant"])
def test_what_no_frame_recorded_is_filled(fill):
    scene = make_scene(Plan(seed=5, shape=SMALL, stars=20, frames=Frames(per_night=5, dither=9, drift=0, fill=fill)))
    bare = scene.coverage == 0
    assert bare.any()
    assert np.ptp(scene.stack.pixels[bare]) == 0
    assert (scene.stack.coverage is not None) == (fill == "nan")


def test_bright_stars_bend_over_before_they_clip():
    hard, soft = (make_scene(Plan(seed=8, shape=(240, 360), knee=knee, stars=900)) for knee in (1.0, 0.5))
    assert soft.table.saturated.sum() > hard.table.saturated.sum() > 0
    core = soft.clean > 0.7
    assert (soft.stack.pixels[core] < soft.clean[core]).mean() > 0.95
    assert soft.stack.pixels.max() < 1.05


@pytest.mark.parametrize("kind", ["channel", "gray", "smeared"])
def test_hot_pixels_stand_where_they_are_said_to(kind):
    plan = Plan(seed=9, shape=SMALL, stars=0, hot=20, hot_kind=kind)
    scene = make_scene(plan)
    over = (scene.stack.pixels - scene.clean) / scene.noise
    for row, col, channel in scene.hot:
        assert (over[row, col].min() if channel < 0 else over[row, col, channel]) > (2 if kind == "smeared" else 8)


def test_random_plans_draw_all_kinds():
    plans = [random_plan(seed) for seed in range(300)]
    assert {p.glow for p in plans} == set(GLOWS)
    assert {p.grain.kernel for p in plans} == set(KERNELS)
    assert {o for p in plans for o in p.objects} == set(OBJECTS)
    assert {p.frames.fill for p in plans if p.frames} == {"zero", "nan", "constant"}
    assert {p.channels for p in plans} == {1, 3}
    assert min(p.height for p in plans) < 0.04
    assert max(p.height for p in plans) > 0.9

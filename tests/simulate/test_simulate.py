"""Stacks agree with their truth, and repeat to the last bit."""

import numpy as np
import pytest

from workbench.simulate import SCENES, simulate
from workbench.simulate.camera import clipped

SHAPE = (240, 344)


@pytest.fixture(scope="module", params=list(SCENES))
def made(request):
    return simulate(request.param, shape=SHAPE)


@pytest.fixture(scope="module")
def plain():
    """A sky without stars or objects."""
    return simulate("hayfield_stars", shape=(300, 400), stars={"per_megapixel": 0.0}, camera=_NO_HOT)


_NO_HOT = {"hot_pixels_per_megapixel": 0.0}
_ONE_FRAMING = {"sessions": 1, "session_px": 0.0, "session_deg": 0.0, "dither_px": 0.0}


def test_the_same_arguments_give_the_same_bytes(made):
    again = simulate(made.scene.name, shape=SHAPE)
    assert again.stack.pixels.tobytes() == made.stack.pixels.tobytes()
    assert again.truth.noiseless.tobytes() == made.truth.noiseless.tobytes()


def test_another_seed_gives_other_stars_and_noise_but_the_same_object(made):
    other = simulate(made.scene.name, shape=SHAPE, seed=made.scene.seed + 1)
    assert other.stack.pixels.tobytes() != made.stack.pixels.tobytes()
    assert not np.array_equal(other.truth.stars.x, made.truth.stars.x)
    assert other.truth.object_light.tobytes() == made.truth.object_light.tobytes()


def test_the_noiseless_stack_is_made_of_the_parts(made):
    t = made.truth
    gains = t.channel_gains.astype(np.float32)[:, None, None]
    recorded = t.falloff * (gains * (t.object_light + t.star_light) + t.sky)
    mean, _ = clipped(recorded.astype(np.float32), made.scene.camera)
    covered = t.frame_count > 0
    np.testing.assert_allclose(t.noiseless[:, covered], mean[:, covered], rtol=2e-6, atol=1e-7)
    far = covered & (recorded < 0.95).all(axis=0)
    np.testing.assert_allclose(t.noiseless[:, far], recorded[:, far], rtol=2e-6, atol=1e-7)
    np.testing.assert_array_equal(t.clean, t.object_light + t.star_light)
    np.testing.assert_allclose(t.as_recorded(t.clean), t.falloff * gains * t.clean, rtol=1e-6)


def test_the_stack_is_the_noiseless_stack_and_noise_of_the_stated_size(made):
    t = made.truth
    off = np.moveaxis(made.stack.pixels, 2, 0) - t.noiseless
    level = t.noiseless
    cam = made.scene.camera
    full = (t.frame_count == made.scene.frames.count) & (level.max(axis=0) < 0.9)
    for x, y in zip(t.hot_pixels.x, t.hot_pixels.y, strict=True):
        full[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2] = False
    expected = np.stack([made.truth.light.noise_sigma(np.full(3, v)) for v in (0.05, 0.5)])
    slope = (expected[1] ** 2 - expected[0] ** 2) / 0.45
    for c in range(3):
        variance = expected[0, c] ** 2 + slope[c] * (level[c] - 0.05)
        z = off[c][full] / np.sqrt(variance[full])
        assert abs(z.mean()) < 0.05  # noise is correlated: fewer independent values than pixels
        assert z.std() == pytest.approx(1.0, abs=0.03)
    sky_variance = (t.light.sky_at_centre() * cam.full_well_e + cam.read_noise_e**2) / cam.full_well_e**2
    assert (t.noise_sigma**2 < sky_variance / made.scene.frames.count).all()  # demosaicing and aligning smooth


def test_noise_falls_with_the_square_root_of_the_frames():
    def sigma(count):
        made = simulate(
            "hayfield_stars", shape=(400, 400), stars={"per_megapixel": 0.0}, camera=_NO_HOT,
            frames={"count": count, **_ONE_FRAMING},
        )  # fmt: skip
        return np.std(np.moveaxis(made.stack.pixels, 2, 0) - made.truth.noiseless, axis=(1, 2))

    np.testing.assert_allclose(sigma(9) / sigma(144), 4.0, rtol=0.03)


def test_nothing_exceeds_the_white_level_and_bright_stars_reach_it():
    made = simulate("beehouse_cluster", shape=(400, 560))
    stars, pixels = made.truth.stars, made.stack.pixels
    assert pixels.max() <= 1.0
    assert 3 <= stars.saturated.sum() < len(stars) / 10
    row, col = np.rint(stars.y).astype(int), np.rint(stars.x).astype(int)
    covered = made.truth.frame_count[row, col] > 0
    peak = pixels[row, col].max(axis=1)
    assert (peak[stars.saturated & covered] > 0.985).all()
    recorded = made.truth.noiseless[:, row, col].max(axis=0)
    assert (recorded[~stars.saturated] < 1.0).all()
    assert made.truth.star_light.max() > 1.5


def test_a_saturated_core_has_no_noise():
    made = simulate("hayfield_stars", shape=(200, 200), sky={"level": 3.0, "domes": ()}, camera=_NO_HOT)
    assert np.ptp(made.stack.pixels[20:-20, 20:-20, 1]) == 0.0
    assert made.stack.pixels[100, 100, 1] == 1.0


def test_fewer_frames_at_the_borders_mean_more_noise():
    made = simulate(
        "woodsmoke_nebulosity", shape=(500, 500), stars={"per_megapixel": 0.0}, objects=(), camera=_NO_HOT,
        frames={"count": 60, "sessions": 2, "session_px": 40.0},
    )  # fmt: skip
    t = made.truth
    off = (np.moveaxis(made.stack.pixels, 2, 0) - t.noiseless)[1]
    half, full = off[t.frame_count == 30].std(), off[t.frame_count == 60].std()
    assert half / full == pytest.approx(np.sqrt(2.0), rel=0.04)
    assert (made.stack.pixels[t.frame_count == 0] == 0.0).all()
    b = t.borders
    inside = t.frame_count[b.top : 500 - b.bottom, b.left : 500 - b.right]
    assert (inside >= 54).all()
    assert t.coverage[t.frame_count == 60].min() == 255
    assert (t.coverage[t.frame_count > 0] > 0).all()


def test_a_scene_looks_the_same_at_another_size():
    small = simulate("lantern_nebula", shape=(240, 344)).truth.object_light[0]
    large = simulate("lantern_nebula", shape=(480, 688)).truth.object_light[0]
    binned = large.reshape(240, 2, 344, 2).mean(axis=(1, 3))
    assert np.corrcoef(small.ravel(), binned.ravel())[0, 1] > 0.97


def test_a_large_frame_is_interpolated_smoothly_from_the_canvas():
    made = simulate("millwheel_galaxy", shape=(200, 3200))
    light = made.truth.object_light
    assert light.shape == (3, 200, 3200)
    assert light.min() >= 0.0
    step = np.abs(np.diff(light[1], axis=1)).max()
    assert step < 0.05 * light[1].max()


def test_color_comes_from_the_white_reference():
    """With the assumed population, the median unsaturated star is white: its recorded color is the channel gains."""
    made = simulate("hayfield_stars", shape=(1000, 1000))
    s, gains = made.truth.stars, made.truth.channel_gains
    recorded = s.flux * gains
    ratio = np.median(recorded[~s.saturated] / recorded[~s.saturated, 1:2], axis=0)
    np.testing.assert_allclose(ratio, gains / gains[1], rtol=0.01)


def test_hot_pixels_stand_where_the_truth_says(plain):
    made = simulate("hayfield_stars", shape=(300, 400), stars={"per_megapixel": 0.0},
                    camera={"hot_pixels_per_megapixel": 200.0})  # fmt: skip
    hot = made.truth.hot_pixels
    off = made.stack.pixels - plain.stack.pixels
    inner = hot.value > 0.02
    assert inner.sum() > 5
    assert (off[hot.y[inner], hot.x[inner], hot.channel[inner]] > 0.9 * np.minimum(hot.value[inner], 0.8)).all()
    assert np.count_nonzero(np.abs(off) > 1e-6) <= 9 * len(hot)

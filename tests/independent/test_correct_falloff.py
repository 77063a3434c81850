"""Falloff is told from glow on scenes drawn without the simulator; where there is none next to nothing is done."""

import galsim
import numpy as np
import pytest

import workbench as wb
from independent.lens import Lens, falloff, make_lens_scene, sky_through
from independent.pictures import apply
from independent.scenes import Plan
from independent.sky import Camera
from workbench.operations._lens.darkening import light_held

SHAPE = (320, 480)


def scene(seed, lost, fall="cosine", **plan):
    return make_lens_scene(
        Lens(Plan(seed=seed, shape=SHAPE, **plan), stars=60, falloff=lost, fall=fall, middle=(0.02, -0.015))
    )


SCENES = {
    "half the light lost, a slope of glow": (41, 0.5, "cosine", {"glow": "plane", "height": 0.1}),
    "15 % lost, a dome": (42, 0.15, "cosine", {"glow": "dome", "height": 0.1}),
    "30 % lost, no color": (43, 0.3, "quadratic", {"glow": "plane", "height": 0.15, "channels": 1}),
    "45 % lost under a red nebula": (
        45, 0.45, "cosine", {"glow": "moon", "height": 0.3, "objects": ("emission",), "brightness": 15.0},
    ),
    "30 % lost under dust over the whole frame": (
        46, 0.3, "quadratic", {"glow": "dome", "height": 0.05, "objects": ("dust",), "brightness": 15.0},
    ),
    "rims that begin to take light at once, and a dome": (47, 0.3, "mechanical", {"glow": "dome", "height": 0.2}),
}  # fmt: skip


@pytest.mark.parametrize("name", SCENES)
def test_brightness_over_the_field_is_the_true_one(name):
    seed, lost, fall, plan = SCENES[name]
    made = scene(seed, lost, fall, **plan)
    result = apply(wb.CorrectFalloff(), made.stack)
    facts = result.record.steps[0].facts
    gain = (result.image.pixels / made.stack.pixels)[..., 0]
    wrong = gain * made.transmission
    wrong /= np.median(wrong)
    assert np.sqrt(((wrong - 1) ** 2).mean()) < 0.02
    assert np.abs(wrong - 1).max() < 0.06
    true = np.log(made.transmission[[0, 0, -1, -1], [0, -1, 0, -1]]).mean()
    assert abs(np.log(facts.corners) - true) < 3 * facts.error


@pytest.mark.parametrize(
    ("seed", "plan"),
    [
        (51, {"glow": "dome", "height": 0.3}),
        (52, {"glow": "moon", "height": 0.1}),
        (53, {"glow": "plane", "height": 0.2, "objects": ("galaxy",), "brightness": 60.0}),
        (54, {"glow": "plane", "height": 0.06, "objects": ("dust",), "brightness": 15.0}),
        (55, {"glow": "dome", "height": 0.1, "objects": ("emission",), "brightness": 60.0}),
        (8215, {"glow": "moon", "height": 0.27}),
        (8218, {"glow": "moon", "height": 0.27}),
    ],
)
def test_where_there_is_none_nothing_changes(seed, plan):
    made = scene(seed, 0.0, **plan)
    result = apply(wb.CorrectFalloff(), made.stack)
    np.testing.assert_array_equal(result.image.pixels, made.stack.pixels)


@pytest.mark.parametrize(
    ("seed", "lost", "fall", "glow"),
    [(61, 0.15, "quadratic", "dome"), (62, 0.45, "cosine", "two_domes"), (63, 0.6, "mechanical", "moon")],
)
def test_stars_of_known_magnitude_tell_falloff_from_any_glow(seed, lost, fall, glow):
    camera = Camera(83.0, 2.0, (480, 720), 80.0, turn=40.0)
    plan = Plan(seed=seed, shape=camera.shape, glow=glow, height=0.2, sky=0.05, noise=0.03)
    stack, transmission = sky_through(Lens(plan, falloff=lost, fall=fall, middle=(0.02, -0.01)), camera)
    result = apply(wb.CorrectFalloff(), stack)
    facts = result.record.steps[0].facts
    assert facts.stars > 100
    wrong = np.median(result.image.pixels / np.maximum(stack.pixels, 1e-6), axis=2) * transmission
    wrong /= np.median(wrong)
    assert np.sqrt(((wrong - 1) ** 2).mean()) < (0.025 if fall == "mechanical" else 0.015)
    assert np.abs(wrong - 1).max() < (0.06 if fall == "mechanical" else 0.04)
    true = np.log(transmission[[0, 0, -1, -1], [0, -1, 0, -1]]).mean()
    assert abs(np.log(facts.corners) - true) < 2.5 * facts.error


def test_stars_of_known_magnitude_tell_that_there_is_none():
    camera = Camera(83.0, 2.0, (480, 720), 80.0, turn=40.0)
    plan = Plan(seed=64, shape=camera.shape, glow="moon", height=0.3, sky=0.05, noise=0.03)
    stack, _ = sky_through(Lens(plan), camera)
    result = apply(wb.CorrectFalloff(), stack)
    assert result.record.steps[0].facts.stars > 100
    np.testing.assert_array_equal(result.image.pixels, stack.pixels)


def test_a_suggested_recipe_for_a_solved_stack_has_it_and_its_preview_does_not_fail():
    camera = Camera(83.0, 2.0, (480, 720), 80.0, turn=40.0)
    plan = Plan(seed=62, shape=camera.shape, glow="two_domes", height=0.2, sky=0.05, noise=0.03)
    stack, _ = sky_through(Lens(plan, falloff=0.45), camera)
    assert wb.check(stack).corner_light == pytest.approx(0.55, abs=0.03)
    assert "correct_falloff" in [step.operation.id for step in wb.suggest(stack)]
    assert wb.Preview(stack, wb.Recipe([wb.CorrectFalloff(), wb.Stretch()])).fit(300).shape[2] == 3


def test_stars_drawn_wider_in_the_corners_lose_no_light_there():
    s = np.linspace(0, 1, 200)
    width = 3 * np.exp(0.25 * s) * np.exp(0.05 * np.random.default_rng(3).standard_normal(200))
    beyond = light_held(s, width, 4.0)
    # Light of a Moffat star (index 3) in a disk, by GalSim.
    for k in (0, -1):
        star = galsim.Moffat(beta=3.0, fwhm=3 * np.exp(0.25 * s[k]))
        image = star.drawImage(nx=81, ny=81, scale=0.2, method="no_pixel")
        y, x = np.mgrid[-40:41, -40:41] * 0.2
        assert np.exp(beyond[k]) == pytest.approx(image.array[np.hypot(x, y) < 4].sum(), rel=0.02)


def test_check_calls_it_falloff_and_suggest_divides_before_glow_is_subtracted():
    seed, lost, fall, plan = SCENES["half the light lost, a slope of glow"]
    made = scene(seed, lost, fall, **plan)
    found = wb.check(made.stack)
    assert found.corner_light == pytest.approx(0.5, abs=0.05)
    assert "Falloff" in {a.about for a in found.advice}
    assert found.gradient.share < 0.2  # of the glow alone; with the falloff it is above 0.5
    steps = [step.operation.id for step in wb.suggest(made.stack, found)]
    assert steps.index("correct_falloff") < steps.index("remove_gradient")


def test_grain_that_grows_outwards_says_that_flats_were_divided_out():
    # Light that is really less outwards, and a lens that kept 65 % from the corners, whose flats were divided out.
    light = 0.05 * falloff(Lens(Plan(shape=SHAPE), falloff=0.3))[:, :, None]
    through = falloff(Lens(Plan(shape=SHAPE), falloff=0.65))[:, :, None]
    photons = np.sqrt(light * through / 0.05) * np.random.default_rng(4).normal(size=(*SHAPE, 3))
    grown = wb.Stack.from_array((light + 0.0008 * photons / through).astype(np.float32))
    result = apply(wb.CorrectFalloff(), grown)
    facts = result.record.steps[0].facts
    assert facts.noise_growth > 1.3
    assert facts.taken == 0
    assert any("flat" in doubt for doubt in facts.doubts)


def test_light_given_by_hand_is_taken_at_its_word():
    made = scene(44, 0.0, glow="plane", height=0.02)
    result = apply(wb.CorrectFalloff(corners=60), made.stack)
    gain = result.image.pixels / made.stack.pixels
    assert gain[[0, 0, -1, -1], [0, -1, 0, -1]].mean() == pytest.approx(1 / 0.6, rel=0.01)
    assert gain[160, 240].max() == pytest.approx(1.0, abs=0.001)

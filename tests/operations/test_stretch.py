import numpy as np
import pytest
from one_tile import apply
from pydantic import ValidationError

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.operations._frames import brighter_light, joint_sky
from workbench.operations._stretching import StretchPlan, stretch, stretch_reference
from workbench.operations.base import Frame
from workbench.operations.colorspace import LUMINANCE, linear_to_oklab, srgb_decode
from workbench.operations.curves import CURVES, Shoulder
from workbench.operations.stretch import Stretch

NAMES = list(CURVES)


def night(height=180, width=240, channels=3, sigma=0.0008, seed=4):
    """Sky with noise, an elliptical glow of 0.03, and bright points."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width]
    glow = 0.03 * np.exp(-(((x - 120) / 40) ** 2) - ((y - 90) / 25) ** 2)
    color = np.array([1.0, 0.4, 0.3])[:channels, None, None]
    planes = np.array([0.05, 0.055, 0.052])[:channels, None, None] + glow * color
    planes = planes + rng.normal(0, sigma, (channels, height, width))
    for _ in range(30):
        cy, cx, peak = rng.integers(5, height - 5), rng.integers(5, width - 5), 10 ** rng.uniform(-2, 0.2)
        planes += peak * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 3)
    return np.minimum(planes, 1).astype(np.float32)


def test_the_white_point_is_told_by_every_pixel_of_the_frame():
    planes, coverage = night(), np.full((180, 240), 255, np.uint8)
    coverage[:, :40] = 0
    for seen in (None, coverage):
        frame = Frame(planes, Tone.LINEAR, seen)
        sky = joint_sky(frame)
        light = np.tensordot(np.float32(LUMINANCE), planes, axes=1) - np.float32(sky.luminance)
        wanted = light[(light > 0.01) & (np.ones_like(coverage) if seen is None else seen).astype(bool)]
        np.testing.assert_allclose(np.sort(brighter_light(frame, sky, 0.01)), np.sort(wanted), atol=1e-6)


def test_it_takes_linear_light_and_gives_a_picture():
    assert Stretch.takes == Tone.LINEAR
    assert Stretch.gives == Tone.DISPLAY
    assert Stretch.id == "stretch"


@pytest.mark.parametrize("curve", NAMES)
@pytest.mark.parametrize("color", [1.0, 0.6, 0.0])
@pytest.mark.parametrize("channels", [1, 3])
def test_the_kernel_agrees_with_the_plain_form(curve, color, channels):
    rng = np.random.default_rng(8)
    src = (rng.random((channels, 60, 70)) ** 5 * 1.4 - 0.01).astype(np.float32)
    plan = StretchPlan(
        black=np.array([0.001, 0.0012, 0.0008], np.float32)[:channels],
        span=0.9,
        curve=CURVES[curve].through(0.004, 0.12),
        shoulder=Shoulder(0.8, 1.15),
        floor=0.001,
        color=color,
    )
    out = np.empty_like(src)
    stretch(src, plan, out)
    error = np.abs(out - stretch_reference(src, plan))
    # near black the code value is 12.92 times the light, which magnifies rounding where bright channels are mapped
    assert error.max() < 1e-4
    assert np.quantile(error, 0.98) < 4e-6
    inside = src.copy()
    stretch(inside, plan, inside)
    assert np.array_equal(inside, out)


@pytest.mark.parametrize("curve", NAMES)
@pytest.mark.parametrize("sky", [0.06, 0.1, 0.2])
def test_the_sky_comes_out_as_wanted_and_neutral(curve, sky):
    out, facts = apply(Stretch(curve=curve, sky=sky), night())
    assert facts.sky_shown == pytest.approx(sky, abs=1e-6)
    corner = np.median(out[:, :25, :60], axis=(1, 2))
    assert np.allclose(corner, sky, atol=0.006)


def test_one_channel_is_stretched_like_gray():
    planes = night(channels=1)
    out, _ = apply(Stretch(), planes)
    assert out.shape == planes.shape
    assert np.median(out[:, :25, :60]) == pytest.approx(0.1, abs=0.005)
    gray, _ = apply(Stretch(), np.repeat(planes, 3, axis=0))
    # three equal channels: the same sky, and the same picture but for the noise that one black point is measured by
    assert np.abs(gray[0] - out[0]).mean() < 0.02


@pytest.mark.parametrize("curve", NAMES)
def test_the_result_lies_within_the_range_and_is_finite(curve):
    wild = night()
    wild[:, 3, 3] = -5
    wild[:, 4, 4] = [40, 0, 0]
    wild[:, 5, 5] = [-1, 3, -1]
    for color in (0.0, 0.5, 1.0):
        out, _ = apply(Stretch(curve=curve, color=color), wild)
        assert np.isfinite(out).all()
        assert out.min() >= 0
        assert out.max() <= 1


def test_luminance_rises_with_light():
    ramp = np.linspace(0.05, 1.3, 4000, dtype=np.float32)
    planes = np.repeat(ramp[None, None], 3, axis=0) * np.array([1.0, 0.6, 0.4], np.float32)[:, None, None]
    facts = Stretch().measure(Frame(night()))
    out, _ = apply(Stretch(), planes, facts=facts)
    shown = np.tensordot(LUMINANCE, srgb_decode(out.astype(np.float64)), axes=1)
    assert np.diff(shown[0]).min() > -1e-6


def test_channel_ratios_are_kept_where_the_screen_can_show_them():
    planes = night(sigma=0)
    out, facts = apply(Stretch(), planes)
    light = planes - np.array(facts.black, np.float32)[:, None, None]
    shown = srgb_decode(out.astype(np.float64))
    fits = (shown.max(axis=0) < 0.98) & (light.min(axis=0) > 0.003)
    assert fits.sum() > 500
    assert np.allclose((shown[0] / shown[1])[fits], (light[0] / light[1])[fits], rtol=2e-3)
    assert np.allclose((shown[2] / shown[1])[fits], (light[2] / light[1])[fits], rtol=2e-3)


def test_a_color_outside_the_range_keeps_its_hue():
    facts = Stretch().measure(Frame(night()))
    level = np.linspace(0.2, 0.9, 300, dtype=np.float32)
    color = np.array([1.0, 0.35, 0.2], np.float32)
    planes = np.array(facts.black, np.float32)[:, None, None] + color[:, None, None] * level[None, None]
    out, _ = apply(Stretch(), planes, facts=facts)
    lab = linear_to_oklab(srgb_decode(out.astype(np.float64)))[:, 0]
    hue = np.rad2deg(np.arctan2(lab[2], lab[1]))
    wanted = linear_to_oklab(color.astype(np.float64))
    assert np.abs(np.diff(hue)).max() < 0.5  # no jump on the way to white
    colored = np.hypot(lab[1], lab[2]) > 0.03
    assert np.abs(hue[colored] - np.rad2deg(np.arctan2(wanted[2], wanted[1]))).max() < 12


def test_without_color_keeping_each_channel_goes_through_the_curve():
    planes = night()
    out, facts = apply(Stretch(color=0.0), planes)
    plan = Stretch(color=0.0).prepare(facts, Frame(planes).geometry)
    x = (planes - plan.black[:, None, None].astype(np.float64)) / plan.span
    want = plan.shoulder.forward(plan.curve.forward(np.maximum(x, 0)))
    assert np.abs(out - np.minimum(want, 1)).max() < 1e-5


def test_highlight_protection_keeps_differences_above_the_white_point():
    facts = Stretch().measure(Frame(night())).model_copy(update={"peak": 3.0})
    light = np.float32(facts.span) * np.linspace(1.1, 2.9, 50, dtype=np.float32)
    planes = np.array(facts.black, np.float32)[:, None, None] + light[None, None]
    burnt, _ = apply(Stretch(highlights=0), planes, facts=facts)
    kept, _ = apply(Stretch(highlights=1), planes, facts=facts)
    assert np.ptp(burnt) < 2e-3
    assert np.ptp(kept) > 0.05
    assert kept.max() < 1
    assert np.diff(kept[1, 0]).min() > 0


def test_a_lower_black_gives_less_contrast():
    planes = night()
    contrast = []
    for black in (4, 8, 16):
        out, facts = apply(Stretch(black=black), planes)
        assert facts.sky[0] - facts.black[0] >= black * facts.luminance_noise * 0.999
        contrast.append(np.median(out[0, 85:95, 110:130]))
    assert contrast[0] > contrast[1] > contrast[2]


def test_the_brightest_area_does_not_exceed_its_wanted_brightness():
    planes = night(sigma=1e-5)  # nothing but the object holds the stretch back
    for bright in (0.4, 0.6):
        _, facts = apply(Stretch(bright=bright, curve="bias"), planes)
        assert facts.bright_shown <= bright + 1e-6
        assert facts.sky_shown == pytest.approx(0.1, abs=1e-6)


def test_channels_leveled_before_share_one_black_point():
    planes = night()
    planes -= (np.median(planes[:, :25, :60], axis=(1, 2)) - 0.05)[:, None, None]
    _, facts = apply(Stretch(), planes)
    assert len(set(facts.black)) == 1
    _, facts = apply(Stretch(), night())
    assert len(set(facts.black)) == 3


def test_a_parameter_given_by_hand_is_used():
    _, facts = apply(Stretch(parameter=0.02), night())
    assert facts.parameter == 0.02


def test_uncovered_pixels_count_for_nothing():
    planes = night()
    coverage = np.full(planes.shape[1:], 255, np.uint8)
    coverage[:, 200:] = 0
    spoiled = planes.copy()
    spoiled[:, :, 200:] = 7
    _, facts = apply(Stretch(), spoiled, coverage)
    spoiled[:, :, 200:] = -7
    _, again = apply(Stretch(), spoiled, coverage)
    for name in ("sky", "black", "span", "parameter"):
        assert getattr(facts, name) == pytest.approx(getattr(again, name), rel=1e-4), name


def test_a_frame_without_covered_pixels_is_refused():
    with pytest.raises(WorkbenchError, match="covered"):
        Stretch().measure(Frame(night(), coverage=np.zeros((180, 240), np.uint8)))


@pytest.mark.parametrize("shape", [(3, 1, 1), (1, 1, 1), (3, 1, 9), (1, 9, 1), (3, 40, 50)])
@pytest.mark.parametrize("value", [0.0, 0.3, -0.1, 1.0])
def test_constant_and_tiny_frames_show_a_plain_sky(shape, value):
    out, facts = apply(Stretch(), np.full(shape, value, np.float32))
    assert np.allclose(out, 0.1, atol=1e-3)
    assert type(facts).model_validate_json(facts.model_dump_json()) == facts


def test_facts_are_plain_data_and_explained():
    _, facts = apply(Stretch(), night())
    assert type(facts).model_validate_json(facts.model_dump_json()) == facts
    assert Stretch().explain(facts).startswith("Asinh curve, parameter")


@pytest.mark.parametrize("bad", [{"sky": 0}, {"curve": "gamma"}, {"black": -1}, {"color": 2}, {"parameter": 0}])
def test_settings_out_of_range_are_refused(bad):
    with pytest.raises(ValidationError):
        Stretch(**bad)

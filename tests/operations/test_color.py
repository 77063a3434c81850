import numpy as np
import pytest
from one_tile import apply
from pydantic import ValidationError
from scipy.stats import chi2

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.operations import _balancing as balancing
from workbench.operations import _coloring as kernels
from workbench.operations import _white as white
from workbench.operations.base import Frame, Rect, Tile
from workbench.operations.color import ColorBalance, LimitGreen, Saturate, SaturateFacts
from workbench.operations.colorspace import linear_to_oklab, oklab_to_linear, srgb_decode, srgb_encode
from workbench.operations.white import CalibrateColor
from workbench.simulate import simulate

SKY = np.array([0.05, 0.06, 0.04])[:, None, None]


def noise(shape=(3, 160, 200), sigma=0.001, seed=2):
    return np.random.default_rng(seed).normal(0, sigma, shape)


def field(colors, sigma=0.0005, side=400, seed=6):
    """Stars of the given fluxes (N, 3) on a sky of three levels."""
    rng = np.random.default_rng(seed)
    planes = SKY + noise((3, side, side), sigma, seed)
    grid = np.mgrid[-8:9, -8:9]
    cell = int(np.ceil(np.sqrt(len(colors))))
    step = (side - 40) / cell
    for i, color in enumerate(colors):
        cy, cx = 20 + (i // cell + 0.5) * step + rng.uniform(-2, 2), 20 + (i % cell + 0.5) * step + rng.uniform(-2, 2)
        y, x = round(cy), round(cx)
        profile = (1 + ((grid[0] + y - cy) ** 2 + (grid[1] + x - cx) ** 2) / 2.2**2) ** -3.0
        planes[:, y - 8 : y + 9, x - 8 : x + 9] += np.asarray(color)[:, None, None] * profile
    return np.minimum(planes, 1).astype(np.float32)


# --- kernels against their plain forms


def test_calibrating_agrees_with_its_plain_form():
    src = np.random.default_rng(1).uniform(-0.1, 1.1, (3, 50, 61)).astype(np.float32)
    sky, gain, clip = (np.array(v, np.float32) for v in ([0.1, 0.12, 0.09], [2, 1, 1.5], [1, 0.98, 1.01]))
    out = src.copy()
    kernels.calibrate(out, sky, gain, clip, np.float32(0.75))
    assert np.abs(out - kernels.calibrate_reference(src, sky, gain, clip, 0.75)).max() < 2e-6


def test_limiting_green_agrees_with_its_plain_form():
    src = np.random.default_rng(1).uniform(-0.1, 1.1, (3, 50, 61)).astype(np.float32)
    sky = np.array([0.1, 0.12, 0.09], np.float32)
    for threshold in (0.0, 0.05):
        out = src.copy()
        kernels.limit_green(out, sky, np.float32(0.7), np.float32(threshold))
        assert np.abs(out - kernels.limit_green_reference(src, sky, 0.7, threshold)).max() < 1e-6


@pytest.mark.parametrize("amount", [0.0, 0.5, 1.0, 1.7, 4.0])
def test_saturating_agrees_with_its_plain_form(amount):
    src = np.random.default_rng(1).random((3, 50, 61)).astype(np.float32)
    src[:, 0, :3] = [[0, 1, 0.3], [0, 1, 0.3], [0, 1, 0.3]]
    settings = (amount, 0.1, 5.0, 1e-4)
    out = np.empty_like(src)
    kernels.saturate(src, *(np.float32(v) for v in settings), out)
    error = np.abs(out - kernels.saturate_reference(src, *settings))
    # where a channel meets the limit its distance to it is a small difference: there rounding weighs more
    assert error.max() < 5e-4
    assert np.quantile(error, 0.98) < 1e-5


def test_steps_may_write_over_their_input():
    rng = np.random.default_rng(1)
    for operation, planes in (
        (CalibrateColor(reference="given", gains=(2, 1, 1.5)), SKY + noise()),
        (LimitGreen(), SKY + noise()),
        (Saturate(), rng.random((3, 40, 50))),
    ):
        out, facts = apply(operation, planes)
        inside = np.ascontiguousarray(planes, np.float32)
        frame = Frame(inside, operation.takes)
        tile = Tile(inside, Rect(0, 0, *inside.shape[1:]), 0, frame.geometry)
        operation.apply(tile, operation.prepare(facts, frame.geometry), inside)
        assert np.array_equal(inside, out)


# --- CalibrateColor


@pytest.mark.parametrize("seed", [1, 2])
def test_gains_from_stars_are_those_of_the_field_where_the_population_is_the_assumed_one(seed):
    made = simulate("hayfield_stars", seed=seed, shape=(700, 900))
    planes = np.ascontiguousarray(np.moveaxis(made.stack.pixels, 2, 0))
    facts = CalibrateColor().measure(Frame(planes, coverage=made.truth.coverage))
    truth = made.truth.channel_gains[1] / made.truth.channel_gains
    # The color of 137 stars of this field scatters by 16 %: a standard error of 1.4 %, 1.7 % for a median.
    assert np.abs(np.array(facts.gains) / truth - 1).max() < 2 * 0.017
    assert facts.samples >= 100
    assert 0 < facts.uncertainty[2] < 0.25 * truth[2]


def test_the_median_star_becomes_white_whatever_a_few_odd_ones_are():
    rng = np.random.default_rng(5)
    flux = 10 ** rng.uniform(-1.5, -0.3, 196)
    color = np.array([0.5, 1.0, 0.7]) * np.exp(rng.normal(0, 0.1, (196, 1)) * [1, 0, -1.5])
    color[:20] = [3, 1, 0.1]  # a tenth of deep red stars
    planes = field(flux[:, None] * color)
    _, facts = apply(CalibrateColor(), planes)
    assert facts.gains[0] == pytest.approx(2.0, rel=0.03)
    assert facts.gains[2] == pytest.approx(1 / 0.7, rel=0.05)


def test_the_uncertainty_says_how_far_gains_scatter():
    gains, told = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        flux = 10 ** rng.uniform(-1.5, -0.3, (100, 1))
        color = np.array([0.5, 1.0, 0.7]) * np.exp(rng.normal(0, 0.15, (100, 1)) * [1, 0, -1])
        facts = CalibrateColor().measure(Frame(field(flux * color, seed=seed)))
        gains.append(facts.gains[0])
        # Without what the average star's own color may be, which these fields do not vary.
        own = white.RED_PER_BV * white.POPULATION_BV * facts.gains[0]
        told.append(np.sqrt(facts.uncertainty[0] ** 2 - own**2))
    # Of twelve the scatter is off by at most so much, 999 times in 1000: chi square of 11 degrees of freedom.
    low, high = np.sqrt(chi2.ppf([0.0005, 0.9995], 11) / 11)
    assert low < np.std(gains, ddof=1) / np.mean(told) < high


def test_the_sky_stays_as_it_was_and_light_above_it_is_multiplied():
    planes = SKY + noise()
    planes[:, 40:60, 40:60] += np.array([0.1, 0.2, 0.05])[:, None, None]
    out, facts = apply(CalibrateColor(reference="given", gains=(2, 1, 4)), planes)
    assert facts.gains == (2, 1, 4)
    corner = np.median(out[:, :30, :30], axis=(1, 2))
    assert np.allclose(corner, SKY[:, 0, 0], atol=5e-4)
    box = out[:, 45:55, 45:55].mean(axis=(1, 2)) - SKY[:, 0, 0]
    assert np.allclose(box, 0.2, atol=0.003)


def test_given_gains_count_by_their_ratios():
    _, facts = apply(CalibrateColor(reference="given", gains=(4, 2, 3)), SKY + noise())
    assert facts.gains == (2, 1, 1.5)


def test_a_region_becomes_white():
    planes = SKY + noise()
    planes[:, 40:60, 70:90] += np.array([0.1, 0.2, 0.05])[:, None, None]
    out, facts = apply(CalibrateColor(reference="region", region=(42, 72, 16, 16)), planes)
    assert np.allclose(facts.gains, [2, 1, 4], rtol=0.02)
    assert facts.samples == 256
    light = out[:, 45:55, 75:85].mean(axis=(1, 2)) - SKY[:, 0, 0]
    assert np.ptp(light) < 0.003


@pytest.mark.parametrize("region", [(0, 0, 20, 20), (150, 0, 20, 20), (-1, 0, 5, 5), (0, 0, 0, 5)])
def test_a_region_outside_the_frame_or_without_light_is_refused(region):
    with pytest.raises(WorkbenchError, match="region"):
        CalibrateColor(reference="region", region=region).measure(Frame((SKY + noise()).astype(np.float32)))


def test_a_region_without_covered_pixels_is_refused():
    planes = (SKY + noise()).astype(np.float32)
    planes[:, :20, :20] += 0.2
    coverage = np.full(planes.shape[1:], 255, np.uint8)
    coverage[:20, :20] = 0
    with pytest.raises(WorkbenchError, match="region"):
        CalibrateColor(reference="region", region=(0, 0, 20, 20)).measure(Frame(planes, coverage=coverage))


def test_too_few_stars_are_refused_with_what_to_do():
    with pytest.raises(WorkbenchError, match="mark a region"):
        CalibrateColor().measure(Frame((SKY + noise()).astype(np.float32)))


def test_a_reference_needs_what_it_refers_to():
    with pytest.raises(ValidationError):
        CalibrateColor(reference="region")
    with pytest.raises(ValidationError):
        CalibrateColor(reference="given")


def test_clipped_star_cores_become_white_not_magenta():
    planes = SKY + noise()
    planes[:, 50:55, 50:55] = 1.0
    planes[:, 80:85, 80:85] = np.array([1.0, 0.6, 0.3])[:, None, None]  # red alone is clipped
    out, _ = apply(CalibrateColor(reference="given", gains=(2, 1, 1.5)), planes)
    for y in (52, 82):
        light = out[:, y, y] - SKY[:, 0, 0]
        assert np.ptp(light) < 1e-3
        assert light[0] == pytest.approx(1.9, abs=0.01)


def test_brightness_never_falls_on_the_way_into_a_clipped_core():
    level = np.linspace(0, 1, 500)
    for color in ([1, 1, 1], [1, 0.6, 0.3], [0.4, 0.7, 1]):
        ramp = SKY + np.array(color)[:, None, None] * level[None, None]
        planes = np.concatenate([np.minimum(ramp, 1), SKY + np.zeros((3, 40, 500))], axis=1)
        out, _ = apply(CalibrateColor(reference="given", gains=(2, 1, 1.5)), planes)
        assert np.diff(out[:, 0].sum(axis=0)).min() > -1e-5


# --- LimitGreen


def test_excess_green_goes_and_other_colors_stay():
    planes = SKY + noise(sigma=0.0005)
    patches = {"green": [0.02, 0.08, 0.02], "teal": [0.01, 0.08, 0.08], "red": [0.1, 0.02, 0.03], "gray": [0.05] * 3}
    for i, light in enumerate(patches.values()):
        planes[:, 20:60, 20 + 45 * i : 60 + 45 * i] += np.array(light)[:, None, None]
    out, _ = apply(LimitGreen(amount=1.0), planes)
    for i, (name, light) in enumerate(patches.items()):
        box = out[:, 25:55, 25 + 45 * i : 55 + 45 * i].mean(axis=(1, 2)) - SKY[:, 0, 0]
        want = [0.02, 0.02, 0.02] if name == "green" else light
        assert np.allclose(box, want, atol=0.0006), name
    assert np.array_equal(out[0], planes[0].astype(np.float32))
    assert np.array_equal(out[2], planes[2].astype(np.float32))


def test_noise_around_the_sky_is_not_tinted():
    planes = SKY + noise(sigma=0.001)
    out, _ = apply(LimitGreen(amount=1.0), planes)
    change = out[1].mean() - planes[1].mean()
    assert -0.05 * 0.001 < change <= 0


def test_no_amount_changes_nothing():
    planes = (SKY + noise()).astype(np.float32)
    out, _ = apply(LimitGreen(amount=0), planes)
    assert np.array_equal(out, planes)


# --- Saturate


def picture(seed=3):
    """A dark gray noisy sky with patches of color, as display values."""
    rng = np.random.default_rng(seed)
    code = 0.1 + rng.normal(0, 0.015, (3, 160, 200))
    for i, color in enumerate(([0.6, 0.3, 0.35], [0.3, 0.4, 0.6], [0.5, 0.5, 0.5], [0.95, 0.3, 0.2])):
        code[:, 60:100, 10 + 45 * i : 50 + 45 * i] = np.array(color)[:, None, None]
    return np.clip(code, 0, 1).astype(np.float32)


def lab_of(code):
    return linear_to_oklab(srgb_decode(code.astype(np.float64)))


@pytest.mark.parametrize("shape", [(1500, 1001), (2003, 1997)])
def test_a_few_rows_tell_saturate_what_the_whole_frame_does(shape):
    planes = np.random.default_rng(5).random((3, *shape), np.float32) * 0.2
    coverage = (np.arange(shape[0])[:, None] + np.arange(shape[1]) > 700).astype(np.uint8)
    step, whole = Saturate(), Frame(planes, Tone.DISPLAY, coverage)
    apart = step.rows_apart(whole.geometry)
    assert apart > 1
    few = Frame(planes[:, ::apart].copy(), Tone.DISPLAY, coverage[::apart], rows_apart=apart)
    assert step.measure(few) == step.measure(whole)


def test_it_works_on_pictures():
    assert Saturate.takes == Tone.DISPLAY
    assert Saturate.gives == Tone.DISPLAY


@pytest.mark.parametrize("amount", [1.3, 2.0])
def test_chroma_grows_by_the_amount_at_equal_hue_and_lightness(amount):
    src = picture()
    out, _ = apply(Saturate(amount=amount), src)
    for x in (30, 75):
        before, after = lab_of(src[:, 80, x]), lab_of(out[:, 80, x])
        assert np.hypot(*after[1:]) / np.hypot(*before[1:]) == pytest.approx(amount, rel=0.06)
        assert np.arctan2(after[2], after[1]) == pytest.approx(np.arctan2(before[2], before[1]), abs=2e-3)
        assert after[0] == pytest.approx(before[0], abs=1e-4)
    assert np.abs(out[:, 80, 120] - src[:, 80, 120]).max() < 1e-6  # gray stays gray


def test_the_noise_of_the_sky_gains_hardly_any_color():
    src = picture()
    out, _ = apply(Saturate(amount=2.0), src)
    before, after = lab_of(src[:, :50]), lab_of(out[:, :50])
    assert np.hypot(*after[1:]).mean() < 1.04 * np.hypot(*before[1:]).mean()


def test_colors_at_the_limit_keep_their_hue():
    rng = np.random.default_rng(9)
    src = rng.random((3, 80, 90)).astype(np.float32)
    facts = SaturateFacts(sky_lightness=0.0, lightness_noise=0.0, chroma_noise=0.0)
    out, _ = apply(Saturate(amount=3.0), src, facts=facts)
    assert out.min() >= 0
    assert out.max() <= 1
    before, after = lab_of(src), lab_of(out)
    colored = np.hypot(before[1], before[2]) > 0.04
    turn = np.angle(np.exp(1j * (np.arctan2(after[2], after[1]) - np.arctan2(before[2], before[1]))))
    assert np.rad2deg(np.abs(turn[colored])).max() < 3
    assert np.quantile(np.rad2deg(np.abs(turn[colored])), 0.99) < 1.5
    assert np.abs(after[0] - before[0]).max() < 0.01


def test_no_amount_gives_gray_everywhere_and_one_changes_nothing():
    src = picture()
    gray, _ = apply(Saturate(amount=0), src)
    assert np.ptp(gray, axis=0).max() < 2e-3
    same, _ = apply(Saturate(amount=1), src)
    assert np.abs(same - src).max() < 5e-6


def test_a_hue_circle_comes_back_in_order():
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    lab = np.stack([np.full_like(angle, 0.7), 0.06 * np.cos(angle), 0.06 * np.sin(angle)])
    src = srgb_encode(oklab_to_linear(lab))[:, None].astype(np.float32)
    facts = SaturateFacts(sky_lightness=0.1, lightness_noise=0.01, chroma_noise=0.002)
    out, _ = apply(Saturate(amount=2), src, facts=facts)
    got = lab_of(out)[:, 0]
    step = np.diff(np.unwrap(np.arctan2(got[2], got[1])))
    assert step.min() > 0
    assert np.rad2deg(step.max()) < 1


# --- all three


@pytest.mark.parametrize("operation", [CalibrateColor(reference="given", gains=(1, 1, 1)), LimitGreen(), Saturate()])
def test_one_channel_is_refused_with_a_sentence(operation):
    with pytest.raises(WorkbenchError, match="single channel"):
        operation.measure(Frame(np.full((1, 20, 30), 0.1, np.float32), operation.takes))


@pytest.mark.parametrize("shape", [(3, 1, 1), (3, 1, 9), (3, 30, 40)])
@pytest.mark.parametrize("value", [0.0, 0.2, 1.0])
@pytest.mark.parametrize("operation", [CalibrateColor(reference="given", gains=(2, 1, 3)), LimitGreen(), Saturate()])
def test_constant_and_tiny_frames_stay_as_they_are(operation, shape, value):
    planes = np.full(shape, value, np.float32)
    out, facts = apply(operation, planes)
    assert np.abs(out - planes).max() < 1e-5
    assert type(facts).model_validate_json(facts.model_dump_json()) == facts
    assert operation.explain(facts)


@pytest.mark.parametrize("operation", [CalibrateColor(), LimitGreen(), Saturate()])
def test_uncovered_pixels_count_for_nothing(operation):
    rng = np.random.default_rng(5)
    flux = 10 ** rng.uniform(-1.5, -0.3, (100, 1))
    planes = field(flux * np.array([0.5, 1.0, 0.7]))
    coverage = np.full(planes.shape[1:], 255, np.uint8)
    coverage[:, 380:] = 0
    facts = []
    for junk in (0.0, 0.9):
        planes[:, :, 380:] = junk
        facts.append(operation.measure(Frame(planes, operation.takes, coverage)))
    for name, value in facts[0].model_dump(exclude={"reference", "doubts", "catalog"}).items():
        assert value == pytest.approx(getattr(facts[1], name), rel=2e-3), name


# --- ColorBalance


def test_balancing_agrees_with_its_plain_form():
    src = np.random.default_rng(1).random((3, 50, 61)).astype(np.float32)
    src[:, 0, :5], src[:, 0, 5:9] = 0, 1
    red, yellow = np.array([0.1, -0.05, 0.02], np.float32), np.array([-0.1, 0.08, 0.1], np.float32)
    out = np.empty_like(src)
    balancing.balance(src, red, yellow, np.float32(0.45), out)
    error = np.abs(out - balancing.balance_reference(src, red, yellow, 0.45))
    assert error.max() < 3e-3  # at the edge of the range the last halving may fall to either side
    assert np.quantile(error, 0.98) < 1e-5


@pytest.mark.parametrize("middle", [0.2, 0.5, 0.8])
def test_ranges_are_smooth_never_negative_and_together_one(middle):
    light = np.linspace(0, 1, 4001)
    weights = balancing.range_weights(light, middle)
    np.testing.assert_allclose(weights.sum(axis=0), 1, atol=1e-12)
    assert weights.min() >= -1e-12
    assert weights[:, 0].tolist() == [1, 0, 0]
    assert weights[:, -1].tolist() == [0, 0, 1]
    assert weights[1, np.searchsorted(light, middle)] == pytest.approx(1)
    # No kink: the slope changes by no more than the steepest smooth step lets it.
    assert np.abs(np.diff(weights, 2)).max() < 6 / (0.7 * 0.2) ** 2 * (light[1] - light[0]) ** 2 * 1.01


def test_at_zero_not_one_bit_changes():
    planes = np.random.default_rng(1).random((3, 40, 50)).astype(np.float32)
    assert np.array_equal(apply(ColorBalance(), planes)[0], planes)
    assert np.array_equal(apply(ColorBalance(), planes[:1])[0], planes[:1])


def test_a_gray_frame_has_no_color_to_balance():
    with pytest.raises(WorkbenchError, match="ColorBalance needs a color frame"):
        apply(ColorBalance(shadows_red=1.0), np.full((1, 40, 50), 0.2, np.float32))


def test_grays_move_by_the_setting_in_their_range_and_lightness_stays():
    code = srgb_encode(np.array([0.12, 0.5, 0.92]) ** 3)  # a lightness in each range
    planes = np.repeat(np.repeat(code[None, None, :], 3, axis=0), 4, axis=1)
    out, _ = apply(ColorBalance(shadows_red=0.5, midtones_yellow=-0.4, highlights_yellow=0.2), planes)
    lab = linear_to_oklab(srgb_decode(out.astype(np.float64)))[:, 0]
    np.testing.assert_allclose(lab[0], [0.12, 0.5, 0.92], atol=2e-4)
    np.testing.assert_allclose(lab[1], [0.5 * 0.1 * 0.12, 0, 0], atol=2e-4)
    np.testing.assert_allclose(lab[2], [0, -0.4 * 0.1 * 0.5, 0.2 * 0.1 * 0.92], atol=2e-4)


def test_black_stays_black_and_nothing_leaves_the_range():
    planes = np.random.default_rng(1).random((3, 40, 50)).astype(np.float32)
    planes[:, 0] = 0
    planes[:, 1] = 1
    out, _ = apply(ColorBalance(shadows_red=1, midtones_yellow=-1, highlights_red=-1), planes)
    assert np.abs(out[:, 0]).max() == 0
    assert out.min() >= 0
    assert out.max() <= 1
    before, after = (linear_to_oklab(srgb_decode(v.astype(np.float64)))[0] for v in (planes, out))
    assert np.abs(before - after).max() < 5e-4

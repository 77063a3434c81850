import json

import numpy as np
import pytest
from pydantic import ValidationError

import workbench as wb
from workbench.acquisition import Tone
from workbench.operations.tone import CompressHighlights, CurvePoint, ToneCurve, tone_curve


def points(*pairs):
    return tuple(CurvePoint(x=x, y=y) for x, y in pairs)


def run(operation, pixels):
    return wb.Recipe([operation]).run(wb.Stack.from_array(pixels, tone=Tone.DISPLAY)).image.pixels


@pytest.fixture(scope="module")
def picture():
    return np.random.default_rng(1).random((40, 50, 3)).astype(np.float32)


# --- ToneCurve


@pytest.mark.parametrize("given", [(), ((0.3, 0.3),), ((0.0, 0.0), (0.7, 0.7), (1.0, 1.0))])
@pytest.mark.parametrize("channel", ["lightness", "blue"])
def test_a_curve_on_the_diagonal_changes_not_one_bit(picture, given, channel):
    np.testing.assert_array_equal(run(ToneCurve(points=points(*given), channel=channel), picture), picture)


def test_grays_get_what_the_curve_says():
    ramp = np.linspace(0, 1, 300, dtype=np.float32)
    drawn = points((0.1, 0.05), (0.4, 0.6), (0.8, 0.85))
    wanted = tone_curve(drawn)(ramp)
    gray = np.repeat(ramp[None, :, None], 3, axis=2)
    np.testing.assert_allclose(run(ToneCurve(points=drawn), gray), np.repeat(wanted[None, :, None], 3, 2), atol=5e-6)
    np.testing.assert_allclose(run(ToneCurve(points=drawn), ramp[None, :, None])[0, :, 0], wanted, atol=5e-6)


def test_one_channel_leaves_the_others_alone(picture):
    out = run(ToneCurve(points=points((0.5, 0.7)), channel="red"), picture)
    np.testing.assert_array_equal(out[..., 1:], picture[..., 1:])
    assert (out[..., 0] >= picture[..., 0] - 1e-6).all()
    np.testing.assert_allclose(out[..., 0], tone_curve(points((0.5, 0.7)))(picture[..., 0]), atol=1e-6)


def test_a_frame_without_color_has_lightness_only(picture):
    gray = picture[..., :1]
    np.testing.assert_array_equal(
        run(ToneCurve(points=points((0.5, 0.7)), channel="green"), gray),
        run(ToneCurve(points=points((0.5, 0.7))), gray),
    )
    told = ToneCurve(points=points((0.5, 0.7)), channel="green").explain(None)
    assert told.startswith("Green (lightness where there is no color) through a curve of 1 point;")


def test_ends_can_be_lifted_and_lowered():
    curve = tone_curve(points((0.0, 0.1), (1.0, 0.9)))
    assert [float(curve(v)) for v in (0, 1)] == [0.1, 0.9]
    out = run(ToneCurve(points=points((0.0, 0.1), (1.0, 0.9))), np.zeros((4, 5, 3), np.float32))
    np.testing.assert_allclose(out, 0.1, atol=1e-4)


def test_points_are_put_in_order_and_impossible_ones_refused_in_a_sentence(tmp_path):
    assert ToneCurve(points=points((0.7, 0.8), (0.2, 0.1))).points == points((0.2, 0.1), (0.7, 0.8))
    with pytest.raises(ValidationError, match="the curve falls between"):
        ToneCurve(points=points((0.2, 0.5), (0.7, 0.3)))
    with pytest.raises(ValidationError, match="two points lie at the same value"):
        ToneCurve(points=points((0.2, 0.5), (0.2, 0.6)))
    path = tmp_path / "falling.recipe.json"
    step = {"do": "tone_curve", "with": {"points": [{"x": 0.2, "y": 0.5}, {"x": 0.7, "y": 0.3}], "channel": "red"}}
    path.write_text(json.dumps({"kind": "post-stack recipe", "version": 2, "title": "", "steps": [step]}))
    with pytest.raises(wb.WorkbenchError, match="the curve falls") as refused:
        wb.Recipe.load(path)
    assert "\n" not in str(refused.value)


def test_a_point_below_the_end_of_a_lowered_range_does_not_make_the_curve_fall():
    # The end that nobody set stays at 1 or above the last point.
    curve = tone_curve(points((0.0, 0.3), (0.5, 0.6)))
    assert (np.diff(curve(np.linspace(0, 1, 500))) >= 0).all()


# --- CompressHighlights


def test_below_the_knee_not_one_bit_changes_and_nothing_becomes_lighter(picture):
    out = run(CompressHighlights(knee=0.4, amount=0.8, size=5), picture)
    light = picture.max(axis=2)
    faint = light <= 0.4  # no channel above the knee: nor is the shade
    assert faint.any()
    np.testing.assert_array_equal(out[faint], picture[faint])
    assert (out != picture).any()
    assert (out.max(axis=2) <= light + 2e-6).all()


def test_a_wide_white_area_comes_to_where_it_is_said():
    white = np.ones((60, 70, 1), np.float32)
    operation = CompressHighlights(amount=0.6, knee=0.5)
    assert run(operation, white)[30, 35, 0] == pytest.approx(0.5 + 0.5 * (1 - 0.95 * 0.6), abs=1e-5)
    assert f"{0.5 + 0.5 * (1 - 0.95 * 0.6):.2f}" in operation.explain(None)


def test_a_small_star_on_a_dark_sky_stays_bright():
    dark = np.full((90, 90, 1), 0.1, np.float32)
    dark[44:47, 44:47] = 0.9
    out = run(CompressHighlights(), dark)
    assert out[45, 45, 0] == pytest.approx(0.9, abs=1e-6)


def test_weak_detail_in_a_wide_light_area_keeps_its_height():
    ripple = 0.02 * np.sin(np.arange(200) * 2 * np.pi / 8)
    light = np.repeat((0.85 + ripple).astype(np.float32)[None, :, None], 160, axis=0)
    for detail, kept in ((1.0, 1.0), (0.0, 0.61)):
        out = run(CompressHighlights(amount=0.5, knee=0.5, detail=detail), light)[80, 60:140, 0]
        assert 0.6 < out.mean() < 0.8
        assert np.ptp(out) / np.ptp(light[80, 60:140, 0]) == pytest.approx(kept, abs=0.05)

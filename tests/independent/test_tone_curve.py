"""The tone curve on pictures of scenes that the simulator had no part in: what it says is what it does."""

import numpy as np
import pytest

from independent.pictures import Picture, apply, hue_turn, lightness, make_picture
from independent.scenes import Plan
from workbench.operations.colorspace import srgb_encode
from workbench.operations.tone import CurvePoint, ToneCurve, tone_curve

POINTS = (CurvePoint(x=0.1, y=0.08), CurvePoint(x=0.35, y=0.5), CurvePoint(x=0.9, y=0.93))


@pytest.fixture(scope="module")
def picture() -> Picture:
    return make_picture(Plan(seed=21, shape=(300, 420), stars=200, objects=("emission",), brightness=60.0))


def test_every_tone_becomes_what_the_curve_says_and_hue_stays(picture):
    out = apply(ToneCurve(points=POINTS), picture.stack).image
    before, after = (srgb_encode(lightness(s) ** 3) for s in (picture.stack, out))
    assert np.abs(after - tone_curve(POINTS)(before)).max() < 5e-4
    assert hue_turn(picture.stack, out).max() < 0.1


def test_noise_of_the_sky_grows_by_the_slope_there_and_no_more(picture):
    out = apply(ToneCurve(points=POINTS), picture.stack).image
    before, after = (srgb_encode(lightness(s) ** 3)[picture.sky] for s in (picture.stack, out))
    slope = float(tone_curve(POINTS).derivative()(np.median(before)))
    assert after.std() / before.std() == pytest.approx(slope, rel=0.1)

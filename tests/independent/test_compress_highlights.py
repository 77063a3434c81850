"""Cores opened on pictures of scenes that the simulator had no part in, beside a curve for the whole frame."""

import cv2
import numpy as np
import pytest

from independent.pictures import Picture, apply, hue_turn, lightness, make_picture
from independent.scenes import Plan
from workbench.operations.colorspace import srgb_encode
from workbench.operations.tone import CompressHighlights

SCENES = [("galaxy", 8, 300.0), ("emission", 3, 200.0), ("reflection", 9, 300.0), ("galaxy", 15, 200.0)]
OPERATION = CompressHighlights()


def picture(kind: str, seed: int, brightness: float) -> Picture:
    plan = Plan(seed=seed, shape=(300, 400), stars=150, objects=(kind,), brightness=brightness)
    return make_picture(plan, bright=1.0, highlights=0.2)


def shades(stack) -> np.ndarray:
    return srgb_encode(lightness(stack) ** 3).astype(np.float32)


def detail(shade: np.ndarray) -> np.ndarray:
    """What is between 1 and 2 px wide."""
    return cv2.GaussianBlur(shade, (0, 0), 0.7) - cv2.GaussianBlur(shade, (0, 0), 2)


def core_of(made: Picture) -> np.ndarray:
    """Light parts without their stars."""
    light = cv2.GaussianBlur(shades(made.clean), (0, 0), 4) > 0.7
    stars = made.scene.stars.max(axis=2) > 5 * made.scene.noise.mean(axis=2)
    return light & (cv2.dilate(stars.astype(np.uint8), np.ones((9, 9))) == 0)


def whole_frame_curve(before: np.ndarray, core: np.ndarray, wanted: float) -> np.ndarray:
    """The same hyperbola for every pixel alike, strong enough to take the core down to the ``wanted`` mean."""
    knee = OPERATION.knee

    def bent(top: float) -> np.ndarray:
        t = np.maximum((before - knee) / (1 - knee), 0)
        return np.where(before > knee, knee + (1 - knee) * t / (1 + ((1 - knee) / (top - knee) - 1) * t), before)

    tops = np.linspace(knee + 0.02, 1, 100)
    return bent(tops[np.argmin([abs(bent(top)[core].mean() - wanted) for top in tops])])


@pytest.mark.parametrize(("kind", "seed", "brightness"), SCENES)
def test_a_core_keeps_more_of_its_detail_than_under_a_curve_that_takes_it_down_as_much(kind, seed, brightness):
    made = picture(kind, seed, brightness)
    core = core_of(made)
    before, after = shades(made.clean), shades(apply(OPERATION, made.clean).image)
    assert before[core].mean() - after[core].mean() > 0.02
    plain = whole_frame_curve(before, core, after[core].mean())
    ours, theirs = (detail(v.astype(np.float32))[core].std() / detail(before)[core].std() for v in (after, plain))
    assert ours > 1.15 * theirs


@pytest.mark.parametrize(("kind", "seed", "brightness"), SCENES)
def test_the_faint_is_left_to_the_last_bit_and_no_edge_turns_over(kind, seed, brightness):
    made = picture(kind, seed, brightness)
    out = apply(OPERATION, made.stack).image
    before, after = shades(made.stack), shades(out)
    faint = before < OPERATION.knee - 1e-4
    np.testing.assert_array_equal(out.pixels[faint], made.stack.pixels[faint])
    assert hue_turn(made.stack, out).max() < 0.2
    # Gradients of the picture without noise keep their direction, but for some of less than 1/200 a pixel.
    slopes = []
    for shade in (shades(made.clean), shades(apply(OPERATION, made.clean).image)):
        smooth = cv2.GaussianBlur(shade, (0, 0), 0.8)
        slopes.append(np.stack([cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)]) / 8)
    turned = ((slopes[0] * slopes[1]).sum(axis=0) < 0) & (np.hypot(*slopes[1]) > 0.005)
    assert turned.mean() < 1e-4
    assert after.max() <= before.max() + 1e-5

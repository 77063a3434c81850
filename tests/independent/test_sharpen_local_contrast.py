"""Sharpening and local contrast on pictures that the simulator had no part in: detail gained, and no harm done."""

import cv2
import numpy as np
import pytest
from skimage.exposure import equalize_adapthist

from independent.camera import Grain
from independent.pictures import Picture, apply, hue_turn, lightness, make_picture
from independent.scenes import Plan
from workbench.operations.colorspace import srgb_encode
from workbench.operations.detail import LocalContrast, Sharpen

SCENES = [
    ("emission", 3, 60.0, "none"),
    ("emission", 11, 25.0, "demosaic bilinear"),
    ("reflection", 9, 100.0, "demosaic gradient"),
    ("galaxy", 8, 150.0, "resample lanczos"),
]


def picture(kind: str, seed: int, brightness: float, kernel: str) -> Picture:
    grain = Grain(kernel=kernel)
    return make_picture(
        Plan(seed=seed, shape=(300, 400), stars=120, objects=(kind,), brightness=brightness, grain=grain)
    )


def shades(stack) -> np.ndarray:
    return srgb_encode(lightness(stack) ** 3).astype(np.float32)


def without(shade: np.ndarray, sigma: float) -> np.ndarray:
    """What is finer than a Gaussian of this width."""
    return shade - cv2.GaussianBlur(shade, (0, 0), sigma)


def nebula(made: Picture) -> np.ndarray:
    """Where an object is seen and no star."""
    noise = made.scene.noise.mean(axis=2)
    stars = (made.scene.stars.max(axis=2) > 0.3 * noise).astype(np.uint8)
    return (made.scene.objects.max(axis=2) > 2 * noise) & (cv2.dilate(stars, np.ones((15, 15))) == 0)


def sky_noise(made: Picture, after: np.ndarray) -> float:
    before = shades(made.stack)
    return float(without(after, 8)[made.sky].std() / without(before, 8)[made.sky].std())


def overshoot(before: np.ndarray, after: np.ndarray) -> float:
    """Farthest that a pixel went beyond the 5 x 5 around it, over their contrast (0.01 at least)."""
    window = np.ones((5, 5), np.uint8)
    low, high = cv2.erode(before, window), cv2.dilate(before, window)
    return float((np.maximum(after - high, low - after) / np.maximum(high - low, 0.01)).max())


@pytest.mark.parametrize("scene", SCENES)
def test_sharpening_strengthens_detail_and_neither_noise_nor_halos_nor_hue(scene):
    made = picture(*scene)
    out = apply(Sharpen(), made.stack).image
    before, after, truth = shades(made.stack), shades(out), shades(made.clean)
    where = nebula(made)
    detail, added = without(truth, 4)[where], (after - before)[where]
    gain = float((added * detail).sum() / (detail**2).sum())
    assert gain > 0.15
    assert sky_noise(made, after) <= 1.05
    assert overshoot(before, after) <= 0.021
    assert hue_turn(made.stack, out).max() < 1
    # Stars, crisp as they are, do not become discs: they are light over hardly more pixels.
    stars = made.scene.stars.max(axis=2) > 3 * made.scene.noise.mean(axis=2)
    assert ((after > 0.6) & stars).sum() <= 1.15 * ((before > 0.6) & stars).sum() + 3


def at_an_end(shade: np.ndarray, around: np.ndarray) -> np.ndarray:
    """Where a pixel is as light or as dark as the lightest or darkest of 5 x 5, within a hundredth of their range."""
    window = np.ones((5, 5), np.uint8)
    low, high = cv2.erode(around, window), cv2.dilate(around, window)
    return (shade < low + 0.01 * (high - low)) | (shade > high - 0.01 * (high - low))


@pytest.mark.parametrize("scene", SCENES)
def test_a_smooth_nebula_does_not_become_patches(scene):
    made = picture(*scene)
    before, after = shades(made.clean), shades(apply(Sharpen(amount=2.0), made.clean).image)
    where = nebula(made)
    assert at_an_end(after, before)[where].mean() < 0.1
    assert (after - before)[where].std() > 0.5 * without(before, 4)[where].std()


@pytest.mark.parametrize("scene", SCENES)
def test_local_contrast_grows_in_the_nebula_and_the_sky_stays(scene):
    made = picture(*scene)
    result = apply(LocalContrast(), made.stack)
    before, after = shades(made.stack), shades(result.image)
    clean = shades(apply(LocalContrast(), made.clean, result.record).image)
    where = nebula(made)
    # Structure of 3 to 20 px, of the picture without noise under the same mappings.
    band = [without(v, 20) - without(v, 3) for v in (shades(made.clean), clean)]
    assert band[1][where].std() > 1.08 * band[0][where].std()
    assert sky_noise(made, after) <= 1.05
    assert hue_turn(made.stack, result.image).max() < 1
    # Theirs, at the same limit and cells, amplifies the sky as it does the rest.
    theirs = equalize_adapthist(before, kernel_size=50, clip_limit=2 / 256).astype(np.float32)
    assert sky_noise(made, theirs) > 1.5 * sky_noise(made, after)


@pytest.mark.parametrize("scene", SCENES[:2])
def test_local_contrast_makes_no_halo_where_tones_meet(scene):
    made = picture(*scene)
    result = apply(LocalContrast(), made.clean)
    before, after = shades(made.clean), shades(result.image)
    # A mapping that rises keeps the order of neighbors: gradients of 1/250 a pixel and more do not turn over.
    slopes = [np.stack([cv2.Sobel(v, cv2.CV_32F, 1, 0), cv2.Sobel(v, cv2.CV_32F, 0, 1)]) / 8 for v in (before, after)]
    turned = ((slopes[0] * slopes[1]).sum(axis=0) < 0) & (np.hypot(*slopes[1]) > 0.004)
    assert turned.mean() < 1e-4

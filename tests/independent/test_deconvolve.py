"""Deconvolution on scenes drawn by GalSim, beside scikit-image's Richardson-Lucy at its best count of iterations."""

import numpy as np
import pytest
from skimage.restoration import richardson_lucy

from independent.camera import KERNELS, Grain
from independent.optics import OVERSAMPLING, Optics, point_spread
from independent.pictures import apply
from independent.sharpness import Sharper, dark_rings, make_sharper, star_width
from workbench.operations.detail import Deconvolve

SCENES = {
    "emission": {"seed": 1, "objects": ("emission",), "brightness": 60.0},
    "stars": {"seed": 3, "objects": ()},
    "galaxy": {"seed": 4, "objects": ("galaxy",), "brightness": 150.0},
    "reflection": {"seed": 2, "objects": ("reflection",), "brightness": 150.0},
}
FWHM = (3.2,)


def build(name: str) -> Sharper:
    """One of the scenes."""
    return make_sharper(0.65, shape=(280, 380), stars=220, channels=1, fwhm=FWHM, **SCENES[name])


def peer(made: Sharper) -> float:
    """Smallest error of scikit-image's Richardson-Lucy, which is given the true spread and a mirrored margin."""
    spread = point_spread(Optics(FWHM), 0)
    middle = spread.shape[0] // 2
    kernel = spread[middle % OVERSAMPLING :: OVERSAMPLING, middle % OVERSAMPLING :: OVERSAMPLING]
    n = kernel.shape[0] // 2
    kernel = kernel[n - 12 : n + 13, n - 12 : n + 13]
    wide = np.pad(made.scene.stack.pixels[..., 0], 24, mode="reflect")
    counts = (4, 6, 8, 10, 12, 15)
    tried = [richardson_lucy(wide, kernel / kernel.sum(), num_iter=n, clip=False)[24:-24, 24:-24, None] for n in counts]
    return min(made.error(pixels) for pixels in tried)


@pytest.mark.parametrize("name", SCENES)
def test_stars_become_narrower_noise_does_not_grow_and_no_ring_is_dug(name):
    made = build(name)
    before, after = made.scene.stack.pixels, apply(Deconvolve(), made.scene.stack).image.pixels
    assert star_width(after) <= 0.75 * star_width(before)
    assert made.sky_noise(after) <= 1.2
    assert dark_rings(after, made).max() <= 0.01
    # Flux is kept: the light of all that is lit, with the pixels around it.
    lit = ~made.sky & made.unsaturated
    assert abs((after - before)[lit].mean()) < 0.01 * (before - made.scene.sky)[lit].mean()


@pytest.mark.parametrize("name", SCENES)
def test_it_is_nearer_to_the_truth_than_scikit_image_at_its_best(name):
    made = build(name)
    after = apply(Deconvolve(), made.scene.stack).image.pixels
    assert made.error(after) < 0.8 * peer(made)
    assert made.error(after) < made.error(made.scene.stack.pixels)


@pytest.mark.parametrize("kernel", KERNELS)
def test_noise_of_every_grain_grows_by_a_fifth_at_most(kernel):
    made = make_sharper(
        0.65,
        seed=11,
        shape=(260, 340),
        stars=150,
        fwhm=(3.2, 3.2, 3.2),
        objects=("emission",),
        brightness=40.0,
        grain=Grain(kernel=kernel),
    )
    before, after = made.scene.stack.pixels, apply(Deconvolve(), made.scene.stack).image.pixels
    assert made.sky_noise(after) <= 1.2
    assert made.error(after) < 0.6 * made.error(before)
    assert star_width(after) < 0.8 * star_width(before)


def test_channels_of_different_sharpness_come_nearer_to_one_width():
    made = make_sharper(
        0.65, seed=7, shape=(280, 380), stars=220, fwhm=(3.8, 3.0, 3.4), objects=("emission",), brightness=60.0
    )
    before, after = made.scene.stack.pixels, apply(Deconvolve(), made.scene.stack).image.pixels
    widths = [[star_width(pixels[..., c : c + 1]) for c in range(3)] for pixels in (before, after)]
    apart = [max(w) / min(w) - 1 for w in widths]
    assert apart[0] > 0.15
    assert apart[1] < 0.55 * apart[0]


def test_saturated_stars_are_left_as_they_are():
    made = build("stars")
    before, after = made.scene.stack.pixels, apply(Deconvolve(), made.scene.stack).image.pixels
    clipped = before[..., 0] >= 0.99
    assert clipped.any()
    np.testing.assert_array_equal(after[clipped], before[clipped])

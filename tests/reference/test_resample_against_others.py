"""Turns, binning and change of size against other libraries."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage.transform import downscale_local_mean, resize

from workbench.engine.tiles import cut
from workbench.operations.base import Frame, Geometry, Rect
from workbench.operations.frame import Resample, Turn


def served(op, planes):
    c, h, w = planes.shape
    geometry = Geometry(h, w, c)
    facts = op.measure(Frame(planes))
    after = op.out_geometry(facts, geometry)
    core = Rect(0, 0, after.height, after.width)
    rect = op.source_rect(facts, geometry, core)
    source = np.empty((c, rect.height, rect.width), np.float32)
    cut(planes, rect, source)
    out = np.empty((c, after.height, after.width), np.float32)
    op.resample(source, rect, core, op.prepare(facts, geometry), geometry, out)
    return out


def noise(shape):
    return np.random.default_rng(7).normal(0.1, 0.05, shape).astype(np.float32)


def smooth(height, width):
    """A band-limited frame: nothing finer than 1/24 cycles a pixel."""
    y, x = np.mgrid[:height, :width].astype(np.float64)
    rng = np.random.default_rng(11)
    frame = np.full((height, width), 0.5)
    for _ in range(12):
        fy, fx = rng.uniform(-1 / 34, 1 / 34, 2)
        frame += 0.02 * np.cos(2 * np.pi * (fy * y + fx * x) + rng.uniform(0, 6))
    return frame.astype(np.float32)


def interior(image, margin):
    return image[margin:-margin, margin:-margin]


@pytest.mark.parametrize("n", [2, 3, 5, 8])
def test_binning_equals_the_block_mean_of_scikit_image(n):
    planes = noise((3, 30 * n, 40 * n))
    ours = served(Resample(bin=n), planes)
    theirs = downscale_local_mean(planes.astype(np.float64), (1, n, n))
    np.testing.assert_allclose(ours, theirs, atol=1e-7)


def test_binning_equals_the_area_mean_of_opencv():
    plane = noise((120, 160))
    ours = served(Resample(bin=4), plane[None])[0]
    np.testing.assert_allclose(ours, cv2.resize(plane, (40, 30), interpolation=cv2.INTER_AREA), atol=1e-7)


def test_leftover_rows_and_columns_are_dropped():
    planes = noise((1, 121, 163))
    np.testing.assert_array_equal(served(Resample(bin=2), planes), served(Resample(bin=2), planes[:, :120, :162]))


@pytest.mark.parametrize("long_side", [120, 150, 93, 360, 720])
def test_a_chosen_size_of_a_smooth_frame_agrees_with_pillow_lanczos(long_side):
    # Pillow's Lanczos has the same window and positions, without the limit to the range around. It gives each
    # axis its own ratio, so only sizes of the very ratio 3 : 2 are compared.
    plane = smooth(160, 240)
    ours = served(Resample(long_side=long_side), plane[None])[0]
    theirs = np.asarray(Image.fromarray(plane).resize(ours.shape[::-1], Image.Resampling.LANCZOS))
    margin = int(4 * max(1, long_side / 240)) + 1
    np.testing.assert_allclose(interior(ours, margin), interior(theirs, margin), atol=1e-3)


def test_a_halved_smooth_frame_agrees_with_the_area_mean():
    # For a band-limited frame, any good low-pass of the same positions gives nearly the same values.
    plane = smooth(160, 240)
    ours = served(Resample(long_side=120), plane[None])[0]
    theirs = cv2.resize(plane, (120, 80), interpolation=cv2.INTER_AREA)
    np.testing.assert_allclose(interior(ours, 4), interior(theirs, 4), atol=2e-3)


def test_an_enlarged_smooth_frame_agrees_with_scikit_image_bicubic():
    plane = smooth(160, 240)
    ours = served(Resample(long_side=480), plane[None])[0]
    theirs = resize(plane.astype(np.float64), (320, 480), order=3, mode="reflect", anti_aliasing=False)
    np.testing.assert_allclose(interior(ours, 8), interior(theirs, 8), atol=1e-3)


def test_a_reduction_removes_what_the_smaller_frame_cannot_hold():
    # A wave of 0.4 cycles a pixel would alias at a third of the size; a proper low-pass leaves next to nothing.
    wave = 0.5 + 0.1 * np.cos(2 * np.pi * 0.4 * np.arange(300))
    plane = np.tile(wave.astype(np.float32), (150, 1))
    ours = served(Resample(long_side=100), plane[None])[0]
    assert interior(ours, 4).std() < 0.01 * wave.std()


@pytest.mark.parametrize("q", range(4))
@pytest.mark.parametrize("mirror", [False, True])
def test_turns_equal_numpy_rot90_and_fliplr(q, mirror):
    planes = noise((3, 21, 34))
    expected = np.rot90(planes, -q, (1, 2))
    if mirror:
        expected = expected[:, :, ::-1]
    np.testing.assert_array_equal(served(Turn(quarter_turns=q, mirror=mirror), planes), expected)


def test_a_quarter_turn_agrees_with_pillow():
    plane = noise((21, 34))
    theirs = np.asarray(Image.fromarray(plane).transpose(Image.Transpose.ROTATE_270))  # counter-clockwise degrees
    np.testing.assert_array_equal(served(Turn(), plane[None])[0], theirs)

"""Random fields have unit deviation and look the same on every canvas."""

import numpy as np
import pytest

from workbench.simulate.fields import Canvas, Volume, fractal, ridged, smoothstep


def test_a_canvas_follows_the_frame_up_to_its_limit():
    assert Canvas.of((1200, 1720)) == Canvas(1200, 1720)
    large = Canvas.of((4000, 6000))
    assert large.width == 2600
    assert large.height == pytest.approx(2600 / 1.5, abs=1)


def test_fields_have_unit_deviation():
    canvas = Canvas(400, 400)
    made = [fractal(canvas, seed, cells=12).std() for seed in range(6)]
    assert np.mean(made) == pytest.approx(1.0, abs=0.1)
    volume = Volume(canvas, 3, cells=12, octaves=6, gain=0.5, depth=1.0, slices=8)
    assert np.mean([volume.at(t).std() for t in np.linspace(0, 1, 7)]) == pytest.approx(1.0, abs=0.12)


def test_ridges_stay_between_nothing_and_one():
    field = ridged(Canvas(300, 300), 5, cells=6)
    assert field.min() >= 0.0
    assert field.max() <= 1.01
    assert field.mean() < 0.5


def test_a_larger_canvas_shows_the_same_field():
    small, large = fractal(Canvas(200, 300), 8, cells=5), fractal(Canvas(400, 600), 8, cells=5)
    binned = large.reshape(200, 2, 300, 2).mean(axis=(1, 3))
    assert np.corrcoef(small.ravel(), binned.ravel())[0, 1] > 0.98


def test_another_aspect_is_a_crop_of_the_same_field():
    square, wide = fractal(Canvas(300, 300), 8, cells=5), fractal(Canvas(200, 300), 8, cells=5)
    np.testing.assert_array_equal(wide, square[50:250])


def test_slices_near_each_other_share_large_structures():
    volume = Volume(Canvas(200, 200), 3, cells=4, octaves=5, gain=0.5, depth=0.5, slices=12)

    def likeness(a, b):
        return np.corrcoef(volume.at(a).ravel(), volume.at(b).ravel())[0, 1]

    assert likeness(0.5, 0.55) > likeness(0.5, 0.65) > 0.2
    assert likeness(0.0, 1.0) < 0.4


def test_smoothstep_runs_from_nothing_to_one():
    x = np.array([-1.0, 0.0, 0.5, 1.0, 3.0], np.float32)
    np.testing.assert_allclose(smoothstep(x, 0.0, 1.0), [0, 0, 0.5, 1, 1])
    np.testing.assert_allclose(smoothstep(x, 1.0, 0.0), [1, 1, 0.5, 0, 0])

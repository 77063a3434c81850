"""Rows with offsets of their own, in frames whose offsets are known."""

import numpy as np
import pytest
from astropy.stats import biweight_location

import workbench as wb
from workbench.measure.banding import banding, row_biweight

HEIGHT, WIDTH, NOISE = 300, 1000, 0.004


def frame(rng, offsets=0.0, slope=0.0):
    y = np.arange(HEIGHT)[:, None]
    pixels = 0.1 + slope * y / HEIGHT + rng.normal(0, NOISE, (HEIGHT, WIDTH))
    return (pixels + np.reshape(offsets, (-1, 1))).astype(np.float32)[None]


def test_offsets_are_found_as_well_as_the_noise_allows(rng):
    true = rng.normal(0, 0.5 * NOISE, HEIGHT)
    (found,), _ = banding(frame(rng, true))
    # What no estimator can beat is the noise of a mean over the row, 0.032 noise units here.
    assert np.std(found.offset - true) < 2 * NOISE / np.sqrt(WIDTH)
    assert found.error == pytest.approx(NOISE / np.sqrt(WIDTH), rel=0.3)
    assert found.spread == pytest.approx(0.5 * NOISE, rel=0.15)


@pytest.mark.parametrize("slope", [0.0, 0.1])
def test_where_there_is_no_banding_next_to_nothing_is_found(rng, slope):
    (found,), _ = banding(frame(rng, slope=slope))
    assert np.std(found.offset) < 0.02 * NOISE


def test_rows_too_short_to_tell_stay_and_that_is_said(rng):
    planes = frame(rng, rng.normal(0, 0.5 * NOISE, HEIGHT))
    doubts = {width: wb.RemoveBanding().measure(wb.Frame(planes[..., :width].copy())).doubts for width in (300, WIDTH)}
    columns = "Columns are too short to tell whether they lie off: they stay as they are."
    assert doubts == {300: ("Rows" + columns[7:], columns), WIDTH: (columns,)}
    black = wb.RemoveBanding().measure(wb.Frame(np.zeros_like(planes)))
    assert black.doubts == ()


def test_an_object_in_a_quarter_of_the_rows_is_no_band(rng):
    planes = frame(rng)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    planes[0] += (0.05 * np.exp(-((y - 150) ** 2 / (2 * 12.0**2) + (x - 500) ** 2 / (2 * 60.0**2)))).astype(np.float32)
    (found,), _ = banding(planes)
    assert np.abs(found.offset).max() < 0.1 * NOISE


def test_uncovered_pixels_do_not_count(rng):
    true = rng.normal(0, 0.5 * NOISE, HEIGHT)
    planes, coverage = frame(rng, true), np.ones((HEIGHT, WIDTH), np.uint8)
    planes[0, :40], coverage[:40] = 0, 0
    planes[0, :, :200], coverage[:, :200] = 5, 0
    (found,), _ = banding(planes, coverage)
    assert (found.offset[:40] == 0).all()
    assert np.std((found.offset - true)[40:]) < 2 * NOISE / np.sqrt(WIDTH - 200)


@pytest.mark.parametrize("shape", [(1, 1), (5, 40), (300, 100), (2, 1000)])
def test_a_frame_too_small_to_tell_has_no_banding(rng, shape):
    (found,), _ = banding(rng.normal(0.1, NOISE, (1, *shape)).astype(np.float32))
    assert found.offset.shape == (shape[0],)
    assert np.abs(found.offset).max() < NOISE


def test_a_frame_without_noise_has_no_banding():
    (found,), _ = banding(np.full((1, 200, 800), 0.1, np.float32))
    assert not found.offset.any()


def test_the_middle_of_a_row_is_astropys_biweight(rng):
    values = rng.normal(0, 1, (20, 400))
    values[:, :40] += 8
    ours, _ = row_biweight(values, np.ones(values.shape, bool), 0.0)
    # Astropy (biweight_location, c = 6 on the median deviation, one step; ours 4.685 on the deviation, two, quieter
    # columns counting more): both ways to the same middle. A mean would be 0.8 off; the error of either is 0.053.
    theirs = biweight_location(values, c=4.685 * 1.4826, axis=1)
    np.testing.assert_allclose(ours, theirs, atol=0.08)

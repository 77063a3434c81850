"""Light of stars by channel, where channels are not equally sharp, nor equally strong, in a crowd of faint stars."""

from dataclasses import fields

import numpy as np
import pytest
from independent.optics import Optics, stamp_stars

from workbench.measure.stars import Stars, find_stars
from workbench.measure.stars.channel_sharpness import channel_light, window_light

SHAPE = (360, 520)


@pytest.mark.parametrize("crowd", [0, 3000])
@pytest.mark.parametrize("fwhm", [(2.5, 2.5, 2.5), (2.7, 2.5, 3.2)])
def test_white_stars_are_white(crowd, fwhm):
    rng = np.random.default_rng(2)
    ys, xs = (g.ravel().astype(float) for g in np.mgrid[30 : SHAPE[0] - 30 : 36, 30 : SHAPE[1] - 30 : 36])
    x = np.r_[xs, np.round(rng.uniform(0, SHAPE[1] - 1, crowd) * 5) / 5]
    y = np.r_[ys, np.round(rng.uniform(0, SHAPE[0] - 1, crowd) * 5) / 5]
    flux = np.r_[10 ** rng.uniform(0.2, 0.9, len(xs)), 0.02 * rng.uniform(0, 1, crowd) ** 2]
    # A weak channel: what is a star for the others is lost in its noise.
    recorded = flux[:, None] * np.array([0.3, 1.0, 0.7])
    frame = stamp_stars(SHAPE, x, y, recorded, Optics(fwhm), 1e-5) + 0.05
    planes = np.moveaxis(frame + 0.002 * rng.standard_normal(frame.shape), 2, 0).astype(np.float32)
    planes = np.ascontiguousarray(planes)
    stars = find_stars(planes, threshold=40, saturation=2.0, crowded_field=False)
    found = channel_light(planes, stars, stars, stars)
    ratio = np.median(found.light[:, [0, 2]] / found.light[:, [1]], axis=0)
    np.testing.assert_allclose(ratio, [0.3, 0.7], rtol=0.01)
    assert (found.growth_error < 0.02).all()


def test_where_no_star_stands_alone_those_that_nearly_do_tell_how_sharp_channels_are():
    rng = np.random.default_rng(4)
    x, y = (np.round(rng.uniform(20, side - 20, 900) * 5) / 5 for side in SHAPE[::-1])
    flux = 10 ** rng.uniform(0.0, 0.9, 900)
    frame = stamp_stars(SHAPE, x, y, flux[:, None] * np.array([0.3, 1.0, 0.7]), Optics((2.7, 2.5, 2.9)), 1e-5) + 0.05
    planes = np.moveaxis(frame + 0.002 * rng.standard_normal(frame.shape), 2, 0).astype(np.float32)
    planes = np.ascontiguousarray(planes)
    stars = find_stars(planes, threshold=15, saturation=2.0, crowded_field=False)
    found = channel_light(planes, stars, stars.select(np.arange(0)), stars)
    ratio = np.median(found.light[:, [0, 2]] / found.light[:, [1]], axis=0)
    np.testing.assert_allclose(ratio, [0.3, 0.7], rtol=0.015)
    assert (np.abs(ratio / [0.3, 0.7] - 1) <= 2.5 * found.growth_error[[0, 2]]).all()


def test_without_stars_that_tell_it_is_not_known():
    rng = np.random.default_rng(3)
    planes = (0.1 + 0.01 * rng.standard_normal((3, 90, 120))).astype(np.float32)
    nothing = find_stars(planes, threshold=40)
    found = channel_light(planes, nothing, nothing, nothing)
    assert found.light.shape == (0, 3)
    assert np.isnan(found.growth_error).all()


def window_light_reference(planes, coverage, stars, sigma, windows):
    """`window_light` in plain numpy."""
    out = np.zeros((len(windows), len(stars), len(planes)))
    y, x = np.mgrid[: planes.shape[1], : planes.shape[2]]
    for k in range(len(stars)):
        squared = ((x - stars.x[k]) ** 2 + (y - stars.y[k]) ** 2) / sigma**2
        ring = (squared >= 81) & (squared <= 144) & (coverage > 0)
        if not ring.any():
            continue
        around = planes[:, ring].astype(np.float64)
        gray = around.mean(axis=0)
        low, high = np.quantile(gray, (0.2, 0.8))
        sky = around[:, (gray >= low) & (gray <= high)].mean(axis=1)
        above = np.where(coverage > 0, planes - sky[:, None, None], 0)
        for w, window in enumerate(windows):
            weight = np.where(squared <= (3 * window) ** 2, np.exp(-0.5 * squared / window**2), 0)
            out[w, k] = np.tensordot(above, weight, axes=2)
    return out


def test_light_under_windows_is_that_of_the_plain_twin():
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 99, 30), rng.uniform(0, 79, 30)
    frame = stamp_stars((80, 100), np.round(x * 5) / 5, np.round(y * 5) / 5, np.ones((30, 3)), Optics((2.6,) * 3), 1e-5)
    planes = np.ascontiguousarray(np.moveaxis(frame + 0.01 * rng.standard_normal(frame.shape), 2, 0), np.float32)
    coverage = np.ones((80, 100), np.uint8)
    coverage[:, :40] = 0
    columns = {f.name: np.zeros(30) for f in fields(Stars)}
    stars = Stars(**{**columns, "x": x, "y": y})
    theirs = window_light_reference(planes, coverage, stars, 1.1, (1.3, 2.6, 0.78))
    np.testing.assert_allclose(window_light(planes, coverage, stars, 1.1, (1.3, 2.6, 0.78)), theirs, atol=1e-9)
    assert (theirs == 0).all(axis=(0, 2)).any()

"""`RemoveFringe`: what is taken is what the facts say, and it goes back to the core."""

from itertools import pairwise

import galsim
import numpy as np
import pytest
from astropy.modeling.models import Moffat2D

import workbench as wb
from workbench.measure.stars import find_stars
from workbench.measure.stars.color_halo import RINGS, SECTORS, color_halos
from workbench.measure.stars.halo_shapes import halo_profile
from workbench.operations._lens.halos import plan_halos, take_halos

NOISE = np.full(3, 1e-6)
RADIUS = np.linspace(4.0, 30.0, RINGS)


def halo(own=0, cut_off=(0.0,), scale=1.0, light=2.0):
    """One star in the middle of 80 px of sky, with a halo in blue that falls as a power of the radius from 4 px on."""
    profile = np.zeros((RINGS, 3))
    profile[:, 2] = 1e-4 * (RADIUS / 4) ** -3.0
    each = np.repeat(profile[None, :, None], SECTORS, axis=2)[:own]
    place = np.array([40.3 * scale])
    plan = plan_halos(place, place, np.array(cut_off), np.full((1, 3), light), RADIUS, profile, each, 3.0, NOISE, scale)
    return profile, plan


def taken(plan, pixels):
    out = np.empty_like(pixels)
    take_halos(pixels, 0, 0, plan, out)
    return pixels.astype(float) - out


@pytest.mark.parametrize("own", [0, 1])
def test_the_halo_is_taken_and_given_back_to_a_moffat_core(own):
    _, plan = halo(own)
    change = taken(plan, np.zeros((3, 80, 80), np.float32))
    y, x = np.mgrid[:80, :80]
    r = np.hypot(x - 40.3, y - 40.3)
    expected = 1e-4 * (np.maximum(r, 4) / 4) ** -3.0
    gamma = 3.0 / (2 * np.sqrt(2 ** (1 / 3) - 1))
    core = Moffat2D(1, 40.3, 40.3, gamma, 3.0)(x, y)
    core *= expected.sum() / core[r < 32].sum()
    near = r < 29
    np.testing.assert_allclose(change[2][near], 2 * (expected - core)[near], atol=2 * 3e-5)
    assert not change[:2].any()
    assert abs(change[2].sum()) < 0.01 * 2 * expected.sum()


def test_tiles_and_reduced_frames_agree():
    _, plan = halo()
    pixels = np.full((3, 80, 80), 0.1, np.float32)
    whole = pixels - taken(plan, pixels)
    part = np.empty((3, 30, 50), np.float32)
    take_halos(np.ascontiguousarray(pixels[:, 20:50, 25:75]), 20, 25, plan, part)
    np.testing.assert_array_equal(part, whole[:, 20:50, 25:75].astype(np.float32))
    # A frame reduced by two shows the means of the full one.
    x = (40.3 + 0.5) * 2 - 0.5
    profile, _ = halo()
    facts = (
        np.array([x]), np.array([x]), np.zeros(1), np.full((1, 3), 2.0), RADIUS, profile,
        np.zeros((0, RINGS, SECTORS, 3)), 3.0, NOISE,
    )  # fmt: skip
    full = taken(plan_halos(*facts, 1.0), np.zeros((3, 160, 160), np.float32))
    reduced = taken(plan_halos(*facts, 2.0), np.zeros((3, 80, 80), np.float32))
    np.testing.assert_allclose(reduced, full.reshape(3, 80, 2, 80, 2).mean(axis=(2, 4)), atol=2e-5)


def test_the_core_of_a_saturated_star_stays_and_white_is_not_passed():
    _, plan = halo(cut_off=(5.0,))
    change = taken(plan, np.full((3, 80, 80), 0.999, np.float32))
    y, x = np.mgrid[:80, :80]
    inner = np.hypot(x - 40.3, y - 40.3) < 5
    assert not change[:, inner].any()
    assert change[2][~inner].max() > 1e-5
    _, bright = halo(light=2000.0)
    assert (0.999 - taken(bright, np.full((3, 80, 80), 0.999, np.float32))).max() <= 1 + 1e-6


@pytest.mark.parametrize("level", [0.0, 0.2])
def test_frames_without_stars_have_no_halo(level):
    planes = np.full((3, 64, 64), level, np.float32)
    planes += np.random.default_rng(1).normal(0, 1e-3, planes.shape).astype(np.float32)
    found = color_halos(planes, find_stars(planes), np.full(3, 1e-3))
    assert not found.sure.any()
    result = wb.Recipe([wb.RemoveFringe()]).run(wb.Stack.from_array(np.moveaxis(planes, 0, 2)))
    np.testing.assert_array_equal(result.image.pixels, np.moveaxis(planes, 0, 2))


def test_a_gray_frame_is_refused_in_a_sentence():
    with pytest.raises(wb.WorkbenchError, match="color"):
        wb.Recipe([wb.RemoveFringe()]).run(wb.Stack.from_array(np.full((64, 64, 1), 0.1, np.float32)))


def test_a_halo_is_told_beyond_the_rings_that_show_it():
    """By GalSim's stars: blue a third wider than green, errors such that the outer half of the rings shows nothing."""
    fwhm, bounds = 3.0, np.concatenate([[0.0], np.linspace(2.0, 6.0, RINGS + 1) ** 2, [45.0]])
    size = 2 * 50 + 1
    wide, sharp = (
        galsim.Moffat(beta=3.0, fwhm=width).drawImage(nx=size, ny=size, scale=1.0, method="no_pixel").array
        for width in (4 / 3 * fwhm, fwhm)
    )
    y, x = np.mgrid[-50:51, -50:51]
    r = np.hypot(x, y)
    light = [(wide - sharp)[(r >= a) & (r < b)].mean() for a, b in pairwise(bounds[1:])]
    radius = np.sqrt((bounds[1:-2] ** 2 + bounds[2:-1] ** 2) / 2)
    values, errors = np.array(light[:-1]) - light[-1], np.full(RINGS, 1.2e-5)
    true = np.interp(radius, x[50, 50:], (wide - sharp)[50, 50:])
    shown = values > errors
    assert 4 <= shown.sum() <= 10
    rng = np.random.default_rng(4)
    trials = [halo_profile(bounds, fwhm, values + rng.normal(0, errors), errors) for _ in range(20)]
    left = np.array(trials) - true
    assert (np.abs(left.mean(axis=0)) < 0.05 * true + errors).all()
    beyond = left[:, ~shown]
    assert np.abs(beyond).max() < errors[0], "nothing is taken there that stands out of the errors"
    assert (np.median(np.abs(beyond), axis=0) < 0.9 * true[~shown]).all(), "and less is left than there was"
    assert all((np.diff(profile) <= 0).all() for profile in trials)


def test_where_rings_show_nothing_there_is_no_halo():
    bounds = np.concatenate([[0.0], np.linspace(2.0, 6.0, RINGS + 1) ** 2, [45.0]])
    values, errors = np.full(RINGS, -1e-5), np.full(RINGS, 1e-5)
    assert not halo_profile(bounds, 3.0, values, errors).any()
    assert not halo_profile(bounds, 3.0, np.full(RINGS, np.nan), np.full(RINGS, np.inf)).any()

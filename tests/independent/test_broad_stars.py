"""Stars far out of focus, as GalSim draws them: their grain is no star, and galaxies are none either."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from independent.optics import Optics
from independent.scenes import Plan, make_scene
from workbench.measure.stars import find_stars


@pytest.mark.parametrize("fwhm", [12.0, 16.0])
def test_stars_far_out_of_focus_are_found_with_their_place_width_and_light(fwhm):
    scene = make_scene(Plan(seed=31, shape=(400, 600), stars=60, optics=Optics(fwhm=(fwhm,) * 3), glow="plane"))
    stars = find_stars(scene.stack.planes, threshold=6.0)
    t = scene.table
    clear = (t.peak > 15) & ~t.saturated & (t.x > 20) & (t.x < 580) & (t.y > 20) & (t.y < 380)
    apart = cKDTree(np.c_[t.x, t.y]).query(np.c_[t.x, t.y], k=2)[0][:, 1]
    near, which = cKDTree(np.c_[stars.x, stars.y]).query(np.c_[t.x, t.y][clear])
    assert clear.sum() >= 10
    assert np.mean(near < 0.2 * fwhm) >= 0.8
    alone = (near < 0.2 * fwhm) & (apart[clear] > 2.5 * fwhm)
    assert np.median(stars.fwhm[which[alone]]) == pytest.approx(fwhm, rel=0.1)
    light = stars.flux[which[alone]] / t.flux[clear][alone].mean(axis=1)
    # The ring around a star holds some of its wings.
    assert np.median(light) == pytest.approx(1, rel=0.15)


def test_galaxies_in_a_frame_without_stars_are_not_taken_for_broad_ones():
    for seed in (41, 42, 43):
        scene = make_scene(Plan(seed=seed, shape=(400, 600), stars=1, objects=("small galaxies",), brightness=200))
        assert not (find_stars(scene.stack.planes, threshold=6.0).fwhm > 9).any(), seed

"""Hot pixels and sharp stars, on scenes that `workbench.simulate` did not make."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

import workbench as wb
from independent import scenes
from independent.optics import star_colors
from independent.scenes import Optics, Plan, make_scene
from workbench.operations.base import Frame


def filled(scene):
    """Rows and columns of what is filled; which hot pixels are, and which stars without a hot pixel near."""
    places = wb.MendPixels().measure(Frame(np.ascontiguousarray(scene.stack.planes))).places[1:].T
    if not len(places):
        return np.zeros(len(scene.hot), bool), np.zeros(len(scene.table), bool)
    tree, hot = cKDTree(places), scene.hot[:, :2] + (0.5 if scene.plan.hot_kind == "smeared" else 0)
    stars = np.c_[scene.table.y, scene.table.x]
    lone = cKDTree(hot).query(stars)[0] > 3 if len(hot) else np.ones(len(stars), bool)
    return tree.query(hot)[0] < 1.2 if len(hot) else np.zeros(0, bool), (tree.query(stars)[0] < 1.5) & lone


def of_width(seeing, **changes):
    return make_scene(Plan(shape=(360, 540), optics=Optics(fwhm=(seeing,) * 3), **changes))


@pytest.mark.parametrize("seeing", [1.2, 1.6])
def test_stars_of_a_pixel_and_a_half_in_one_color_are_left_and_hot_pixels_filled(seeing):
    scene = of_width(seeing, seed=5, channels=1, stars=600, hot=150, hot_kind="gray")
    hot, stars = filled(scene)
    assert np.mean(hot) >= 0.95
    assert np.count_nonzero(stars) == 0


# Spots of 15 noise units in all are among them, 3.75 in each of four pixels; four pixels alike and a star 2.1 px wide
# that lies between them differ little.
@pytest.mark.parametrize(("seeing", "share"), [(2.0, 0.87), (2.8, 0.9), (4.0, 0.9)])
def test_spots_that_alignment_has_smeared_are_found(seeing, share):
    scene = of_width(seeing, seed=6, stars=300, hot=200, hot_kind="smeared")
    hot, stars = filled(scene)
    assert np.mean(hot) >= share
    assert np.count_nonzero(stars) == 0


@pytest.mark.parametrize("seeing", [1.6, 2.0])
def test_the_reddest_stars_are_not_filled(seeing, monkeypatch):
    # B-V 3.5: carbon stars; a camera that records red best.
    monkeypatch.setattr(scenes, "star_colors", lambda bv: star_colors(np.full(len(bv), 3.5)))
    scene = of_width(seeing, seed=7, stars=400, gains=(1.0, 0.95, 0.7))
    assert np.count_nonzero(filled(scene)[1]) == 0

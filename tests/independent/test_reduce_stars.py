"""Smaller stars on scenes drawn by GalSim: nothing is dug out of nebulae and galaxies, and stars do become smaller."""

import cv2
import numpy as np
import pytest

from independent.optics import Optics
from independent.pictures import apply
from independent.scenes import Plan, Scene, make_scene
from workbench.operations.stars import ReduceStars

SCENES = {
    "nebula": Plan(seed=2, stars=250, objects=("emission",), brightness=200.0),
    "nebula, sharp stars": Plan(seed=3, stars=250, objects=("emission",), optics=Optics((1.8, 1.8, 1.8))),
    "reflection": Plan(seed=5, stars=250, objects=("reflection",), brightness=150.0),
    "small galaxies": Plan(seed=6, stars=200, objects=("small galaxies",), brightness=200.0),
    "galaxy with knots": Plan(seed=7, stars=150, objects=("galaxy", "knots"), brightness=150.0),
    "stars": Plan(seed=10, stars=500),
}
#: Here three dips of 2 to 5.5 sigma remain: stars that stand on a knot, whose light is not told from theirs.
KNOTS = Plan(seed=1, stars=250, objects=("emission", "knots"), brightness=80.0)


def near(values: np.ndarray) -> np.ndarray:
    """Means of 3 x 3 pixels."""
    return cv2.blur(np.ascontiguousarray(values, np.float32), (3, 3))


def reduced(plan: Plan) -> tuple[Scene, np.ndarray]:
    scene = make_scene(Plan(**{**vars(plan), "shape": (360, 480)}))
    return scene, apply(ReduceStars(), scene.stack).image.pixels


def deepest(scene: Scene, after: np.ndarray) -> float:
    """Deepest dip below what would have been recorded without stars, in noise."""
    least = np.minimum(scene.stack.pixels, scene.starless)
    return float(near((after - least) / scene.noise).min())


def most_taken(scene: Scene, after: np.ndarray) -> float:
    """The most that was taken where no star is, in noise."""
    apart = near(scene.stars / scene.noise).max(axis=2) < 0.3
    return float(near((scene.stack.pixels - after) / scene.noise)[apart].max())


def shares(scene: Scene, after: np.ndarray) -> np.ndarray:
    """Share of its light that each clear, unsaturated star lost."""
    stars, (height, width) = scene.table, after.shape[:2]
    inside = (stars.x > 10) & (stars.y > 10) & (stars.x < width - 10) & (stars.y < height - 10)
    clear = (stars.peak > 20) & ~stars.saturated & inside
    taken = scene.stack.pixels - after
    boxes = [np.s_[y - 4 : y + 5, x - 4 : x + 5] for y, x in zip(
        np.rint(stars.y[clear]).astype(int), np.rint(stars.x[clear]).astype(int), strict=True
    )]  # fmt: skip
    return np.array([taken[box].sum() / scene.stars[box].sum() for box in boxes])


#: The core of this galaxy is cut off over some 30 pixels, as a bright star is, but not as widely as its wings say.
CORE = Plan(
    seed=1005, stars=340, objects=("galaxy", "knots"), brightness=115.0, optics=Optics((1.8, 1.8, 1.8)),
)  # fmt: skip


@pytest.mark.parametrize("name", SCENES)
def test_no_dip_is_dug_and_only_stars_become_smaller(name):
    scene, after = reduced(SCENES[name])
    assert deepest(scene, after) > -2.0
    assert most_taken(scene, after) < 2.0
    lost = shares(scene, after)
    assert 0.5 < np.median(lost) < 0.7
    assert np.mean(lost < 0.2) < 0.05


def test_knots_of_a_nebula_are_no_stars():
    scene, after = reduced(KNOTS)
    assert most_taken(scene, after) < 2.5
    assert deepest(scene, after) > -6.0
    assert 0.5 < np.median(shares(scene, after)) < 0.7


def test_the_saturated_core_of_a_galaxy_is_no_star_and_does_not_tell_how_far_stars_reach():
    # Taken for a star, it lost up to 164 sigma. The deepest dips that are left lie beside saturated stars.
    scene, after = reduced(CORE)
    assert most_taken(scene, after) < 3.0
    assert deepest(scene, after) > -5.0
    assert 0.5 < np.median(shares(scene, after)) < 0.7


def test_galaxies_as_narrow_as_stars_are_told_by_the_light_around_them():
    scene, after = reduced(Plan(seed=7108, stars=200, objects=("small galaxies",), brightness=100.0,
                                optics=Optics((1.8, 1.8, 1.8))))  # fmt: skip
    # With the widths alone 2.3; 7.7 where the light around them was measured and believed to be a star's.
    assert most_taken(scene, after) < 1.5

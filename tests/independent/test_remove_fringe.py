"""Halos of fast lenses are taken away on scenes drawn by GalSim, and nothing else is."""

from dataclasses import replace

import numpy as np
import pytest
from photutils.aperture import CircularAperture, aperture_photometry

import workbench as wb
from independent.fringe import FringeLens, left_over, make_fringe_scene
from independent.optics import stamp_stars
from independent.pictures import apply
from independent.scenes import Plan, make_scene, random_plan

SHAPE = (400, 600)


def plan(seed, **changes):
    return Plan(seed=seed, shape=SHAPE, noise=0.012, **changes)


#: A lens, and the most that may be left of the halo and of the error of cores, per cent.
FRINGED = {
    "discs, red too": (FringeLens(plan(1), 300, 2.6, (0.06, 0.2), "discs", 12), 18, 2),
    "smooth and wide, broad stars": (FringeLens(plan(4), 200, 4.5, (0.0, 0.3), "exponential", 18), 15, 4),
    "spherical, stronger in the corners": (
        FringeLens(plan(3), 300, 2.6, (0.0, 0.2), "spherical", 9, grows=0.5), 45, 10,
    ),
    "bright stars in their own nebulae": (
        FringeLens(plan(9, brightness=60.0), 300, 2.6, (0.0, 0.15), nebulous=8), 10, 2,
    ),
    "emission, weaker around red stars": (
        FringeLens(plan(10, brightness=60.0, objects=("emission",)), 300, 2.6, (0.0, 0.15), red_stars=0.4), 12, 2,
    ),
    "a crowded cluster": (FringeLens(plan(12), 900, 2.6, (0.0, 0.15), cluster=0.6), 35, 2),
    "one star cut off farther than most are seen": (
        FringeLens(plan(5002, objects=("dust",), brightness=40.0, glow="two_domes"), 411, 2.65, (0.0, 0.15), radius=9),
        10, 2,
    ),
}  # fmt: skip
BARE = {
    "stars alone": FringeLens(plan(21)),
    "bright stars in their own nebulae": FringeLens(plan(22, brightness=60.0), nebulous=8),
    "a quarter of all stars in nebulae": FringeLens(plan(23, brightness=80.0), 100, nebulous=25),
    "emission and reflection": FringeLens(plan(24, brightness=60.0, objects=("emission", "reflection"))),
    "galaxies": FringeLens(plan(25, brightness=60.0, objects=("galaxy", "small galaxies"))),
    "a crowded cluster": FringeLens(plan(26), 1200, cluster=0.6),
}


@pytest.fixture(scope="module", params=list(FRINGED))
def case(request):
    lens, halo, core = FRINGED[request.param]
    made = make_fringe_scene(lens)
    return made, apply(wb.RemoveFringe(), made.stack), halo, core


def test_halos_go_cores_keep_their_color_and_nebulae_stay(case):
    made, result, halo, core = case
    left = left_over(made, result.image.pixels)
    assert abs(left.halo) < halo
    assert left.wrong < 50
    assert left.core < core
    assert abs(left.nebula) < 2


def test_no_dark_ring_is_dug_below_the_ground(case):
    made, result, _, _ = case
    assert left_over(made, result.image.pixels).darkest > -1


def test_light_of_stars_is_kept_by_photutils_in_a_wide_aperture(case):
    made, result, _, _ = case
    bright = np.argsort(-made.flux[:, 1])[:40]
    x, y = made.x[bright], made.y[bright]
    wide = 30
    inside = (np.minimum(x, SHAPE[1] - 1 - x) > wide) & (np.minimum(y, SHAPE[0] - 1 - y) > wide)
    core = CircularAperture(np.stack([x, y], axis=1), 4)
    whole = bright[inside & (np.asarray(aperture_photometry(made.clipped * 1.0, core)["aperture_sum"]) == 0)]
    assert whole.size >= 5
    apertures = CircularAperture(np.stack([made.x[whole], made.y[whole]], axis=1), wide)
    change = result.image.pixels.astype(float) - made.stack.pixels
    for c in (0, 2):
        gained = np.asarray(aperture_photometry(change[..., c], apertures)["aperture_sum"]) / made.flux[whole, c]
        assert abs(np.median(gained)) < 0.02


@pytest.mark.parametrize("name", BARE)
def test_where_there_is_no_fringe_nothing_changes(name):
    made = make_fringe_scene(BARE[name])
    result = apply(wb.RemoveFringe(), made.stack)
    np.testing.assert_array_equal(result.image.pixels, made.stack.pixels)


def test_a_burnt_out_core_of_a_galaxy_is_no_star_with_a_halo():
    """Blue is less sharp than green here, as a halo; taken for a star, the galaxy lost a third of its blue light."""
    scene = make_scene(random_plan(6017, (480, 720)))
    result = apply(wb.RemoveFringe(), scene.stack)
    changed = np.abs(result.image.pixels - scene.stack.pixels)
    assert changed.max() > 0.01, "halos of stars are taken"
    bright = scene.objects > 0.05
    assert bright.sum() > 500
    assert np.quantile(changed[bright] / scene.objects[bright], 0.98) < 0.02


def test_a_halo_ends_without_a_ring_of_the_other_color():
    """Blue is a third less sharp than green: around bright blue stars a yellow ring of 1.9 times the noise was left."""
    scene = make_scene(random_plan(6017, (480, 720)))
    plan, stars = scene.plan, scene.table
    faint = 0.01 * float(scene.noise.min())
    sharp = replace(plan.optics, fwhm=plan.optics.fwhm[1:2] * 3)
    excess = scene.stars - stamp_stars(plan.shape, stars.x, stars.y, stars.flux, sharp, faint)
    result = apply(wb.RemoveFringe(), scene.stack)
    change = result.image.pixels.astype(float) - scene.stack.pixels
    y, x = np.mgrid[: plan.shape[0], : plan.shape[1]]
    for row, col in ((455, 503), (420, 474)):
        near = np.hypot(stars.y - row, stars.x - col) < 4
        star = np.flatnonzero(near)[np.argmax(stars.flux[near, 2])]
        r = np.hypot(y - stars.y[star], x - stars.x[star])
        around = [(r >= inner) & (r < inner + 2) for inner in range(10, 30, 2)]
        before, left = (
            np.array([np.median((light / scene.noise)[ring][:, 2]) for ring in around])
            for light in (excess, change + excess)
        )
        assert before[0] > 0.5, "there is a halo"
        assert left.min() > -0.5, "no ring is too little blue"
        assert left.max() < 1


def test_the_checkup_finds_it_and_the_recipe_has_the_step():
    made = make_fringe_scene(FRINGED["discs, red too"][0])
    found = wb.check(made.stack)
    assert found.color_halo == pytest.approx(0.2, abs=0.06)
    assert "remove_fringe" in [a.step["do"] for a in found.advice if a.about == "Colored halos"]
    assert wb.suggest(made.stack).steps[0].operation.id == "remove_fringe"

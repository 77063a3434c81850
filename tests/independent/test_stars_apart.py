"""Small galaxies and knots, drawn by GalSim (Rowe et al. 2015, Astronomy and Computing 10, 121), are no stars."""

import json

import numpy as np
import pytest

from independent.scenes import Plan, make_scene
from workbench import Preview, Recipe, Stack
from workbench.operations._stars.broad import BroadSources, find_broad, give_back
from workbench.operations.base import Rect, Tile
from workbench.operations.layers import SplitStars

SHAPE = (300, 400)


def planes_of(scene):
    return np.ascontiguousarray(np.moveaxis(scene.stack.pixels, 2, 0))


def around(light, x, y):
    return light[max(round(y) - 1, 0) : round(y) + 2, max(round(x) - 1, 0) : round(x) + 2].sum()


@pytest.fixture(scope="module")
def galaxies():
    return make_scene(Plan(seed=812, shape=SHAPE, objects=("galaxy", "small galaxies"), brightness=150, stars=250))


def test_what_is_told_broader_than_stars_is_the_light_of_objects(galaxies):
    count, broad = find_broad(planes_of(galaxies), None)
    assert count > 100
    assert len(broad.x) >= 5
    stars, objects = (
        np.array([around(light, x, y) for x, y in zip(broad.x, broad.y, strict=True)])
        for light in (galaxies.stars, galaxies.objects)
    )
    # One is a star on the core of a galaxy, two thirds of their light its own: what is seen there is too broad.
    assert np.count_nonzero(stars > 0.1 * objects) <= 1
    assert (objects > 0.3 * (stars + objects)).all()


@pytest.mark.parametrize(("stars", "cluster"), [(400, 0.0), (1500, 0.6)])
def test_no_star_of_a_field_or_a_cluster_is_told_broader_than_stars(stars, cluster):
    scene = make_scene(Plan(seed=815, shape=SHAPE, stars=stars, cluster=cluster))
    _, broad = find_broad(planes_of(scene), None)
    assert len(broad.x) == 0


def test_small_galaxies_keep_their_light_and_the_stars_are_taken_off(galaxies):
    recipe = Recipe([SplitStars(method="learned", grain=0)])
    facts = Preview(galaxies.stack, recipe).facts[0]
    nobody_looked = json.loads(json.dumps(facts.to_data())) | {"broad": None}
    lost, star_light, light = {}, {}, galaxies.stars / galaxies.noise
    shining = (light < 0.05) & (galaxies.objects > 3 * galaxies.noise)
    # Of a galaxy that the frame's side cuts nobody can tell how wide it is.
    shining[:12], shining[-12:], shining[:, :12], shining[:, -12:] = False, False, False, False
    for name, told in (("found", facts), ("not looked for", nobody_looked)):
        taken = recipe.run(galaxies.stack, facts={0: told}, progress=False).stars.pixels
        lost[name] = taken[shining].sum() / galaxies.objects[shining].sum()
        star_light[name] = taken[light > 1].sum()
    # What is still lost is one that stands on the bright slope of the large galaxy.
    assert lost["found"] < 0.01
    assert lost["found"] < 0.6 * lost["not looked for"]
    assert star_light["found"] > 0.985 * star_light["not looked for"]
    assert f"{facts.broad.x.size} sources broader than the stars" in SplitStars().explain(facts)
    assert facts.doubts == ()


def test_where_too_few_stars_tell_how_wide_they_are_the_step_is_not_sure_about_small_galaxies():
    scene = make_scene(Plan(seed=812, shape=SHAPE, objects=("small galaxies",), brightness=150, stars=3))
    facts = Preview(scene.stack, Recipe([SplitStars(method="learned")])).facts[0]
    assert facts.found > 0
    assert facts.broad is None
    assert "small galaxies and knots may have been taken for stars" in SplitStars().report(facts)


def test_the_light_of_a_star_beside_a_galaxy_is_not_given_back():
    y, x = np.mgrid[:200, :200]
    galaxy = 200 * np.exp(-0.5 * ((x - 100.3) ** 2 + (y - 99.8) ** 2) / 3.0**2)
    star = 200 * np.exp(-0.5 * ((x - 108) ** 2 + (y - 104) ** 2) / 1.2**2)
    pixels = np.float32(0.1) + 0.01 * (galaxy + star)[None].astype(np.float32)
    tile = Tile(pixels, Rect(y0=90, x0=90, y1=110, x1=110), 90, None)
    taken = (galaxy + star)[None, 90:110, 90:110].astype(np.float32)
    sources = BroadSources(np.array([100.3]), np.array([99.8]), np.array([16.0]), np.array([[0.1]]))
    give_back(taken, tile, 0, sources, np.array([0.01], np.float32))
    assert taken[0, 14, 18] > 0.95 * star[104, 108]
    assert taken[0, 7:13, 7:13].max() < 0.03 * galaxy.max()


def test_where_nothing_stands_out_the_step_says_so():
    black = Stack.from_array(np.zeros((120, 160, 3), np.float32))
    noise = Stack.from_array(np.random.default_rng(3).normal(0.1, 0.001, (300, 300, 3)).astype(np.float32))
    for stack in (black, noise):
        result = Recipe([SplitStars(method="learned")]).run(stack, progress=False)
        assert SplitStars().explain(result.record.facts[0]).startswith("No star stands out")
        assert np.abs(result.stars.pixels).max() < 0.001

"""White from the stars of independent scenes: channels of other sharpness, and fields that are not like the Sun."""

import numpy as np
import pytest

import workbench as wb
from independent.scenes import Optics, Plan, make_scene
from workbench.errors import WorkbenchError
from workbench.operations.base import Frame
from workbench.operations.white import CalibrateColor


def measured(scene):
    facts = CalibrateColor().measure(Frame(np.ascontiguousarray(scene.stack.planes)))
    truth = scene.gains[1] / np.array(scene.gains)
    return facts, np.array(facts.gains) / truth - 1


@pytest.mark.parametrize("fwhm", [(2.9, 2.9, 3.4), (2.9, 2.9, 4.0), (3.6, 2.8, 2.8), (3.0, 2.5, 3.6)])
def test_a_channel_of_other_sharpness_counts_in_full(fwhm):
    # All stars like the Sun: what is wrong is wrong by the widths alone.
    scene = make_scene(Plan(seed=31, stars=250, population="suns", optics=Optics(fwhm), noise=0.008, height=0.03))
    _, off = measured(scene)
    assert np.abs(off).max() < 0.02


def test_the_stated_uncertainty_covers_fields_of_every_population():
    covered = []
    for seed in range(18):
        population = ("mixed", "red", "young")[seed % 3]
        sharp = np.random.default_rng(seed).uniform(1, 1.3, 2)
        optics = Optics((2.5 * sharp[0], 2.5, 2.5 * sharp[1]))
        scene = make_scene(
            Plan(seed=seed, shape=(300, 420), stars=150, population=population, optics=optics, height=0.03)
        )
        facts, off = measured(scene)
        covered.append((np.abs(off) <= 2 * np.array(facts.uncertainty) / facts.gains + 1e-9).all())
    assert np.mean(covered) >= 0.95


def test_a_doubt_says_what_white_is_assumed():
    scene = make_scene(Plan(seed=3, shape=(300, 420), stars=150))
    facts, _ = measured(scene)
    assert "like the Sun" in facts.doubts[0]
    assert CalibrateColor().report(facts).count("Sun") == 1
    given = CalibrateColor(reference="given", gains=(1, 1, 1))
    assert given.measure(Frame(np.ascontiguousarray(scene.stack.planes))).doubts == ()


def test_the_suggested_recipe_still_asks_the_stars():
    scene = make_scene(Plan(seed=3, shape=(300, 420), stars=150))
    assert "calibrate_color" in [step.operation.id for step in wb.suggest(scene.stack)]


def test_knots_of_a_nebula_are_no_stars_to_take_white_from():
    # About as many knots as stars, red and alike in color: by the median of all, gains are 40 and 23 % off.
    off = []
    for seed in (40, 44):
        plan = Plan(
            seed=seed, stars=60, objects=("knots",), brightness=250, optics=Optics((4.0,) * 3), noise=0.01, sky=0.016
        )
        off.append(np.abs(measured(make_scene(plan))[1]).max())
    assert max(off) < 0.12


def test_hot_pixels_are_no_stars_to_take_white_from():
    plan = Plan(seed=5, shape=(300, 420), stars=8, hot=150, hot_kind="smeared", optics=Optics((1.4,) * 3))
    with pytest.raises(WorkbenchError, match=r"nothing in common|unsaturated stars"):
        measured(make_scene(plan))

"""Suggested recipes on the scenes of the simulator, whose making is known."""

from dataclasses import replace
from typing import ClassVar

import numpy as np
import pytest
from pydantic import Field

from workbench.acquisition import Tone
from workbench.checkup import check, suggest
from workbench.engine import Recipe
from workbench.errors import WorkbenchError
from workbench.operations import base
from workbench.operations.base import Operation, Purpose
from workbench.operations.trial import Suggestion, extended_light, green_excess, window
from workbench.recipe.model import Step
from workbench.simulate import SCENES, simulate
from workbench.stack import Stack

SHAPE = (320, 460)


@pytest.fixture(scope="module")
def stacks():
    return {name: simulate(name, shape=SHAPE).stack for name in SCENES}


@pytest.fixture(scope="module")
def recipes(stacks):
    return {name: suggest(stack) for name, stack in stacks.items()}


@pytest.mark.parametrize("name", sorted(SCENES))
def test_every_scene_gets_a_recipe_that_runs_and_ends_as_a_picture(name, stacks, recipes):
    recipe = recipes[name]
    assert recipe.tones(Tone.LINEAR)[-1] == Tone.DISPLAY
    image = recipe.run(stacks[name], progress=False).image
    assert image.tone == Tone.DISPLAY
    # Up to the darkest quarter a frame is sky, and that is as bright as the stretch was asked to make it.
    # Where faint clouds fill the frame it is told from hardly any pixels (0.0898 for 0.1).
    wanted = next(step.operation.sky for step in recipe if step.operation.id == "stretch")
    assert np.quantile(image.pixels.mean(axis=2), 0.25) == pytest.approx(wanted, rel=0.12)
    assert image.pixels.min() >= 0
    assert image.pixels.max() <= 1


@pytest.mark.parametrize("name", sorted(SCENES))
def test_every_step_has_its_reason_with_a_number(name, recipes):
    for step in recipes[name]:
        assert any(c.isdigit() for c in step.note), step


@pytest.mark.parametrize("name", sorted(SCENES))
def test_a_suggested_recipe_survives_its_file(name, recipes):
    again = Recipe.loads(recipes[name].dumps())
    assert again.to_dict() == recipes[name].to_dict()


@pytest.fixture
def own_operation(monkeypatch):
    """An operation that is declared here and nowhere else."""
    monkeypatch.setattr(base, "REGISTRY", dict(base.REGISTRY))

    class DimStars(Operation):
        """Stand for any step."""

        purpose: ClassVar[Purpose] = "stars"
        usual_place: ClassVar[int] = 62
        answers: ClassVar[str] = "Few stars"
        by: float = Field(1.0, ge=0, le=5, description="How far")

        @classmethod
        def suggested(cls, trial):
            stars = trial.found.stars.count
            return Suggestion(cls(by=2), f"{stars} stars: dimmed before the noise") if stars > 50 else None

        def apply(self, tile, plan, out):
            np.multiply(tile.inner, np.float32(1 / self.by), out=out)

    return DimStars


def test_an_operation_is_suggested_in_its_place_by_saying_when_and_why(own_operation, stacks, recipes):
    stack = stacks["millwheel_galaxy"]
    recipe = suggest(stack)
    at = [s.operation.id for s in recipe].index("dim_stars")
    assert [s.operation.id for s in recipe][at - 1 : at + 2 : 2] == ["reduce_stars", "denoise"]
    assert recipe[at].operation == own_operation(by=2)
    assert recipe[at].note == f"{check(stack).stars.count} stars: dimmed before the noise"
    assert "dim_stars" not in [s.operation.id for s in recipes["millwheel_galaxy"]]


def test_an_operation_is_offered_against_the_finding_that_it_answers(own_operation, rng):
    starless = Stack.from_array(rng.normal(0.1, 0.001, (*SHAPE, 3)))
    [advice] = [a for a in check(starless).advice if a.about == "Few stars"]
    assert advice.step == Step(own_operation(), note=advice.says).to_dict()


def test_stars_are_reduced_before_noise_is_taken_away(recipes):
    # The other way round, the noise by which stars are told from texture is gone, and dark rings appear.
    order = [s.operation.id for s in recipes["millwheel_galaxy"]]
    assert order.index("reduce_stars") < order.index("denoise") < order.index("stretch")


def test_stars_are_left_alone_where_there_is_nothing_else(recipes):
    assert "reduce_stars" not in [s.operation.id for s in recipes["hayfield_stars"]]


def test_the_background_of_the_picture_is_neutral_and_even(stacks, recipes):
    image = recipes["hayfield_stars"].run(stacks["hayfield_stars"], progress=False).image
    h, w, _ = image.shape
    corners = [
        image.pixels[y, x]
        for y in (slice(0, h // 4), slice(-h // 4, None))
        for x in (slice(0, w // 4), slice(-w // 4, None))
    ]
    medians = np.array([np.median(c, axis=(0, 1)) for c in corners])
    assert np.ptp(medians, axis=1).max() < 0.02
    assert np.ptp(medians, axis=0).max() < 0.02


def test_a_gray_stack_gets_no_color_steps(stacks):
    gray = Stack.from_array(stacks["lantern_nebula"].pixels[:, :, 1].copy())
    recipe = suggest(gray)
    assert {s.operation.purpose for s in recipe}.isdisjoint({"color"})
    assert recipe.run(gray, progress=False).image.shape[2] == 1


def test_borders_put_a_crop_first():
    ragged = simulate("hayfield_stars", shape=SHAPE, frames={"sessions": 3, "session_px": 14.0, "count": 12}).stack
    assert suggest(ragged)[0].operation.id == "crop"


def test_wide_stars_put_binning_before_the_sky():
    wide = simulate("hayfield_stars", shape=SHAPE, optics={"fwhm_px": 7.0}).stack
    order = [s.operation.id for s in suggest(wide)]
    assert order.index("resample") < order.index("remove_gradient")


def test_too_few_stars_make_the_sky_the_white_reference(rng):
    starless = Stack.from_array(rng.normal((0.12, 0.1, 0.05), 0.001, (*SHAPE, 3)))
    step = next(s for s in suggest(starless) if s.operation.id == "calibrate_color")
    assert step.operation.reference == "given"
    assert step.operation.gains == pytest.approx((0.1 / 0.12, 1, 2), rel=0.01)


def test_a_greener_stack_gets_its_green_limited(stacks):
    stack = stacks["lantern_nebula"]
    pixels = stack.pixels.copy()
    pixels[60:200, 100:300, 1] += 0.03
    assert "limit_green" in [s.operation.id for s in suggest(replace(stack, pixels=pixels))]


def test_a_finished_picture_gets_no_recipe(stacks):
    with pytest.raises(WorkbenchError, match="finished picture"):
        suggest(replace(stacks["lantern_nebula"], tone=Tone.DISPLAY))


def test_a_checkup_that_was_made_before_gives_the_same_recipe(stacks, recipes):
    stack = stacks["beehouse_cluster"]
    assert suggest(stack, check(stack)).to_dict() == recipes["beehouse_cluster"].to_dict()


def test_extended_light_is_seen_where_there_is_some():
    with_nebula = simulate("lantern_nebula", shape=SHAPE, sky={"domes": (), "slope": (0, 0)}, optics={"falloff": 0.0})
    stars_only = simulate("hayfield_stars", shape=SHAPE, sky={"domes": (), "slope": (0, 0)}, optics={"falloff": 0.0})
    assert extended_light(with_nebula.stack).there
    truth = with_nebula.truth.as_recorded(with_nebula.truth.object_light)[1]
    assert extended_light(with_nebula.stack).bright == pytest.approx(float(np.quantile(truth, 0.99)), rel=0.5)
    assert not extended_light(stars_only.stack).there


def test_noise_alone_is_no_excess_of_green(rng):
    assert green_excess(Stack.from_array(rng.normal(0.1, 0.001, (200, 300, 3)))) < 1e-4


def test_the_trial_looks_at_the_middle_inside_the_borders(stacks):
    stack = stacks["hayfield_stars"]
    found = check(stack)
    part = window(stack, found, most=10_000)
    assert part.shape[0] * part.shape[1] <= 10_400
    assert np.shares_memory(part.pixels, stack.pixels)
    assert part.shape[0] / part.shape[1] == pytest.approx(SHAPE[0] / SHAPE[1], rel=0.1)


@pytest.mark.parametrize(
    ("shape", "says"),
    [((1, 1), "too small to measure"), ((1, 200), "too small to measure"), ((120, 160), "shows nothing")],
)
@pytest.mark.parametrize("value", [0.0, 0.05])
def test_a_frame_that_shows_nothing_gets_no_recipe(shape, says, value):
    with pytest.raises(WorkbenchError, match=says):
        suggest(Stack.from_array(np.full((*shape, 3), value)))


def test_the_note_on_color_says_what_it_takes_for_white():
    sky = np.random.default_rng(3).normal([0.1, 0.12, 0.08], 0.002, (200, 260, 3))
    notes = {s.operation.id: s.note for s in suggest(Stack.from_array(sky))}
    assert "sky's own color is taken as gray (gains 1.2" in notes["calibrate_color"]

"""A step limited by a mask: exact in every region, kept by the record, on the object whatever comes before it."""

import json
import pickle
from typing import ClassVar

import numpy as np
import pytest
from toy import _Blur

import workbench as wb
from workbench.engine.chain import Chain
from workbench.operations.base import Operation

BOX = {"shape": "rectangle", "x0": 60, "y0": 50, "x1": 240, "y1": 160}
CORNERS = {"shape": "polygon", "points": ((30, 20), (300, 60), (120, 200))}
MASKS = {
    "regions": wb.RegionMask(regions=[BOX, CORNERS], feather=12),
    "brush": wb.BrushMask(strokes=[{"radius": 14, "points": [(40, 40), (200, 90), (210, 180)]}]),
    "linear": wb.LinearMask(x0=60, y0=40, x1=260, y1=150),
    "radial": wb.RadialMask(x=200, y=90, inner=20, outer=80),
    "brightness": wb.BrightnessMask(low=2),
    "color": wb.ColorMask(hue=0, least=2),
    "stars": wb.StarMask(),
    "object": wb.ObjectMask(least=1, edge=2),
}
MASKS["combined"] = wb.IntersectionMask(
    masks=[wb.StarMask(outside=True), wb.UnionMask(masks=[MASKS["regions"], MASKS["brightness"]])]
)
DRAWN = ["regions", "brush", "linear", "radial"]


class _White(Operation):
    """Makes the mask itself seen."""

    purpose: ClassVar = "tone"

    def apply(self, tile, plan, out):
        out[:] = 1


@pytest.mark.parametrize("name", list(MASKS))
def test_a_region_equals_the_picture_to_the_last_bit(color_stack, name):
    recipe = wb.Recipe([wb.Step(_Blur(radius=4), where=MASKS[name], opacity=0.8), _Blur()])
    whole = recipe.run(color_stack, progress=False).image.pixels
    np.testing.assert_array_equal(wb.Preview(color_stack, recipe).region(61, 90, 77, 130), whole[61:138, 90:220])


@pytest.mark.parametrize("name", list(MASKS))
def test_a_record_replays_what_a_mask_goes_by(color_stack, name):
    recipe = wb.Recipe([wb.Step(wb.Denoise(), where=MASKS[name])])
    result = recipe.run(color_stack, progress=False)
    record = wb.Record.loads(result.record.dumps())
    again = recipe.run(color_stack, facts=record, progress=False)
    np.testing.assert_array_equal(again.image.pixels, result.image.pixels)
    assert [part.kind for part in record.steps[0].facts.mask] == list(recipe[0].mask_kinds)
    assert ("Mask:" in record.steps[0].found) == bool(recipe[0].mask_kinds)


@pytest.mark.parametrize("name", DRAWN)
def test_what_is_drawn_on_the_stack_stays_there_through_crop_and_turn(name):
    dark = wb.Stack(np.zeros((217, 331, 3), np.float32))
    white = wb.Step(_White(), where=MASKS[name])
    moves = [wb.Crop(top=11, right=5, bottom=8, left=23), wb.Turn(quarter_turns=1, mirror=True)]
    before = wb.Recipe([white, *moves]).run(dark, progress=False).image.pixels
    after = wb.Recipe([*moves, white]).run(dark, progress=False).image.pixels
    np.testing.assert_allclose(after, before, atol=1e-6)
    assert 0 < after.mean() < 1


@pytest.mark.parametrize("name", DRAWN)
def test_what_is_drawn_on_the_stack_shrinks_with_the_frame(name):
    dark = wb.Stack(np.zeros((216, 330, 3), np.float32))
    white, smaller = wb.Step(_White(), where=MASKS[name]), wb.Resample(bin=2)
    before = wb.Recipe([white, smaller]).run(dark, progress=False).image.pixels
    after = wb.Recipe([smaller, white]).run(dark, progress=False).image.pixels
    assert np.abs(after - before).mean() < 0.01


@pytest.mark.parametrize("name", ["brush", "linear", "radial"])
def test_what_is_drawn_on_the_stack_turns_with_the_frame(name):
    dark = wb.Stack(np.zeros((216, 330, 3), np.float32))
    white, level = wb.Step(_White(), where=MASKS[name]), wb.Straighten(angle_deg=17)
    before = wb.Recipe([white, level]).run(dark, progress=False).image.pixels
    after = wb.Recipe([level, white]).run(dark, progress=False).image.pixels
    assert np.abs(after - before).mean() < 1e-3
    assert 0 < after.mean() < 1


def test_a_mask_drawn_on_the_steps_frame_goes_by_that():
    dark = wb.Stack(np.zeros((217, 331, 3), np.float32))
    mask = wb.RegionMask(frame="step", regions=[{"shape": "rectangle", "x0": 0, "y0": 0, "x1": 9, "y1": 4}])
    image = wb.Recipe([wb.Crop(top=100, left=100), wb.Step(_White(), where=mask)]).run(dark, progress=False).image
    assert image.pixels[..., 0].sum() == 10 * 5


def test_a_mask_of_an_older_recipe_lies_where_it_lay():
    old = {"kind": "post-stack recipe", "version": 2, "title": "", "steps": [{"do": "denoise", "where": None}]}
    old["steps"][0]["where"] = {"shape": "ellipse", "x0": 50, "y0": 40, "x1": 150, "y1": 100, "feather": 10}
    step = wb.Recipe.loads(json.dumps(old))[0]
    dark = wb.Stack(np.zeros((217, 331, 3), np.float32))
    image = wb.Recipe([wb.Crop(top=10, left=20), wb.Step(_White(), where=step.where)]).run(dark, progress=False).image
    y, x = np.mgrid[:207, :311]
    r = np.hypot((y - 70) / 30, (x - 100) / 50)  # as version 2 defined it, in the frame of the step
    outside = (1 - 1 / np.maximum(r, 1e-12)) * np.hypot(y - 70, x - 100)
    np.testing.assert_allclose(image.pixels[..., 0], np.clip(0.5 - outside / 10, 0, 1), atol=1e-6)


def test_a_mask_reaches_no_farther_than_the_operation_sees(color_stack):
    mask = wb.BrightnessMask(low=2, smooth=6)
    limited = wb.Recipe([wb.Step(_Blur(radius=3), where=mask)]).run(color_stack, progress=False).image.pixels
    free = wb.Recipe([_Blur(radius=3)]).run(color_stack, progress=False).image.pixels
    changed = np.abs(limited - color_stack.pixels).max(axis=2) > 0
    weights = wb.Recipe([wb.Step(_White(), where=mask)]).run(color_stack, progress=False).image.pixels
    full = (weights == 1).all(axis=2)
    assert full.any()
    np.testing.assert_array_equal(limited[full], free[full])
    assert not changed.all()


def test_facts_without_what_the_mask_goes_by_are_refused(color_stack):
    facts = {0: wb.Recipe([wb.Denoise()]).run(color_stack, progress=False).record.steps[0].facts}
    with pytest.raises(wb.WorkbenchError, match=r"step 1 \(denoise\).*nothing of its mask by stars: measure again"):
        wb.Recipe([wb.Step(wb.Denoise(), where=wb.StarMask())]).run(color_stack, facts=facts, progress=False)


def test_a_step_whose_operation_measures_nothing_has_the_facts_of_its_mask(color_stack):
    result = wb.Recipe([wb.Step(_Blur(), where=wb.StarMask())]).run(color_stack, progress=False)
    assert len(result.record.steps[0].facts.mask[0].x) >= 4


def test_with_stars_apart_both_layers_have_one_mask(color_stack):
    split = wb.SplitStars(method="classical")
    recipe = wb.Recipe([split, wb.Step(_Blur(), where=wb.BrightnessMask(low=2), layer="both"), wb.JoinStars()])
    plain = wb.Recipe([wb.Step(_Blur(), where=wb.BrightnessMask(low=2))])
    apart, whole = (r.run(color_stack, progress=False).image.pixels for r in (recipe, plain))
    np.testing.assert_allclose(apart, whole, atol=1e-6)


@pytest.mark.parametrize("name", list(MASKS))
def test_a_view_shows_the_mask_of_the_picture(color_stack, name):
    recipe = wb.Recipe([wb.Crop(top=3), wb.Step(_White(), where=MASKS[name])])
    preview = wb.Preview(color_stack, recipe)
    assert preview.mask(1, 331) is None or not recipe[1].mask_kinds
    preview.settle()
    seen = preview.mask(1, 331)
    image, before = recipe.run(color_stack, progress=False).image.pixels, color_stack.pixels[3:]
    np.testing.assert_allclose(before + seen.weights[..., None] * (1 - before), image, atol=1e-5)
    np.testing.assert_allclose(seen.place, [[1, 0, 0], [0, 1, 3]])


def test_a_small_view_of_a_mask_lies_where_the_mask_does(color_stack):
    recipe = wb.Recipe([wb.Step(_White(), where=MASKS["radial"])])
    preview = wb.Preview(color_stack, recipe)
    seen = preview.mask(0, 110)
    rows, columns = np.nonzero(seen.weights > 0.5)
    middle = seen.place @ [columns.mean(), rows.mean(), 1]
    np.testing.assert_allclose(middle, [200, 90], atol=1.5)


def test_keys_know_masks_and_their_facts_do_not_hang_on_their_settings(color_stack):
    chain = Chain.of(color_stack)
    stars, larger = (wb.Step(wb.Denoise(), where=wb.StarMask(size=size)) for size in (1.0, 2.0))
    assert chain.facts_key(stars) == chain.facts_key(larger)
    assert chain.facts_key(stars) != chain.facts_key(wb.Step(wb.Denoise()))


@pytest.mark.parametrize("name", ["stars", "object", "brightness", "color", "regions"])
def test_a_draft_has_nearly_the_mask_of_the_settled_view(color_stack, name):
    recipe = wb.Recipe([wb.Crop(top=7, left=9), wb.Step(_White(), where=MASKS[name])])
    preview = wb.Preview(color_stack, recipe)
    draft = preview.view(161, draft=True, stand_in=False)
    settled = preview.view(161, stand_in=False)
    assert draft.draft == bool(recipe[1].mask_kinds)
    assert not settled.draft
    assert np.abs(draft.planes - settled.planes).mean() < 0.25
    # While a slider moves, what was measured a moment ago serves.
    moved = preview.showing(wb.Recipe([wb.Crop(top=7, left=9), wb.Step(_White(), where=MASKS[name], opacity=0.6)]))
    again = moved.view(161, draft=True, stand_in=False)
    assert not again.draft
    assert again.planes.mean() < settled.planes.mean()


def test_a_mask_goes_to_other_processes(color_stack):
    for mask in MASKS.values():
        step = wb.Step(wb.Denoise(), where=mask)
        bound = wb.Preview(color_stack, wb.Recipe([step])).chain.steps[0]
        again = pickle.loads(pickle.dumps(bound))
        assert again.step == step

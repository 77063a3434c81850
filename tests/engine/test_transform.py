"""Places follow the frame: checked against where the pixels themselves went."""

import numpy as np
import pytest

import workbench as wb
from workbench.engine.transform import Transform

HEIGHT, WIDTH = 120, 180
RECIPES = {
    "a crop": [wb.Crop(top=7, right=11, bottom=3, left=20)],
    "a turn": [wb.Turn(quarter_turns=1)],
    "a mirrored turn": [wb.Turn(quarter_turns=3, mirror=True)],
    "a smaller size": [wb.Resample(bin=2)],
    "all of it": [
        wb.Crop(top=8, right=10, bottom=4, left=20),
        wb.Turn(quarter_turns=1, mirror=True),
        wb.Resample(bin=2),
        wb.Crop(top=2, right=3, bottom=4, left=5),
    ],
}


def stack_of(planes):
    return wb.Stack.from_array(np.moveaxis(planes, 0, 2))


@pytest.mark.parametrize("name", RECIPES)
def test_a_place_goes_where_its_pixels_go(name):
    recipe = wb.Recipe(RECIPES[name])
    for y, x in ((30, 41), (60, 90), (91, 150)):
        planes = np.zeros((3, HEIGHT, WIDTH), np.float32)
        planes[:, y : y + 2, x : x + 2] = 1  # its middle is half a pixel on
        result = recipe.run(stack_of(planes), progress=False)
        light = result.image.pixels[..., 0].astype(np.float64)
        rows, columns = np.indices(light.shape)
        middle = [(light * axis).sum() / light.sum() for axis in (columns, rows)]
        way = Transform.between(stack_of(planes), recipe, result.record.facts, 0)
        assert way.points(x + 0.5, y + 0.5) == pytest.approx(middle, abs=1e-6)
        assert way.frame == (HEIGHT, WIDTH)


@pytest.mark.parametrize("draft", [False, True])
@pytest.mark.parametrize("name", RECIPES)
def test_a_view_tells_where_its_pixels_lie_on_the_stack(name, draft):
    """At any scale, and as an approximation too: it never invents where the frame ends."""
    y, x = np.indices((HEIGHT, WIDTH), np.float32)
    own_places = np.stack([x / WIDTH, y / HEIGHT, np.full_like(x, 0.5)], axis=-1)
    stack = wb.Stack.from_array(own_places, tone="display")
    recipe = wb.Recipe([*RECIPES[name], wb.Saturate(amount=1.0)])  # changes nothing, and is still to be measured
    for width in (200, 70, 41.3):
        preview = wb.Preview(stack, recipe)
        view = preview.view(width, draft=draft)
        assert view.draft is draft
        rows, columns = np.indices(view.planes.shape[1:])
        places = np.tensordot(view.place[:, :2], np.stack([columns, rows]), 1) + view.place[:, 2, None, None]
        told = view.planes[:2] * np.array([WIDTH, HEIGHT])[:, None, None]
        inner = (slice(None), slice(2, -2), slice(2, -2))  # at the stack's edges there is less to average
        off = (places - told)[inner] / view.scale
        assert np.abs(off).max() < 0.2  # the weights of the averages are rounded
        assert np.abs(np.mean(off, axis=(1, 2))).max() < 0.01
        way = Transform.between(stack, recipe, preview.facts, len(recipe), 0)
        assert view.full_place == pytest.approx(way.place)
        assert view.shape[:2] == way.frame


def test_a_later_frame_leads_back_to_an_earlier_one():
    planes = np.zeros((3, HEIGHT, WIDTH), np.float32)
    recipe = wb.Recipe(RECIPES["all of it"])
    facts = recipe.run(stack_of(planes), progress=False).record.facts
    there, back = (Transform.between(stack_of(planes), recipe, facts, *way) for way in ((1, 3), (3, 1)))
    x, y = np.array([3.0, 70.25]), np.array([9.5, 40.0])
    assert back.points(*there.points(x, y)) == pytest.approx(np.stack([x, y]))
    assert there.size == pytest.approx(0.5)


def test_a_step_that_is_off_moves_nothing_and_unknown_facts_give_no_way():
    planes = np.zeros((3, HEIGHT, WIDTH), np.float32)
    off = wb.Recipe([wb.Step(wb.Crop(top=7), on=False)])
    assert Transform.between(stack_of(planes), off, {}, 0).points(5, 6).tolist() == [5, 6]
    assert Transform.between(stack_of(planes), wb.Recipe([wb.Crop(top=7)]), {}, 0) is None
    turned = wb.Recipe([wb.LevelSky(), wb.Turn(quarter_turns=2)])  # which measures nothing
    assert Transform.between(stack_of(planes), turned, {}, 0).points(5, 6).tolist() == [WIDTH - 6, HEIGHT - 7]


def test_regions_in_every_form_follow_the_frame():
    planes = np.zeros((3, HEIGHT, WIDTH), np.float32)
    recipe = wb.Recipe([wb.Turn(quarter_turns=1), wb.Resample(bin=2)])
    facts = recipe.run(stack_of(planes), progress=False).record.facts
    way = Transform.between(stack_of(planes), recipe, facts, 0)
    box = way.region({"shape": "rectangle", "x0": 10, "y0": 20, "x1": 50, "y1": 90, "feather": 8})
    assert (box["x1"] - box["x0"], box["y1"] - box["y0"], box["feather"]) == pytest.approx((35, 20, 4))
    ellipse = way.region({"shape": "ellipse", "x": 30, "y": 40, "along": 20, "across": 10, "angle_deg": 0})
    assert (ellipse["along"], ellipse["across"]) == pytest.approx((10, 5))
    assert ellipse["angle_deg"] == pytest.approx(90)  # clockwise on the screen, whose y axis points down
    corners = way.region({"shape": "polygon", "points": [[10, 20], [50, 20], [50, 90]]})["points"]
    assert corners[0] == pytest.approx(way.points(10, 20).tolist())

"""Places follow the frame: checked against where the pixels themselves went."""

import numpy as np
import pytest

import workbench as wb
from workbench.bench.overlays import crop_overlay, gradient_overlay, sample_overlay, star_overlay
from workbench.engine.transform import Transform
from workbench.measure.stars import find_stars
from workbench.simulate import simulate

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


def test_what_lies_over_the_picture_lies_on_what_it_marks():
    stack = simulate("lantern_nebula", shape=(400, 600)).stack
    recipe = wb.Recipe([wb.RemoveGradient(), wb.Crop(top=30, right=0, bottom=10, left=50), wb.Turn(quarter_turns=1)])
    result = recipe.run(stack, progress=False)
    facts, shown = result.record.facts, result.image
    marks = np.array(star_overlay(find_stars(stack.planes), Transform.between(stack, recipe, facts, 0)))
    light = shown.pixels.mean(axis=2, dtype=np.float64)
    inside = marks[(marks[:, :2] > 8).all(axis=1) & (marks[:, :2] < np.array(light.shape) - 9).all(axis=1)][:40]
    bright = [light[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2].mean() for y, x, *_ in inside]
    assert len(bright) == 40
    assert min(bright) > np.median(light) + 3 * np.std(light[light < np.median(light)])

    way = Transform.between(stack, recipe, facts, 0)
    samples = np.array(sample_overlay(facts[0], way))
    assert len(samples) == facts[0].cells
    assert (samples[:, 2] == 1).sum() == facts[0].used
    grid = gradient_overlay(recipe[0], facts[0], way)
    rows, columns = np.shape(grid["values"])
    x_down, y_down, x_along, y_along, x, y = grid["at"]
    ends = [
        [x, y],
        [x + (rows - 1) * x_down + (columns - 1) * x_along, y + (rows - 1) * y_down + (columns - 1) * y_along],
    ]
    first, last = way.points([0, 599], [0, 399]).T
    assert ends == pytest.approx(np.array([first, last]), abs=6)

    cut = crop_overlay(facts[1], Transform.between(stack, recipe, facts, 1))
    assert [cut[side] for side in ("top", "right", "bottom", "left")] == [30, 0, 10, 50]
    # After the quarter turn the top is at the right.
    height, width = light.shape
    assert [cut["outline"][k] for k in ("x0", "y0", "x1", "y1")] == pytest.approx(
        [-10.5, -50.5, width + 29.5, height - 0.5]
    )

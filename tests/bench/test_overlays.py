"""What lies over the picture lies on what it marks, wherever later steps have moved the frame."""

import numpy as np
import pytest

import workbench as wb
from workbench.bench.model import Session
from workbench.bench.panels.viewer.overlays import plain_overlay, shown_data, star_overlay
from workbench.engine.transform import Transform
from workbench.measure.stars import find_stars
from workbench.operations.drawing import Contours
from workbench.simulate import simulate
from workbench.stack import Stack


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

    session = Session(recipe)
    session.open(stack, None, recipe)
    on = {"remove_gradient.samples", "remove_gradient.gradient", "crop.crop"}
    told = shown_data(session, facts, lambda start: Transform.between(stack, recipe, facts, start), on, "look")
    cut, samples, model = told
    assert model["kind"] == "contours"
    assert len({line["tenth"] for line in model["lines"]}) == 9
    samples = np.array(samples["points"])
    assert len(samples) == facts[0].cells
    assert (samples[:, 2] == 1).sum() == facts[0].used

    assert "30 rows at the top, 10 at the bottom, 50 columns at the left, 0 at the right" in cut["says"]
    # After the quarter turn the top is at the right.
    height, width = light.shape
    assert [cut["region"][k] for k in ("x0", "y0", "x1", "y1")] == pytest.approx(
        [-10.5, -50.5, width + 29.5, height - 0.5]
    )


def test_lines_of_equal_value_lie_where_the_field_has_it_wherever_later_steps_have_moved_the_frame():
    stack = Stack.from_array(np.zeros((40, 60, 1)))
    recipe = wb.Recipe([wb.Crop(top=0, right=0, bottom=0, left=20), wb.Turn(quarter_turns=1)])
    facts = recipe.run(stack, progress=False).record.facts
    # A slope along x: 0 in the middle of the first column of cells, 1 in that of the last; cells of 10 x 10 pixels.
    told = plain_overlay(
        Contours("glow", np.tile(np.linspace(3, 8, 6), (4, 1)), "glow"), Transform.between(stack, recipe, facts, 0), ""
    )
    assert [line["tenth"] for line in told["lines"]] == [1, 2, 3, 4, 5, 6, 7, 8, 9]
    for line in told["lines"]:
        # Column 4.5 + 50 share, less the 20 cut off; a quarter turn makes rows of columns.
        y, x = np.array(line["points"]).T
        np.testing.assert_allclose(y, 4.5 + 5 * line["tenth"] - 20, atol=0.06)
        np.testing.assert_allclose(sorted(x), [4.5, 14.5, 24.5, 34.5], atol=0.06)

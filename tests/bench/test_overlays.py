"""What lies over the picture lies on what it marks, wherever later steps have moved the frame."""

import numpy as np
import pytest

import workbench as wb
from workbench.bench.model import Session
from workbench.bench.panels.viewer.overlays import shown_data, star_overlay
from workbench.engine.transform import Transform
from workbench.measure.stars import find_stars
from workbench.simulate import simulate


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
    cut, samples, grid = (each for each in told)
    samples = np.array(samples["points"])
    assert len(samples) == facts[0].cells
    assert (samples[:, 2] == 1).sum() == facts[0].used
    rows, columns = np.shape(grid["values"])
    x_down, y_down, x_along, y_along, x, y = grid["at"]
    ends = [
        [x, y],
        [x + (rows - 1) * x_down + (columns - 1) * x_along, y + (rows - 1) * y_down + (columns - 1) * y_along],
    ]
    way = Transform.between(stack, recipe, facts, 0)
    first, last = way.points([0, 599], [0, 399]).T
    assert ends == pytest.approx(np.array([first, last]), abs=6)

    assert "30 rows at the top, 10 at the bottom, 50 columns at the left, 0 at the right" in cut["says"]
    # After the quarter turn the top is at the right.
    height, width = light.shape
    assert [cut["region"][k] for k in ("x0", "y0", "x1", "y1")] == pytest.approx(
        [-10.5, -50.5, width + 29.5, height - 0.5]
    )

"""What the histogram says about the stretch agrees with what the stretch does to pixels."""

import numpy as np
import pytest

import workbench as wb
from workbench.bench.panels.histogram.panel import Histogram, histogram_state, tone_state
from workbench.engine import Recipe
from workbench.operations.base import Frame, Geometry, Rect, Tile
from workbench.operations.color import Saturate
from workbench.operations.frame import Crop
from workbench.operations.stretch import Stretch
from workbench.operations.tone import CurvePoint, ToneCurve


@pytest.fixture
def frame(color_stack):
    return Frame(color_stack.planes)


def message(top=0.4, stretch=0, **more):
    return {"kind": "histogram", "generation": 4, "display": [[1] * 256] * 3} | (
        {"linear": [[2] * 256] * 3, "linear_top": top, "stretch": stretch} | more
    )


def laid(*operations):
    return Recipe(list(operations))


def stretched_grays(operation, facts, values):
    """Display values that the operation gives to pixels of the sky's color at these luminances above its black."""
    black = np.float32(facts.black)
    weights = np.float32([0.2126, 0.7152, 0.0722])
    planes = np.float32(values)[None, None, :] + (black - weights @ black)[:, None, None]
    _, h, w = planes.shape
    tile = Tile(np.ascontiguousarray(planes, np.float32), Rect(0, 0, h, w), 0, Geometry(h, w, 3))
    out = np.empty_like(tile.pixels)
    operation.apply(tile, operation.prepare(facts, tile.geometry), out)
    return out.mean(axis=0, dtype=np.float64)[0]


@pytest.mark.parametrize("curve", ["asinh", "logarithm", "power", "bias"])
def test_the_drawn_curve_is_what_gray_pixels_get(frame, curve):
    operation = Stretch(curve=curve)
    facts = operation.measure(frame)
    state = histogram_state(message(), laid(operation), {0: facts})
    points = np.array(state["curve"])
    assert points.shape == (64, 2)
    assert (np.diff(points[:, 0]) >= 0).all()
    assert (np.diff(points[:, 1]) >= 0).all()
    # Points are rounded to five digits; below a quarter of the sky's height the color factor is held, so start there.
    above = points[points[:, 0] > facts.sky[1]]
    np.testing.assert_allclose(above[:, 1], stretched_grays(operation, facts, above[:, 0]), atol=2e-3)


def test_black_lies_where_pixels_turn_black(frame):
    operation = Stretch()
    facts = operation.measure(frame)
    black = histogram_state(message(), laid(operation), {0: facts})["line_at"]
    shown = stretched_grays(operation, facts, [black - 1e-3, black, black + 1e-3])
    assert shown[0] == pytest.approx(0, abs=1e-6)
    assert shown[1] == pytest.approx(0, abs=1e-3)
    assert shown[2] > 0.001


def test_dragging_the_line_to_a_place_sets_black_there(frame):
    # Far enough below the sky that neither cut pixels nor bright areas hold black back.
    before = Stretch(black=60.0, bright=1.0)
    state = histogram_state(message(), laid(before), {0: before.measure(frame)})
    wanted = state["line_at"] - 0.01
    value = (wanted - state["line_zero"]) / state["line_per_unit"]
    assert value > 60
    after = Stretch(black=value, bright=1.0)
    moved = histogram_state(message(), laid(after), {0: after.measure(frame)})
    assert moved["line_at"] == pytest.approx(wanted, abs=1e-6)


def test_the_setting_behind_the_line_comes_from_its_declaration():
    state = histogram_state(message(stretch=1), laid(Crop(), Stretch(black=7.5), Saturate()), {})
    assert state["line"] == {
        "index": 1,
        "name": "black",
        "words": "below the sky",
        "value": 7.5,
        "min": 0.5,
        "max": 100,
        "unit": "noise units",
    }
    assert (state["line_label"], state["line_aria"]) == ("black", "Black point")
    assert state["line_at"] is state["curve"] is state["line_per_unit"] is None


def test_without_a_stretch_of_the_recipe_there_is_no_black_point(frame):
    facts = {0: Stretch().measure(frame)}
    for recipe, told in ((laid(Crop()), message(stretch=None)), (laid(Stretch()), message(stretch=None))):
        state = histogram_state(told, recipe, facts)
        assert state["line"] is state["line_at"] is state["curve"] is None
        assert state["linear"] is not None


def test_a_view_without_a_linear_frame_has_display_counts_only():
    told = {"generation": 1, "display": [[3] * 256]}
    state = histogram_state(told, laid(Stretch()), {})
    assert state["display"] == [[3] * 256]
    assert state["linear"] is state["line"] is None


def test_a_stretch_with_frozen_facts_shows_its_black_point_but_offers_no_handle(frame):
    operation = Stretch()
    facts = operation.measure(frame)
    state = histogram_state(message(), laid(operation), {0: facts}, frozen={0: facts})
    assert state["line"] is None
    assert state["line_at"] is not None


def test_the_panel_starts_empty_and_without_a_kernel(context):
    panel = Histogram(context())
    assert panel.state["display"] == []
    assert " as default" in Histogram._esm


def test_the_curve_of_a_step_is_drawn_with_its_points():
    operation = ToneCurve(points=(CurvePoint(x=0.2, y=0.1), CurvePoint(x=0.6, y=0.8)))
    state = tone_state(operation, 3)
    assert (state["index"], state["name"], state["item"], state["most"]) == (3, "points", "point", 16)
    assert state["points"] == [[0.2, 0.1], [0.6, 0.8]]
    x, y = np.array(state["curve"]).T
    assert (np.diff(y) >= 0).all()
    np.testing.assert_allclose(np.interp([0.2, 0.6], x, y), [0.1, 0.8], atol=2e-3)
    assert tone_state(Stretch(), 0) is None


def test_on_the_bench_the_curve_stands_over_the_counts_of_the_picture_before_it(color_stack):
    bench = wb.Bench(color_stack, wb.Recipe([wb.Stretch()]))
    try:
        place = bench.add("tone_curve", points=[{"x": 0.3, "y": 0.6}])
        assert bench.wait()
        told = bench.screen.panels["histogram"].state["tone"]
        assert told["index"] == place == 1
        before = told["counts"]
        assert np.sum(before) == np.sum(bench.screen.panels["histogram"].state["display"])
        assert np.argmax(before[1]) < np.argmax(bench.screen.panels["histogram"].state["display"][1])
        bench.set(place, points=[{"x": 0.3, "y": 0.5}])
        assert bench.wait()
        told = bench.screen.panels["histogram"].state["tone"]
        assert told["points"] == [[0.3, 0.5]]
        assert told["counts"] == before
        bench.select(0)
        assert bench.screen.panels["histogram"].state["tone"] is None
    finally:
        bench.close()

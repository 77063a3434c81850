"""A plot says what it shows: round ticks, ratios as ratios, slope and scatter, and what each point is."""

import numpy as np
import pytest

from workbench.operations.scatter_plot import ScatterPlot


def plot(x, y, **changes):
    x, y = np.array(x, float), np.array(y, float)
    settings = {"used": np.ones(len(x), bool), "line": (0.0, 1.0), "scatter": 0.02} | changes
    return ScatterPlot("one", title="One", across="expected", up="measured", x=x, y=y, **settings)


@pytest.mark.parametrize(("low", "high"), [(0, 1), (-3.2, 7.9), (1e-5, 4e-5), (1000, 1001.5)])
def test_ticks_are_round_and_inside(low, high):
    across, _ = plot([low, high], [low, high]).axes
    values = np.array([value for value, _ in across.ticks])
    assert 4 <= len(values) <= 14
    assert across.low <= values.min()
    assert values.max() <= across.high
    assert [float(text) for _, text in across.ticks] == pytest.approx(values.tolist(), rel=1e-5, abs=1e-12)
    step = np.diff(values)
    assert step == pytest.approx(step[0])
    assert round(step[0] / 10 ** np.floor(np.log10(step[0]) + 1e-9)) in (1, 2, 5)


@pytest.mark.parametrize(("low", "high"), [(0.4, 2.5), (0.01, 90.0), (0.97, 1.04), (0.2, 0.3)])
def test_ratios_stand_where_their_logarithms_are(low, high):
    across, _ = plot(np.log([low, high]), np.log([low, high]), ratios=True).axes
    assert len(across.ticks) >= 4
    for value, text in across.ticks:
        assert value == pytest.approx(np.log(float(text)), abs=1e-9)
        assert across.low <= value <= across.high


def test_what_was_left_out_does_not_stretch_the_axes_and_the_place_of_importance_does():
    made = plot([0, 1, 9], [0, 1, -40], used=np.array([True, True, False]), mark=3.0)
    across, up = made.axes
    assert 3 < across.high < 4
    assert up.low > -1
    assert "1 left out" in made.says


def test_points_and_line_are_told_in_words():
    made = plot(np.log([1.0, 2.0]), np.log([0.5, 1.1]), line=(np.log(0.5), 1.0), ratios=True, scatter=0.03)
    assert made.says == "slope 1.00, scatter 3.0 %; 2 points"
    assert made.words(0) == "measured 0.5, 0.0 % below the line"
    assert made.words(1) == "measured 1.1, 10.0 % above the line"
    left = plot([0, 1], [0, 3.0], used=np.array([True, False]))
    assert left.words(1) == "measured 3, 2 above the line (left out)"
    assert left.height(np.array([0.25])) == pytest.approx([0.25])


def test_a_plot_without_spread_or_points_still_has_axes():
    for made in (plot([0.2], [0.3]), plot([], []), plot([0.2], [0.3], used=np.array([False]), ratios=True)):
        for axis in made.axes:
            assert axis.high > axis.low
            assert all(axis.low <= value <= axis.high for value, _ in axis.ticks)

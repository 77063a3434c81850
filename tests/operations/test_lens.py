"""What lens steps compute: channels read anew against a plain twin and scipy, their plan in a reduced view."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from workbench.measure.lateral_color import TERMS, shift_terms, unit_places
from workbench.operations._lens.moving import motion_of, move, move_numpy
from workbench.operations._resize import LOBES
from workbench.operations.base import Geometry
from workbench.operations.lens import AlignChannels, AlignChannelsFacts

SHAPE = (70, 90)


@pytest.fixture(scope="module")
def coefficients():
    """A pixel or so, changing by a hundredth of a pixel from row to row."""
    return np.array([0.4, -0.7, 0.3, 0.1, -0.2, 0.5, 0.4, 0.1, -0.1, -0.2, 0.05, -0.08])


def moved(plane, coefficients):
    motion, out = motion_of(coefficients, plane.shape), np.empty_like(plane)
    move(np.pad(plane, motion.reach, mode="reflect"), 0, 0, motion, out)
    return out


def test_the_kernel_computes_what_its_twin_says(coefficients):
    plane = np.random.default_rng(0).normal(0.1, 0.01, SHAPE).astype(np.float32)
    # The kernel's weights come from a table: thousandths of a pixel.
    np.testing.assert_allclose(moved(plane, coefficients), move_numpy(plane, coefficients), atol=6e-5)


def test_smooth_light_is_read_where_the_terms_say(coefficients):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    plane = (0.1 + 0.02 * np.sin(x / 5) * np.cos(y / 6)).astype(np.float32)
    dx, dy = shift_terms(*unit_places(x, y, SHAPE)) @ coefficients
    # scipy's spline of fifth order, far from the edges.
    wanted = map_coordinates(plane.astype(float), [y + dy, x + dx], order=5)
    inner = np.s_[8:-8, 8:-8]
    np.testing.assert_allclose(moved(plane, coefficients)[inner], wanted[inner], atol=1.5e-4)


def test_a_constant_stays_and_nothing_becomes_darker_than_what_is_around():
    plane = np.full(SHAPE, 0.2, np.float32)
    plane[30, 40] = 1.0
    half = np.zeros(TERMS)
    half[:2] = 0.5
    out = moved(plane, half)
    assert out.min() == pytest.approx(0.2, abs=1e-6)
    np.testing.assert_allclose(moved(np.full(SHAPE, 0.2, np.float32), half), 0.2, rtol=1e-6)


def test_a_reduced_view_moves_by_as_much_less():
    found = np.zeros((3, TERMS))
    found[0, 0] = 6.0
    numbers = {name: [0.0, 0.0, 0.0] for name in ("corner", "center", "error", "residual")}
    facts = AlignChannelsFacts(coefficients=found, stars=[9, 9, 9], shape=(400, 600), **numbers)
    assert AlignChannels().reach(facts, Geometry(400, 600, 3)) == 6 + LOBES + 1
    assert AlignChannels().reach(facts, Geometry(100, 150, 3, scale=4.0)) == 2 + LOBES + 1

"""Gradient removal over real photographs, beside the simple robust polynomial of degree 5."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from independent.light import glow_left

from real.photographs import PHOTOGRAPHS, Glowing, glowing
from workbench.operations.base import Frame, Geometry
from workbench.operations.gradient import RemoveGradient, RemoveGradientFacts, model_planes

HEIGHTS = {"plane": 0.15, "two_domes": 0.4, "corner": 0.4}


@cache
def fitted(name: str, kind: str, seed: int = 7) -> tuple[Glowing, float, RemoveGradientFacts]:
    """The stack, the surface's error (RMS without its mean, share of the glow's height, worst channel), the facts."""
    made = glowing(name, kind, HEIGHTS[kind], seed)
    facts = RemoveGradient().measure(Frame(made.planes))
    return made, left(model_planes(facts, geometry(made)), made), facts


def geometry(made: Glowing) -> Geometry:
    height, width, channels = made.pixels.shape
    return Geometry(height, width, channels)


def left(model: np.ndarray, made: Glowing) -> float:
    return glow_left(model, np.moveaxis(made.sky, 2, 0))


def simple(made: Glowing) -> np.ndarray:
    """What the operation finds when it is asked for a surface of degree 5: settled, without a prior."""
    facts = RemoveGradient(degree=5).measure(Frame(made.planes))
    return model_planes(facts, geometry(made))


@pytest.mark.parametrize("kind", HEIGHTS)
@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_less_is_left_than_by_a_surface_of_degree_5(name, kind):
    made, error, _ = fitted(name, kind)
    assert error < max(left(simple(made), made), 0.005)


@pytest.mark.parametrize("kind", HEIGHTS)
def test_a_dark_nebula_without_bare_sky_leaves_a_tenth_at_most_and_is_told_unsure(kind):
    _, error, facts = fitted("ldn1622", kind)
    assert error < 0.10
    assert facts.uncertainty > 0.10
    assert any("How much the sky differs over the frame" in doubt for doubt in facts.doubts)


def test_what_is_said_of_the_error_holds_for_most():
    within = [fitted(name, kind)[1] <= fitted(name, kind)[2].uncertainty for name in PHOTOGRAPHS for kind in HEIGHTS]
    assert np.mean(within) >= 0.68


# --- glow in a corner of the sensor


@pytest.mark.parametrize("name", ["n253", "n5128", "m31", "ic2177"])
def test_the_glow_of_an_amplifier_is_taken_off_to_a_hundredth(name):
    made, error, facts = fitted(name, "corner")
    assert error < 0.01
    (corner,) = facts.surface.corners
    row, column = np.unravel_index(made.sky[..., 1].argmax(), made.sky.shape[:2])
    assert corner.named == f"{'top' if row == 0 else 'bottom'} {'left' if column == 0 else 'right'}"
    assert f"an amplifier's glow in the {corner.named} corner" in RemoveGradient().explain(facts)


@pytest.mark.parametrize("kind", ["plane", "two_domes"])
@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_no_corner_glows_where_lamps_and_objects_are(name, kind):
    assert fitted(name, kind)[2].surface.corners == ()


def test_a_galaxy_in_the_corner_is_no_glow():
    made, _, _ = fitted("m31", "plane")
    quarter = np.ascontiguousarray(made.planes[:, 230:, 235:])  # its core in the top left corner
    facts = RemoveGradient().measure(Frame(quarter))
    assert facts.surface.corners == ()


def test_a_degree_that_was_asked_for_is_all_that_is_fitted():
    made, _, _ = fitted("n253", "corner")
    assert RemoveGradient(degree=3).measure(Frame(made.planes)).surface.corners == ()
    assert RemoveGradient(mode="divide").measure(Frame(made.planes)).surface.corners == ()

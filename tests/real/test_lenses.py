"""Galaxies, clusters and nebulae that fill real frames are neither falloff of a lens nor lateral color."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

import workbench as wb
from real.frames import FILES, FINISHED, taken


def frame_of(stack):
    return wb.Frame(np.ascontiguousarray(stack.planes), coverage=stack.coverage)


@pytest.mark.parametrize("name", FILES)
def test_light_of_objects_is_not_taken_for_falloff(name):
    assert wb.CorrectFalloff().measure(frame_of(taken(name))).taken == 0


def apart(one, other):
    """By how much one plane lies beside the other (Lucas & Kanade 1981, IJCAI 81, 674), px."""
    down, across = np.gradient(other)
    terms = np.stack([other.ravel(), across.ravel(), down.ravel()], axis=1)
    share, x, y = np.linalg.lstsq(terms, one.ravel())[0]
    return np.hypot(x, y) / share


@pytest.mark.parametrize("name", FINISHED)
def test_colors_of_objects_that_lie_together_are_left_there(name):
    # Galaxies of the deep field lie 0.15 px apart in red and green, each its own way.
    stack = taken(name)
    light = [gaussian_filter(p, 1) - gaussian_filter(p, 4) for p in np.sqrt(np.maximum(stack.planes.astype(float), 0))]
    y, x = (n // 2 for n in stack.shape[:2])
    for quarter in (np.s_[:y, :x], np.s_[:y, x:], np.s_[y:, :x], np.s_[y:, x:]):
        assert max(apart(light[c][quarter], light[1][quarter]) for c in (0, 2)) < 0.1
    assert not wb.AlignChannels().measure(frame_of(stack)).coefficients.any()


@pytest.mark.parametrize("name", FINISHED)
def test_light_around_stars_of_real_objects_is_not_taken_for_a_lens_halo(name):
    assert not wb.RemoveFringe().measure(frame_of(taken(name))).profile.any()

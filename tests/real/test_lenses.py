"""Galaxies, clusters and nebulae that fill real frames are no falloff of a lens."""

import numpy as np
import pytest

import workbench as wb
from real.frames import FILES, taken


@pytest.mark.parametrize("name", FILES)
def test_light_of_objects_is_not_taken_for_falloff(name):
    stack = taken(name)
    frame = wb.Frame(np.ascontiguousarray(np.moveaxis(stack.pixels, 2, 0)), coverage=stack.coverage)
    assert wb.CorrectFalloff().measure(frame).taken == 0

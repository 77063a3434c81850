"""Stacks in which nothing can be measured: a sentence in place of a recipe, and nothing falls over."""

import numpy as np
import pytest

import workbench as wb
from workbench.errors import WorkbenchError


@pytest.mark.parametrize("shape", [(1, 4000, 3), (4000, 1, 1), (5, 900, 3), (31, 31, 1)])
def test_a_stack_of_a_few_rows_gets_a_sentence(shape, rng):
    stack = wb.Stack.from_array(rng.normal(0.1, 0.01, shape).astype(np.float32))
    with pytest.raises(WorkbenchError, match="too small to measure"):
        wb.suggest(stack)
    assert wb.check(stack).advice[0].about == "Too small"


@pytest.mark.parametrize("value", [0.0, 0.1, 1.0])
def test_a_constant_stack_gets_a_sentence(value):
    stack = wb.Stack.from_array(np.full((200, 300, 3), value, np.float32))
    with pytest.raises(WorkbenchError, match="shows nothing"):
        wb.suggest(stack)
    assert wb.check(stack).advice[0].about == "Nothing in it"

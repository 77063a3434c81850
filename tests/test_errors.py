"""An error keeps which step it is about, beside its sentence."""

import pickle

import numpy as np
import pytest

import workbench as wb
from workbench.errors import Cancelled, WorkbenchError
from workbench.operations.gradient import RemoveGradient
from workbench.operations.stretch import Stretch


def test_an_error_of_a_step_carries_its_place_and_the_sentence_without_it():
    error = Cancelled("stopped").at_step(2, "crop")
    assert isinstance(error, Cancelled)
    assert (str(error), error.step, error.reason) == ("step 3 (crop): stopped", 2, "stopped")
    again = pickle.loads(pickle.dumps(error))
    assert (str(again), again.step, again.reason) == (str(error), 2, "stopped")


def test_what_a_run_refuses_names_its_step():
    stack = wb.Stack.from_array(np.random.default_rng(1).normal(0.1, 0.01, (64, 64, 3)).astype(np.float32))
    outside = RemoveGradient(samples=[{"x": 900, "y": 9}])
    with pytest.raises(WorkbenchError, match=r"^step 2 \(remove_gradient\): ") as refused:
        wb.Recipe([wb.LevelSky(), outside]).run(stack)
    assert refused.value.step == 1
    assert str(refused.value) == f"step 2 (remove_gradient): {refused.value.reason}"
    with pytest.raises(WorkbenchError) as misplaced:
        wb.Recipe([Stretch(), Stretch()]).run(stack)
    assert misplaced.value.step == 1

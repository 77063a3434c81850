"""Packed numbers come back to within half a step, and go through JSON."""

import json

import numpy as np
import pytest

from workbench.operations.packed import pack, unpack


@pytest.mark.parametrize("shape", [(0,), (7,), (5, 3), (4, 3, 6)])
def test_values_come_back_within_half_a_step(rng, shape):
    values = rng.normal(0, 100, shape)
    again = unpack(json.loads(json.dumps(pack(values, 0.01))))
    assert again.shape == shape
    np.testing.assert_allclose(again, values, rtol=0, atol=0.005 + 1e-9)


def test_packing_twice_changes_nothing(rng):
    once = unpack(pack(rng.normal(0, 1, 50), 2.0**-10))
    np.testing.assert_array_equal(unpack(pack(once, 2.0**-10)), once)


def test_damaged_data_is_an_error():
    with pytest.raises(ValueError):
        unpack({"shape": [3], "step": 1.0, "int32": "!!"})

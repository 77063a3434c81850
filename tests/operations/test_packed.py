"""Packed numbers come back to within half a step, and go through JSON."""

import numpy as np
import pytest
from pydantic import ValidationError

from workbench.operations.packed import Packed


@pytest.mark.parametrize("shape", [(0,), (7,), (5, 3), (4, 3, 6)])
def test_values_come_back_within_half_a_step(rng, shape):
    values = rng.normal(0, 100, shape)
    again = Packed.model_validate_json(Packed.of(values, 0.01).model_dump_json()).values
    assert again.shape == shape
    np.testing.assert_allclose(again, values, rtol=0, atol=0.005 + 1e-9)


def test_packing_twice_changes_nothing(rng):
    once = Packed.of(rng.normal(0, 1, 50), 2.0**-10)
    assert Packed.of(once.values, 2.0**-10) == once
    np.testing.assert_array_equal(Packed.of(once.values, 2.0**-10).values, once.values)


@pytest.mark.parametrize(
    ("entry", "junk"),
    [("base64", "!!"), ("base64", "AAAA"), ("shape", [-3]), ("shape", [2**40]), ("dtype", "<i8"), ("dtype", None)],
)
def test_damaged_data_is_an_error(entry, junk):
    data = Packed.of(np.arange(3.0), 1.0).model_dump(mode="json")
    data["counts"][entry] = junk
    with pytest.raises(ValidationError, match="counts"):
        Packed.model_validate(data)

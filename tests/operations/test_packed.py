"""Packed numbers come back as fine as 32 bits allow, and go through JSON."""

import numpy as np
import pytest
from pydantic import ValidationError

from workbench.operations.packed import Packed


@pytest.mark.parametrize("shape", [(0,), (7,), (5, 3), (4, 3, 6)])
@pytest.mark.parametrize("size", [1e-12, 1.0, 7e4, 1e20])
def test_values_come_back_to_a_billionth_of_the_largest(rng, shape, size):
    values = rng.normal(0, size, shape)
    packed = Packed.of(values)
    again = Packed.model_validate_json(packed.model_dump_json()).values
    assert again.shape == shape
    np.testing.assert_array_equal(again, packed.values)
    np.testing.assert_allclose(again, values, rtol=0, atol=1e-9 * np.abs(values).max(initial=0))


@pytest.mark.parametrize(
    "values", [[0.0, 0.0], [2.0**31, -(2.0**31)], [2.0**31 - 0.3], [1e300, -1.0], [1e-300], [-1.0]]
)
def test_no_number_is_too_large_or_too_small_to_be_packed(values):
    again = Packed.of(np.array(values)).values
    np.testing.assert_allclose(
        again, np.clip(values, -1e25, 1e25), rtol=0, atol=1e-9 * min(max(map(abs, values)), 1e25) + 1e-34
    )


def test_packing_twice_changes_nothing(rng):
    once = Packed.of(rng.normal(0, 1, 50))
    assert Packed.of(once.values) == once
    np.testing.assert_array_equal(Packed.of(once.values).values, once.values)


@pytest.mark.parametrize(
    ("entry", "junk"),
    [("base64", "!!"), ("base64", "AAAA"), ("shape", [-3]), ("shape", [2**40]), ("dtype", "<i8"), ("dtype", None)],
)
def test_damaged_data_is_an_error(entry, junk):
    data = Packed.of(np.arange(3.0)).model_dump(mode="json")
    data["counts"][entry] = junk
    with pytest.raises(ValidationError, match="counts"):
        Packed.model_validate(data)

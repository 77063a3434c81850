"""What a stack is made of, and what it refuses."""

import numpy as np
import pytest

import workbench as wb
from workbench.errors import WorkbenchError

FRAME = np.linspace(0, 1, 4 * 5 * 3, dtype=np.float32).reshape(4, 5, 3)


@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.uint16, np.int32, bool])
@pytest.mark.parametrize("shape", [(4, 5), (4, 5, 1), (4, 5, 3)])
def test_an_array_of_real_numbers_becomes_a_stack_with_its_values(dtype, shape):
    array = (np.arange(np.prod(shape)) % 2).astype(dtype).reshape(shape)
    stack = wb.Stack.from_array(array)
    assert stack.pixels.dtype == np.float32
    assert stack.shape == (4, 5, shape[2] if len(shape) > 2 else 1)
    np.testing.assert_array_equal(stack.pixels.ravel(), array.ravel())
    assert stack.coverage is None


def test_a_contiguous_float32_array_is_not_copied():
    assert np.shares_memory(wb.Stack.from_array(FRAME).pixels, FRAME)


def test_samples_without_a_value_are_not_covered():
    array, covered = FRAME.copy(), np.full((4, 5), 200, np.uint8)
    array[1, 2, 0], array[3, 4, 1] = np.nan, np.inf
    stack = wb.Stack.from_array(array, coverage=covered)
    assert np.isfinite(stack.pixels).all()
    assert np.argwhere(stack.coverage == 0).tolist() == [[1, 2], [3, 4]]
    assert set(np.unique(stack.coverage)) == {0, 200}
    assert stack.source.invalid == 2
    assert np.isnan(array[1, 2, 0]), "the array given was changed"


@pytest.mark.parametrize(
    ("array", "told"),
    [
        (np.zeros((4, 5, 2)), "1 or 3"),
        (np.zeros(7), "1 or 3"),
        (np.zeros((0, 5, 3)), "at least one pixel"),
        (np.zeros((4, 5), complex), "real numbers"),
        (np.full((4, 5), "a"), "real numbers"),
    ],
)
def test_other_arrays_are_refused(array, told):
    with pytest.raises(WorkbenchError, match=told):
        wb.Stack.from_array(array)


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"coverage": np.zeros((4, 4), np.uint8)}, "coverage is"),
        ({"coverage": np.zeros((4, 5))}, "coverage is uint8"),
    ],
)
def test_what_does_not_fit_the_pixels_is_refused(fields, told):
    with pytest.raises(WorkbenchError, match=told):
        wb.Stack(FRAME, **fields)
    with pytest.raises(WorkbenchError, match="float32"):
        wb.Stack(FRAME.astype(np.float64))


def test_planes_are_a_view_and_other_pixels_keep_the_rest():
    stack = wb.Stack(FRAME, acquisition=wb.Acquisition(iso=800))
    assert np.shares_memory(stack.planes, FRAME)
    assert stack.planes.shape == (3, 4, 5)
    other = stack.with_pixels(FRAME + 1, tone=wb.Tone.DISPLAY)
    assert (other.acquisition, other.tone) == (stack.acquisition, "display")


@pytest.mark.parametrize("name", ["a.tif", "a.fits"])
def test_a_saved_stack_is_read_back_as_it_was(tmp_path, name):
    covered = np.full((4, 5), 255, np.uint8)
    covered[0] = 0
    stack = wb.Stack(FRAME, acquisition=wb.Acquisition(iso=800, frames=9), coverage=covered)
    stack.save(tmp_path / name)
    again = wb.read(tmp_path / name)
    np.testing.assert_array_equal(again.pixels, stack.pixels)
    np.testing.assert_array_equal(again.coverage, covered)
    assert (again.tone, again.acquisition) == (stack.tone, stack.acquisition)

"""The white rule, and samples without a value."""

import numpy as np
import pytest
import tifffile

from workbench import io
from workbench.errors import WorkbenchError


def stack(tmp_path, data, **options):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, data, photometric="rgb" if data.ndim == 3 else "minisblack")
    return io.decode(path, **options)


@pytest.mark.parametrize(
    ("brightest", "white"),
    [(0.3, 1), (1.0, 1), (3.9, 1), (100, 255), (300, 255), (4095, 4095), (5000, 4095), (9000, 16383), (16383, 16383),
     (60000, 65535), (80000, 65535), (200000, 200000)],
)  # fmt: skip
def test_floats_are_white_at_the_first_usual_level_they_keep_to(tmp_path, rng, brightest, white):
    data = rng.uniform(0, brightest, (64, 64)).astype(np.float32)
    data[5, 5] = brightest
    got = stack(tmp_path, data)
    assert got.source.white_level == white
    assert f"{white:g} is white" in got.source.white_rule
    np.testing.assert_array_equal(got.pixels[:, :, 0], data / np.float32(white))


def test_a_few_wild_samples_do_not_change_the_level(tmp_path, rng):
    data = rng.uniform(0, 1, (500, 500)).astype(np.float32)
    data[7, 7] = 3e6
    assert stack(tmp_path, data).source.white_level == 1


def test_the_caller_wins(tmp_path, rng):
    data = rng.uniform(0, 1, (64, 64)).astype(np.float32)
    got = stack(tmp_path, data, white_level=0.5)
    assert got.source.white_level == 0.5
    np.testing.assert_array_equal(got.pixels[:, :, 0], data * 2)
    for bad in (0, -1, float("nan"), float("inf")):
        with pytest.raises(WorkbenchError, match="white_level"):
            stack(tmp_path, data, white_level=bad)


def test_negative_values_are_kept(tmp_path):
    data = np.linspace(-1, 1, 64, dtype=np.float32).reshape(8, 8)
    np.testing.assert_array_equal(stack(tmp_path, data).pixels[:, :, 0], data)


def test_samples_without_a_value_are_counted_uncovered_and_filled_with_the_median(tmp_path, rng):
    data = rng.uniform(0, 1, (40, 50, 3)).astype(np.float32)
    data[3, 4, 0], data[5, 6, 1], data[5, 6, 2], data[7, 8] = np.nan, np.inf, -np.inf, np.nan
    got = stack(tmp_path, data)
    assert got.source.invalid == 6
    assert got.coverage[3, 4] == got.coverage[5, 6] == got.coverage[7, 8] == 0
    assert (got.coverage == 255).sum() == 40 * 50 - 3
    assert any("6 samples" in remark for remark in got.source.remarks)
    covered = got.coverage > 0
    for channel in range(3):
        median = np.median(data[covered][:, channel])
        assert got.pixels[7, 8, channel] == pytest.approx(median, abs=1e-6)
    np.testing.assert_array_equal(got.pixels[covered], data[covered])
    assert got.pixels[3, 4, 1] == data[3, 4, 1]


def test_values_beyond_float32_have_no_value(tmp_path):
    data = np.full((8, 9), 0.25)
    data[2, 3] = 1e300
    got = stack(tmp_path, data)
    assert got.source.invalid == 1
    assert got.pixels[2, 3, 0] == 0.25


def test_a_frame_without_any_value_is_refused(tmp_path):
    with pytest.raises(WorkbenchError, match="holds no image"):
        stack(tmp_path, np.full((8, 9), np.nan, np.float32))


@pytest.mark.parametrize("shape", [(1, 1), (1, 30), (30, 1), (1, 1, 3), (1, 30, 3)])
@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_the_smallest_frames_are_frames(tmp_path, shape, dtype):
    data = np.full(shape, 1, dtype)
    got = stack(tmp_path, data)
    assert got.pixels.shape[:2] == shape[:2]
    assert any("same value" in remark for remark in got.source.remarks)

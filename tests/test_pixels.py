import numpy as np
import pytest

from workbench.pixels import (
    deinterleave,
    interleave,
    quantise8,
    quantise8_planes,
    quantise16,
)

CASES = {16: (quantise16, np.uint16, 65535), 8: (quantise8, np.uint8, 255)}


def frame(shape, seed=5):
    return np.random.default_rng(seed).uniform(-0.2, 1.2, shape).astype(np.float32)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("view", [False, True])
def test_layouts_convert_both_ways_without_change(channels, view):
    big = frame((41, 67, channels))
    src = big[3:38, 5:60] if view else big
    h, w = src.shape[:2]
    planes = np.empty((channels, h + 4, w + 4), np.float32)
    planes = planes[:, 2:-2, 2:-2] if view else np.empty((channels, h, w), np.float32)
    deinterleave(src, planes)
    assert np.array_equal(planes, np.moveaxis(src, 2, 0))
    back = np.zeros_like(big)
    target = back[3:38, 5:60] if view else back
    interleave(planes, target)
    assert np.array_equal(target, src)


def test_writing_to_a_view_leaves_the_rest_alone():
    back = np.full((20, 30, 3), 7, np.float32)
    interleave(frame((3, 5, 6)), back[4:9, 10:16])
    back[4:9, 10:16] = 7
    assert np.all(back == 7)


def test_a_reversed_or_thinned_view_is_read_as_numpy_reads_it():
    big = frame((20, 30, 3))
    for src in (big[::-1, ::-1], big[::2, ::3], big[:, :, ::-1]):
        planes = np.empty((3, *src.shape[:2]), np.float32)
        deinterleave(src, planes)
        assert np.array_equal(planes, np.moveaxis(src, 2, 0))
        codes = np.empty(src.shape, np.uint16)
        quantise16(src, codes)
        again = np.empty(src.shape, np.uint16)
        quantise16(np.ascontiguousarray(src), again)
        assert np.array_equal(codes, again)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("channels", [1, 3])
def test_quantising_is_rounding_to_the_nearest_code_with_clipping(bits, channels):
    kernel, dtype, top = CASES[bits]
    src = frame((33, 45, channels))
    want = np.floor(np.clip(src.astype(np.float64), 0, 1) * top + 0.5)
    out = np.empty(src.shape, dtype)
    kernel(src, out)
    # float32 arithmetic may fall on the other side of a tie that float64 sees, never further
    assert np.abs(out - want).max() <= 1
    assert np.mean(out != want) < 0.01
    if bits == 8:
        planar = np.empty_like(out)
        quantise8_planes(np.ascontiguousarray(np.moveaxis(src, 2, 0)), planar)
        assert np.array_equal(planar, out)


@pytest.mark.parametrize("bits", [8, 16])
def test_every_code_survives_the_way_through_float(bits):
    kernel, dtype, top = CASES[bits]
    codes = np.arange(top + 1, dtype=dtype).reshape(1, -1, 1)
    out = np.empty_like(codes)
    kernel((codes / top).astype(np.float32), out)
    assert np.array_equal(out, codes)


def test_halves_go_upward_and_what_is_no_number_is_black():
    src = np.array([0.5, np.nan, np.inf, -np.inf, -0.0, 1.0], np.float32).reshape(1, 6, 1)
    out = np.empty((1, 6, 1), np.uint8)
    quantise8(src, out)
    assert out.ravel().tolist() == [128, 0, 255, 0, 0, 255]


@pytest.mark.parametrize("shape", [(1, 1, 1), (1, 1, 3), (0, 4, 3), (1, 9, 3), (9, 1, 3)])
def test_thin_and_empty_blocks_work(shape):
    src = frame(shape)
    planes = np.empty((shape[2], *shape[:2]), np.float32)
    deinterleave(src, planes)
    codes = np.empty(shape, np.uint8)
    quantise8_planes(planes, codes)
    assert codes.shape == shape

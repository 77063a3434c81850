"""The parallel PNG writer: its compiled parts against their plain twins, the whole against other decoders."""

import io as streams
import zlib

import cv2
import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from workbench.io import deflate
from workbench.io.formats import png
from workbench.io.formats.base import WriteRequest

SOME_BYTES = hnp.arrays(np.uint8, st.integers(1, 3000), elements=st.integers(0, 255), fill=st.integers(0, 255))


def inflate(data):
    unpacker = zlib.decompressobj(-15)
    out = unpacker.decompress(data + deflate.BLOCK_END)
    assert unpacker.eof
    return out


@settings(max_examples=60, deadline=None)
@given(parts=st.lists(SOME_BYTES, min_size=1, max_size=4))
def test_parts_packed_apart_inflate_as_one(parts):
    assert inflate(b"".join(deflate.packed(part) for part in parts)) == b"".join(part.tobytes() for part in parts)


@pytest.mark.parametrize("size", [1, 2, 1 << 17, (1 << 17) + 1, 400_001])
@pytest.mark.parametrize("spread", [0, 1, 3, 40])
def test_blocks_of_every_size_and_spread_inflate(rng, size, spread):
    data = rng.normal(128, spread, size).clip(0, 255).astype(np.uint8)
    assert inflate(deflate.packed(data)) == data.tobytes()
    assert inflate(deflate.packed_by_codes(data)) == data.tobytes()


def test_codes_stay_within_fifteen_bits_and_are_complete():
    # Fibonacci counts make the deepest Huffman tree.
    counts = np.zeros(257, np.int64)
    a, b = 1, 1
    for i in range(40):
        counts[i] = a
        a, b = b, a + b
    counts[256] = 1
    lengths = deflate.code_lengths(counts)
    assert lengths.max() <= 15
    used = lengths[lengths > 0]
    assert used.size == 41
    assert (2.0**-used).sum() == 1  # Kraft's equality


def test_code_lengths_are_as_short_as_huffman_allows(rng):
    import heapq

    counts = rng.integers(1, 10_000, 257).astype(np.int64)
    heap = [(int(count), i) for i, count in enumerate(counts)]
    heapq.heapify(heap)
    total = 0
    while len(heap) > 1:  # Huffman 1952: the cost is the sum of all joints
        (a, _), (b, i) = heapq.heappop(heap), heapq.heappop(heap)
        total += a + b
        heapq.heappush(heap, (a + b, i))
    assert int((deflate.code_lengths(counts) * counts).sum()) == total


def test_a_noisy_picture_packs_as_small_as_zlib(rng):
    noise = rng.normal(0, 6, 300_000).astype(np.int64).astype(np.uint8)
    assert len(deflate.packed(noise)) <= 1.002 * len(zlib.compress(noise.tobytes(), 6))


def test_long_runs_are_packed_as_runs():
    black = np.zeros(1 << 20, np.uint8)
    assert len(deflate.packed(black)) < 5000


@given(a=st.binary(max_size=300), b=st.binary(max_size=300))
def test_checksums_join(a, b):
    assert deflate.adler32_joined(zlib.adler32(a), zlib.adler32(b), len(b)) == zlib.adler32(a + b)


def plain_filter(rows, above, step, kind):
    """PNG third edition, clause 9.2, in numpy."""
    up = np.vstack([above[None], rows[:-1]]).astype(int)
    left = np.zeros_like(up)
    left[:, step:] = rows[:, :-step]
    corner = np.zeros_like(up)
    corner[:, step:] = up[:, :-step]
    p = left + up - corner
    da, db, dc = abs(p - left), abs(p - up), abs(p - corner)
    paeth = np.where((da <= db) & (da <= dc), left, np.where(db <= dc, up, corner))
    guess = [np.zeros_like(up), left, up, (left + up) // 2, paeth][kind]
    return ((rows - guess) & 255).astype(np.uint8)


@pytest.mark.parametrize("kind", range(5))
@pytest.mark.parametrize("step", [1, 2, 3, 6])
def test_compiled_filters_equal_the_plain_ones(rng, kind, step):
    rows = rng.integers(0, 256, (9, 60), dtype=np.uint8)
    above = rng.integers(0, 256, 60, dtype=np.uint8)
    out = np.empty((9, 61), np.uint8)
    png.filter_rows(rows, above, step, kind, out)
    assert (out[:, 0] == kind).all()
    np.testing.assert_array_equal(out[:, 1:], plain_filter(rows, above, step, kind))


@pytest.mark.parametrize("shape", [(1, 1, 1), (1, 1, 3), (1, 50, 3), (70, 1, 3), (300, 1100, 3), (301, 999, 1)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_other_decoders_read_the_same_samples(rng, shape, dtype):
    samples = rng.integers(0, np.iinfo(dtype).max, shape, dtype=dtype, endpoint=True)
    samples[: shape[0] // 3] //= 200
    file = streams.BytesIO()
    png.FORMAT.write(file, WriteRequest(samples, np.dtype(dtype)))
    read = cv2.imdecode(np.frombuffer(file.getvalue(), np.uint8), cv2.IMREAD_UNCHANGED)
    np.testing.assert_array_equal(read[:, :, None] if read.ndim == 2 else read[:, :, ::-1], samples)
    with Image.open(file) as image:
        image.verify()
    with Image.open(file) as image:
        image.load()
        if dtype is np.uint8:
            np.testing.assert_array_equal(np.asarray(image).reshape(shape), samples)

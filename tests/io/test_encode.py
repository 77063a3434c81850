"""What is written comes back: bits of a linear stack, samples of a picture, and all that travels with them."""

import hashlib

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from astropy.wcs import WCS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from workbench import io
from workbench.acquisition import Acquisition, Tone
from workbench.errors import WorkbenchError
from workbench.io import strips
from workbench.stack import Stack

KNOWN = Acquisition(
    exposure_s=120.0, frames=60, iso=800.0, gain=0.7, focal_length_mm=135.0, pixel_size_um=3.9, f_number=2.8,
    filter="L", camera="Garden G 1", date="2026-03-01T21:00:00", place="hill <x> & é",
)  # fmt: skip
PICTURES = ["a.tif", "a.png", "a.jpg", "a.fits", "a.fits.gz"]
STACKS = ["a.tif", "a.fits", "a.fits.gz"]


@pytest.fixture
def wcs():
    out = WCS(naxis=2)
    out.wcs.ctype, out.wcs.crval, out.wcs.crpix = ["RA---TAN", "DEC--TAN"], [83.8, -5.4], [20.0, 11.5]
    out.wcs.cd = [[-0.001, 0.0002], [0.0002, 0.001]]
    return out


@pytest.mark.parametrize("name", STACKS)
@pytest.mark.parametrize("channels", [1, 3])
def test_a_linear_stack_keeps_its_bits_and_what_is_known_of_it(tmp_path, rng, wcs, name, channels):
    pixels = rng.normal(0.5, 2.0, (33, 41, channels)).astype(np.float32)  # below 0, and above 1 as after gains
    coverage = rng.integers(0, 256, (33, 41)).astype(np.uint8)
    path = tmp_path / name
    io.encode(path, pixels, tone=Tone.LINEAR, coverage=coverage, acquisition=KNOWN, wcs=wcs)
    got = io.decode(path)
    np.testing.assert_array_equal(got.pixels, pixels)
    np.testing.assert_array_equal(got.coverage, coverage)
    assert got.tone is Tone.LINEAR
    place = KNOWN.place if name == "a.tif" else "hill <x> & ?"
    assert got.acquisition.to_dict() == KNOWN.to_dict() | {"place": place}
    np.testing.assert_allclose(got.wcs.all_pix2world(3, 4, 0), wcs.all_pix2world(3, 4, 0), rtol=1e-12)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    pixels=hnp.arrays(
        np.float32,
        st.tuples(st.integers(1, 9), st.integers(1, 9), st.sampled_from([1, 3])),
        elements=st.floats(width=32, allow_nan=False, allow_infinity=False),
    ),
    name=st.sampled_from(STACKS),
    compression=st.sampled_from(["none", "lzw", "deflate", "zstd"]),
)
def test_any_finite_float32_survives(tmp_path, pixels, name, compression):
    options = {"compression": compression} if name == "a.tif" else {}
    io.encode(tmp_path / name, pixels, tone="linear", overwrite=True, **options)
    np.testing.assert_array_equal(io.decode(tmp_path / name).pixels, pixels)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    samples=hnp.arrays(
        st.sampled_from([np.uint8, np.uint16]),
        st.tuples(st.integers(1, 40), st.integers(1, 40), st.sampled_from([1, 3])),
        elements=st.integers(0, 255),
        fill=st.integers(0, 255),
    ),
    name=st.sampled_from(["a.tif", "a.png", "a.fits"]),
    compression=st.sampled_from(["none", "lzw", "deflate", "zstd"]),
)
def test_quantised_samples_survive(tmp_path, samples, name, compression):
    options = {"compression": compression} if name == "a.tif" else {}
    bits = 8 * samples.itemsize
    io.encode(tmp_path / name, samples, tone="display", bits=bits, overwrite=True, **options)
    got = io.decode(tmp_path / name)
    white = np.float32(np.iinfo(samples.dtype).max)
    np.testing.assert_array_equal(got.pixels, samples.astype(np.float32) / white)
    assert got.tone is Tone.DISPLAY
    assert got.source.sample == samples.dtype.name


@pytest.mark.parametrize("name", PICTURES)
@pytest.mark.parametrize("channels", [1, 3])
def test_a_picture_carries_recipe_record_and_where_it_looks(tmp_path, rng, wcs, name, channels):
    pixels = rng.uniform(0, 1, (33, 41, channels)).astype(np.float32)
    recipe = '{"kind": "post-stack recipe", "title": "Nebel <&> \\u00fc \u00fc\r\n"}'
    record = str(rng.integers(0, 2**60, 30000).tolist())  # more than one JPEG segment holds
    path = tmp_path / name
    io.encode(path, pixels, tone="display", acquisition=KNOWN, wcs=wcs, recipe=recipe, record=record)
    carried = io.embedded(path)
    assert carried.recipe == recipe
    assert carried.record == record
    got = io.decode(path)
    assert got.tone is Tone.DISPLAY
    assert got.acquisition.exposure_s == 120
    np.testing.assert_allclose(got.wcs.all_pix2world(3, 4, 0), wcs.all_pix2world(3, 4, 0), rtol=1e-11)
    if name != "a.jpg":
        assert np.abs(got.pixels - pixels).max() <= 0.5001 / 65535


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_without_texts_carries_none(tmp_path, name):
    io.encode(tmp_path / name, np.zeros((4, 5, 3), np.float32), tone="display")
    assert io.embedded(tmp_path / name) == io.Embedded(None, None)


@pytest.mark.parametrize("text", ["", "\x00\x01", "\ufffe", "a" * 100_000, "]]>", " \t\n lines \r\n ", "\U0001f30c"])
@pytest.mark.parametrize("name", PICTURES)
def test_any_text_survives(tmp_path, name, text):
    io.encode(tmp_path / name, np.zeros((4, 5, 3), np.float32), tone="display", recipe=text, record=text)
    assert io.embedded(tmp_path / name) == io.Embedded(text, text)


@pytest.mark.parametrize("name", PICTURES)
def test_the_same_picture_has_the_same_bytes(tmp_path, rng, name):
    pixels = rng.uniform(0, 1, (70, 81, 3)).astype(np.float32)
    digests = set()
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        io.encode(tmp_path / folder / name, pixels, tone="display", acquisition=KNOWN, recipe="{}")
        digests.add(hashlib.sha256((tmp_path / folder / name).read_bytes()).hexdigest())
    assert len(digests) == 1


def test_quantising_rounds_to_the_nearest_and_clips():
    block = np.float32([[[-1.0], [0.0], [0.4999 / 255], [0.5001 / 255], [1.0], [7.0], [np.nan], [np.inf]]])
    np.testing.assert_array_equal(strips.as_samples(block, np.uint8).ravel(), [0, 0, 0, 1, 255, 255, 0, 255])
    steps = np.arange(65536, dtype=np.uint16)
    exact = steps.astype(np.float32) / np.float32(65535)
    np.testing.assert_array_equal(strips.as_samples(exact, np.uint16), steps)
    np.testing.assert_array_equal(strips.as_samples(steps, np.uint8), np.rint(steps / 257).astype(np.uint8))
    np.testing.assert_array_equal(strips.as_samples(steps, np.float32), exact)
    np.testing.assert_array_equal(strips.as_samples(np.arange(256, dtype=np.uint8), np.uint16), np.arange(256) * 257)


def test_a_linear_stack_of_sixteen_bits_comes_back_linear(tmp_path, rng):
    pixels = rng.uniform(0, 1, (9, 8, 3)).astype(np.float32)
    for name in STACKS:
        io.encode(tmp_path / name, pixels, tone="linear", bits=16)
        got = io.decode(tmp_path / name)
        assert (got.tone, got.source.sample) == (Tone.LINEAR, "uint16")
        assert np.abs(got.pixels - pixels).max() <= 0.5001 / 65535


def test_a_picture_of_floats_is_still_a_picture(tmp_path, rng):
    pixels = rng.uniform(-0.2, 1.2, (9, 8, 3)).astype(np.float32)
    for name in STACKS:
        io.encode(tmp_path / name, pixels, tone="display", float32=True)
        got = io.decode(tmp_path / name)
        assert got.tone is Tone.DISPLAY
        np.testing.assert_array_equal(got.pixels, pixels)


def test_jpeg_quality_is_kept_and_colors_are_not_subsampled(tmp_path, rng):
    pixels = np.zeros((64, 64, 3), np.float32)
    pixels[:, ::2, 0] = 1.0  # single-pixel color stripes: subsampling would mix them
    io.encode(tmp_path / "a.jpg", pixels, tone="display", quality=97)
    assert np.abs(io.decode(tmp_path / "a.jpg").pixels - pixels).max() < 0.06
    noise = rng.uniform(0, 1, (64, 64, 3)).astype(np.float32)
    for quality in (60, 95):
        io.encode(tmp_path / f"{quality}.jpg", noise, tone="display", quality=quality)
    assert (tmp_path / "60.jpg").stat().st_size < (tmp_path / "95.jpg").stat().st_size


def test_stack_read_and_save_go_through(tmp_path, rng):
    stack = Stack.from_array(rng.uniform(0, 1, (9, 8, 3)).astype(np.float32), acquisition=KNOWN)
    stack.save(tmp_path / "s.tif")
    got = io.decode(tmp_path / "s.tif")
    np.testing.assert_array_equal(got.pixels, stack.pixels)
    assert got.acquisition == KNOWN


@pytest.mark.parametrize(
    ("name", "options", "words"),
    [
        ("a.png", {"tone": "linear"}, "put a stretch before it"),
        ("a.jpg", {"tone": "linear"}, "put a stretch before it"),
        ("a.bmp", {}, "no suffix of a known format"),
        ("a", {}, "no suffix of a known format"),
        ("a.tif.gz", {}, "no suffix of a known format"),
        ("a.png", {"bits": 32}, "8 or 16 bits"),
        ("a.jpg", {"bits": 16}, "8 bits"),
        ("a.tif", {"bits": 12}, "bits must be"),
        ("a.tif", {"bits": 16, "float32": True}, "one of the two"),
        ("a.jpg", {"quality": 0}, "quality"),
        ("a.tif", {"compression": "zip"}, "compression must be"),
        ("a.png", {"compression": "lzw"}, "choice of TIFF"),
        ("a.tif", {"tone": "loud"}, "tone must be"),
    ],
)
def test_requests_that_make_no_sense_are_refused_and_nothing_is_written(tmp_path, name, options, words):
    with pytest.raises(WorkbenchError, match=words):
        io.encode(tmp_path / name, np.zeros((4, 5, 3), np.float32), **({"tone": "display"} | options))
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "pixels",
    [np.zeros((4, 5), np.float32), np.zeros((4, 5, 2), np.float32), np.zeros((4, 5, 3)), np.zeros((0, 5, 3), np.uint8)],
)
def test_pixels_of_the_wrong_shape_or_type_are_refused(tmp_path, pixels):
    with pytest.raises(WorkbenchError, match="pixels to write"):
        io.encode(tmp_path / "a.tif", pixels, tone="display")


def test_a_jpeg_too_wide_is_refused(tmp_path):
    with pytest.raises(WorkbenchError, match="at most 65500"):
        io.encode(tmp_path / "a.jpg", np.zeros((1, 70000, 1), np.uint8), tone="display")
    assert not list(tmp_path.iterdir())

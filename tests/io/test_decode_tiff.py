"""TIFF of every flavor becomes the same frame."""

import itertools
import struct

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from workbench import io, stack
from workbench.acquisition import Tone
from workbench.errors import WorkbenchError

H, W = 37, 45
WHITE = {"uint8": 255, "uint16": 65535, "uint32": 4294967295, "float16": 1, "float32": 1, "float64": 1}


def samples(rng, dtype, channels):
    dtype = np.dtype(dtype)
    shape = (H, W, channels)
    if dtype.kind == "f":
        return rng.uniform(-0.1, 1.1, shape).astype(dtype)
    return rng.integers(0, np.iinfo(dtype).max, shape, dtype=dtype, endpoint=True)


def expected(data):
    white = np.float32(WHITE[data.dtype.name])
    return data.astype(np.float32) / white


def write(path, data, *, alpha=False, planar=False, **options):
    channels = data.shape[2]
    color = channels >= 3
    stored = np.moveaxis(data, 2, 0) if planar else (data[:, :, 0] if channels == 1 else data)
    if channels > 1:
        options["planarconfig"] = "separate" if planar else "contig"
    if alpha:
        options["extrasamples"] = ["unassalpha"]
    tifffile.imwrite(path, np.ascontiguousarray(stored), photometric="rgb" if color else "minisblack", **options)


@pytest.mark.parametrize("dtype", WHITE)
@pytest.mark.parametrize("channels", [1, 2, 3, 4])
@pytest.mark.parametrize("planar", [False, True])
def test_every_sample_type_and_plane_layout_reads_as_numpy_converts_it(tmp_path, rng, dtype, channels, planar):
    data = samples(rng, dtype, channels)
    alpha = channels in (2, 4)
    if alpha:
        full = 1 if data.dtype.kind == "f" else WHITE[dtype]
        data[:, :, -1] = np.where(rng.random((H, W)) < 0.2, 0, full)
    write(tmp_path / "a.tif", data, alpha=alpha, planar=planar and channels > 1)
    got = io.decode(tmp_path / "a.tif")
    colors = 3 if channels >= 3 else 1
    assert got.pixels.dtype == np.float32
    assert got.pixels.flags.c_contiguous
    np.testing.assert_array_equal(got.pixels, expected(data)[:, :, :colors])
    assert got.source.sample == dtype
    assert got.source.white_level == WHITE[dtype]
    if alpha:
        np.testing.assert_array_equal(got.coverage, np.where(data[:, :, -1] > 0, 255, 0))
    else:
        assert got.coverage is None


COMPRESSIONS = [None, "lzw", "deflate", "zstd", "packbits"]


@pytest.mark.parametrize(("byteorder", "bigtiff"), list(itertools.product("<>", [False, True])))
@pytest.mark.parametrize("compression", COMPRESSIONS)
@pytest.mark.parametrize("layout", ["strips", "tiles"])
def test_every_container_and_compression_gives_the_same_frame(tmp_path, rng, byteorder, bigtiff, compression, layout):
    options = {"rowsperstrip": 7} if layout == "strips" else {"tile": (16, 32)}
    for dtype, planar, predictor in itertools.product(("uint16", "float32"), (False, True), (False, True)):
        if predictor and compression in (None, "packbits"):
            continue
        data = samples(rng, dtype, 3)
        number = (3 if dtype == "float32" else 2) if predictor else 1
        path = tmp_path / f"{dtype}{planar}{predictor}.tif"
        write(path, data, planar=planar, byteorder=byteorder, bigtiff=bigtiff, compression=compression,
              predictor=number, **options)  # fmt: skip
        np.testing.assert_array_equal(io.decode(path).pixels, expected(data))


def test_partial_alpha_is_a_share_of_coverage_and_never_rounds_away(tmp_path, rng):
    data = samples(rng, "uint16", 4)
    data[:, :, 3] = rng.integers(0, 65536, (H, W))
    data[0, 0, 3], data[0, 1, 3] = 0, 1
    write(tmp_path / "a.tif", data, alpha=True)
    coverage = io.decode(tmp_path / "a.tif").coverage
    assert coverage[0, 0] == 0
    assert coverage[0, 1] == 1
    share = data[:, :, 3] / 65535 * 255
    assert np.abs(coverage - share).max() <= 1


def test_associated_alpha_is_divided_out(tmp_path, rng):
    color = rng.uniform(0.2, 1, (H, W, 3)).astype(np.float32)
    alpha = rng.choice(np.float32([0.2, 0.4, 1.0]), (H, W, 1))
    data = np.concatenate([color * alpha, alpha], axis=2)
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="rgb", extrasamples=["assocalpha"])
    got = io.decode(tmp_path / "a.tif")
    np.testing.assert_allclose(got.pixels, color, rtol=3e-7)
    assert any("associated" in remark for remark in got.source.remarks)


def test_alpha_that_is_zero_everywhere_does_not_hide_the_picture(tmp_path, rng):
    data = samples(rng, "uint16", 4)
    data[:, :, 3] = 0
    write(tmp_path / "a.tif", data, alpha=True)
    got = io.decode(tmp_path / "a.tif")
    assert got.coverage is None
    assert any("alpha is zero" in remark for remark in got.source.remarks)


def test_min_is_white_is_turned_over(tmp_path, rng):
    data = samples(rng, "uint16", 1)[:, :, 0]
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="miniswhite")
    np.testing.assert_allclose(io.decode(tmp_path / "a.tif").pixels[:, :, 0], 1 - data / 65535, atol=1e-7)


def test_the_first_full_resolution_page_is_read_and_said(tmp_path, rng):
    small, full, other = (samples(rng, "uint16", 3) for _ in range(3))
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        writer.write(small[::4, ::4].copy(), photometric="rgb", subfiletype=1)
        writer.write(full, photometric="rgb")
        writer.write(other, photometric="rgb")
    got = io.decode(tmp_path / "a.tif")
    np.testing.assert_array_equal(got.pixels, expected(full))
    assert any("of 3 was read" in remark for remark in got.source.remarks)


def test_bits_really_used_set_the_white_level(tmp_path, rng):
    """Rows of 12-bit samples, high bits first, each row padded to a byte (TIFF 6.0, FillOrder and Compression 1)."""
    data = rng.integers(0, 4096, (H, W), dtype=np.uint16)
    bits = np.unpackbits(data.astype(">u2").view(np.uint8).reshape(H, W, 2), axis=2)[:, :, 4:]
    packed = np.packbits(bits.reshape(H, W * 12), axis=1).tobytes()
    short, long = 3, 4
    entries = [
        (256, short, W), (257, short, H), (258, short, 12), (259, short, 1), (262, short, 1),
        (273, long, 8), (277, short, 1), (278, short, H), (279, long, len(packed)),
    ]  # fmt: skip
    table = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    at = 8 + len(packed) + len(packed) % 2
    head = b"II" + struct.pack("<HI", 42, at)
    directory = struct.pack("<H", len(entries)) + table + bytes(4)
    (tmp_path / "a.tif").write_bytes(head + packed + bytes(len(packed) % 2) + directory)
    got = io.decode(tmp_path / "a.tif")
    assert got.source.white_level == 4095
    np.testing.assert_array_equal(got.pixels[:, :, 0], data.astype(np.float32) / np.float32(4095))


def test_a_camera_white_below_the_sample_type_is_hinted_at(tmp_path, rng):
    data = rng.integers(0, 16384, (H, W), dtype=np.uint16)
    data[0, 0] = 16383
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="minisblack")
    assert any("white_level=16383" in remark for remark in io.decode(tmp_path / "a.tif").source.remarks)
    assert io.decode(tmp_path / "a.tif", white_level=16383).pixels.max() == 1


def test_a_missing_tile_is_not_covered(tmp_path, rng):
    data = samples(rng, "uint16", 3)
    write(tmp_path / "a.tif", data, tile=(16, 16))
    with tifffile.TiffFile(tmp_path / "a.tif", mode="r+b") as file:
        counts = file.pages[0].tags[325]
        counts.overwrite([0, *counts.value[1:]])
    got = io.decode(tmp_path / "a.tif")
    assert not got.coverage[:16, :16].any()
    assert got.coverage[16:].all()
    np.testing.assert_array_equal(got.pixels[16:], expected(data)[16:])


def test_rows_may_be_overruled(tmp_path, rng):
    data = samples(rng, "uint16", 3)
    write(tmp_path / "a.tif", data)
    np.testing.assert_array_equal(io.decode(tmp_path / "a.tif", rows="bottom-up").pixels, expected(data)[::-1])
    with pytest.raises(WorkbenchError, match="rows must be"):
        io.decode(tmp_path / "a.tif", rows="sideways")


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: tifffile.imwrite(p, np.zeros((9, 9), np.uint8), colormap=np.zeros((3, 256), np.uint16),
                                    photometric="palette"), "palette"),
        (lambda p: tifffile.imwrite(p, np.zeros((9, 9, 4), np.uint8), photometric="separated"), "CMYK"),
        (lambda p: tifffile.imwrite(p, np.zeros((9, 9), np.complex64), photometric="minisblack"), "integers or floats"),
        (lambda p: tifffile.imwrite(p, np.zeros((9, 9), bool), photometric="minisblack"), "integers or floats"),
        (lambda p: tifffile.imwrite(p, np.zeros((32, 32, 32), np.uint8), photometric="minisblack", volumetric=True,
                                    tile=(16, 16, 16)), "volume"),
    ],
)  # fmt: skip
def test_what_is_no_stack_is_refused_by_name(tmp_path, make, words):
    make(tmp_path / "a.tif")
    with pytest.raises(WorkbenchError, match=words):
        io.decode(tmp_path / "a.tif")


def test_tone_may_be_overruled(tmp_path, rng):
    write(tmp_path / "a.tif", samples(rng, "uint16", 3))
    assert io.decode(tmp_path / "a.tif").tone is None  # asked of the stars afterwards
    assert io.decode(tmp_path / "a.tif", tone="display").tone is Tone.DISPLAY
    with pytest.raises(WorkbenchError, match="tone must be"):
        io.decode(tmp_path / "a.tif", tone="loud")


def test_ycbcr_without_jpeg_is_refused(tmp_path):
    # As Pillow writes it: three samples that are no colors of a screen.
    image = Image.fromarray(np.full((8, 9, 3), (200, 50, 20), np.uint8)).convert("YCbCr")
    image.save(tmp_path / "a.tif")
    with pytest.raises(WorkbenchError, match="YCbCr"):
        io.decode(tmp_path / "a.tif")


@pytest.mark.parametrize("planar", [False, True])
def test_three_samples_flagged_gray_are_color(tmp_path, rng, planar):
    data = rng.integers(0, 65536, (8, 9, 3), dtype=np.uint16)
    stored = np.moveaxis(data, 2, 0).copy() if planar else data
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="minisblack",
                     planarconfig="separate" if planar else "contig")  # fmt: skip
    got = io.decode(tmp_path / "a.tif")
    np.testing.assert_array_equal(got.pixels, data.astype(np.float32) / np.float32(65535))
    assert got.coverage is None
    assert any("flagged as gray" in remark for remark in got.source.remarks)


@pytest.mark.parametrize(("samples", "photometric"), [(2, "minisblack"), (4, "rgb")])
def test_an_extra_sample_that_is_not_flagged_as_alpha_is_no_coverage(tmp_path, rng, samples, photometric):
    data = rng.integers(0, 65536, (8, 9, samples), dtype=np.uint16)
    colors = samples - 1
    for extra, covered in ((0, False), (2, True)):
        tifffile.imwrite(tmp_path / "a.tif", data, photometric=photometric, extrasamples=[extra], planarconfig="contig")
        got = io.decode(tmp_path / "a.tif")
        np.testing.assert_array_equal(got.pixels, data[:, :, :colors].astype(np.float32) / np.float32(65535))
        assert (got.coverage is not None) == covered
        assert any("did not count" in remark for remark in got.source.remarks) != covered


@pytest.mark.parametrize("planar", [False, True])
@pytest.mark.parametrize("orientation", [1, 6])
def test_colors_are_divided_by_alpha_as_it_is_stored(tmp_path, rng, planar, orientation):
    # 1000 of 65535 is 3.89 of 255: divided by 4, colors were 3 % too dark.
    color = rng.uniform(0.1, 0.9, (8, 9, 3))
    alpha = rng.integers(1000, 65536, (8, 9, 1))
    stored = np.concatenate([np.rint(color * alpha), alpha], axis=2).astype(np.uint16)
    upright = color if orientation == 1 else np.rot90(color, -1)
    if planar:
        stored = np.moveaxis(stored, 2, 0).copy()
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="rgb", extrasamples=[1],
                     planarconfig="separate" if planar else "contig",
                     extratags=[(274, "H", 1, orientation, True)])  # fmt: skip
    got = io.decode(tmp_path / "a.tif").pixels
    np.testing.assert_allclose(got, upright, atol=0.6 / 1000)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif"])
def test_pictures_are_turned_upright_as_pillow_turns_them(tmp_path, orientation, name):
    picture = np.zeros((16, 24, 3), np.uint8)
    picture[:8, :8], picture[:8, 16:], picture[8:, :8] = (250, 10, 10), (10, 250, 10), (10, 10, 250)
    image = Image.fromarray(picture)
    exif = Image.Exif()
    exif[274] = orientation
    image.save(tmp_path / name, exif=exif, **({"quality": 95, "subsampling": 0} if name == "a.jpg" else {}))
    with Image.open(tmp_path / name) as saved:
        want = np.asarray(ImageOps.exif_transpose(saved)).astype(int)
    got = io.decode(tmp_path / name)
    assert got.pixels.shape == want.shape
    assert np.abs(got.pixels * 255 - want).max() < (0.01 if name != "a.jpg" else 12)
    assert any("turned upright" in remark for remark in got.source.remarks) == (orientation != 1)


@pytest.mark.parametrize("value", [1e308, -1e308, np.inf, -np.inf, np.nan, 1e-320, 3e38])
@pytest.mark.parametrize("dtype", [np.float64, np.float32])
@pytest.mark.parametrize("extra", [None, 1, 2])
def test_numbers_at_the_end_of_their_range_give_finite_pixels_without_a_warning(tmp_path, rng, value, dtype, extra):
    with np.errstate(all="ignore"):
        data = rng.uniform(0.1, 0.3, (20, 30, 3 if extra is None else 4)).astype(dtype)
        data[5:9, 5:9] = dtype(value)
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="rgb", extrasamples=None if extra is None else [extra])
    got = stack.read(tmp_path / "a.tif")  # warnings are errors here
    assert np.isfinite(got.pixels).all()
    if not np.isfinite(value):
        assert got.source.invalid

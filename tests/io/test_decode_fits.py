"""FITS images wherever they lie, however their numbers are stored, whichever way up."""

import gzip

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from workbench import io
from workbench.errors import WorkbenchError

H, W = 31, 44


def frame(rng, channels=3):
    return rng.uniform(-0.1, 1.0, (H, W, channels)).astype(np.float32)


def stored(pixels, order="planes"):
    up = pixels[::-1]
    return {"planes": np.moveaxis(up, 2, 0), "pixels": up, "gray": up[:, :, 0]}[order].copy()


@pytest.mark.parametrize("order", ["planes", "pixels"])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_color_in_planes_or_pixels_is_read_from_the_lowest_row_up(tmp_path, rng, order, dtype):
    pixels = frame(rng)
    fits.writeto(tmp_path / "a.fits", stored(pixels, order).astype(dtype))
    got = io.decode(tmp_path / "a.fits")
    np.testing.assert_array_equal(got.pixels, pixels)
    assert got.pixels.flags.c_contiguous


@pytest.mark.parametrize(
    ("dtype", "white"),
    [(np.uint8, 255), (np.int16, 32767), (np.uint16, 65535), (np.int32, 2147483647), (np.uint32, 4294967295)],
)
@pytest.mark.parametrize("suffix", [".fits", ".fits.gz"])
def test_integers_keep_their_meaning_through_zero_and_scale(tmp_path, rng, dtype, white, suffix):
    info = np.iinfo(dtype)
    data = rng.integers(info.min, info.max, (3, H, W), dtype=dtype, endpoint=True)
    path = tmp_path / f"a{suffix}"
    fits.writeto(path, data)
    got = io.decode(path)
    want = data.astype(np.float32) / np.float32(white)
    np.testing.assert_array_equal(got.pixels, np.moveaxis(want, 0, 2)[::-1])
    assert got.source.white_level == white
    assert got.source.sample == np.dtype(dtype).name


def test_scaled_integers_are_physical_values(tmp_path):
    values = np.linspace(0, 1, H * W).reshape(H, W)
    hdu = fits.PrimaryHDU(np.rint((values - 0.5) / 2e-5).astype(np.int16))
    hdu.header["BSCALE"], hdu.header["BZERO"] = 2e-5, 0.5
    path = tmp_path / "a.fits"
    # astropy drops the words when it scales; put the bytes down as they are.
    path.write_bytes(hdu.header.tostring().encode() + hdu.data.astype(">i2").tobytes().ljust(2880 * 10, b"\0"))
    with fits.open(path) as check:
        reference = np.array(check[0].data, np.float64)
    np.testing.assert_allclose(io.decode(path).pixels[:, :, 0], reference[::-1], atol=1e-7)


@pytest.mark.parametrize("unsigned", [False, True])
def test_blank_integers_are_not_covered(tmp_path, rng, unsigned):
    data = rng.integers(0, 30000, (H, W)).astype(np.int16)
    data[3, 4] = -999
    header = fits.PrimaryHDU(data).header
    header["BLANK"] = -999
    if unsigned:
        header["BSCALE"], header["BZERO"] = 1, 32768
    path = tmp_path / "a.fits"
    path.write_bytes(header.tostring().encode() + data.astype(">i2").tobytes().ljust(2880, b"\0"))
    got = io.decode(path)
    assert got.source.invalid == 1
    assert got.coverage[H - 1 - 3, 4] == 0
    assert (got.coverage == 255).sum() == H * W - 1


@pytest.mark.parametrize("kind", ["RICE_1", "GZIP_1", "GZIP_2", "PLIO_1"])
def test_tile_compressed_images_are_read_exactly(tmp_path, rng, kind):
    data = rng.integers(0, 5000, (3, H, W)).astype(np.uint16 if kind == "RICE_1" else np.int16)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(data, compression_type=kind)]).writeto(tmp_path / "a.fits")
    got = io.decode(tmp_path / "a.fits")
    want = np.moveaxis(data, 0, 2)[::-1].astype(np.float32) / np.float32(np.iinfo(data.dtype).max)
    np.testing.assert_array_equal(got.pixels, want)


def test_the_first_image_is_found_behind_tables(tmp_path, rng):
    pixels = frame(rng, 1)
    table = fits.BinTableHDU.from_columns([fits.Column("A", "J", array=np.arange(5))])
    hdus = [fits.PrimaryHDU(), table, fits.ImageHDU(stored(pixels, "gray")), fits.ImageHDU(np.zeros((4, 4)))]
    fits.HDUList(hdus).writeto(tmp_path / "a.fits")
    got = io.decode(tmp_path / "a.fits")
    np.testing.assert_array_equal(got.pixels, pixels)
    said = " ".join(got.source.remarks)
    assert "extension 2" in said
    assert "1 other image was not" in said


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize(("word", "rows", "turned"), [
    (None, None, True), ("TOP-DOWN", None, False), ("BOTTOM-UP", None, True),
    ("TOP-DOWN", "bottom-up", True), (None, "top-down", False),
])  # fmt: skip
def test_row_order_follows_header_and_caller_and_turns_the_sky_with_it(tmp_path, rng, word, rows, turned, packed):
    data = rng.uniform(0, 1, (H, W)).astype(np.float32)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval, wcs.wcs.crpix = ["RA---TAN", "DEC--TAN"], [83.8, -5.4], [12.0, 20.5]
    wcs.wcs.cd = [[-0.002, 0.0004], [0.0003, 0.002]]
    header = wcs.to_header()
    if word:
        header["ROWORDER"] = word
    path = tmp_path / ("a.fits.gz" if packed else "a.fits")
    fits.writeto(path, data, header)
    got = io.decode(path, rows=rows)
    np.testing.assert_array_equal(got.pixels[:, :, 0], data[::-1] if turned else data)
    x, y = 7.0, 9.0  # a pixel of the file, and where it stands in the frame
    sky = wcs.all_pix2world(x, y, 0)
    np.testing.assert_allclose(got.wcs.all_pix2world(x, H - 1 - y if turned else y, 0), sky, rtol=1e-12)


def test_distortion_polynomials_turn_with_the_rows(tmp_path, rng):
    header = fits.Header.fromstring(
        "CTYPE1  = 'RA---TAN-SIP'\nCTYPE2  = 'DEC--TAN-SIP'\nCRPIX1  = 20.0\nCRPIX2  = 14.0\nCRVAL1  = 10.0\n"
        "CRVAL2  = 41.0\nCD1_1   = -0.01\nCD1_2   = 0.001\nCD2_1   = 0.002\nCD2_2   = 0.01\nA_ORDER = 3\nB_ORDER = 3\n"
        "A_2_0   = 1E-4\nA_1_1   = 2E-4\nA_0_3   = 3E-6\nB_0_2   = -2E-4\nB_1_1   = 1E-4\nB_2_1   = 4E-6\n",
        sep="\n",
    )
    fits.writeto(tmp_path / "a.fits", rng.uniform(0, 1, (H, W)).astype(np.float32), header)
    reference = WCS(header)
    got = io.decode(tmp_path / "a.fits").wcs
    x, y = np.meshgrid(np.arange(0, W, 9.0), np.arange(0, H, 7.0))
    want = reference.all_pix2world(x.ravel(), y.ravel(), 0)
    np.testing.assert_allclose(got.all_pix2world(x.ravel(), H - 1 - y.ravel(), 0), want, rtol=1e-11)


def test_a_color_cube_keeps_its_sky_solution(tmp_path, rng):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval, wcs.wcs.crpix, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [5, 6], [3, 4], [-1e-3, 1e-3]
    fits.writeto(tmp_path / "a.fits", stored(frame(rng)), wcs.to_header())
    got = io.decode(tmp_path / "a.fits").wcs
    np.testing.assert_allclose(got.all_pix2world(2, H - 1 - 3, 0), [5, 6], rtol=1e-12)


@pytest.mark.parametrize("shape", [(4, H, W), (2, 3, H, W)])
def test_cubes_are_refused_by_their_size(tmp_path, shape):
    fits.writeto(tmp_path / "a.fits", np.zeros(shape, np.float32))
    with pytest.raises(WorkbenchError, match="neither gray nor three colors"):
        io.decode(tmp_path / "a.fits")


def test_a_file_without_an_image_says_so(tmp_path):
    fits.HDUList([fits.PrimaryHDU()]).writeto(tmp_path / "a.fits")
    with pytest.raises(WorkbenchError, match="holds no image"):
        io.decode(tmp_path / "a.fits")


def test_gzip_holds_the_same_frame(tmp_path, rng):
    fits.writeto(tmp_path / "a.fits", stored(frame(rng)))
    (tmp_path / "b.fit").write_bytes(gzip.compress((tmp_path / "a.fits").read_bytes()))
    np.testing.assert_array_equal(io.decode(tmp_path / "a.fits").pixels, io.decode(tmp_path / "b.fit").pixels)

"""Files held against the outside: other libraries read what is written, and what they ship is read.

Sources: TIFF 6.0 (Adobe 1992) and its Technical Notes; PNG third edition (W3C 2025); ISO 16684-1 and -3 (XMP);
ICC.1:2001-04 and IEC 61966-2-1 (sRGB); FITS standard 4.0 (IAU 2018); RFC 1950/1951. Values without a source of their
own come from the library named beside them.
"""

import gzip
import importlib.util
import io as streams
import re
import shutil
import struct
import subprocess
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image, ImageCms, ImageOps

from workbench import io
from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError
from workbench.io.formats import jpeg, png
from workbench.io.metadata import icc

RECIPE = '{"kind": "post-stack recipe", "note": "<&> é"}'


def package(name):
    return Path(importlib.util.find_spec(name).origin).parent


@pytest.fixture
def picture(rng):
    return rng.uniform(0, 1, (48, 64, 3)).astype(np.float32)


@pytest.mark.skipif(shutil.which("tiffinfo") is None, reason="libtiff's tools are not installed")
@pytest.mark.parametrize("compression", ["none", "lzw", "deflate", "zstd"])
@pytest.mark.parametrize(("tone", "bits"), [("display", 8), ("display", 16), ("linear", 32)])
def test_libtiff_finds_nothing_to_complain_about(tmp_path, picture, compression, tone, bits):
    path = tmp_path / "a.tif"
    coverage = np.full(picture.shape[:2], 200, np.uint8) if tone == "linear" else None
    io.encode(path, picture, tone=tone, bits=bits, compression=compression, recipe=RECIPE, coverage=coverage)
    # -D reads and decodes the data as well.
    done = subprocess.run(["tiffinfo", "-D", str(path)], capture_output=True, text=True, check=False)
    known = ("Unknown field with tag 50717", "Compression scheme 50000")  # DNG's WhiteLevel; zstd may not be built in
    complaints = [line for line in done.stderr.splitlines() if not any(word in line for word in known)]
    if not any("50000" in line for line in done.stderr.splitlines()):
        assert done.returncode == 0
        assert not complaints
    assert f"Bits/Sample: {bits}" in done.stdout
    assert "Image Width: 64 Image Length: 48" in done.stdout
    assert ("ICC Profile: <present>" in done.stdout) == (tone == "display")


@pytest.mark.skipif(shutil.which("tiffcp") is None, reason="libtiff's tools are not installed")
@pytest.mark.parametrize("bits", [8, 16])
def test_what_libtiff_rewrites_is_read_the_same(tmp_path, picture, bits):
    io.encode(tmp_path / "a.tif", picture, tone="display", bits=bits)
    want = io.decode(tmp_path / "a.tif").pixels
    kinds = (["-c", "lzw:2"], ["-c", "zip"], ["-c", "packbits"], ["-p", "separate"], ["-t", "-w", "16", "-l", "16"],
             ["-B"], ["-8"], ["-r", "5", "-L"])  # fmt: skip
    for number, options in enumerate(kinds):
        if bits > 8 and "separate" in options:
            continue  # tiffcp itself separates 8-bit planes only
        other = tmp_path / f"{number}.tif"
        subprocess.run(["tiffcp", *options, str(tmp_path / "a.tif"), str(other)], check=True, capture_output=True)
        np.testing.assert_array_equal(io.decode(other).pixels, want, err_msg=str(options))


@pytest.mark.parametrize("name", ["a.tif", "a.png", "a.jpg"])
@pytest.mark.parametrize("channels", [1, 3])
def test_pillow_reads_the_picture_and_littlecms_its_profile(tmp_path, picture, name, channels):
    path = tmp_path / name
    io.encode(path, picture[:, :, :channels], tone="display", bits=8, quality=95, recipe=RECIPE)
    with Image.open(path) as image:
        assert image.size == (64, 48)
        assert image.mode == ("RGB" if channels == 3 else "L")
        got = np.asarray(image).reshape(48, 64, channels).astype(int)
        profile = ImageCms.ImageCmsProfile(streams.BytesIO(image.info["icc_profile"]))
        found = image.getxmp()
    limit = 0 if name != "a.jpg" else 60
    assert np.abs(got - np.rint(picture[:, :, :channels] * 255)).max() <= limit
    assert profile.profile.xcolor_space.strip() == ("RGB" if channels == 3 else "GRAY")
    assert "sRGB" in ImageCms.getProfileName(profile)
    assert found["xmpmeta"]["RDF"]["Description"]["recipe"] == RECIPE


def test_littlecms_takes_our_profile_for_srgb():
    # littleCMS' own sRGB and ours must be the same color space: a transform between them changes nothing.
    ours = ImageCms.ImageCmsProfile(streams.BytesIO(icc.srgb_profile(3)))
    theirs = ImageCms.createProfile("sRGB")
    ramp = np.stack(np.meshgrid(*[np.arange(0, 256, 15, dtype=np.uint8)] * 3), axis=-1).reshape(18, -1, 3)
    for source, target in ((ours, theirs), (theirs, ours)):
        out = ImageCms.profileToProfile(Image.fromarray(ramp), source, target, outputMode="RGB")
        assert np.abs(np.asarray(out).astype(int) - ramp.astype(int)).max() <= 1
    gray = ImageCms.ImageCmsProfile(streams.BytesIO(icc.srgb_profile(1)))
    steps = np.arange(256, dtype=np.uint8)[None]
    out = ImageCms.profileToProfile(Image.fromarray(steps), gray, theirs, outputMode="RGB")
    assert np.abs(np.asarray(out).astype(int) - steps[:, :, None]).max() <= 1


@pytest.mark.parametrize("make", [
    lambda: imagecodecs.cms_profile("srgb"),
    lambda: ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(),
    lambda: icc.srgb_profile(3),
])  # fmt: skip
def test_tone_curves_of_other_writers_are_recognised(make):
    assert icc.tone_curve(make()) == "curved"


@pytest.mark.parametrize(("gamma", "kind"), [(1.0, "straight"), (1.8, "curved"), (2.2, "curved")])
def test_plain_gamma_profiles_are_told_apart(gamma, kind):
    primaries = [0.64, 0.33, 0.3, 0.6, 0.15, 0.06]
    profile = imagecodecs.cms_profile("rgb", whitepoint=[0.3127, 0.329, 1.0],
                                      primaries=[*primaries[:2], 1, *primaries[2:4], 1, *primaries[4:], 1],
                                      gamma=gamma)  # fmt: skip
    assert icc.tone_curve(profile) == kind


@pytest.mark.parametrize("name", ["a.fits", "a.fits.gz"])
@pytest.mark.parametrize(("tone", "bits"), [("linear", 32), ("display", 16), ("display", 8)])
def test_astropy_verifies_strictly_and_reads_the_same_numbers(tmp_path, picture, name, tone, bits):
    path = tmp_path / name
    coverage = np.full(picture.shape[:2], 200, np.uint8)
    io.encode(path, picture, tone=tone, bits=bits, recipe=RECIPE, record="{}", coverage=coverage,
              acquisition=Acquisition(camera="A" * 120, exposure_s=60.0))  # fmt: skip
    with fits.open(path) as hdus:
        hdus.verify("exception")
        white = {32: 1.0, 16: 65535.0, 8: 255.0}[bits]
        data = np.moveaxis(hdus[0].data, 0, 2)[::-1] / white
        assert hdus[0].header["EXPTIME"] == 60
        names = [hdu.name for hdu in hdus]
    assert np.abs(data - picture).max() <= (0.505 / white if bits < 32 else 0)  # float32 holds 1/256 of a 16-bit step
    assert names == ["PRIMARY", *(["COVERAGE"] if tone == "linear" else []), "RECIPE", "RUNRECORD"]
    size = len(gzip.decompress(path.read_bytes())) if name.endswith("gz") else path.stat().st_size
    assert size % 2880 == 0  # FITS standard 4.0, section 3.1


def test_unsigned_fits_follow_the_convention_of_the_standard(tmp_path):
    # FITS standard 4.0, table 11: BITPIX 16, BSCALE 1, BZERO 32768.
    samples = np.arange(0, 65536, 257, dtype=np.uint16).reshape(16, 16, 1)
    io.encode(tmp_path / "a.fits", samples, tone="display")
    with fits.open(tmp_path / "a.fits", do_not_scale_image_data=True) as hdus:
        header, raw = hdus[0].header, hdus[0].data
        assert (header["BITPIX"], header["BSCALE"], header["BZERO"]) == (16, 1, 32768)
        np.testing.assert_array_equal(raw.astype(int) + 32768, samples[::-1, :, 0])


def test_chunks_of_a_png_follow_the_standard(tmp_path, picture):
    path = tmp_path / "a.png"
    io.encode(path, picture, tone="display", recipe=RECIPE)
    data = path.read_bytes()
    assert data.startswith(png.SIGNATURE)
    at, kinds, stream = 8, [], b""
    while at < len(data):
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        body = data[at + 8 : at + 8 + length]
        (check,) = struct.unpack(">I", data[at + 8 + length : at + 12 + length])
        assert check == zlib.crc32(kind + body)
        kinds.append(kind)
        stream += body if kind == b"IDAT" else b""
        if kind == b"cICP":  # ITU-T H.273: BT.709 primaries, sRGB transfer, identity, full range
            assert body == bytes((1, 13, 0, 1))
        at += 12 + length
    assert kinds[0] == b"IHDR"
    assert kinds[-1] == b"IEND"
    assert kinds.index(b"cICP") < kinds.index(b"IDAT")
    assert kinds.index(b"iCCP") < kinds.index(b"IDAT")
    assert len(zlib.decompress(stream)) == 48 * (1 + 64 * 6)  # zlib checks the joined Adler-32


def test_extended_xmp_follows_the_standard(tmp_path, picture, rng):
    # ISO 16684-3, 1.1.3.1: digest of the whole packet, its length, each part's offset; the standard packet names it.
    record = str(rng.integers(0, 2**60, 60_000).tolist())
    io.encode(tmp_path / "a.jpg", picture, tone="display", recipe=RECIPE, record=record)
    parts = [data for marker, data in jpeg.segments(tmp_path / "a.jpg") if marker == 0xE1]
    standard = next(p for p in parts if p.startswith(jpeg.XMP))
    extended = [p[len(jpeg.EXTENDED) :] for p in parts if p.startswith(jpeg.EXTENDED)]
    assert len(extended) > 2
    assert all(len(p) <= 65533 for p in parts)
    digest = re.search(rb"HasExtendedXMP[^>]*>([0-9A-F]{32})<", standard)[1]
    total = struct.unpack(">I", extended[0][32:36])[0]
    assert all(p[:32] == digest for p in extended)
    assert sum(len(p) - 40 for p in extended) == total
    with Image.open(tmp_path / "a.jpg") as image:
        image.load()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_turned_as_pillow_turns_it(tmp_path, rng, orientation):
    samples = rng.integers(0, 256, (7, 11, 3), dtype=np.uint8)
    image = Image.fromarray(samples)
    tags = {274: orientation}
    image.save(tmp_path / "a.tif", tiffinfo=tags)
    exif = Image.Exif()
    exif[274] = orientation
    streamed = streams.BytesIO()
    image.save(streamed, "PNG", exif=exif)
    with Image.open(streamed) as tagged:
        want = np.asarray(ImageOps.exif_transpose(tagged))
    np.testing.assert_array_equal(np.rint(io.decode(tmp_path / "a.tif").pixels * 255), want)


@pytest.mark.parametrize("mode", ["L", "RGB", "RGBA", "LA", "I;16", "F"])
def test_tiffs_of_pillow_are_read(tmp_path, rng, mode):
    if mode == "F":
        image = Image.fromarray(rng.uniform(0, 1, (9, 8)).astype(np.float32))
    elif mode == "I;16":
        image = Image.fromarray(rng.integers(0, 65536, (9, 8), dtype=np.uint16))
    else:
        shape = (9, 8, len(mode)) if len(mode) > 1 else (9, 8)
        image = Image.fromarray(rng.integers(1, 256, shape, dtype=np.uint8), mode=None)
    image.save(tmp_path / "a.tif", compression="tiff_lzw" if mode != "F" else None)
    got = io.decode(tmp_path / "a.tif")
    data = np.asarray(image).astype(np.float32).reshape(9, 8, -1)
    white = {"F": 1, "I;16": 65535}.get(mode, 255)
    colors = 3 if data.shape[2] >= 3 else 1
    np.testing.assert_array_equal(got.pixels, data[:, :, :colors] / np.float32(white))
    assert (got.coverage is None) == (mode in ("L", "RGB", "I;16", "F"))


ASTROPY = sorted((package("astropy") / "io/fits").rglob("data/*.fits")) + sorted(
    (package("astropy") / "wcs/tests/data").glob("*.fits*")
)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", ASTROPY, ids=lambda p: p.name)
def test_files_that_astropy_ships_are_read_as_astropy_reads_them(path):
    try:
        got = io.decode(path)
    except WorkbenchError as error:
        said = str(error)
    else:
        said = ""
    if said:
        assert re.search("holds no image|neither gray nor|is not a TIFF|no pixel has a value|damaged", said)
        return
    with fits.open(path, memmap=False) as hdus:
        images = (h for h in hdus if h.is_image and len(h.shape) > 1 and not isinstance(h, fits.GroupsHDU))
        data = np.asarray(next(images).data, np.float64)
    planes = np.moveaxis(got.pixels, 2, 0)[:, ::-1].astype(np.float64) * got.source.white_level
    want = data.reshape(planes.shape) if data.ndim == 2 or data.shape[0] in (1, 3) else np.moveaxis(data, 2, 0)
    known = np.isfinite(want)
    assert np.abs(planes - want)[known].max() <= 2e-7 * np.abs(want[known]).max()
    assert got.source.invalid == np.count_nonzero(~known)


def shipped():
    frames = [package("photutils") / "isophote/tests/data/minimum_radius_test.fits"]
    return frames + sorted(p for p in package("skimage").rglob("*.tif*") if p.suffix in (".tif", ".tiff"))


@pytest.mark.parametrize("path", shipped(), ids=lambda p: p.name)
def test_frames_that_photutils_and_scikit_image_ship_are_read(path):
    got = io.decode(path)
    if path.suffix == ".fits":
        want = fits.getdata(path)[::-1, :, None]
    else:
        want = tifffile.imread(path, key=0)
        want = np.moveaxis(want, 0, 2) if want.shape[0] == 3 else want.reshape(*want.shape[:2], -1)
    np.testing.assert_array_equal(got.pixels, want.astype(np.float32) / np.float32(got.source.white_level))

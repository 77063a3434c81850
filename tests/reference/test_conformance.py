"""Files of independent writers, pixel for pixel: what is read equals what was given to the writer, or is refused.

Writers: tifffile, Pillow, OpenCV, libtiff's tools (tiffcp, tiffset), ImageMagick's convert, astropy, CFITSIO's code in
astropy's tiles. The last two groups of tools are skipped where they are not installed. What is right is not what we
read before, but the array that the writer was handed; for lossy codecs what another decoder makes of the file.
"""

import itertools
import shutil
import subprocess

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

from workbench import io
from workbench.errors import WorkbenchError

H, W = 37, 53


def frame(dtype, channels, seed=3):
    rng = np.random.default_rng(seed)
    smooth = np.linspace(0, 1, H)[:, None, None] * np.linspace(0.2, 1, W)[None, :, None] * np.linspace(1, 0.5, channels)
    values = np.clip(smooth + rng.normal(0, 0.02, (H, W, channels)), 0, 1)
    if np.dtype(dtype).kind == "f":
        return values.astype(dtype)
    info = np.iinfo(dtype)
    return (values * info.max).astype(dtype)


def same(path, data, white=None):
    """Held against what the writer was given."""
    got = io.decode(path)
    top = white or (1.0 if data.dtype.kind == "f" else float(np.iinfo(data.dtype).max))
    want = data.reshape(H, W, -1).astype(np.float64) / top
    np.testing.assert_allclose(got.pixels, want, rtol=2e-7, atol=1e-7)
    return got


TIFFFILE = [
    (dtype, channels, options)
    for dtype, channels in itertools.product(
        (np.uint8, np.uint16, np.uint32, np.int16, np.float16, np.float32, np.float64), (1, 3)
    )
    for options in (
        {},
        {"byteorder": ">"},
        {"bigtiff": True},
        {"rowsperstrip": 5},
        {"tile": (16, 32)},
        {"compression": "deflate", "rowsperstrip": 7},
        {"compression": "deflate", "predictor": True},
        {"compression": "lzw", "predictor": True, "tile": (32, 16)},
        {"compression": "packbits"},
        {"compression": "lzma"},
        {"compression": "zstd", "predictor": True},
        {"planar": True},
        {"planar": True, "compression": "lzw", "tile": (16, 16)},
        {"pages": 3},
    )
    if not (options.get("planar") and channels == 1)
    if not (options.get("predictor") and np.dtype(dtype) in (np.float16, np.int16))
]


@pytest.mark.parametrize(("dtype", "channels", "options"), TIFFFILE, ids=str)
def test_tifffile(tmp_path, dtype, channels, options):
    data, options = frame(dtype, channels), dict(options)
    stored = data[:, :, 0] if channels == 1 else data
    if options.pop("planar", False):
        stored, options["planarconfig"] = np.moveaxis(data, 2, 0).copy(), "separate"
    pages = options.pop("pages", 1)
    head = {name: options.pop(name) for name in ("byteorder", "bigtiff") if name in options}
    with tifffile.TiffWriter(tmp_path / "a.tif", **head) as writer:
        for page in range(pages):
            writer.write(stored if page == 0 else stored[..., ::-1].copy(), metadata=None,
                         photometric="rgb" if channels == 3 else "minisblack", **options)  # fmt: skip
    same(tmp_path / "a.tif", data)


@pytest.mark.parametrize("codec", ["jpeg", "webp", "jpeg2000", "jpegxl", "lerc", "png", "jpegxr"])
def test_other_codecs_inside_tiff_are_read_as_tifffile_reads_them_or_refused(tmp_path, codec):
    data = frame(np.uint8, 3)
    try:
        tifffile.imwrite(tmp_path / "a.tif", data, photometric="rgb", compression=codec)
    except Exception as error:  # noqa: BLE001 - the writer lacks the codec
        pytest.skip(str(error)[:60])
    try:
        got = io.decode(tmp_path / "a.tif")
    except WorkbenchError as error:
        said = str(error)
    else:
        said = ""
    if said:
        assert "\n" not in said
        return
    np.testing.assert_array_equal(np.rint(got.pixels * 255), tifffile.imread(tmp_path / "a.tif"))


PILLOW = [
    (mode, suffix, options)
    for mode in ("1", "L", "LA", "P", "RGB", "RGBA", "RGBX", "CMYK", "YCbCr", "LAB", "I;16", "I", "F")
    for suffix, options in (
        (".tif", {}),
        (".tif", {"compression": "tiff_lzw"}),
        (".tif", {"compression": "tiff_adobe_deflate"}),
        (".png", {}),
        (".jpg", {"quality": 95}),
    )
]
REFUSED = {"1", "P", "CMYK", "YCbCr", "LAB"}  #: bits, palettes, and colors of print, video and CIE


@pytest.mark.parametrize(("mode", "suffix", "options"), PILLOW, ids=str)
def test_pillow(tmp_path, mode, suffix, options):
    path = tmp_path / f"a{suffix}"
    data = frame(np.uint8, 3)
    image = (
        Image.fromarray(frame(np.uint16, 1)[:, :, 0]) if mode == "I;16"
        else Image.fromarray(frame(np.float32, 1)[:, :, 0]) if mode == "F"
        else Image.fromarray(frame(np.uint16, 1)[:, :, 0].astype(np.int32)) if mode == "I"
        else Image.fromarray(data).convert(mode)
    )  # fmt: skip
    try:
        image.save(path, **options)
    except (OSError, ValueError, KeyError) as error:
        pytest.skip(f"Pillow does not write this: {error}")
    with Image.open(path) as saved:
        kept, how = np.asarray(saved), saved.mode
    try:
        got = io.decode(path)
    except WorkbenchError as error:
        said = str(error)
    else:
        said = ""
    if said:
        assert mode in REFUSED, said
        assert "damaged" not in said
        return
    if mode in REFUSED:
        assert how in ("RGB", "L", "1")  # JPEG keeps YCbCr, which decoders turn into RGB; bits are gray in JPEG and PNG
    white = {"1": 1, "F": 1, "I": 2**31 - 1, "I;16": 65535}.get(how, 255)
    colors = 3 if kept.ndim == 3 and kept.shape[2] >= 3 else 1
    want = kept.reshape(H, W, -1)[:, :, :colors].astype(np.float64) / white
    # Decoders of JPEG may round a color differently by a step or two (ISO 10918-2 allows it).
    np.testing.assert_allclose(got.pixels, want, atol=3 / 255 if suffix == ".jpg" else 1e-6)


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("channels", [1, 3, 4])
def test_opencv(tmp_path, suffix, dtype, channels):
    if (suffix != ".tif" and dtype is np.float32) or (suffix == ".jpg" and (dtype is not np.uint8 or channels == 4)):
        pytest.skip("OpenCV does not write this")
    path = tmp_path / f"a{suffix}"
    data = frame(dtype, channels)
    given = data[:, :, 0] if channels == 1 else data[:, :, [2, 1, 0, 3][:channels]]
    assert cv2.imwrite(str(path), given)
    if suffix == ".jpg":
        want = cv2.imread(str(path), cv2.IMREAD_UNCHANGED).reshape(H, W, channels)[:, :, ::-1]
        assert np.abs(io.decode(path).pixels * 255 - want).max() <= 3
        return
    colors = 1 if channels == 1 else 3
    got = same(path, data[:, :, :colors])
    if suffix == ".tif":
        assert got.coverage is None  # OpenCV does not say what its fourth sample is


@pytest.mark.skipif(shutil.which("tiffcp") is None, reason="libtiff's tools are not installed")
@pytest.mark.parametrize("options", [
    "-c none", "-c lzw", "-c lzw:2", "-c zip", "-c zip:2", "-c packbits", "-t -w 16 -l 16", "-t -w 32 -l 48 -c zip",
    "-s -r 3", "-B", "-L", "-8", "-f lsb2msb", "-c lzw -8 -B",
])  # fmt: skip
@pytest.mark.parametrize(
    ("dtype", "channels"), [(np.uint8, 1), (np.uint8, 3), (np.uint16, 1), (np.uint16, 3), (np.float32, 3)]
)
def test_libtiff(tmp_path, options, dtype, channels):
    data = frame(dtype, channels)
    tifffile.imwrite(tmp_path / "a.tif", data if channels == 3 else data[:, :, 0], metadata=None,
                     photometric="rgb" if channels == 3 else "minisblack")  # fmt: skip
    done = subprocess.run(
        ["tiffcp", *options.split(), "a.tif", "b.tif"], cwd=tmp_path, capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip(done.stderr.decode()[:80])
    same(tmp_path / "b.tif", data)


@pytest.mark.skipif(shutil.which("tiffset") is None, reason="libtiff's tools are not installed")
@pytest.mark.parametrize(
    ("tag", "value", "words"), [(262, 0, None), (262, 3, "palette"), (262, 6, "YCbCr"), (262, 8, "Lab")]
)
def test_what_tiffset_flags_otherwise(tmp_path, tag, value, words):
    data = frame(np.uint8, 1 if value == 0 else 3)
    tifffile.imwrite(tmp_path / "a.tif", data[:, :, 0] if value == 0 else data, metadata=None,
                     photometric="minisblack" if value == 0 else "rgb")  # fmt: skip
    subprocess.run(["tiffset", "-s", str(tag), str(value), "a.tif"], cwd=tmp_path, check=True, capture_output=True)
    if words is None:
        same(tmp_path / "a.tif", 255 - data)
        return
    with pytest.raises(WorkbenchError, match=words):
        io.decode(tmp_path / "a.tif")


@pytest.mark.skipif(shutil.which("convert") is None, reason="ImageMagick is not installed")
@pytest.mark.parametrize(("name", "options"), [
    ("a.tif", "-compress none"), ("a.tif", "-compress lzw"), ("a.tif", "-compress zip"), ("a.tif", "-compress rle"),
    ("a.tif", "-define tiff:endian=msb"), ("a.tif", "-define tiff:tile-geometry=32x32"), ("a.png", ""),
    ("a.png", "-interlace PNG"), ("a.png", "-quality 05"), ("a.fits", ""),
])  # fmt: skip
@pytest.mark.parametrize(("dtype", "channels"), [(np.uint8, 1), (np.uint8, 3), (np.uint16, 1), (np.uint16, 3)])
def test_imagemagick(tmp_path, name, options, dtype, channels):
    if name == "a.fits" and channels == 3:
        pytest.skip("ImageMagick writes one plane")
    data = frame(dtype, channels)
    head = f"P{6 if channels == 3 else 5} {W} {H} {np.iinfo(dtype).max}\n".encode()
    (tmp_path / "a.ppm").write_bytes(head + data.astype(data.dtype.newbyteorder(">")).tobytes())
    done = subprocess.run(["convert", "a.ppm", *options.split(), name], cwd=tmp_path, capture_output=True, check=False)
    if done.returncode or not (tmp_path / name).exists():
        pytest.skip(f"convert does not write this: {done.stderr.decode()[:60]}")
    same(tmp_path / name, data)


ASTROPY = [
    (dtype, planes, options)
    for dtype in (np.uint8, np.int16, np.uint16, np.int32, np.uint32, np.float32, np.float64)
    for planes in (1, 3)
    for options in ({}, {"extension": True}, {"gzip": True}, {"code": "RICE_1"}, {"code": "GZIP_1"}, {"code": "GZIP_2"},
                    {"code": "HCOMPRESS_1"}, {"code": "PLIO_1"})
    if not (options.get("code") in ("RICE_1", "HCOMPRESS_1", "PLIO_1") and np.dtype(dtype).kind == "f")
    if not (options.get("code") == "PLIO_1" and np.dtype(dtype).itemsize > 2)
    if not (options.get("code") == "HCOMPRESS_1" and (planes == 3 or np.dtype(dtype) in (np.int32, np.uint32)))
]  # fmt: skip


@pytest.mark.parametrize(("dtype", "planes", "options"), ASTROPY, ids=str)
def test_astropy(tmp_path, dtype, planes, options):
    data = frame(dtype, planes)
    if options.get("code") == "PLIO_1":
        data = (data >> (4 if np.dtype(dtype).itemsize > 1 else 0)).astype(dtype)  # PLIO holds up to 24 bits, no sign
    stored = np.moveaxis(data, 2, 0)[:, ::-1].copy()
    stored = stored[0] if planes == 1 else stored
    path = tmp_path / ("a.fits.gz" if options.get("gzip") else "a.fits")
    if "code" in options:
        quantised = {"quantize_level": 0} if np.dtype(dtype).kind == "f" else {}
        try:
            image = fits.CompImageHDU(stored, compression_type=options["code"], **quantised)
            fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
            want = fits.getdata(path, 1)
        except Exception as error:  # noqa: BLE001 - astropy's own codes do not take every type
            pytest.skip(str(error)[:60])
        if not np.array_equal(want, stored):
            pytest.skip("this code loses what this type holds")
    elif options.get("extension"):
        fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(stored)]).writeto(path)
    else:
        fits.writeto(path, stored)
    same(path, data)

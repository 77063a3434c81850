"""Files that are no stacks: one sentence, no other error, no hang, no memory taken for what a header merely claims."""

import contextlib
import gzip
import struct
import threading
import time
import tracemalloc
import warnings
import zlib

import numpy as np
import pytest
import tifffile
from astropy.io import fits

from workbench import io
from workbench.errors import WorkbenchError
from workbench.io.formats import png

H, W = 20, 23


def refused(path, words="."):
    with pytest.raises(WorkbenchError, match=words) as caught:
        io.decode(path)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert path.name in sentence
    return sentence


def test_missing_files_folders_and_devices_are_named(tmp_path):
    refused(tmp_path / "none.tif", "no such file")
    refused(tmp_path, "is a folder")
    refused(tmp_path / ("x" * 300), "name is too long")
    (tmp_path / "file").write_text("x")
    refused(tmp_path / "file" / "a.tif", "not a folder")


def test_an_unreadable_file_is_named(tmp_path, monkeypatch):
    # Permission bits do not stop an administrator, so the system's refusal is brought about at the call.
    path = tmp_path / "a.tif"
    path.write_bytes(b"II*\0")
    real = type(path).open

    def closed(self, *args, **kwargs):
        if self == path:
            raise PermissionError(13, "Permission denied", str(self))
        return real(self, *args, **kwargs)

    monkeypatch.setattr(type(path), "open", closed)
    refused(path, "no permission")


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"", "is empty"), (b"\0" * 5000, "only zeros"), (b"hello, this is text", "is not a TIFF"),
     (b"II*\0", "damaged|no page"), (b"SIMPLE  =", "damaged|no image"), (b"\x89PNG\r\n\x1a\n", "damaged"),
     (b"\xff\xd8\xff", "damaged"), (b"\x1f\x8b", "damaged"), (gzip.compress(b"text", mtime=0), "damaged|no image")],
)  # fmt: skip
@pytest.mark.parametrize("name", ["a.tif", "a.fits"])
def test_files_without_an_image_are_refused(tmp_path, content, words, name):
    (tmp_path / name).write_bytes(content)
    refused(tmp_path / name, words)
    with pytest.raises(WorkbenchError):
        io.embedded(tmp_path / name / "x")


def test_content_counts_and_not_the_name(tmp_path, rng):
    samples = rng.integers(0, 65536, (H, W, 3), dtype=np.uint16)
    io.encode(tmp_path / "a.png", samples, tone="display")
    (tmp_path / "a.png").rename(tmp_path / "a.fits")
    got = io.decode(tmp_path / "a.fits")
    assert got.source.format == "png"
    np.testing.assert_array_equal(got.pixels, samples.astype(np.float32) / np.float32(65535))


def huge_tiff(path, compression):
    tifffile.imwrite(path, np.zeros((8, 8), np.uint16), photometric="minisblack", compression=compression)
    with tifffile.TiffFile(path, mode="r+b") as file:
        for code in (256, 257):
            tag = file.pages[0].tags[code]
            tag.overwrite(1_000_000, dtype=4)


def huge_fits(path):
    header = fits.PrimaryHDU(np.zeros((2, 2), np.float32)).header
    header["NAXIS1"] = header["NAXIS2"] = 1_000_000
    path.write_bytes(header.tostring().encode() + bytes(2880))


def huge_png(path):
    head = struct.pack(">IIBBBBB", 1_000_000, 1_000_000, 16, 2, 0, 0, 0)
    pixels = png.chunk(b"IDAT", zlib.compress(b"\0" * 10_000))
    path.write_bytes(png.SIGNATURE + png.chunk(b"IHDR", head) + pixels + png.chunk(b"IEND"))


def huge_jpeg(path):
    io.encode(path, np.zeros((8, 8, 3), np.float32), tone="display")
    data = bytearray(path.read_bytes())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = b"\xff\xdc\xff\xdc"
    path.write_bytes(data)


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("plain.tif", lambda p: huge_tiff(p, None)),
        ("deflate.tif", lambda p: huge_tiff(p, "deflate")),
        ("zstd.tif", lambda p: huge_tiff(p, "zstd")),
        ("a.fits", huge_fits),
        ("a.png", huge_png),
        ("a.jpg", huge_jpeg),
    ],
)
def test_a_huge_claim_is_refused_before_memory_is_taken(tmp_path, name, make):
    make(tmp_path / name)
    tracemalloc.start()
    try:
        refused(tmp_path / name, "million|cannot hold")
        assert tracemalloc.get_traced_memory()[1] < 64 << 20
    finally:
        tracemalloc.stop()


def test_a_packed_fits_cannot_claim_more_than_gzip_can_hold(tmp_path):
    huge_fits(tmp_path / "a.fits")
    (tmp_path / "a.fits.gz").write_bytes(gzip.compress((tmp_path / "a.fits").read_bytes()))
    refused(tmp_path / "a.fits.gz", "million|cannot hold")


@pytest.mark.timeout(60)
def test_a_damaged_size_that_leads_back_in_the_file_ends(tmp_path):
    header = fits.PrimaryHDU(np.zeros((4, 4), np.float32)).header
    header["NAXIS2"] = -2000
    (tmp_path / "a.fits").write_bytes(header.tostring().encode() + bytes(2880 * 3))
    refused(tmp_path / "a.fits")
    with contextlib.suppress(WorkbenchError):
        assert io.embedded(tmp_path / "a.fits") == io.Embedded()
    table = fits.BinTableHDU.from_columns([fits.Column("A", "J", array=np.arange(5))]).header
    table["PCOUNT"] = -5760
    good = fits.PrimaryHDU(np.ones((4, 4), np.float32)).header.tostring().encode() + np.ones(16, ">f4").tobytes()
    (tmp_path / "b.fits").write_bytes(good.ljust(5760, b"\0") + table.tostring().encode() + bytes(2880))
    assert (io.decode(tmp_path / "b.fits").pixels == 1).all()
    assert io.embedded(tmp_path / "b.fits") == io.Embedded()


def samples(folder, rng):
    """Small valid files of every format and of the ways they are packed."""
    frame = rng.integers(0, 65536, (H, W, 3), dtype=np.uint16)
    planes = np.moveaxis(frame, 2, 0).copy()
    plain = {"photometric": "rgb"}
    tifffile.imwrite(folder / "plain.tif", frame, **plain)
    tifffile.imwrite(folder / "big.tif", frame, byteorder=">", bigtiff=True, rowsperstrip=7, **plain)
    tifffile.imwrite(folder / "planar.tif", planes, planarconfig="separate", compression="lzw", predictor=2, **plain)
    tifffile.imwrite(folder / "tiles.tif", frame, tile=(16, 16), compression="deflate", **plain)
    tifffile.imwrite(folder / "zstd.tif", frame.astype(np.float32), compression="zstd", predictor=3, **plain)
    tifffile.imwrite(folder / "packbits.tif", frame, compression="packbits", rowsperstrip=4, **plain)
    fits.writeto(folder / "float.fits", planes.astype(np.float32))
    fits.writeto(folder / "unsigned.fits", planes)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(planes[0])]).writeto(folder / "tile.fits")
    fits.writeto(folder / "packed.fits.gz", planes)
    known = {"acquisition": None, "recipe": '{"a": 1}', "record": "x" * 70_000}
    io.encode(folder / "ours.tif", frame, tone="display", **known)
    io.encode(folder / "ours.fits", frame, tone="display", **known)
    io.encode(folder / "ours.png", frame, tone="display", **known)
    io.encode(folder / "ours.jpg", frame, tone="display", **known)
    return sorted(folder.iterdir())


def test_a_file_cut_off_anywhere_is_refused_or_still_whole(tmp_path, rng):
    (tmp_path / "whole").mkdir()
    for path in samples(tmp_path / "whole", rng):
        data = path.read_bytes()
        whole = io.decode(path).pixels
        cut = tmp_path / path.name
        for end in sorted({*rng.integers(1, len(data), 12).tolist(), len(data) - 1}):
            cut.write_bytes(data[:end])
            try:
                got = io.decode(cut)
            except WorkbenchError:
                continue
            if path.suffix == ".jpg":  # the format is made to show what there is
                assert got.pixels.shape == whole.shape
            else:
                np.testing.assert_array_equal(got.pixels, whole, err_msg=f"{path.name} cut at {end}")


def mutated(data, rng):
    """A few bits flipped, bytes replaced, inserted or taken out; more often near the head, where structure lies."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.integers(0, min(len(out), 600) if rng.random() < 0.7 else len(out)))
        what = rng.integers(0, 5)
        if what == 0:
            out[at] ^= 1 << int(rng.integers(0, 8))
        elif what == 1:
            out[at] = int(rng.integers(0, 256))
        elif what == 2:
            out[at:at] = rng.integers(0, 256, int(rng.integers(1, 9)), dtype=np.uint8).tobytes()
        elif what == 3:
            del out[at : at + int(rng.integers(1, 9))]
        else:
            out[at : at + 4] = b"\xff\xff\xff\x7f"
        out = out or bytearray(b"\0")
    return bytes(out)


@pytest.mark.parametrize("seed", range(4))
def test_mutated_files_give_a_frame_or_one_sentence(tmp_path, seed):
    rng = np.random.default_rng(seed)
    (tmp_path / "whole").mkdir()
    worst = 0.0
    tracemalloc.start()
    try:
        for path in samples(tmp_path / "whole", rng):
            data = path.read_bytes()
            target = tmp_path / path.name
            for _ in range(20):
                target.write_bytes(mutated(data, rng))
                tracemalloc.reset_peak()
                started = time.monotonic()
                for read in (io.decode, io.embedded):
                    try:
                        got = read(target)
                    except WorkbenchError as error:
                        assert "\n" not in str(error)  # noqa: PT017 - an error is one of two good outcomes
                        continue
                    if read is io.decode:
                        assert got.pixels.dtype == np.float32
                        assert got.pixels.ndim == 3
                        assert np.isfinite(got.pixels).all()
                worst = max(worst, time.monotonic() - started)
                assert tracemalloc.get_traced_memory()[1] < 600 << 20, path.name
    finally:
        tracemalloc.stop()
    assert worst < 60  # a hang, not a speed
    assert threading.active_count() < 20


def test_reading_warns_nobody_and_leaves_the_warning_filters_alone(tmp_path, rng, capfd):
    before = list(warnings.filters)
    for path in samples(tmp_path, rng):
        damaged = bytearray(path.read_bytes())
        damaged[100:110] = b"\xff" * 10
        path.write_bytes(damaged)
        with contextlib.suppress(WorkbenchError):
            io.decode(path)
    assert warnings.filters == before
    assert capfd.readouterr() == ("", "")

"""Files made to take the memory or the time of a computer, or to bring down the process: one sentence, and quickly."""

import gzip
import io as streams
import json
import re
import resource
import struct
import subprocess
import sys
import textwrap
import zlib

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits

from workbench import io, stack
from workbench.errors import WorkbenchError
from workbench.io import Limits, apart, limits
from workbench.io.formats import jpeg, png


def in_a_process(paths):
    """Read files in one process that nothing may bring down: what it says of each, and the most memory it took."""
    code = textwrap.dedent(
        """
        import resource, sys
        from workbench import io
        from workbench.errors import WorkbenchError
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        for path in sys.argv[1:]:
            try:
                io.decode(path)
                print("read")
            except WorkbenchError as error:
                print(error)
            try:
                io.embedded(path)
            except WorkbenchError as error:
                assert "\\n" not in str(error)
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
        """
    )
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code, *map(str, paths)], capture_output=True, text=True, timeout=200,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-500:]
    *said, kilobytes = done.stdout.splitlines()
    assert len(said) == len(paths)
    return said, int(kilobytes) * 1024


@pytest.fixture
def hcompress(tmp_path, rng):
    """A sound file of 48 x 48 samples in one tile."""
    path = tmp_path / "tile.fits"
    data = rng.integers(0, 200, (48, 48), dtype=np.int16)
    image = fits.CompImageHDU(data, compression_type="HCOMPRESS_1", tile_shape=(48, 48))
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    return path, data


def with_word(path, word, value):
    data = path.read_bytes()
    at = data.index(word.ljust(8).encode() + b"=")
    card = f"{word:8}= {value:>20}".ljust(30).encode()
    path.write_bytes(data[:at] + card + data[at + 30 :])


def test_tiles_of_hcompress_are_read_as_they_were(hcompress):
    path, data = hcompress
    np.testing.assert_array_equal(np.rint(io.decode(path).pixels[::-1, :, 0] * 32767), data)


def test_a_tile_that_is_not_the_images_is_refused_and_the_process_lives(hcompress, tmp_path):
    path, _ = hcompress
    lies = [
        ("ZTILE1", 21),
        ("ZTILE1", 47),
        ("ZTILE2", 1),
        ("ZTILE1", 0),
        ("ZNAXIS1", 4800),
        ("ZNAXIS2", 96),
        ("PCOUNT", 7),
    ]
    paths = [tmp_path / f"{word}-{value}.fits" for word, value in lies]
    for copy, lie in zip(paths, lies, strict=True):
        copy.write_bytes(path.read_bytes())
        with_word(copy, *lie)
    said, _ = in_a_process(paths)
    for sentence in said:
        assert "damaged" in sentence or "cannot hold" in sentence


def test_a_stream_that_leads_its_decoder_astray_ends_a_process_of_its_own(hcompress):
    path, _ = hcompress
    sound = path.read_bytes()
    at = sound.index(b"\xdd\x99")
    rng = np.random.default_rng(1)
    for _ in range(6):
        broken = bytearray(sound)
        for place in rng.integers(at + 14, at + 600, 12):
            broken[place] = rng.integers(0, 256)
        path.write_bytes(broken)
        try:
            assert io.decode(path).pixels.shape == (48, 48, 1)
        except WorkbenchError as error:
            assert "damaged" in str(error)  # noqa: PT017 - either is a good outcome
    path.write_bytes(sound)


def test_a_decoder_that_dies_is_told_in_one_sentence(hcompress, tmp_path, monkeypatch):
    path, _ = hcompress
    dying = tmp_path / "dies.py"
    dying.write_text("import os\nos.abort()\n")
    monkeypatch.setattr(apart, "SCRIPT", dying)
    with pytest.raises(WorkbenchError, match="damaged"):
        io.decode(path)


@pytest.mark.parametrize("codec", ["webp", "jpeg2000", "jpegxl", "lerc", "png", "jpegxr"])
def test_picture_codecs_inside_tiff_cannot_end_the_process(tmp_path, rng, codec, monkeypatch):
    path, data = tmp_path / "a.tif", rng.integers(0, 256, (64, 80, 3), dtype=np.uint8)
    tifffile.imwrite(path, data, photometric="rgb", compression=codec, tile=(32, 48))
    want = tifffile.imread(path)
    np.testing.assert_array_equal(np.rint(io.decode(path).pixels * 255), want)
    dying = tmp_path / "dies.py"
    dying.write_text("import os\nos.abort()\n")
    monkeypatch.setattr(apart, "SCRIPT", dying)
    with pytest.raises(WorkbenchError, match="damaged"):
        io.decode(path)


def test_a_picture_inside_tiff_that_claims_more_than_its_page_takes_no_memory(tmp_path, rng):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, rng.integers(0, 256, (64, 80, 3), dtype=np.uint8), photometric="rgb", compression="png")
    data = bytearray(path.read_bytes())
    at = data.index(b"IHDR")
    data[at + 4 : at + 12] = struct.pack(">II", 30_000, 30_000)
    data[at + 17 : at + 21] = struct.pack(">I", zlib.crc32(data[at : at + 17]))
    path.write_bytes(data)
    said, memory = in_a_process([path])
    assert "damaged" in said[0]
    assert memory < 200 << 20


@pytest.mark.parametrize("number", [9, 34718, 50003])
def test_a_compression_of_tiff_that_is_not_known_is_not_called_damage(tmp_path, number):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.zeros((8, 9), np.uint8), photometric="minisblack", compression="png")
    with tifffile.TiffFile(path, mode="r+b") as file:
        file.pages[0].tags[259].overwrite(number, dtype=3)
    with pytest.raises(WorkbenchError, match="of a kind that is not supported"):
        io.decode(path)


def test_a_block_size_of_nothing_does_not_hang(tmp_path, rng):
    path = tmp_path / "rice.fits"
    image = fits.CompImageHDU(rng.integers(0, 200, (48, 48), dtype=np.int16), compression_type="RICE_1")
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    with_word(path, "ZVAL1", 0)
    with pytest.raises(WorkbenchError, match="damaged"):
        io.decode(path)


def test_a_code_that_is_not_known_is_not_called_damage(tmp_path, rng):
    path = tmp_path / "other.fits"
    image = fits.CompImageHDU(rng.integers(0, 200, (48, 48), dtype=np.int16), compression_type="RICE_1")
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    path.write_bytes(path.read_bytes().replace(b"'RICE_1  '", b"'NEWCODE '"))
    with pytest.raises(WorkbenchError, match="not supported") as caught:
        io.decode(path)
    assert "damaged" not in str(caught.value)


def large_jpeg(path, side=20_000):
    """A small gray picture whose head claims 20 000 x 20 000, with 600 kB of scan."""
    io.encode(path, np.zeros((16, 16, 3), np.float32), tone="display")
    data = bytearray(path.read_bytes())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", side, side)
    path.write_bytes(data[:-2] + bytes(600_000) + data[-2:])


def png_with_chunks(path, *extra, pixels=None):
    """A PNG of 4 x 4 gray pixels with more chunks before the pixels."""
    head = struct.pack(">IIBBBBB", 4, 4, 8, 0, 0, 0, 0)
    data = zlib.compress(bytes(5 * 4)) if pixels is None else pixels
    parts = [png.chunk(b"IHDR", head), *extra, png.chunk(b"IDAT", data), png.chunk(b"IEND")]
    path.write_bytes(png.SIGNATURE + b"".join(parts))


def packed_xmp(body, times):
    """An iTXt chunk whose packet holds ``body`` so many times."""
    packer = zlib.compressobj(9)
    head = b'<x:xmpmeta xmlns:x="adobe:ns:meta/">'
    data = packer.compress(head)
    block = body * 100_000
    for _ in range(times // 100_000):
        data += packer.compress(block)
    data += packer.compress(b"</x:xmpmeta>") + packer.flush()
    return png.chunk(b"iTXt", png.XMP_KEYWORD + b"\0\1\0\0\0", data)


def elements(path):
    png_with_chunks(path, packed_xmp(b"<a/>", 60_000_000))


def packets(path):
    one = packed_xmp(b" " * 10, 25_000_000)
    png_with_chunks(path, *[one] * 20)


def endless_header(path):
    card = b"COMMENT " + b"x" * 72
    with gzip.open(path, "wb") as file:
        file.write(fits.PrimaryHDU().header.tostring().encode()[:240])
        for _ in range(60_000_000 // 80 // 1000):
            file.write(card * 1000)


def far_image(path):
    table = fits.BinTableHDU.from_columns([fits.Column("A", "J", array=np.arange(4))]).header
    table["NAXIS2"] = 5_000_000_000
    empty = gzip.compress(bytes(1 << 26), 9)
    with path.open("wb") as file:
        file.write(gzip.compress(fits.PrimaryHDU().header.tostring().encode() + table.tostring().encode()))
        for _ in range(20_000_000_000 >> 26):
            file.write(empty)
        file.write(gzip.compress(fits.ImageHDU(np.zeros((4, 4), np.float32)).header.tostring().encode() + bytes(2880)))


BOMBS = {
    "a.jpg": (large_jpeg, "cannot hold"),
    "a.png": (elements, "read"),
    "b.png": (packets, "read"),
    "a.fits.gz": (endless_header, "without an end"),
    "b.fits.gz": (far_image, "20.0 GB of other data"),
}


@pytest.mark.timeout(240)
def test_bombs_are_put_aside(tmp_path):
    # Without limits each took over 100 s, or 5.7 GB.
    for name, (make, _) in BOMBS.items():
        make(tmp_path / name)
    said, memory = in_a_process([tmp_path / name for name in BOMBS])
    for sentence, (_, words) in zip(said, BOMBS.values(), strict=True):
        assert words in sentence
    assert memory < 400 << 20


def test_what_was_left_of_a_bomb_is_said(tmp_path):
    elements(tmp_path / "a.png")
    assert any("XMP packet has over" in remark for remark in io.decode(tmp_path / "a.png").source.remarks)


def test_limits_are_raised_by_an_argument(tmp_path):
    path = tmp_path / "a.tif"
    io.encode(path, np.zeros((40, 50, 3), np.float32), tone="linear", recipe="{}")
    for low in (Limits(pixels=1999), Limits(free_memory=23_000)):
        with pytest.raises(WorkbenchError, match=r"limits=Limits|are free"):
            io.decode(path, limits=low)
        with pytest.raises(WorkbenchError, match=r"limits=Limits|are free"):
            stack.read(path, limits=low)
    assert io.decode(path, limits=Limits(pixels=2000, free_memory=25_000)).pixels.shape == (40, 50, 3)
    assert io.embedded(path, limits=Limits(text_bytes=100)) == io.Embedded()
    assert io.embedded(path) == io.Embedded("{}", None)


@pytest.mark.parametrize("name", ["a.tif", "a.fits", "a.png", "a.jpg"])
def test_memory_is_asked_for_before_it_is_taken(tmp_path, name, monkeypatch):
    io.encode(tmp_path / name, np.zeros((400, 500, 3), np.float32), tone="display")
    monkeypatch.setattr(limits, "free_memory", lambda: 1_000_000)
    monkeypatch.setattr(limits, "ALWAYS_THERE", 0)
    with pytest.raises(WorkbenchError, match=r"500 x 400 pixels: reading it needs \d+ MB of memory, 1 MB are free"):
        io.decode(tmp_path / name)


def test_free_memory_obeys_the_limit_of_the_process():
    code = (
        "import resource; from workbench.memory import free_memory; "
        "resource.setrlimit(resource.RLIMIT_AS, (3_000_000_000, resource.getrlimit(resource.RLIMIT_AS)[1])); "
        "print(free_memory())"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert 0 < int(done.stdout) < 3_000_000_000
    assert resource.getrlimit(resource.RLIMIT_AS)  # there is one to ask


def test_a_tile_larger_than_the_image_is_refused(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.zeros((32, 32), np.uint16), photometric="minisblack", tile=(16, 16), compression="zlib")
    with tifffile.TiffFile(path, mode="r+b") as file:
        for code in (322, 323):
            file.pages[0].tags[code].overwrite(1 << 16, dtype=4)
    with pytest.raises(WorkbenchError, match=r"tiles|damaged"):
        io.decode(path)


@pytest.mark.parametrize("text", ["x\0y", "x\x0by", "x\ufffey", "x\ud800y", "a\x1f<&>\"'"])
@pytest.mark.parametrize("name", ["a.tif", "a.png", "a.jpg", "a.fits"])
def test_no_text_of_a_side_file_costs_a_picture_its_recipe(tmp_path, rng, name, text):
    plain = tmp_path / "night.tif"
    tifffile.imwrite(plain, rng.integers(0, 65536, (8, 9, 3), dtype=np.uint16), photometric="rgb")
    side = tmp_path / "night.acquisition.json"
    side.write_text(json.dumps({"camera": text, "date": text, "filter": text, "place": text, "frames": 7}))
    known = stack.read(plain).acquisition
    assert known.frames == 7
    for acquisition in (known, io.decode(plain).acquisition.merged(type(known)(camera=text, date=text, filter=text))):
        pixels = rng.uniform(0, 1, (8, 9, 3)).astype(np.float32)
        io.encode(tmp_path / name, pixels, tone="display", acquisition=acquisition, recipe='{"a": 1}', record="{}",
                  overwrite=True)  # fmt: skip
        assert io.embedded(tmp_path / name) == io.Embedded('{"a": 1}', "{}")
        got = stack.read(tmp_path / name)
        assert got.tone == "display"
        assert got.acquisition.frames == 7


def test_half_a_jpeg_is_refused(tmp_path, rng):
    path = tmp_path / "a.jpg"
    io.encode(path, rng.uniform(0, 1, (64, 64, 3)).astype(np.float32), tone="display")
    data = path.read_bytes()
    assert jpeg.scans_of(data) == (1, True)
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(WorkbenchError, match="cut off"):
        io.decode(path)


def test_a_picture_in_too_many_passes_is_refused(tmp_path, rng):
    path = tmp_path / "a.jpg"
    done, coded = cv2.imencode(
        ".jpg", rng.integers(0, 256, (16, 16), dtype=np.uint8), [cv2.IMWRITE_JPEG_PROGRESSIVE, 1]
    )
    assert done
    data = coded.tobytes()
    scans, ended = jpeg.scans_of(data)
    assert ended
    assert scans == 6  # libjpeg's own passes for one channel (jcparam.c, jpeg_simple_progression; from memory)
    last = data.rindex(b"\xff\xda")
    path.write_bytes(data[:-2] + data[last:-2] * 100 + data[-2:])
    with pytest.raises(WorkbenchError, match="passes over its image"):
        io.decode(path)


@pytest.mark.parametrize("change", ["data", "header", None])
def test_a_checksum_that_does_not_hold_is_said(tmp_path, rng, change):
    # The standard's own check of what astropy wrote: fits.open(..., checksum=True) warns in the same cases.
    path = tmp_path / "a.fits"
    fits.writeto(path, rng.uniform(0, 1, (40, 51)).astype(np.float32), checksum=True)
    data = bytearray(path.read_bytes())
    if change == "data":
        data[2880 + 400] ^= 1
    if change == "header":
        at = data.index(b"conforms")
        data[at : at + 8] = b"CONFORMS"
    path.write_bytes(data)
    remarks = " ".join(stack.read(path).source.remarks)
    assert ("checksum" in remarks) == (change is not None)
    assert ("DATASUM" in remarks) == (change == "data")


def test_a_checksum_of_packed_files_is_read_too(tmp_path, rng):
    plain = streams.BytesIO()
    fits.PrimaryHDU(rng.uniform(0, 1, (40, 51)).astype(np.float32)).writeto(plain, checksum=True)
    data = bytearray(plain.getvalue())
    (tmp_path / "a.fits.gz").write_bytes(gzip.compress(data))
    assert "checksum" not in " ".join(io.decode(tmp_path / "a.fits.gz").source.remarks)
    data[3000] ^= 8
    (tmp_path / "a.fits.gz").write_bytes(gzip.compress(data))
    assert "checksum" in " ".join(io.decode(tmp_path / "a.fits.gz").source.remarks)


def test_a_jpeg_in_a_tiff_that_claims_more_than_its_page_is_refused(tmp_path, rng):
    path = tmp_path / "a.tif"
    data = rng.integers(0, 256, (64, 64, 3), dtype=np.uint8)
    tifffile.imwrite(path, data, photometric="rgb", compression="jpeg")
    assert io.decode(path).pixels.shape == (64, 64, 3)
    head = re.search(rb"\xff\xc0\0\x11\x08", path.read_bytes())
    broken = bytearray(path.read_bytes())
    broken[head.end() : head.end() + 4] = b"\xff\xdc\xff\xdc"
    path.write_bytes(broken)
    said, memory = in_a_process([path])
    assert "damaged" in said[0]
    assert memory < 200 << 20

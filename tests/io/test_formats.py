"""A file format is one module: found by being there, it is read, written, listed and offered."""

import re
import textwrap
from pathlib import Path

import numpy as np
import pytest

from workbench import io, stack
from workbench.bench import Bench, panels
from workbench.bench.panels.open import files as bench_files
from workbench.errors import WorkbenchError
from workbench.io import formats
from workbench.io.formats import png

# Netpbm's portable pixmap of 16 bits (pnm(5), pgm(5)): a head of text, then samples, most significant byte first.
PIXMAP = textwrap.dedent(
    '''
    """Portable graymaps and pixmaps of 16 bits."""

    import numpy as np

    from workbench.io.float_frame import FloatFrame
    from workbench.io.formats.base import Embedded, Format, Offer, RawFrame


    def _read(path, request):
        kind, size, top, data = path.read_bytes().split(b"\\n", 3)
        width, height = (int(n) for n in size.split())
        channels = 3 if kind == b"P6" else 1
        frame = FloatFrame(height, width, channels, divisor=float(top))
        frame.store(np.frombuffer(data, ">u2").reshape(height, width, channels).astype("u2"), 0, 0)
        return RawFrame(frame, "uint16", 16, "65535 is white: so says its head")


    def _write(file, request):
        height, width, channels = request.pixels.shape
        file.write(f"P{6 if channels == 3 else 5}\\n{width} {height}\\n65535\\n".encode())
        file.write(request.pixels.astype(">u2").tobytes())


    FORMAT = Format(
        name="pixmap", title="PPM", magic=(b"P5\\n", b"P6\\n"), suffixes=(".ppm", ".pgm"), bits=(16,), read=_read,
        write=_write, embedded=lambda path, limits: Embedded(), rank=9, offers=(Offer("PPM: for old programs"),),
    )
    '''
)


@pytest.fixture
def pixmap(tmp_path, monkeypatch):
    folder = tmp_path / "formats"
    folder.mkdir()
    (folder / "pixmap.py").write_text(PIXMAP)
    monkeypatch.setattr(formats, "__path__", [*formats.__path__, str(folder)])
    found = formats.find_formats()
    monkeypatch.setitem(formats.FORMATS, "pixmap", found["pixmap"])
    for suffix in found["pixmap"].suffixes:
        monkeypatch.setitem(formats.SUFFIXES, suffix, "pixmap")


@pytest.mark.usefixtures("pixmap")
def test_a_new_format_is_one_file(tmp_path, rng):
    samples = rng.integers(0, 65536, (5, 7, 3), dtype=np.uint16)
    io.encode(tmp_path / "a.ppm", samples, tone="display")
    assert (tmp_path / "a.ppm").read_bytes().startswith(b"P6\n7 5\n65535\n")
    got = stack.read(tmp_path / "a.ppm")
    np.testing.assert_array_equal(got.pixels, samples.astype(np.float32) / np.float32(65535))
    assert got.source.format == "pixmap"
    assert io.embedded(tmp_path / "a.ppm") == io.Embedded()
    with pytest.raises(WorkbenchError, match=r"16 bits a sample, not 8"):
        io.encode(tmp_path / "b.ppm", samples, tone="display", bits=8)
    (tmp_path / "text").write_text("hello")
    with pytest.raises(WorkbenchError, match="TIFF, FITS, PNG, JPEG, Zarr or PPM"):
        io.decode(tmp_path / "text")


@pytest.mark.usefixtures("pixmap")
def test_the_bench_opens_and_offers_a_new_format_without_a_word_of_its_own(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    io.encode(tmp_path / "a.ppm", np.zeros((5, 7, 3), np.uint16), tone="display")
    bench = Bench()
    try:
        opening, export = (bench.screen.panels[name].state for name in ("open", "export"))
        assert bench_files.safe_name("a.ppm") == "a.ppm"
        assert [entry["name"] for entry in bench_files.listing(None, tmp_path)["entries"] if not entry["folder"]] == [
            "a.ppm"
        ]
        assert {".ppm", ".pgm"} < set(opening["suffixes"])
        assert "PPM" in opening["kinds"]
        told = {"words": "PPM: for old programs", "suffixes": [".ppm", ".pgm"], "options": {}, "numbers": []}
        assert export["formats"][-1] == told
    finally:
        bench.close()


def test_the_page_of_the_bench_names_no_format():
    suffixes = "|".join(suffix[1:] for suffix in formats.SUFFIXES)
    named = re.compile(rf"\.({suffixes})\b|\b({formats.titles('or').replace(', ', '|').replace(' or ', '|')})\b")
    for name in ("open", "export", "toolbar"):
        for file in (Path(panels.__file__).parent / name).glob("*.ts"):
            assert named.search(file.read_text(encoding="utf-8")) is None, file


def test_formats_are_found_in_the_order_of_lists():
    assert list(formats.FORMATS) == ["tiff", "fits", "png", "jpeg", "zarr"]
    assert formats.titles("or") == "TIFF, FITS, PNG, JPEG or Zarr"
    assert formats.titles("and", linear_only=True) == "TIFF, FITS and Zarr"
    assert all(bench_files.safe_name(f"a{suffix}") for suffix in formats.SUFFIXES)


def test_an_error_of_the_program_is_no_damage_of_the_file(tmp_path, monkeypatch):
    io.encode(tmp_path / "a.png", np.zeros((4, 5, 3), np.float32), tone="display")

    def wrong(*_):
        raise KeyError("a slip of ours")

    monkeypatch.setattr(png, "stored_picture", wrong)
    with pytest.raises(KeyError, match="a slip of ours"):
        io.decode(tmp_path / "a.png")


@pytest.mark.parametrize(
    ("options", "words"), [({"squeeze": 1}, "no choice of any format"), ({"quality": "x"}, "quality must be a whole")]
)
def test_options_that_no_format_has_are_told(tmp_path, options, words):
    with pytest.raises(WorkbenchError, match=words):
        io.encode(tmp_path / "a.tif", np.zeros((4, 5, 3), np.float32), tone="display", **options)

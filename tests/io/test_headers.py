"""How it was taken: from headers, a side file and arguments, in that order."""

import json

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image, TiffImagePlugin

from workbench import io
from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError
from workbench.io.metadata.headers import from_exif


@pytest.fixture
def plain(tmp_path):
    path = tmp_path / "night.tif"
    tifffile.imwrite(path, np.zeros((8, 9), np.uint16), photometric="minisblack")
    return path


def fits_header(tmp_path, **words):
    path = tmp_path / "a.fits"
    header = fits.Header()
    for word, value in words.items():
        header[word.replace("_", "-")] = value
    fits.writeto(path, np.zeros((8, 9), np.float32), header, overwrite=True)
    return io.decode(path)


def test_fits_words_in_common_use_are_read(tmp_path):
    got = fits_header(
        tmp_path, EXPTIME=180.0, STACKCNT=40, ISOSPEED=800, EGAIN=0.74, GAIN=120, FOCALLEN=200.0, XPIXSZ=3.76,
        FOCRATIO=2.8, FILTER="L-enhanced", INSTRUME="Cam", DATE_OBS="2026-01-05T21:11:00",
    )  # fmt: skip
    assert got.acquisition == Acquisition(
        exposure_s=180, frames=40, iso=800, gain=0.74, focal_length_mm=200, pixel_size_um=3.76, f_number=2.8,
        filter="L-enhanced", camera="Cam", date="2026-01-05T21:11:00",
    )  # fmt: skip


def test_a_gain_that_may_be_a_camera_setting_is_not_taken_for_electrons(tmp_path):
    got = fits_header(tmp_path, GAIN=120)
    assert got.acquisition.gain is None
    assert any("GAIN = 120" in remark for remark in got.source.remarks)
    assert fits_header(tmp_path, GAIN=(0.8, "[electron/adu] conversion")).acquisition.gain == 0.8


@pytest.mark.parametrize("bad", ["cloudy", -3.0, 0, True])
def test_words_that_make_no_sense_are_left_out(tmp_path, bad):
    assert fits_header(tmp_path, EXPTIME=bad, FOCALLEN=bad).acquisition == Acquisition()


def test_exif_fields_follow_the_standard():
    # Exif 2.32 (CIPA DC-008, 2019): rationals; focal plane resolution in pixels per unit, 3 = centimetre.
    got = from_exif(
        {"ExposureTime": (120, 1), "FNumber": (28, 10), "PhotographicSensitivity": 1600, "FocalLength": (135, 1),
         "FocalPlaneXResolution": (25000000, 10000), "FocalPlaneResolutionUnit": 3, "Make": "Maker",
         "Model": "Maker M1", "DateTimeOriginal": "2026:03:07 21:04:55", "OffsetTimeOriginal": "+01:00",
         "GPSLatitude": (1, 2)}
    )  # fmt: skip
    assert got == Acquisition(exposure_s=120, f_number=2.8, iso=1600, focal_length_mm=135, pixel_size_um=4.0,
                              camera="Maker M1", date="2026-03-07T21:04:55+01:00")  # fmt: skip


def test_exif_written_by_another_library_is_read(tmp_path):
    image = Image.fromarray(np.zeros((8, 9), np.uint8))
    fields = {33434: 90.0, 33437: 4.0, 34855: 400, 37386: 85.0}
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags[271], tags[272], tags[34665] = "Garden", "G 1", fields
    image.save(tmp_path / "a.tif", tiffinfo=tags)
    exif = Image.Exif()
    exif[271], exif[272] = "Garden", "G 1"
    exif.get_ifd(0x8769).update(fields)
    image.save(tmp_path / "a.jpg", exif=exif)
    image.save(tmp_path / "a.png", exif=exif)
    for name in ("a.tif", "a.jpg", "a.png"):
        got = io.decode(tmp_path / name).acquisition
        assert (got.exposure_s, got.f_number, got.iso, got.focal_length_mm) == (90, 4, 400, 85), name
        assert got.camera == "Garden G 1"


def test_a_side_file_completes_and_arguments_win(plain):
    side = plain.with_name("night.acquisition.json")
    side.write_text(json.dumps({"exposure_s": 60, "frames": 30, "place": "hill"}), encoding="utf-8")
    got = io.decode(plain, acquisition={"frames": 50})
    assert got.acquisition == Acquisition(exposure_s=60.0, frames=50, place="hill")
    assert any("night.acquisition.json" in remark for remark in got.source.remarks)


@pytest.mark.parametrize("told", [{"exposure_s": 1e308, "frames": 1000}, {"frames": 10**13}, {"pixel_size_um": 1e13}])
def test_a_side_file_with_an_absurd_number_is_refused_naming_it(plain, told):
    plain.with_name("night.acquisition.json").write_text(json.dumps(told), encoding="utf-8")
    with pytest.raises(WorkbenchError, match=f"{next(iter(told))} must not be above"):
        io.decode(plain)


def test_the_side_file_of_a_packed_fits_drops_both_suffixes(tmp_path):
    fits.writeto(tmp_path / "m.fits.gz", np.zeros((4, 5), np.float32))
    (tmp_path / "m.acquisition.json").write_text('{"frames": 7}')
    assert io.decode(tmp_path / "m.fits.gz").acquisition.frames == 7


@pytest.mark.parametrize(
    ("text", "words"),
    [("{", "not readable JSON"), ("[1]", "must hold an object"), ('{"frame": 3}', "no field 'frame'"),
     ('{"frames": 2.5}', "whole number"), ('{"exposure_s": -1}', "above 0"), ('{"camera": 5}', "must be text"),
     ('{"iso": "many"}', "above 0"), ("[" * 100000, "not readable JSON"), ("\udcff", "not readable JSON")],
)  # fmt: skip
def test_a_wrong_side_file_is_named(plain, text, words):
    side = plain.with_name("night.acquisition.json")
    side.write_text(text, encoding="utf-8", errors="surrogateescape")
    with pytest.raises(WorkbenchError, match=words) as caught:
        io.decode(plain)
    assert "night.acquisition.json" in str(caught.value)


def test_wrong_arguments_are_named(plain):
    with pytest.raises(WorkbenchError, match="no field 'shutter'"):
        io.decode(plain, acquisition={"shutter": 3})
    with pytest.raises(WorkbenchError, match="exposure_s must be a number above 0"):
        io.decode(plain, acquisition=Acquisition(exposure_s=float("nan")))


@pytest.mark.parametrize(("text", "words"), [
    ('{"exposure_s": ' + "9" * 5000 + "}", "thousands of digits"),
    ('{"exposure_s": "' + "9" * 5000 + '"}', "above 0, not '9999"),
    ("[" * 100_000, "endless brackets"),
    ('{"frames": 1', "line 1, column"),
    ('{"f' + "\x7f" * 5000 + '": 1}', "has no field 'f"),
])  # fmt: skip
def test_a_side_file_that_makes_no_sense_is_told_without_inner_words(plain, text, words):
    (plain.parent / "night.acquisition.json").write_text(text)
    with pytest.raises(WorkbenchError, match=words) as caught:
        io.decode(plain)
    said = str(caught.value).replace(str(plain.parent), "")
    assert len(said) < 350
    assert "set_int_max_str_digits" not in said


def test_a_side_file_may_begin_with_a_byte_order_mark(plain):
    (plain.parent / "night.acquisition.json").write_text('{"frames": 7}', encoding="utf-8-sig")
    assert io.decode(plain).acquisition.frames == 7

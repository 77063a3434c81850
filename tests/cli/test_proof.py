"""``workbench proof``: how much of a picture a printer cannot print, and how it will look; littleCMS judges."""

from io import BytesIO

import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageCms

import workbench as wb
from workbench.cli import main


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A picture half vivid red and half gray, a linear stack, and profiles good and bad."""
    monkeypatch.chdir(tmp_path)
    pixels = np.full((10, 20, 3), 0.5, np.float32)
    pixels[:, :5] = 1, 0, 0
    wb.Stack(pixels, tone=wb.Tone.DISPLAY).save("night.png")
    wb.Stack(pixels * 0.1).save("night.tif")
    # A printer of a small gamut: sRGB's white, primaries half way to it.
    primaries = [0.48, 0.33, 1, 0.31, 0.46, 1, 0.23, 0.19, 1]
    profile = imagecodecs.cms_profile("rgb", whitepoint=[0.3127, 0.3290, 1.0], primaries=primaries, gamma=2.2)
    (tmp_path / "printer.icc").write_bytes(profile)
    (tmp_path / "no.icc").write_bytes(b"nothing")
    (tmp_path / "lab.icc").write_bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes())
    return tmp_path


def test_it_says_the_share_out_of_gamut_and_writes_the_proof(place, capsys):
    assert main(["proof", "night.png", "printer.icc"]) == 0
    assert "25 % of the picture is out of gamut for" in capsys.readouterr().out
    assert main(["proof", "night.png", "printer.icc", "-o", "proof.png"]) == 0
    assert main(["proof", "night.png", "printer.icc", "-o", "marked.png", "--mark"]) == 0
    proofed, marked = (wb.read(name).pixels for name in ("proof.png", "marked.png"))
    np.testing.assert_allclose(proofed[:, 5:], 0.5, atol=2 / 255)
    np.testing.assert_allclose(marked[:, :5], 0.5, atol=2 / 255)
    # By hand: to the printer and back, relative colorimetric (ICC.1:2022), by Pillow's littleCMS without a proof.
    srgb = ImageCms.createProfile("sRGB")
    printer = ImageCms.ImageCmsProfile(BytesIO((place / "printer.icc").read_bytes()))
    there = ImageCms.buildTransform(srgb, printer, "RGB", "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC)
    back = ImageCms.buildTransform(printer, srgb, "RGB", "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC)
    red = ImageCms.applyTransform(ImageCms.applyTransform(Image.new("RGB", (1, 1), (255, 0, 0)), there), back)
    np.testing.assert_allclose(proofed[0, 0] * 255, np.asarray(red)[0, 0], atol=3)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("night.png", "no.icc"), "no.icc cannot be used: it is no ICC profile"),
        (("night.png", "lab.icc"), "lab.icc cannot be used"),
        (("night.png", "missing.icc"), "missing.icc cannot be used: No such file"),
        (("night.png", "."), "cannot be used: Is a directory"),
        (("missing.png", "printer.icc"), "missing.png"),
        (("night.tif", "printer.icc"), "stretch it first"),
        (("night.png", "printer.icc", "--intent", "vivid"), "perceptual or relative, not 'vivid'"),
        (("night.png", "printer.icc", "-o", "printer.icc"), "printer.icc"),
        (("night.png", "printer.icc", "-o", "night.png", "--force"), "night.png"),
    ],
)
def test_bad_input_gets_one_sentence_and_nothing_is_written(place, arguments, words, capsys):
    before = {path: path.read_bytes() for path in place.iterdir()}
    assert main(["proof", *arguments]) == 2
    said = capsys.readouterr()
    assert words in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""
    assert {path: path.read_bytes() for path in place.iterdir()} == before

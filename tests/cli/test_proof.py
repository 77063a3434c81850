"""``workbench proof``: how much of a picture a printer cannot print, and how it will look; littleCMS judges."""

import struct
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


def black_ink() -> bytes:
    """A printer of black ink alone, by tables between CMYK and XYZ: ICC.1:2022, 7 and 10.10 (lut16Type)."""
    white = 0x7B6B, 0x8000, 0x6996  # D50, as u1Fixed15
    to_xyz = np.zeros((2, 2, 2, 2, 3), ">u2")  # by C, M, Y, K
    to_xyz[..., 0, :] = white
    to_ink = np.zeros((2, 2, 2, 4), ">u2")  # by X, Y, Z
    to_ink[:, 0, :, 3] = 0xFFFF

    def table(nodes, scale):
        inward, outward = nodes.ndim - 1, nodes.shape[-1]
        matrix = (65536 * scale * np.eye(3)).astype(">i4").tobytes()  # s15Fixed16
        even = struct.pack(">2H", 0, 0xFFFF)
        head = struct.pack(">4s4x4B", b"mft2", inward, outward, 2, 0) + matrix + struct.pack(">2H", 2, 2)
        return head + even * inward + nodes.tobytes() + even * outward

    words = "Black ink".encode("utf-16-be")
    tags = {
        b"desc": struct.pack(">4s4xII4sII", b"mluc", 1, 12, b"enUS", len(words), 28) + words,
        b"wtpt": struct.pack(">4s4x3i", b"XYZ ", *(2 * v for v in white)),
        b"A2B0": table(to_xyz, 1),
        b"B2A0": table(to_ink, 2),
    }
    at, index, body = 128 + 4 + 12 * len(tags), struct.pack(">I", len(tags)), b""
    for tag, data in tags.items():
        index += struct.pack(">4sII", tag, at + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    head = struct.pack(">I4xI4s4s4s12x4s", at + len(body), 0x04200000, b"prtr", b"CMYK", b"XYZ ", b"acsp")
    return head + bytes(28) + struct.pack(">3i", *(2 * v for v in white)) + bytes(48) + index + body


def test_a_profile_that_littlecms_reads_but_cannot_write_again_will_do(place, capsys):
    (place / "ink.icc").write_bytes(black_ink())
    printer = ImageCms.ImageCmsProfile(BytesIO(black_ink()))
    there = ImageCms.buildTransform(ImageCms.createProfile("sRGB"), printer, "RGB", "CMYK")
    with pytest.raises(OSError, match="profile size"):
        ImageCms.applyTransform(Image.new("RGB", (1, 1)), there)
    assert main(["proof", "night.png", "ink.icc", "-o", "proof.png"]) == 0
    assert "25 % of the picture is out of gamut for Black ink" in capsys.readouterr().out
    red, gray = wb.read("proof.png").pixels[0, [0, 10]]
    np.testing.assert_allclose(gray, 0.5, atol=3 / 255)
    np.testing.assert_allclose(red, red.mean(), atol=2 / 255)


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
        (("night.png", "printer.icc", "--mark"), "name one with -o"),
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

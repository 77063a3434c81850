"""Outputs: the size that was asked for, color spaces, captions, files below a size; and recipes that end in several."""

import io
import json
import re
from xml.etree import ElementTree as ET

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

import workbench as wb
from workbench.acquisition import Acquisition
from workbench.cli import main
from workbench.io.metadata import icc
from workbench.outputs import PRESETS, output_file, rendered, save_output
from workbench.outputs.captions import acquired_words, caption_lines
from workbench.outputs.rendering import in_space, layout, resized, sharpened

TAKEN = Acquisition(exposure_s=300, frames=24, focal_length_mm=400, f_number=5, camera="Example 26", date="2026-02-03")


@pytest.fixture(scope="module")
def picture():
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:400, :600] / 60
    base = 0.4 + 0.3 * np.stack([np.sin(x), np.sin(x + y), np.cos(y)], axis=-1)
    return wb.Stack(
        np.clip(base + rng.normal(0, 0.03, base.shape), 0, 1).astype(np.float32),
        tone=wb.Tone.DISPLAY,
        acquisition=TAKEN,
    )


@pytest.mark.parametrize(
    ("settings", "size"),
    [
        ({}, (400, 600)),
        ({"long_side": 300}, (200, 300)),
        ({"long_side": 300, "border": 0.1}, None),
        ({"long_side": 500, "acquired": True}, None),
        ({"width_cm": 10, "dpi": 100}, (262, 394)),
        ({"width_cm": 15, "height_cm": 10, "dpi": 100}, (394, 591)),
        ({"width_cm": 10, "height_cm": 10, "dpi": 100, "border": 0.05, "caption": "A"}, (394, 394)),
    ],
)
def test_the_whole_has_the_size_that_was_asked_for(picture, settings, size):
    output = wb.Output(**settings)
    pixels = rendered(picture, output)
    assert pixels.shape[:2] == (size or pixels.shape[:2])
    if output.long_side:
        assert max(pixels.shape[:2]) == pytest.approx(output.long_side, abs=1)
    place = layout(output, 400, 600, len(caption_lines(output, TAKEN)))
    assert place.columns / place.rows == pytest.approx(1.5, abs=0.01)
    assert ((pixels >= 0) & (pixels <= 1)).all()


def test_the_paper_turns_with_the_picture():
    output = wb.Output(width_cm=15, height_cm=10, dpi=100)
    assert layout(output, 600, 400)[:2] == (591, 394)
    assert layout(output, 400, 600)[:2] == (394, 591)


def test_the_border_is_paper_and_the_caption_is_ink(picture):
    output = wb.Output(long_side=600, border=0.08, caption="Lantern", acquired=True)
    pixels, place = rendered(picture, output), layout(output, 400, 600, 2)
    np.testing.assert_array_equal(pixels[: place.top], 1)
    np.testing.assert_array_equal(pixels[:, : place.left], 1)
    below = pixels[place.top + place.rows :]
    assert below.min() < 0.3
    assert 0.005 < (below < 0.5).mean() < 0.2
    assert acquired_words(TAKEN) == "24 \u00d7 300 s = 2 h · 400 mm · f/5 · Example 26 · 2026-02-03"
    assert acquired_words(Acquisition()) == ""


@pytest.mark.parametrize("space", ["display_p3", "rec2020"])
def test_gray_paper_is_the_same_gray_in_every_color_space(picture, space):
    pixels = rendered(picture, wb.Output(long_side=300, border=0.1, border_color="gray", profile=space))
    # littleCMS, through imagecodecs, with the profiles that the files carry
    back = imagecodecs.cms_transform(
        np.ascontiguousarray(pixels[:8]), icc.profile(space), icc.profile("srgb"),
        colorspace="rgb", outcolorspace="rgb", outdtype="float32", intent=1,
    )  # fmt: skip
    np.testing.assert_allclose(back, 0.35, atol=1.5 / 255)


def test_a_smaller_picture_keeps_its_light():
    # Light is averaged, not code values (IEC 61966-2-1): lines of black and white become 0.735, not 0.5.
    lines = np.broadcast_to((np.arange(128) % 2).astype(np.float32), (1, 128, 128))
    np.testing.assert_allclose(resized(lines, 32, 32)[0, 4:-4, 4:-4], 0.7354, atol=0.01)


def test_sharpening_raises_detail_and_makes_no_halo():
    edge = np.full((1, 40, 40), 0.3, np.float32)
    edge[:, :, 20:] = 0.7
    soft = cv2.GaussianBlur(edge[0], (0, 0), 1.2)[None]
    sharp = sharpened(soft, wb.Output(sharpen=1.5))
    steep = [np.abs(np.diff(plane[0, 20])).max() for plane in (soft, sharp)]
    assert steep[1] > 1.15 * steep[0]
    assert sharp.min() >= 0.3 - 1e-6
    assert sharp.max() <= 0.7 + 1e-6
    np.testing.assert_array_equal(sharpened(soft, wb.Output(sharpen=0)), soft)


@pytest.mark.parametrize("space", ["display_p3", "rec2020"])
def test_color_spaces_agree_with_littlecms(space):
    # littleCMS, through imagecodecs, with the profiles that the files carry
    rng = np.random.default_rng(4)
    colors = rng.uniform(0.02, 1, (3, 1, 500)).astype(np.float32)
    ours = in_space(colors, space)
    theirs = imagecodecs.cms_transform(
        np.ascontiguousarray(np.moveaxis(colors, 0, 2)), icc.profile("srgb"), icc.profile(space),
        colorspace="rgb", outcolorspace="rgb", outdtype="float32", intent=1,
    )  # fmt: skip
    np.testing.assert_allclose(np.moveaxis(ours, 0, 2), theirs, atol=1.5 / 255)
    assert np.abs(np.moveaxis(ours, 0, 2) - theirs).mean() < 0.3 / 255
    gray = np.full((3, 1, 5), 0.6, np.float32)
    assert np.ptp(in_space(gray, space), axis=0).max() < 1e-4


@pytest.mark.parametrize(
    ("space", "name", "primaries"),
    [
        ("display_p3", "Display P3", [0.680, 0.320, 1, 0.265, 0.690, 1, 0.150, 0.060, 1]),
        ("rec2020", "Rec. ITU-R BT.2020", [0.708, 0.292, 1, 0.170, 0.797, 1, 0.131, 0.046, 1]),
    ],
)
def test_profiles_have_the_primaries_that_littlecms_makes(space, name, primaries):
    made = imagecodecs.cms_profile("rgb", whitepoint=[0.3127, 0.3290, 1.0], primaries=primaries, gamma=2.2)
    theirs, ours = (ImageCms.ImageCmsProfile(io.BytesIO(bytes(data))) for data in (made, icc.profile(space)))
    for color in ("red_colorant", "green_colorant", "blue_colorant"):
        np.testing.assert_allclose(getattr(ours.profile, color)[0], getattr(theirs.profile, color)[0], atol=2e-5)
    assert ImageCms.getProfileDescription(ours).strip() == name


def alt_text_of(packet):
    """The alternative text of an XMP packet (IPTC Photo Metadata Standard 2021.1, AltTextAccessibility)."""
    tree = ET.fromstring(re.search(rb"<x:xmpmeta.*</x:xmpmeta>", packet, re.DOTALL)[0])
    space = "{http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/}AltTextAccessibility"
    return tree.find(f".//{space}").find(".//{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li").text


@pytest.mark.parametrize("kind", ["jpeg", "png", "tiff"])
def test_files_carry_profile_size_of_paper_and_alt_text(picture, kind, tmp_path):
    output = wb.Output(format=kind, width_cm=5, dpi=200, profile="display_p3", alt_text="A <red> nebula & stars")
    path = tmp_path / f"night{output.suffix}"
    save_output(picture, output, path)
    with Image.open(path) as image:  # Pillow
        assert [round(float(v)) for v in image.info["dpi"]] == [200, 200]
        assert image.info["icc_profile"] == icc.profile("display_p3")
    data = path.read_bytes()
    packet = data
    if kind == "tiff":
        with tifffile.TiffFile(path) as file:
            packet = file.pages[0].tags[700].value
    assert alt_text_of(packet) == "A <red> nebula & stars"
    stored = rendered(picture, output)
    read = wb.read(path).pixels
    np.testing.assert_allclose(read, stored, atol=0.1 if kind == "jpeg" else 1e-4)


def test_a_jpeg_stays_below_its_size_or_is_refused(picture, tmp_path):
    output = wb.Output(max_kb=60)
    save_output(picture, output, tmp_path / "a.jpg")
    small, free = (tmp_path / "a.jpg").stat().st_size, tmp_path / "b.jpg"
    save_output(picture, wb.Output(), free)
    assert 40_000 < small <= 60_000 < free.stat().st_size
    with pytest.raises(wb.WorkbenchError, match="output web: even at quality 40 the JPEG is larger than 20 kB"):
        save_output(picture, wb.Output(max_kb=20, long_side=1800), tmp_path / "c.jpg")
    assert not (tmp_path / "c.jpg").exists()


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"long_side": 100, "width_cm": 3}, "long_side in pixels or width_cm"),
        ({"height_cm": 3}, "height_cm needs width_cm"),
        ({"max_kb": 100, "format": "png"}, "max_kb is for JPEG"),
        ({"name": "../x"}, r"name cannot be '../x' \(goes into the file's name: small letters"),
        ({"max_kilobytes": 9}, "no setting 'max_kilobytes'; it has name, format, .* alt_text"),
        ({"dip": 9}, r"did you mean dpi\?"),
        ({"name": "stars"}, "'stars' is a name that goes to another file beside the picture"),
        ({"name": "picture"}, "'picture' is a name"),
    ],
)
def test_an_output_that_makes_no_sense_is_refused(settings, says):
    data = {"kind": "post-stack recipe", "version": 4, "steps": [], "outputs": [settings]}
    with pytest.raises(wb.WorkbenchError, match=f"output 1 of the recipe: .*{says}"):
        wb.Recipe.loads(json.dumps(data))


def test_too_much_enlargement_no_room_and_linear_light_are_refused(picture):
    with pytest.raises(wb.WorkbenchError, match="enlarged 19"):
        rendered(picture, wb.Output(width_cm=100, dpi=300))
    with pytest.raises(wb.WorkbenchError, match="no room"):
        rendered(picture, wb.Output(long_side=16, caption="A"))
    with pytest.raises(wb.WorkbenchError, match="still linear light"):
        rendered(wb.Stack(picture.pixels), wb.Output())


def test_a_recipe_keeps_its_outputs_through_its_file_and_all_that_makes_another_of_it():
    recipe = wb.Recipe([wb.Stretch()], "night", PRESETS.values())
    assert wb.Recipe.loads(recipe.dumps()) == recipe
    assert recipe.upto(0).outputs == recipe.titled("x").outputs == recipe.outputs
    assert recipe.with_outputs(()).diff(recipe) == ["output web is new", "output print is new"]
    other = recipe.with_outputs([PRESETS["web"].model_copy(update={"long_side": 1600}), PRESETS["print"]])
    assert recipe.diff(other) == ["output web: long_side 2048 becomes 1600"]
    with pytest.raises(wb.WorkbenchError, match="two outputs named 'web'"):
        recipe.with_outputs([PRESETS["web"], PRESETS["web"]])


def test_run_writes_all_outputs_and_replaces_none_unasked(tmp_path, capsys):
    stack = wb.Stack(np.random.default_rng(1).normal(0.1, 0.01, (60, 90, 3)).astype(np.float32))
    stack.save(tmp_path / "night.tif")
    outputs = [wb.Output(long_side=80), wb.Output(name="print", format="tiff", width_cm=2, dpi=100)]
    wb.Recipe([wb.Stretch()], outputs=outputs).save(tmp_path / "r.json")
    request = ["run", str(tmp_path / "r.json"), str(tmp_path / "night.tif"), "-o", str(tmp_path / "night.picture.tif")]
    assert main(request) == 0
    files = [output_file(tmp_path / "night.picture.tif", output) for output in outputs]
    assert [file.name for file in files] == ["night.web.jpg", "night.print.tif"]
    assert all(file.exists() for file in files)
    (tmp_path / "night.picture.tif").unlink()
    assert main(request) == 2
    assert "night.web.jpg" in capsys.readouterr().err
    assert not (tmp_path / "night.picture.tif").exists(), "nothing is written where one may not be"
    assert main([*request, "--force"]) == 0


def test_an_output_that_cannot_be_made_is_told_before_any_is_written(tmp_path, capsys):
    stack = wb.Stack(np.random.default_rng(1).normal(0.1, 0.01, (60, 90, 3)).astype(np.float32))
    stack.save(tmp_path / "night.tif")
    outputs = [wb.Output(long_side=80), wb.Output(name="print", format="tiff", width_cm=15, height_cm=10)]
    wb.Recipe([wb.Stretch()], outputs=outputs).save(tmp_path / "r.json")
    picture = tmp_path / "night.picture.tif"
    request = ["run", str(tmp_path / "r.json"), str(tmp_path / "night.tif"), "-o", str(picture), "--record"]
    assert main(request) == 2
    said = capsys.readouterr().err
    assert "output print: the picture would be enlarged 19.7 times" in said
    assert f"the picture {picture} was written but not all of its outputs" in said
    made = [path.name for path in tmp_path.glob("night.*") if path.name != "night.tif"]
    assert sorted(made) == ["night.picture.tif", "night.record.json"], "the picture with its record"


def test_a_soft_proof_is_littlecms_and_tells_what_cannot_be_printed(picture, tmp_path):
    # A printer of a small gamut: sRGB's white, primaries half way to it.
    primaries = [0.48, 0.33, 1, 0.31, 0.46, 1, 0.23, 0.19, 1]
    path = tmp_path / "printer.icc"
    path.write_bytes(imagecodecs.cms_profile("rgb", whitepoint=[0.3127, 0.3290, 1.0], primaries=primaries, gamma=2.2))
    vivid = wb.Stack(np.full((8, 8, 3), (1.0, 0.0, 0.0), np.float32), tone=wb.Tone.DISPLAY)
    gray = wb.Stack(np.full((8, 8, 3), 0.5, np.float32), tone=wb.Tone.DISPLAY)
    assert wb.soft_proof(vivid, path).share == 1
    assert wb.soft_proof(gray, path).share == 0
    assert wb.soft_proof(vivid, path).picture.pixels[0, 0, 1] > 0.1
    (tmp_path / "no.icc").write_bytes(b"nothing")
    with pytest.raises(wb.WorkbenchError, match=r"no\.icc cannot be used"):
        wb.soft_proof(gray, tmp_path / "no.icc")
    with pytest.raises(wb.WorkbenchError, match="stretch it first"):
        wb.soft_proof(wb.Stack(picture.pixels), path)

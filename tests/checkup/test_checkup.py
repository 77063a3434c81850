"""The checkup on stacks of known making."""

import json
import math
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from workbench.acquisition import Acquisition, Source, Tone
from workbench.checkup import check, suggest
from workbench.checkup.rules import advise
from workbench.checkup.text import duration
from workbench.measure.borders import Borders
from workbench.operations.findings import compass
from workbench.recipe.model import Step
from workbench.simulate import simulate
from workbench.stack import Stack

SHAPE = (320, 460)
KEYS = {
    "file", "shape", "tone", "sky", "noise", "background_gradient", "borders", "clipped_fraction", "stars", "advice",
}  # fmt: skip


@pytest.fixture(scope="module")
def made():
    return simulate("hayfield_stars", shape=SHAPE)


@pytest.fixture(scope="module")
def found(made):
    return check(made.stack)


def about(checkup):
    return {a.about for a in checkup.advice}


def test_the_plain_data_has_every_promised_key_and_is_json(found):
    data = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert set(data) >= KEYS
    assert set(data["borders"]) == {"top", "right", "bottom", "left"}
    assert set(data["stars"]) >= {"count", "fwhm_px", "elongation", "angle_deg"}
    assert len(data["sky"]) == len(data["noise"]) == data["shape"][2] == 3
    assert all(set(a) == {"about", "severity", "says", "do", "step"} for a in data["advice"])


def test_a_doubtful_border_is_not_called_none(found):
    doubtful = advise(replace(found, borders=Borders(0, 0, 0, 0, doubtful=("top",))))
    assert "none that is sure" in str(doubtful)
    assert "Perhaps a border" in about(doubtful)
    assert "none: all frames cover the whole image" not in str(doubtful)


def test_sky_and_noise_agree_with_the_scene(made, found):
    truth = np.median(made.truth.noiseless, axis=(1, 2))
    assert found.sky == pytest.approx(truth, rel=0.05)
    assert found.noise == pytest.approx(made.truth.noise_sigma, rel=0.1)


def test_star_shape_agrees_with_the_scene(made, found):
    stars = made.truth.stars
    assert found.stars.fwhm_px == pytest.approx(np.median(stars.fwhm_px), rel=0.06)
    assert found.stars.elongation == pytest.approx(np.median(stars.elongation), abs=0.04)
    assert found.stars.saturated <= found.stars.count


def test_sizes_are_given_in_arcseconds_when_the_scale_is_known(found):
    # 206.265 x 4.3 um / 135 mm = 6.57 arcsec per pixel (common practice)
    assert found.arcsec_per_px == pytest.approx(6.57, abs=0.01)
    assert found.to_dict()["stars"]["fwhm_arcsec"] == pytest.approx(found.stars.fwhm_px * 6.57, rel=0.01)
    assert "arcsec" in str(found)


def test_sizes_stay_in_pixels_when_the_scale_is_unknown(made):
    unknown = check(replace(made.stack, acquisition=Acquisition()))
    assert unknown.arcsec_per_px is None
    assert "Acquisition unknown" in about(unknown)
    assert "arcsec" not in dict(unknown.summary())["Stars"]


def test_every_advised_step_is_a_step_that_a_recipe_takes(found):
    steps = [a.step for a in found.advice if a.step is not None]
    assert steps
    for step in steps:
        assert Step.from_dict(step, 1).note


def test_gradient_of_a_suburban_sky_is_mentioned_with_its_step(found):
    advice = next(a for a in found.advice if a.about == "Gradient")
    assert advice.step["do"] == "remove_gradient"
    assert advice.severity == "warning"


def test_an_even_sky_has_no_gradient_to_mention():
    flat = simulate("hayfield_stars", shape=SHAPE, sky={"domes": (), "slope": (0.0, 0.0)}, optics={"falloff": 0.0})
    assert "Gradient" not in about(check(flat.stack))


def test_hot_pixels_are_counted_and_mentioned_with_their_step():
    def seen(count):
        camera = {"hot_pixels_per_megapixel": count}
        return check(simulate("hayfield_stars", shape=(500, 800), camera=camera, seed=5).stack)

    many, none = seen(100.0), seen(0.0)
    assert many.to_dict()["hot_pixels"] == pytest.approx(40, rel=0.4)
    advice = next(a for a in many.advice if a.about == "Hot pixels")
    assert advice.step["do"] == "mend_pixels"
    assert f"{many.hot_pixels} stand out alone" in dict(many.summary())["Hot pixels"]
    assert suggest(simulate("hayfield_stars", shape=(500, 800), seed=5).stack, many)[1].operation.id == "mend_pixels"
    assert "Hot pixels" not in about(none)
    assert dict(none.summary())["Hot pixels"] == "none stand out"


def test_ragged_borders_are_mentioned_and_left_out_of_the_other_measurements():
    ragged = simulate(
        "hayfield_stars", shape=SHAPE, frames={"sessions": 3, "session_px": 14.0, "count": 12}, sky={"domes": ()}
    )
    found = check(ragged.stack)
    assert found.has_borders
    assert "Borders" in about(found)
    assert found.advice[0].severity == "warning"
    inside = ragged.truth.borders
    h, w = SHAPE
    clean = ragged.truth.noiseless[:, inside[0] : h - inside[2], inside[3] : w - inside[1]]
    assert found.sky == pytest.approx(np.median(clean, axis=(1, 2)), rel=0.05)


def test_stars_drawn_out_by_the_mount_are_mentioned_and_round_ones_are_not(found):
    drawn = check(simulate("hayfield_stars", shape=SHAPE, optics={"elongation": 1.5, "angle_deg": 30.0}).stack)
    assert "Stars drawn out" in about(drawn)
    assert drawn.stars.angle_deg == pytest.approx(30, abs=8)
    assert "Stars drawn out" not in about(found)


def test_advice_that_sends_somebody_out_at_night_says_how_to_stay_safe():
    drawn = check(simulate("hayfield_stars", shape=SHAPE, optics={"elongation": 1.5}).stack)
    for advice in drawn.advice:
        if "Next time" in advice.do or "next time" in advice.do:
            assert "follow the local rules" in advice.do, advice.about


def test_wide_stars_ask_for_binning(made):
    wide = check(simulate("hayfield_stars", shape=SHAPE, optics={"fwhm_px": 7.0}).stack)
    advice = next(a for a in wide.advice if a.about == "Stars many pixels wide")
    assert advice.step["do"] == "resample"
    assert advice.step["with"]["bin"] >= 2


def test_a_noisy_stack_is_told_how_many_frames_would_help():
    short = simulate("hayfield_stars", shape=SHAPE, frames={"count": 2})
    advice = next(a for a in check(short.stack).advice if a.about == "Noise")
    assert advice.severity == "advice"
    assert "8 frames in place of 2" in advice.do


def test_a_bright_sky_and_cut_blacks_are_mentioned(rng):
    bright = Stack.from_array(rng.normal(0.6, 0.002, (*SHAPE, 3)))
    assert "Sky very bright" in about(check(bright))
    cut = Stack.from_array(np.maximum(rng.normal(0.001, 0.002, (*SHAPE, 3)), 0))
    assert "Blacks cut off" in about(check(cut))


def test_a_finished_picture_is_not_taken_for_a_stack(made):
    picture = replace(made.stack, tone=Tone.DISPLAY)
    first = check(picture).advice[0]
    assert first.about == "Not linear any more"
    assert first.severity == "warning"


def test_a_finished_picture_gets_no_advice_that_holds_for_linear_light(made):
    remarks = ("a PNG is rarely linear: finished pictures are kept in it", "its ICC profile has a tone curve")
    found = check(replace(made.stack, tone=Tone.DISPLAY, source=replace(made.stack.source, remarks=remarks)))
    assert all(a.step is None for a in found.advice)
    assert about(found) <= {"Not linear any more", "Blacks cut off", "Acquisition unknown"}
    says = found.advice[0].says
    assert (
        "screen. A PNG is rarely linear: finished pictures are kept in it. Its ICC profile has a tone curve. " in says
    )
    assert dict(found.summary())["Stars"].startswith("not looked for")
    assert dict(found.summary())["Borders"].startswith("not looked for")
    assert "  " not in check(replace(made.stack, tone=Tone.DISPLAY)).advice[0].says


def test_a_file_of_8_bits_is_mentioned(found):
    coarse = advise(replace(found, source=Source(sample="uint8"), advice=()))
    assert "Only 8 bits" in about(coarse)


def test_a_gray_stack_is_measured_too(made):
    gray = Stack.from_array(made.stack.pixels[:, :, 1].copy())
    found = check(gray)
    assert len(found.sky) == 1
    assert found.channel_names == ("gray",)
    assert "Color of the sky" not in about(found)
    assert "gray" in str(found)


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (40, 1), (7, 9), (33, 34)])
@pytest.mark.parametrize("value", ["constant", "noise"])
def test_tiny_and_constant_frames_are_measured_without_a_fault(shape, value, rng):
    pixels = np.full((*shape, 3), 0.25) if value == "constant" else rng.normal(0.1, 0.01, (*shape, 3))
    found = check(Stack.from_array(pixels))
    json.dumps(found.to_dict(), allow_nan=False)
    assert str(found)
    assert all(math.isfinite(v) for v in found.sky + found.noise)


def test_uncovered_pixels_do_not_change_the_measurements(made, found):
    pixels = made.stack.pixels.copy()
    coverage = np.full(SHAPE, 255, np.uint8)
    pixels[100:120, 200:260], coverage[100:120, 200:260] = 50.0, 0
    spoiled = check(replace(made.stack, pixels=pixels, coverage=coverage))
    assert spoiled.sky == pytest.approx(found.sky, rel=0.02)
    assert spoiled.noise == pytest.approx(found.noise, rel=0.1)
    assert spoiled.clipped_fraction < 0.01


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.text = [], ""

    def handle_starttag(self, tag, attrs):
        if tag != "br":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def test_the_notebook_page_is_well_formed_and_escapes_what_files_say(found):
    hostile = replace(found, file="<script>alert(1)</script>", source=Source(remarks=("<b>bold</b> & more",)))
    page = hostile._repr_html_()
    reader = _Tags()
    reader.feed(page)
    assert reader.open == []
    assert "<script" not in page
    assert "<b>" not in page
    assert "<b>bold</b> & more" in reader.text
    assert "http" not in page


def test_printing_says_every_piece_of_advice(found):
    printed = str(found)
    for advice in found.advice:
        assert advice.about in printed


@pytest.mark.parametrize(
    ("degrees", "side"), [(0, "the right"), (90, "the top"), (-90, "the bottom"), (180, "the left")]
)
def test_directions_are_told_as_seen_on_the_screen(degrees, side):
    assert compass(degrees) == side


@pytest.mark.parametrize(("seconds", "words"), [(90, "90 s"), (600, "10 min"), (8640, "2 h 24 min")])
def test_times_are_told_as_people_say_them(seconds, words):
    assert duration(seconds) == words


def test_a_hole_inside_the_frame_is_not_taken_for_a_border(made, found):
    coverage = np.full(SHAPE, 255, np.uint8)
    coverage[150, 200] = 0
    assert check(replace(made.stack, coverage=coverage)).borders == found.borders


@pytest.mark.parametrize("shape", [(1, 200), (120, 160)])
def test_a_frame_that_shows_nothing_is_told_first_and_not_blamed_for_the_rest(shape):
    found = check(Stack.from_array(np.full((*shape, 3), 0.05)))
    assert found.advice[0].about == "Nothing in it"
    assert found.advice[0].severity == "warning"
    assert not {"Few stars", "Sky near black", "Gradient", "Noise"} & about(found)
    assert ("Gradient", "none measured") in found.summary()


def test_a_frame_without_stars_says_so_in_words(rng):
    found = check(Stack.from_array(rng.normal(0.1, 0.002, (*SHAPE, 3))))
    assert found.stars.count < 20
    few = next(a for a in found.advice if a.about == "Few stars")
    assert "Only 0" not in few.says
    assert "Only 1 stars" not in few.says

"""The step sheet: one page that needs nothing else."""

import base64
import re
from html.parser import HTMLParser
from typing import ClassVar

import cv2
import numpy as np
import pytest

from workbench.checkup import check, suggest
from workbench.engine import Cancel, Recipe
from workbench.errors import Cancelled
from workbench.masks import RegionMask
from workbench.operations.base import REGISTRY, Operation
from workbench.operations.color import Saturate
from workbench.operations.defects import MendPixels
from workbench.operations.frame import Crop, Turn
from workbench.operations.gradient import RemoveGradient
from workbench.operations.noise import Denoise
from workbench.operations.scatter_plot import ScatterPlot
from workbench.operations.stretch import Stretch
from workbench.operations.white import CalibrateColor
from workbench.recipe.model import Step
from workbench.simulate import simulate
from workbench.stack import Stack
from workbench.teach import make_demo, step_sheet
from workbench.teach.places import places_of_interest
from workbench.teach.plots import draw_plot
from workbench.teach.step_views import StepViews

VOID = {"meta", "img", "br", "link", "hr", "input"}


class Page(HTMLParser):
    """Reads a page, holding every tag to its end tag."""

    def __init__(self, text):
        super().__init__()
        self.open, self.images, self.ids, self.links, self.text = [], [], set(), [], ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.ids |= {attrs["id"]} if "id" in attrs else set()
        if tag == "img":
            self.images.append(attrs)
        if tag == "a":
            self.links.append(attrs["href"])
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


@pytest.fixture(scope="module")
def made():
    stack = simulate("lantern_nebula", shape=(300, 430)).stack
    steps = [
        Step(Crop(top=10, right=0, bottom=6, left=20), note="Composed by eye."),
        Step(RemoveGradient(), note="A gradient of 18 % & more <really>."),
        Step(CalibrateColor(reference="given", gains=(1.3, 1.0, 1.7))),
        Step(Turn(quarter_turns=1)),
        Step(
            Denoise(),
            where=RegionMask(regions=[{"shape": "rectangle", "x0": 0, "y0": 0, "x1": 100, "y1": 200}], feather=10),
        ),
        Step(Stretch()),
        Step(Saturate(), on=False),
    ]
    recipe = Recipe(steps, title="The Lantern, a first try")
    return stack, recipe, recipe.run(stack, progress=False)


@pytest.fixture(scope="module")
def sheet(made):
    stack, recipe, result = made
    return step_sheet(stack, recipe, result.record, check(stack))


def picture(address):
    data = base64.b64decode(address.removeprefix("data:image/jpeg;base64,"))
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


def test_the_page_is_well_formed_and_its_links_lead_somewhere(sheet):
    page = Page(sheet)
    assert page.open == []
    assert {link.removeprefix("#") for link in page.links} <= page.ids


def test_the_same_run_made_again_gives_the_same_page(made, sheet):
    stack, recipe, _ = made
    assert step_sheet(stack, recipe, recipe.run(stack, progress=False, threads=1).record, check(stack)) == sheet


def test_code_in_the_words_is_set_as_code(sheet):
    assert "<code>pixel - surface + pedestal</code>" in sheet
    assert "``" not in sheet


def test_the_page_loads_nothing_from_elsewhere(sheet):
    assert not re.search(r"https?:|//[a-z]|<script|@import|url\(", re.sub(r'"data:[^"]*"', '""', sheet))
    assert all(i["src"].startswith("data:image/jpeg;base64,") for i in Page(sheet).images)


def test_every_step_that_is_on_is_shown_before_and_after(made, sheet):
    _, recipe, _ = made
    page = Page(sheet)
    for number, step in enumerate(recipe, start=1):
        assert (f"step-{number}" in page.ids) == step.on
    whole = [i for i in page.images if i["alt"].startswith("Whole frame before")]
    assert len(whole) == sum(s.on for s in recipe)
    assert "Saturate (off)" in page.text


def test_every_image_says_what_it_shows_and_has_its_true_size(sheet):
    for image in Page(sheet).images:
        assert len(image["alt"]) > 10
        height, width, _ = picture(image["src"]).shape
        assert (int(image["width"]), int(image["height"])) == (width, height)


def test_reasons_facts_settings_and_sources_are_on_the_page(made, sheet):
    _, recipe, result = made
    text = " ".join(Page(sheet).text.split())
    assert "The Lantern, a first try" in text
    assert "A gradient of 18 % & more <really>." in text
    assert "<really>" not in sheet
    for step in result.record.steps:
        assert step.found.rstrip(".")[1:] in text
    assert "inside the rectangle x 0 to 100, y 0 to 200, edge 10 px soft" in text
    for step in recipe:
        if step.on:
            assert " ".join(type(step.operation).__doc__.split("\n\n")[1].split())[:60].replace("`", "") in text


def test_nothing_is_measured_again(made, monkeypatch):
    stack, recipe, result = made

    def refuse(self, frame):
        raise AssertionError("measured again")

    for operation in (Crop, RemoveGradient, CalibrateColor, Denoise, Stretch):
        monkeypatch.setattr(operation, "measure", refuse)
    assert step_sheet(stack, recipe, result.record)


def test_close_views_are_the_pixels_of_the_run(made):
    stack, recipe, result = made
    views = StepViews(stack, recipe, result.record.facts, close=(60, 80))
    pair = next(p for p in views.pairs() if p.index == 5)
    finished = np.round(result.image.pixels * 255).astype(np.uint8)
    h, w, _ = pair.close_after.shape
    wide = np.lib.stride_tricks.sliding_window_view(finished, (h, w, 3))[:, :, 0]
    assert any((np.abs(row.astype(int) - pair.close_after) <= 1).all(axis=(1, 2, 3)).any() for row in wide)


def test_a_pair_is_shown_in_the_same_light(made):
    stack, recipe, result = made
    views = StepViews(stack, recipe, result.record.facts, width=200)
    pairs = {p.index: p for p in views.pairs()}
    # Calibration with green gain 1 leaves green alone, so what changes is red and blue.
    before, after = (getattr(pairs[2], k).astype(float) for k in ("before", "after"))
    bright = before[..., 1] > 80
    assert np.median((after - before)[bright][:, 0]) > 3
    assert np.median((after - before)[bright][:, 2]) > 3


def test_the_outline_in_the_before_picture_shows_what_a_crop_keeps(made):
    stack, recipe, result = made
    views = StepViews(stack, recipe, result.record.facts, width=400)
    pairs = {p.index: p for p in views.pairs()}
    assert pairs[0].outlined
    scale = pairs[0].before.shape[1] / stack.shape[1]
    assert (pairs[0].before[round(10 * scale), round(60 * scale) : -5] == 255).all()
    assert not any(p.outlined for p in pairs.values() if p.index != 0)


def test_the_numbers_before_a_stretch_are_shown_as_they_are(made):
    stack, recipe, result = made
    views = StepViews(stack, recipe, result.record.facts, width=200)
    pair = next(p for p in views.pairs() if p.index == 5)
    assert np.median(pair.before) < 8 < np.median(pair.after)


def test_a_recipe_without_a_stretch_and_an_empty_one_have_sheets(color_stack):
    for recipe in (Recipe([RemoveGradient()]), Recipe()):
        page = Page(step_sheet(color_stack, recipe, recipe.run(color_stack, progress=False).record))
        assert page.open == []


def test_a_gray_stack_has_a_sheet(color_stack):
    gray = Stack.from_array(color_stack.pixels[:, :, 1].copy())
    recipe = suggest(gray)
    page = Page(step_sheet(gray, recipe, recipe.run(gray, progress=False).record))
    assert page.open == []
    assert len(page.images) >= 2 * len(recipe) + 1


def test_a_step_at_single_places_is_shown_at_one_of_them_enlarged(color_stack):
    pixels = color_stack.pixels.copy()
    pixels[120, 260, 0] += 0.2
    recipe = Recipe([MendPixels(), Stretch()])
    stack = color_stack.with_pixels(pixels)
    first, _ = StepViews(stack, recipe, recipe.run(stack, progress=False).record.facts).pairs()
    assert first.place == "own"
    dot = np.argwhere(first.close_before[:, :, 0] > first.close_after[:, :, 0].astype(int) + 50)
    assert np.ptp(dot, axis=0).tolist() == [3, 3]  # one pixel, four times as large
    assert np.abs(dot.mean(axis=0) - np.array(first.close_before.shape[:2]) / 2).max() < 6
    unchanged = StepViews(color_stack, recipe, recipe.run(color_stack, progress=False).record.facts).pairs()
    assert next(unchanged).place == "faint"


def test_places_lie_where_the_light_is(color_stack, rng):
    from workbench.operations.base import Geometry

    dark = rng.integers(0, 20, (200, 300, 3)).astype(np.uint8)
    dark[120:180, 200:280] = 200
    dark[20:80:6, 20:80:6] = 250
    places = places_of_interest(dark, Geometry(400, 600, 3), (80, 120))
    bright, stars = places["bright"], places["stars"]
    assert bright.y0 < 300 < bright.y1
    assert bright.x0 < 480 < bright.x1
    assert stars.x1 < 260
    assert stars.y1 < 260
    for rect in places.values():
        assert rect.clipped(400, 600) == rect


def test_the_demo_leaves_picture_recipe_record_and_sheet(tmp_path):
    made = make_demo(tmp_path, shape=(300, 430))
    assert {p.name for p in made.files} == {
        "lantern.tif", "lantern.picture.tif", "lantern.picture.jpg", "lantern.recipe.json", "lantern.record.json",
        "lantern.steps.html",
    }  # fmt: skip
    assert all(p.stat().st_size > 0 for p in made.files)
    assert Page(made.sheet.read_text(encoding="utf-8")).open == []
    assert Recipe.load(made.recipe)


def test_the_page_can_be_followed_and_stopped_while_it_is_made(made):
    stack, recipe, result = made
    told, cancel = [], Cancel()
    step_sheet(stack, recipe, result.record, progress=lambda share, doing: told.append((share, doing)))
    assert [share for share, _ in told] == [n / 6 for n in range(1, 7)]
    assert told[-1][1] == "pictures of step 6"
    cancel.set()
    with pytest.raises(Cancelled):
        step_sheet(stack, recipe, result.record, cancel=cancel)


def test_settings_are_told_in_words_not_in_shapes_of_data(sheet):
    page = Page(sheet)
    assert "Keep sky" in page.text
    assert "{shape" not in page.text
    assert "or empty (automatic)" not in page.text
    assert "subtract, divide; usually subtract" in page.text
    assert not [image for image in page.images if image.get("loading")]  # all of them are there to be printed


def test_a_plot_of_a_step_stands_in_the_sheet_and_its_words_are_text():
    plot = ScatterPlot(
        "one", title="<b>Red</b> & green", across="expected", up="measured", x=np.array([0.0, 1.0, 2.0]),
        y=np.array([0.0, 1.1, 9.0]), used=np.array([True, True, False]), line=(0.0, 1.0), scatter=0.1, mark=1.0,
        marked="white",
    )  # fmt: skip
    drawn = draw_plot(plot)
    assert drawn.used.count("h0") == 2
    assert drawn.left_out.startswith(f"M{drawn.right:.1f} {drawn.top:.1f}")  # beyond the axes: at their edge
    (x0, y0), (x1, y1) = (map(float, end.split()) for end in drawn.line[1:].split("L"))
    assert (x0, x1) == (drawn.left, drawn.right)
    assert y0 > y1

    class PlotNothing(Operation):
        """Change nothing.

        For this test.
        """

        purpose: ClassVar = "color"
        plots: ClassVar = ("one",)

        def apply(self, tile, plan, out):
            out[...] = tile.inner

        def shown(self, facts, geometry):
            return (plot,)

    try:
        stack = Stack.from_array(np.random.default_rng(1).uniform(0.1, 0.2, (60, 80, 3)).astype(np.float32))
        recipe = Recipe([PlotNothing(), Stretch()])
        page = Page(step_sheet(stack, recipe, recipe.run(stack, progress=False).record))
    finally:
        del REGISTRY[PlotNothing.id]
    assert "<b>Red</b> & green" in page.text
    assert "Dashed: white." in page.text
    assert "plot-1-1" in page.ids

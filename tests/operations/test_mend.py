"""What is drawn is filled: near the truth, with grain like that around, and nothing else is touched."""

import numpy as np
import pytest
from independent.scenes import Plan, make_scene
from skimage.restoration import inpaint_biharmonic

import workbench as wb
from workbench.measure.noise import noise
from workbench.operations._drawn import Drawn
from workbench.operations.base import Rect
from workbench.operations.regions import Ellipse, Polygon, Rectangle, Stroke

TRAIL = wb.Mend(strokes=[{"radius": 5, "points": [(30, 40), (380, 210)]}])
SPOT = wb.Mend(regions=[{"shape": "ellipse", "x": 300, "y": 90, "along": 18, "across": 18}])


@pytest.fixture(scope="module")
def scene():
    return make_scene(Plan(seed=2, shape=(260, 400), objects=("emission",), glow="two_domes", stars=150))


def planes_of(scene):
    return np.ascontiguousarray(scene.stack.planes)


def run(mend, stack):
    return wb.Recipe([mend]).run(stack, progress=False)


def inside(mend, shape):
    return Drawn(mend.regions, mend.strokes).inside(Rect(0, 0, *shape))


@pytest.mark.parametrize("mend", [TRAIL, SPOT], ids=["trail", "spot"])
def test_the_filled_ground_is_nearer_to_the_truth_than_scikit_images(scene, mend):
    # scikit-image's inpaint_biharmonic (Damelin & Hoang 2018, On surface completion and image inpainting)
    planes, region = planes_of(scene), inside(mend, scene.stack.shape[:2])
    truth = np.moveaxis(scene.sky + scene.objects, 2, 0)
    sigma = np.array([noise(plane).sigma for plane in planes])[:, None]
    damaged = scene.stack.with_pixels(np.where(region[..., None], np.float32(0.9), scene.stack.pixels))
    ground = run(mend.model_copy(update={"grain": 0.0}), damaged).image.planes
    ours = np.sqrt(np.mean(((ground - truth)[:, region] / sigma) ** 2))
    assert ours < 0.8
    y, x = np.nonzero(region)
    part = (slice(max(y.min() - 12, 0), y.max() + 13), slice(max(x.min() - 12, 0), min(x.min() + 90, x.max() + 13)))
    theirs = inpaint_biharmonic(planes[:, *part], region[part], channel_axis=0)
    error = (theirs - truth[:, *part])[:, region[part]] / sigma
    assert ours < 0.7 * np.sqrt(np.mean(error**2))


@pytest.mark.parametrize("mend", [TRAIL, SPOT], ids=["trail", "spot"])
def test_the_grain_is_that_around_and_nothing_outside_is_touched(scene, mend):
    planes, region = planes_of(scene), inside(mend, scene.stack.shape[:2])
    image = run(mend, scene.stack).image.planes
    np.testing.assert_array_equal(image[:, ~region], planes[:, ~region])
    smooth = run(mend.model_copy(update={"grain": 0.0}), scene.stack).image.planes
    grain, grown = (image - smooth)[:, region], np.array([noise(plane).sigma for plane in planes])
    np.testing.assert_allclose(grain.std(axis=1), grown, rtol=0.2)
    right = region[:, 1:] & region[:, :-1]
    pairs = (image - smooth)[1][:, 1:][right], (image - smooth)[1][:, :-1][right]
    filled = np.corrcoef(*pairs)[0, 1]
    quiet = np.abs(planes[1] - np.median(planes[1])) < 3 * grown[1]
    high = (planes[1] - np.roll(planes[1], 1, axis=1))[quiet]
    # Differences of neighbors have a variance of 2 (1 - correlation) sigma squared.
    around = 1 - np.median(np.abs(high)) ** 2 * 1.4826**2 / (2 * grown[1] ** 2)
    assert filled == pytest.approx(around, abs=0.2)


def test_grain_hangs_on_the_place_only_and_a_record_fills_the_same(scene):
    result = run(TRAIL, scene.stack)
    record = wb.Record.loads(result.record.dumps())
    again = wb.Recipe([TRAIL]).run(scene.stack, facts=record, progress=False)
    np.testing.assert_array_equal(again.image.pixels, result.image.pixels)
    assert len(result.record.dumps()) < 200_000


def test_a_flat_frame_is_filled_flat():
    stack = wb.Stack(np.full((120, 160, 3), 0.2, np.float32))
    mend = wb.Mend(regions=[{"shape": "rectangle", "x0": 60, "y0": 40, "x1": 90, "y1": 70}])
    np.testing.assert_allclose(run(mend, stack).image.pixels, 0.2, atol=1e-6)


def test_a_star_beside_the_drawing_does_not_bleed_into_it():
    y, x = np.mgrid[:120, :160]
    frame = np.full((120, 160), 0.1) + 0.8 * np.exp(-((x - 60) ** 2 + (y - 60) ** 2) / 8)
    frame += np.random.default_rng(1).normal(0, 0.002, frame.shape)
    mend = wb.Mend(regions=[{"shape": "ellipse", "x": 78, "y": 60, "along": 12, "across": 12}], grain=0)
    region = inside(mend, frame.shape)
    filled = run(mend, wb.Stack(np.repeat(frame[..., None], 3, axis=2).astype(np.float32))).image.pixels
    np.testing.assert_allclose(filled[region], 0.1, atol=0.002)


def test_too_much_is_refused():
    mend = wb.Mend(regions=[{"shape": "rectangle", "x0": 0, "y0": 0, "x1": 159, "y1": 90}])
    with pytest.raises(wb.WorkbenchError, match=r"step 1 \(mend\).* covers 76% of the frame, and no more than 25%"):
        run(mend, wb.Stack(np.full((120, 160, 3), 0.2, np.float32)))


def test_with_nothing_around_it_is_refused():
    pixels = np.full((60, 80, 3), np.nan, np.float32)
    pixels[20:30, 20:30] = 0.1
    mend = wb.Mend(regions=[{"shape": "rectangle", "x0": 20, "y0": 20, "x1": 29, "y1": 29}])
    with pytest.raises(wb.WorkbenchError, match="too little around the drawing at row 25, column 25"):
        run(mend, wb.Stack.from_array(pixels))


def test_a_large_part_is_doubted_and_nothing_is_said_of_none(scene):
    wide = wb.Mend(regions=[{"shape": "ellipse", "x": 200, "y": 130, "along": 70, "across": 70}])
    (doubt,) = run(wide, scene.stack).record.facts[0].doubts
    assert "little more than a guess" in doubt
    assert wb.Mend().explain(run(wb.Mend(), scene.stack).record.facts[0]) == "Nothing is drawn: nothing filled."
    outside = wb.Mend(strokes=[{"radius": 4, "points": [[9000, 30], [9100, 200]]}])
    assert outside.explain(run(outside, scene.stack).record.facts[0]).startswith("All that is drawn lies outside")


@pytest.mark.parametrize("scale", [1.0, 2.5])
def test_pixels_under_drawings_are_those_whose_places_lie_inside(scale):
    shapes = (
        Rectangle(x0=5, y0=8, x1=30, y1=20),
        Ellipse(x=60, y=30, along=14, across=6, angle_deg=30),
        Polygon(points=((80, 5), (110, 12), (90, 44))),
    )
    drawn = Drawn(shapes, (Stroke(radius=3, points=((10, 50), (70, 58))),), scale, (0.25, -0.25))
    core = Rect(2, 1, int(60 / scale), int(115 / scale))
    y, x = np.mgrid[core.y0 : core.y1, core.x0 : core.x1]
    y, x = (y + 0.25 + 0.5) * scale - 0.5, (x - 0.25 + 0.5) * scale - 0.5
    t = np.clip(((x - 10) * 60 + (y - 50) * 8) / (60**2 + 8**2), 0, 1)
    expected = np.hypot(x - 10 - 60 * t, y - 50 - 8 * t) <= 3
    for shape in shapes:
        expected |= shape.inside(y, x)
    assert (drawn.inside(core) != expected).mean() < 2e-3  # on an edge either will do
    assert expected.any()

"""Masks that are drawn: each weight is what the outline's distance says, however many lines there are."""

import numpy as np
import pytest
from skimage.measure import points_in_poly

import workbench as wb
from workbench.masks import Mask, Site, Stroke
from workbench.operations._lines import even_odd, line_weights, line_weights_reference
from workbench.operations.base import Geometry, Rect, Tile

SHAPE = (90, 130)
CORNERS = ((20.3, 10.1), (110.7, 25.2), (60.0, 41.9), (100.2, 80.4), (12.6, 70.5))


def weights_of(mask: Mask, shape=SHAPE, scale=1.0, core=None):
    """Weights of a mask over a frame that is ``scale`` times smaller than the stack."""
    geometry = Geometry(*shape, 3, scale)
    place = np.array([[scale, 0, 0.5 * scale - 0.5], [0, scale, 0.5 * scale - 0.5]])
    site = Site(geometry, place, scale)
    core = core or Rect(0, 0, *shape)
    tile = Tile(np.zeros((3, core.height, core.width), np.float32), core, 0, geometry)
    return mask.weights(tile, mask.prepare({}, site))


def rectangle(**more):
    return wb.RegionMask(regions=[{"shape": "rectangle", "x0": 10, "y0": 10, "x1": 30, "y1": 30}], **more)


def test_a_feather_falls_from_one_to_zero_across_the_outline():
    row = weights_of(rectangle(feather=4))[20]
    assert row[10] == row[30] == 0.5
    assert (row[8], row[12]) == (0, 1)


def test_an_ellipse_has_the_area_of_its_formula():
    ellipse = {"shape": "ellipse", "x": 60, "y": 45, "along": 40, "across": 20, "angle_deg": 30}
    assert weights_of(wb.RegionMask(regions=[ellipse])).sum() == pytest.approx(np.pi * 40 * 20, rel=0.01)


def test_a_polygon_holds_the_pixels_that_scikit_image_finds_inside():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    inside = points_in_poly(np.column_stack([x.ravel(), y.ravel()]), CORNERS).reshape(SHAPE)
    weights = weights_of(wb.RegionMask(regions=[{"shape": "polygon", "points": CORNERS}]))
    np.testing.assert_array_equal(weights > 0, inside)


def test_a_polygon_that_crosses_itself_is_empty_where_it_overlaps_twice():
    twice = np.array([*CORNERS, *CORNERS], np.float64)
    inside = np.empty(SHAPE, bool)
    even_odd(twice, 0, 0, inside)
    assert not inside.any()


def test_a_soft_polygon_is_half_on_its_edge_and_keeps_its_light():
    mask = wb.RegionMask(regions=[{"shape": "polygon", "points": CORNERS}], feather=8)
    soft, hard = weights_of(mask), weights_of(mask.model_copy(update={"feather": 0.0}))
    # An edge along a line through pixel centers: three quarters of the way down it.
    (ax, ay), (bx, by) = CORNERS[0], CORNERS[1]
    across = np.array([-(by - ay), bx - ax]) / np.hypot(bx - ax, by - ay)
    middle = np.array([ax + 0.5 * (bx - ax), ay + 0.5 * (by - ay)])
    for away in (-3.0, -1.0, 1.0, 3.0):
        x, y = np.rint(middle + away * across).astype(int)
        distance = (np.array([x, y]) - middle) @ across
        assert soft[y, x] == pytest.approx(0.5 + distance / 8, abs=1e-5)
    assert soft.sum() == pytest.approx(hard.sum(), rel=0.02)


@pytest.mark.parametrize("feather", [0.0, 5.0])
def test_many_lines_weigh_what_every_line_for_every_pixel_gives(rng, feather):
    ends = rng.uniform(-20, 220, (300, 2))
    lines = np.column_stack([ends, ends + rng.normal(0, 9, ends.shape), rng.uniform(0, 6, len(ends))])
    lines[0] = (60, 60, 140, 150, 40)  # covers whole blocks
    out = np.empty((173, 201), np.float32)
    line_weights(lines, feather, 7, 3, out)
    np.testing.assert_allclose(out, line_weights_reference(lines, feather, 7, 3, out.shape), atol=1e-6)


def test_a_brush_paints_its_way_with_a_soft_rim():
    mask = wb.BrushMask(strokes=[Stroke(radius=10, points=[(30, 40), (90, 40)])], feather=4)
    weights = weights_of(mask)
    np.testing.assert_allclose(weights[[30, 32, 40, 50], 60], [0.5, 1, 1, 0.5], atol=1e-6)
    assert weights[40, 19] == pytest.approx(0.25)
    assert weights_of(wb.BrushMask()).sum() == 0


def test_gradients_go_from_nothing_to_everything():
    line = weights_of(wb.LinearMask(x0=20, y0=5, x1=100, y1=5))
    np.testing.assert_allclose(line[33, [0, 20, 60, 100, 129]], [0, 0, 0.5, 1, 1])
    point = weights_of(wb.RadialMask(x=60, y=40, inner=10, outer=30))
    np.testing.assert_allclose(point[40, [60, 70, 80, 90]], [1, 1, 0.5, 0])


MASKS = {
    "rectangle": rectangle(feather=6),
    "polygon": wb.RegionMask(regions=[{"shape": "polygon", "points": CORNERS}], feather=6),
    "brush": wb.BrushMask(strokes=[Stroke(radius=10, points=[(30, 40), (90, 40)])]),
    "line": wb.LinearMask(x0=20, y0=5, x1=100, y1=25),
    "point": wb.RadialMask(x=60, y=40, inner=10, outer=30),
}


@pytest.mark.parametrize("name", list(MASKS))
def test_a_mask_is_the_same_in_a_smaller_frame(name):
    whole = weights_of(MASKS[name])
    small = weights_of(MASKS[name], (45, 65), 2.0)
    np.testing.assert_allclose(small, whole.reshape(45, 2, 65, 2).mean((1, 3)), atol=0.13)
    assert np.abs(small - whole.reshape(45, 2, 65, 2).mean((1, 3))).mean() < 0.004


def test_a_complement_a_union_and_an_intersection_are_what_sets_are():
    a, b = rectangle(feather=6), MASKS["point"]
    first, second = weights_of(a), weights_of(b)
    np.testing.assert_array_equal(weights_of(a.model_copy(update={"outside": True})), 1 - first)
    np.testing.assert_array_equal(weights_of(wb.UnionMask(masks=[a, b])), np.maximum(first, second))
    np.testing.assert_array_equal(weights_of(wb.IntersectionMask(masks=[a, b])), np.minimum(first, second))
    neither = wb.UnionMask(masks=[a, b], outside=True)
    np.testing.assert_array_equal(weights_of(neither), 1 - np.maximum(first, second))

"""The grid covers a frame once, and cutting with mirrored margins is padding by reflection."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.engine.tiles import cover, cut, even_rects, folded, mirrored, tile_rects
from workbench.operations.base import Rect

sizes = st.integers(1, 40)


@given(sizes, sizes, st.integers(1, 16))
def test_the_grid_covers_every_pixel_once(height, width, size):
    count = np.zeros((height, width), int)
    for rect in tile_rects(height, width, size):
        count[rect.slices] += 1
    assert (count == 1).all()


@given(st.integers(1, 300), st.integers(1, 300), st.integers(1, 40))
def test_even_parts_cover_every_pixel_once_and_are_alike(height, width, count):
    count = min(count, height, width)
    rects = even_rects(height, width, count)
    seen = np.zeros((height, width), int)
    for rect in rects:
        seen[rect.slices] += 1
    assert (seen == 1).all()
    assert len(rects) >= count
    for sides in ([rect.height for rect in rects], [rect.width for rect in rects]):
        assert max(sides) - min(sides) <= 1


def test_even_parts_are_as_square_as_can_be():
    assert {(rect.height, rect.width) for rect in even_rects(800, 1200, 4)} == {(400, 600)}
    assert {(rect.height, rect.width) for rect in even_rects(300, 1200, 4)} == {(300, 300)}


@given(sizes, sizes, st.integers(1, 16), st.data())
def test_a_region_is_covered_by_grid_tiles_and_no_others(height, width, size, data):
    y0, x0 = data.draw(st.integers(0, height - 1)), data.draw(st.integers(0, width - 1))
    rect = Rect(y0, x0, data.draw(st.integers(y0 + 1, height)), data.draw(st.integers(x0 + 1, width)))
    tiles = cover(rect, height, width, size)
    assert set(tiles) <= set(tile_rects(height, width, size))
    seen = np.zeros((height, width), bool)
    for tile in tiles:
        seen[tile.slices] = True
        assert tile.overlap(rect).height > 0
        assert tile.overlap(rect).width > 0
    assert seen[rect.slices].all()


@given(sizes, sizes, st.integers(0, 90), st.data())
def test_cutting_equals_numpys_reflect_padding(height, width, margin, data):
    planes = np.random.default_rng(height * 41 + width).random((2, height, width), np.float32)
    padded = np.pad(planes, ((0, 0), (margin, margin), (margin, margin)), mode="reflect")
    y0, x0 = data.draw(st.integers(0, height - 1)), data.draw(st.integers(0, width - 1))
    core = Rect(y0, x0, data.draw(st.integers(y0 + 1, height)), data.draw(st.integers(x0 + 1, width)))
    grown = core.grown(margin)
    out = np.empty((2, grown.height, grown.width), np.float32)
    cut(planes, grown, out)
    np.testing.assert_array_equal(out, padded[:, core.y0 : core.y1 + 2 * margin, core.x0 : core.x1 + 2 * margin])


@pytest.mark.parametrize(
    ("rect", "inside"), [(Rect(-2, -2, 3, 3), Rect(0, 0, 3, 3)), (Rect(-6, 1, 1, 4), Rect(0, 1, 7, 4))]
)
def test_a_folded_rectangle_holds_all_that_a_mirrored_cut_shows(rect, inside):
    assert folded(rect, 9, 9) == inside


def test_mirroring_does_not_repeat_the_edge():
    assert mirrored(-3, 7, 4).tolist() == [3, 2, 1, 0, 1, 2, 3, 2, 1, 0]

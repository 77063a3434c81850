"""The preview is the result: regions equal the finished image bit for bit, however they are asked for."""

from dataclasses import replace
from typing import ClassVar

import numpy as np
import pytest
from toy import MedianFacts, _AddMedian, _Blur, _Root, _Shift, _Show

from workbench import Cancel, Cancelled, Preview, Recipe, Stack, Stretch, WorkbenchError
from workbench.engine import tiles
from workbench.engine.cache import Cache
from workbench.engine.exact_region import exact_region, near_region
from workbench.engine.reduction import reduced
from workbench.engine.tile_pool import TilePool
from workbench.operations.base import Frame, Rect
from workbench.threads import in_order

CHAINS = {
    "pointwise": [_AddMedian(), _Root(), _Show()],
    "neighborhood": [_Blur(radius=3), _AddMedian(), _Show()],
    "wide": [_AddMedian(), _Blur(radius=40), _Root(), _Blur(radius=2), _Show()],
    "frame": [_Blur(radius=2), _Shift(), _Root(), _Blur(radius=9), _Shift(), _AddMedian(), _Show()],
}


@pytest.fixture(scope="module")
def stack():
    return Stack.from_array(np.random.default_rng(8).random((1100, 1310, 3), np.float32))


@pytest.mark.parametrize("name", CHAINS)
def test_a_region_equals_the_result_bit_for_bit(stack, name):
    recipe = Recipe(CHAINS[name])
    whole = recipe.run(stack).image.pixels
    height, width, _ = whole.shape
    preview = Preview(stack, recipe)
    regions = [(0, 0, 7, 9), (500, 505, 30, 20), (height - 5, width - 3, 5, 3), (1000, 0, 60, width), (1, 511, 1, 1)]
    for y0, x0, h, w in regions:
        np.testing.assert_array_equal(preview.region(y0, x0, h, w), whole[y0 : y0 + h, x0 : x0 + w])


@pytest.mark.parametrize("threads", [1, 2, 3, 4])
def test_regions_do_not_depend_on_threads_or_on_what_was_asked_before(stack, threads):
    recipe = Recipe(CHAINS["frame"])
    facts = Preview(stack, recipe).facts
    cold = Preview(stack, recipe, facts=facts, threads=threads, cache_bytes=1)
    warm = Preview(stack, recipe, threads=threads)
    warm.region(0, 0, 1000, 1000)
    warm.fit(300)
    np.testing.assert_array_equal(cold.region(480, 470, 90, 101), warm.region(480, 470, 90, 101))


@pytest.mark.parametrize("shape", [(1, 1, 3), (5, 900, 1), (700, 3, 3)])
def test_regions_of_tiny_frames_equal_the_result(shape):
    stack = Stack.from_array(np.random.default_rng(1).random(shape, np.float32))
    recipe = Recipe([_Blur(radius=40), _AddMedian(), _Blur(radius=3), _Show()])
    whole = recipe.run(stack).image.pixels
    np.testing.assert_array_equal(Preview(stack, recipe).region(0, 0, *shape[:2]), whole)


@pytest.mark.parametrize("size", [64, 200, 4096])
def test_other_tile_sizes_agree_within_a_few_units_in_the_last_place(stack, size, monkeypatch):
    recipe = Recipe(CHAINS["wide"])
    usual = recipe.run(stack)
    monkeypatch.setattr("workbench.engine.chain.tile_size", lambda _reach: size)
    monkeypatch.setattr("workbench.engine.chain.POINTWISE_TILE", size)
    other = recipe.run(stack, facts=usual.record)
    np.testing.assert_allclose(other.image.pixels, usual.image.pixels, rtol=8 * np.finfo(np.float32).eps, atol=1e-7)


@pytest.mark.parametrize("threads", [1, 3])
@pytest.mark.parametrize("name", CHAINS)
def test_a_region_without_the_rest_of_its_tiles_agrees_within_a_few_units_in_the_last_place(stack, name, threads):
    preview = Preview(stack, Recipe(CHAINS[name]))
    whole = preview.region(0, 0, *preview.shape()[:2])
    pool, chain, frame = TilePool(threads), preview.chain, Rect(0, 0, *preview.shape()[:2])
    cold, some = Cache(0), Cache(1 << 30)
    exact_region(pool, some, chain, 0, stack.planes, Rect(480, 470, 570, 571))
    for y0, x0, h, w in [(0, 0, 7, 9), (481, 475, 40, 20), (frame.y1 - 5, frame.x1 - 3, 5, 3), (1, 511, 1, 1)]:
        rect = Rect(y0, x0, y0 + h, x0 + w)
        for cache in (cold, some):
            near = np.moveaxis(near_region(pool, cache, chain, 0, stack.planes, rect), 0, 2)
            np.testing.assert_allclose(near, whole[rect.slices], rtol=8 * np.finfo(np.float32).eps, atol=1e-7)
    with pytest.raises(WorkbenchError, match="does not lie inside"):
        near_region(pool, cold, chain, 0, stack.planes, Rect(-1, 0, 5, 5))


def test_parts_of_the_recipe_are_shown(stack):
    preview = Preview(stack, Recipe(CHAINS["wide"]))
    np.testing.assert_array_equal(preview.region(5, 6, 40, 50, upto=0), stack.pixels[5:45, 6:56])
    first = Recipe(CHAINS["wide"][:2]).run(stack).image.pixels
    np.testing.assert_array_equal(preview.region(5, 6, 40, 50, upto=2), first[5:45, 6:56])


def test_an_edited_recipe_is_shown_at_once(stack):
    preview = Preview(stack, Recipe([_AddMedian(), _Show()]))
    preview.region(0, 0, 10, 10)
    edited = Recipe([_AddMedian(factor=0.1), _Show()])
    preview.recipe = edited
    np.testing.assert_array_equal(preview.region(0, 0, 10, 10), edited.run(stack).image.pixels[:10, :10])


def test_facts_are_those_of_a_run(stack):
    recipe = Recipe(CHAINS["frame"])
    assert Preview(stack, recipe).facts == recipe.run(stack).record.facts


def test_the_fit_view_has_the_width_and_resembles_the_reduced_result(stack):
    smooth = Recipe([_Blur(radius=12)]).run(stack).image
    recipe = Recipe([_AddMedian(factor=0.1), _Blur(radius=8), _Show()])
    view = Preview(smooth, recipe).fit(400)
    assert view.shape == (336, 400, 3)
    assert view.dtype == np.uint8
    whole = recipe.run(smooth).image.pixels
    expected = np.moveaxis(reduced(np.ascontiguousarray(np.moveaxis(whole, 2, 0)), 1310 / 400), 0, 2)
    assert np.abs(view / 255 - expected).mean() < 0.004


def test_a_fit_view_is_never_enlarged(color_stack):
    assert Preview(color_stack, Recipe([_Show()])).fit(5000).shape == (217, 331, 3)


def test_a_linear_end_is_shown_stretched_and_left_linear(color_stack):
    preview = Preview(color_stack, Recipe([_AddMedian()]))
    view = preview.fit(331)
    assert np.median(view) == pytest.approx(255 * Stretch().sky, rel=0.2)
    assert preview.region(0, 0, 217, 331).max() < 2
    assert preview.loupe(3, 4, 50, 60).shape == (50, 60, 3)


def test_a_linear_end_can_be_seen_as_it_is(color_stack):
    preview = Preview(color_stack, Recipe([_AddMedian()]))
    view = preview.view(331, stand_in=False)
    assert not view.stretched
    wanted = np.clip(preview.region(0, 0, 217, 331), 0, 1) * 255
    np.testing.assert_allclose(view.pixels, wanted, atol=0.51)
    np.testing.assert_array_equal(preview.loupe(0, 0, 217, 331, stand_in=False), view.pixels)
    assert preview.view(331, draft=True, stand_in=False).draft is False


@pytest.mark.parametrize("rect", [(-1, 0, 5, 5), (0, 0, 0, 5), (210, 0, 20, 5), (0, 330, 1, 2)])
def test_a_region_outside_the_frame_is_refused(color_stack, rect):
    with pytest.raises(WorkbenchError, match="does not lie inside the frame of 217 x 331"):
        Preview(color_stack, Recipe([_Show()])).region(*rect)


def test_the_pointwise_tile_is_the_documented_one():
    assert (tiles.POINTWISE_TILE, tiles.WIDE_TILE) == (512, 1024)


def test_a_draft_measures_only_the_reduced_frame_and_is_corrected_by_settling(stack):
    preview = Preview(stack, Recipe(CHAINS["wide"]))
    draft = preview.view(400, draft=True)
    assert draft.draft
    assert preview.known_facts == {}
    settled_facts = preview.settle()
    exact = preview.view(400, draft=True)
    assert not exact.draft
    assert settled_facts == preview.known_facts == preview.facts
    assert draft.pixels.shape == exact.pixels.shape
    assert np.abs(draft.pixels.astype(int) - exact.pixels).mean() < 3


def test_settling_can_be_cancelled_and_goes_on_later(stack):
    preview = Preview(stack, Recipe(CHAINS["wide"]))
    cancel = Cancel()
    cancel.set()
    with pytest.raises(Cancelled):
        preview.settle(cancel=cancel)
    assert preview.settle() == Recipe(CHAINS["wide"]).run(stack).record.facts


class _InParts(_AddMedian):
    """Measured in parts, of which the third is the one in which the person changes their mind."""

    seen: ClassVar[list[int]] = []
    cancel: ClassVar[Cancel] = Cancel()

    def measure(self, frame):
        def look(part):
            self.seen.append(part)
            if part == 2:
                self.cancel.set()

        try:
            in_order(look, list(range(1000)))
        except WorkbenchError:  # a measurement's own way out of what it cannot find
            return MedianFacts(median=[0.0] * 3)
        return super().measure(frame)


def test_a_measurement_is_cancelled_between_two_of_its_parts(stack):
    recipe = Recipe([_InParts(), _Show()])
    for work in (lambda p: p.settle(cancel=_InParts.cancel), lambda _p: recipe.run(stack, cancel=_InParts.cancel)):
        _InParts.seen.clear()
        _InParts.cancel = Cancel()
        preview = Preview(stack, recipe, threads=2)
        with pytest.raises(Cancelled):
            work(preview)
        assert len(_InParts.seen) < 20
        assert preview.known_facts == {}
    assert preview.settle()[0].median[0] > 0.4, "what a cancelled measurement would have found is not kept"


class _EveryThird(_AddMedian):
    """Measured on every third row."""

    seen: ClassVar[list[Frame]] = []

    def rows_apart(self, geometry):
        return 3

    def measure(self, frame):
        self.seen.append(replace(frame, planes=frame.planes.copy()))  # the next step may be made within it
        return MedianFacts(median=[np.median(p[:: 3 // frame.rows_apart]) for p in frame.planes])


@pytest.mark.parametrize(("before", "apart"), [([_AddMedian(), _Root()], 3), ([_Blur(radius=3), _Root()], 1), ([], 1)])
def test_no_more_rows_are_made_than_a_step_is_measured_on(stack, before, apart):
    coverage = np.random.default_rng(1).integers(1, 256, stack.shape[:2], np.uint8)
    stack = replace(stack, coverage=coverage)
    whole = Recipe(before).run(stack).image.pixels if before else stack.pixels
    _EveryThird.seen.clear()
    recipe = Recipe([*before, _EveryThird(), _Show()])
    ran, settled = recipe.run(stack, threads=2).record.facts, Preview(stack, recipe, threads=2).settle()
    for frame in _EveryThird.seen:
        assert frame.rows_apart == apart
        np.testing.assert_array_equal(np.moveaxis(frame.planes, 0, 2), whole[::apart])
        np.testing.assert_array_equal(frame.coverage, coverage[::apart])
    assert len(_EveryThird.seen) == 2
    assert ran == settled
    assert ran[len(before)].median == tuple(np.median(whole[::3], axis=(0, 1)).tolist())


def test_settings_in_pixels_are_scaled_for_the_reduced_frame():
    assert _Blur(radius=30).scaled(4).radius == 8
    assert _Blur(radius=2).scaled(10).radius == 1
    assert _AddMedian(factor=0.5).scaled(4).factor == 0.5

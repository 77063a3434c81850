"""A run gives the same bytes however it is threaded, records what it did, and stops cleanly."""

import threading

import cv2
import numpy as np
import pytest
from toy import MedianFacts, _AddMedian, _Blur, _Broken, _Root, _Shift, _Show

import workbench as wb
from workbench import Acquisition, Cancel, Cancelled, Recipe, Record, RegionMask, Stack, Step, Tone, WorkbenchError
from workbench.engine import record_diff
from workbench.engine.blending import blend_by, blend_by_reference
from workbench.engine.comparison import TOLERANCE
from workbench.engine.tile_pool import TilePool
from workbench.operations.base import REGISTRY

MIXED = [_AddMedian(), _Blur(radius=3), _Root(), _Shift(), _AddMedian(factor=1), _Blur(radius=35), _Show()]


def test_a_pointwise_chain_equals_whole_frame_numpy(color_stack):
    result = Recipe([_AddMedian(factor=1), _Root()]).run(color_stack)
    medians = np.float32([np.median(p) for p in color_stack.planes])
    np.testing.assert_array_equal(result.image.pixels, np.arcsinh(np.abs(color_stack.pixels + medians) * 10))


def test_a_neighborhood_step_equals_the_whole_frame(color_stack):
    result = Recipe([_Blur(radius=5)]).run(color_stack)
    whole = cv2.GaussianBlur(color_stack.pixels, (11, 11), 2.0, borderType=cv2.BORDER_REFLECT_101)
    np.testing.assert_allclose(result.image.pixels, whole, rtol=0, atol=2e-7)


@pytest.mark.parametrize("radius", [1, 20])
def test_a_neighborhood_step_made_within_its_frame_equals_the_whole_frame(monkeypatch, radius):
    within = []
    made = TilePool._pass_in_bands
    monkeypatch.setattr(TilePool, "_pass_in_bands", lambda *asked: (within.append(len(asked[4])), made(*asked)))
    stack = Stack.from_array(np.random.default_rng(4).random((1540, 700, 3), np.float32))
    result = Recipe([_AddMedian(factor=0), _Blur(radius=radius)]).run(stack, threads=1)
    whole = cv2.GaussianBlur(stack.pixels, (2 * radius + 1,) * 2, radius / 2.5, borderType=cv2.BORDER_REFLECT_101)
    np.testing.assert_allclose(result.image.pixels, whole, rtol=0, atol=2e-7)
    assert within == [4]  # bands of 512 rows, the last of 4


@pytest.mark.parametrize("threads", [1, 2, 3, 4])
def test_the_bytes_do_not_depend_on_the_number_of_threads(big_stack, threads):
    one = Recipe(MIXED).run(big_stack, threads=1)
    many = Recipe(MIXED).run(big_stack, threads=threads)
    np.testing.assert_array_equal(one.image.pixels, many.image.pixels)
    assert [s.digest for s in one.record.steps] == [s.digest for s in many.record.steps]


@pytest.fixture(scope="module")
def big_stack():
    rng = np.random.default_rng(5)
    return Stack.from_array(rng.random((1100, 1310, 3), np.float32))


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_facts_that_are_no_numbers_are_refused_with_the_step(color_stack, monkeypatch, value):
    monkeypatch.setattr(_AddMedian, "measure", lambda _self, _frame: MedianFacts(median=[value]))
    with pytest.raises(WorkbenchError, match=r"step 2 \(_?add_median\): measured something that is not a number"):
        Recipe([_Blur(radius=3), _AddMedian()]).run(color_stack)


def test_the_stack_is_never_changed(color_stack):
    before = color_stack.pixels.copy()
    Recipe(MIXED).run(color_stack)
    np.testing.assert_array_equal(color_stack.pixels, before)


def test_steps_that_are_off_do_nothing(color_stack):
    result = Recipe([Step(_Root(), on=False), _Show()]).run(color_stack)
    np.testing.assert_array_equal(result.image.pixels, np.clip(color_stack.pixels, 0, 1))
    assert [s.index for s in result.record.steps] == [1]
    assert result.image.tone == Tone.DISPLAY


def test_an_empty_recipe_gives_the_stack_back(color_stack):
    result = Recipe([]).run(color_stack)
    np.testing.assert_array_equal(result.image.pixels, color_stack.pixels)


@pytest.mark.parametrize("shape", [(1, 1, 3), (1, 700, 1), (513, 1, 3), (2, 2, 1)])
def test_frames_smaller_than_any_margin_are_processed(shape, rng):
    stack = Stack.from_array(rng.random(shape, np.float32))
    result = Recipe([_Blur(radius=35), _Root(), _Show()]).run(stack)
    assert result.image.shape == shape
    assert np.isfinite(result.image.pixels).all()


def test_a_step_in_the_wrong_place_is_refused_by_name(color_stack):
    with pytest.raises(WorkbenchError, match=r"step 2 \(blur\) works on a linear image, but what step 1 \(show\)"):
        Recipe([_Show(), _Blur()]).run(color_stack)


def test_a_part_of_the_frame_is_changed_and_the_rest_left_alone(color_stack):
    where = RegionMask(regions=[{"shape": "rectangle", "x0": 50, "y0": 40, "x1": 120, "y1": 100}])
    result = Recipe([Step(_AddMedian(factor=1), where=where)]).run(color_stack)
    changed = np.abs(result.image.pixels - color_stack.pixels).max(axis=2) > 0
    rows, cols = np.nonzero(changed)
    assert (rows.min(), rows.max(), cols.min(), cols.max()) == (40, 100, 50, 120)
    outside = Recipe([Step(_AddMedian(factor=1), where=where.model_copy(update={"outside": True}))]).run(color_stack)
    assert (np.abs(outside.image.pixels - color_stack.pixels).max(axis=2) > 0).sum() == changed.size - changed.sum()


def test_opacity_mixes_a_step_with_what_was_before(color_stack):
    before, after = color_stack.pixels, Recipe([_Blur()]).run(color_stack).image.pixels
    for opacity in (0.0, 0.3, 1.0):
        image = Recipe([Step(_Blur(), opacity=opacity)]).run(color_stack).image
        np.testing.assert_allclose(image.pixels, before + opacity * (after - before), rtol=0, atol=2e-7)
    np.testing.assert_array_equal(Recipe([Step(_Blur(), opacity=0)]).run(color_stack).image.pixels, before)
    np.testing.assert_array_equal(Recipe([Step(_Blur(), opacity=1)]).run(color_stack).image.pixels, after)


def test_under_a_mask_both_ends_are_exact_to_the_last_bit(color_stack):
    before, after = color_stack.pixels, Recipe([_Blur()]).run(color_stack).image.pixels
    where = RegionMask(regions=[{"shape": "rectangle", "x0": 50, "y0": 40, "x1": 120, "y1": 100}], feather=6)
    image = Recipe([Step(_Blur(), where=where)]).run(color_stack).image.pixels
    np.testing.assert_array_equal(image[44:97, 54:117], after[44:97, 54:117])
    np.testing.assert_array_equal(image[:36], before[:36])


def test_mixing_by_a_mask_agrees_with_its_plain_form():
    rng = np.random.default_rng(3)
    before, out = rng.normal(size=(2, 3, 40, 50)).astype(np.float32)
    mask = np.clip(rng.normal(0.5, 0.6, (40, 50)), 0, 1).astype(np.float32)
    wanted = blend_by_reference(before, mask, np.float32(0.7), out)
    blend_by(before, mask, np.float32(0.7), out)
    np.testing.assert_allclose(out, wanted, rtol=0, atol=5e-7)


@pytest.mark.parametrize("opacity", [-0.1, 1.1, float("nan")])
def test_an_opacity_outside_of_its_range_is_refused(opacity):
    with pytest.raises(WorkbenchError, match=r"opacity.*allowed: 0 to 1"):
        Step(_Blur(), opacity=opacity)


@pytest.mark.parametrize("operation", [_Shift(), _Show(), wb.SplitStars(), wb.JoinStars(), wb.Crop(), wb.Turn()])
def test_a_step_that_changes_frame_layers_or_tone_has_no_opacity(operation):
    with pytest.raises(WorkbenchError, match="cannot be mixed"):
        Step(operation, opacity=0.5)


@pytest.mark.parametrize("operation", [_Shift(), _Show()])
def test_a_step_that_needs_the_whole_frame_cannot_be_limited(operation):
    with pytest.raises(WorkbenchError, match="whole frame"):
        Step(operation, where=RegionMask(regions=[{"shape": "rectangle", "x0": 0, "y0": 0, "x1": 5, "y1": 5}]))


def test_frozen_facts_replay_and_are_marked(color_stack):
    recipe = Recipe(MIXED)
    first = recipe.run(color_stack)
    brighter = color_stack.with_pixels(color_stack.pixels * np.float32(1.5))
    frozen = recipe.run(brighter, facts=first.record)
    assert frozen.record.facts == first.record.facts
    assert all(s.frozen for s in frozen.record.steps)
    adaptive = recipe.run(brighter)
    assert adaptive.record.facts[0].median[0] > 1.4 * first.record.facts[0].median[0]


def test_facts_of_another_recipe_are_refused(color_stack):
    record = Recipe([_AddMedian()]).run(color_stack).record
    with pytest.raises(WorkbenchError, match=r"step 1 is root here and add_median there"):
        Recipe([_Root()]).run(color_stack, facts=record)


def test_damaged_frozen_facts_are_refused_in_a_sentence(color_stack):
    with pytest.raises(
        WorkbenchError, match=r"step 1 \(add_median\): the frozen facts have no 'median': measure again"
    ):
        Recipe([_AddMedian()]).run(color_stack, facts={0: {}})
    with pytest.raises(
        WorkbenchError, match=r"the frozen facts have an unknown entry 'mode'; they have doubts, mask, median"
    ):
        Recipe([_AddMedian()]).run(color_stack, facts={0: {"median": [0.1] * 3, "mode": 3}})
    with pytest.raises(WorkbenchError, match="do not fit this frame: 'median' has 2 channels, but the frame has 3"):
        Recipe([_AddMedian()]).run(color_stack, facts={0: {"median": [0.1, 0.1]}})


def test_a_fault_of_the_program_is_not_blamed_on_the_facts(color_stack):
    class _Broken(_AddMedian):
        def prepare(self, facts, geometry):
            return facts.no_such_name

    first = Recipe([_AddMedian()]).run(color_stack)
    with pytest.raises(AttributeError, match="no_such_name"):
        Recipe([_Broken()]).run(color_stack, facts=first.record.facts)


def test_a_record_survives_its_file(color_stack, tmp_path, monkeypatch):
    for step in MIXED:
        monkeypatch.setitem(REGISTRY, step.id, type(step))
    record = Recipe(MIXED, title="mixed").run(color_stack).record
    path = tmp_path / "run.record.json"
    path.write_text(record.dumps(), encoding="utf-8")
    loaded = Record.load(path)
    assert loaded.to_dict() == record.to_dict()
    assert loaded.compare(record).same == "identical"
    assert record.input["shape"] == [217, 331, 3]
    assert record.software["numpy"] == np.__version__


def test_verifying_tells_identical_tolerable_and_different_apart(color_stack):
    recipe = Recipe([_AddMedian(), _Blur(), _Show()])
    record = recipe.run(color_stack).record
    assert record.compare(recipe.run(color_stack).record).same == "identical"
    near = color_stack.with_pixels(color_stack.pixels + np.float32(0.2 * TOLERANCE))
    verdict = record.compare(recipe.run(near).record)
    assert verdict.same == "within tolerance"
    assert verdict.ok
    far = Recipe([_AddMedian(), _Blur(radius=20), _Show()]).run(color_stack).record
    verdict = record.compare(far)
    assert (verdict.same, verdict.step, verdict.ok) == ("different", 1, False)
    assert "step 2 (blur)" in verdict.says


def test_a_comparison_of_runs_says_which_step_was_another_or_is_missing(color_stack):
    both, one, other = (
        Recipe(steps).run(color_stack).record for steps in ([_Root(), _Show()], [_Root()], [_Root(), _Blur()])
    )
    assert "the earlier did step 2, show, the later no further step" in both.compare(one).says
    assert "the earlier did no further step, the later step 2, show" in one.compare(both).says
    assert "the earlier did step 2, show, the later step 2, blur" in both.compare(other).says
    assert both.compare(other).step == one.compare(both).step == 1


def test_a_record_diff_is_readable(color_stack, monkeypatch):
    for toy in (_AddMedian, _Show):
        monkeypatch.setitem(REGISTRY, toy.id, toy)
    a = Recipe([_AddMedian(), _Show()]).run(color_stack).record
    brighter = color_stack.with_pixels(color_stack.pixels * np.float32(2))
    b = Recipe([_AddMedian(), _Show()]).run(brighter).record
    told = "\n".join(line for line in record_diff(a, b) if not line.startswith("recipe"))
    assert "step 1 (add_median) found: median 0." in told
    assert "result: different from step 1" in told


def test_progress_reaches_the_end_and_never_goes_back(big_stack):
    shares = []
    Recipe(MIXED).run(big_stack, progress=lambda share, _doing: shares.append(share))
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0)


def test_cancelling_stops_the_run(big_stack):
    cancel, before = Cancel(), set(threading.enumerate())
    with pytest.raises(Cancelled, match="nothing was written"):
        Recipe(MIXED).run(big_stack, progress=lambda *_: cancel.set(), cancel=cancel, threads=2)
    # Threads that measure or make tiles wait for the next run; none of this one goes on working.
    assert len(set(threading.enumerate()) - before) <= 4


def test_a_fault_in_one_tile_ends_the_run_with_that_fault(big_stack):
    with pytest.raises(ZeroDivisionError, match="on purpose"):
        Recipe([_Broken()]).run(big_stack)


def test_opencv_keeps_its_thread_setting(color_stack):
    before = cv2.getNumThreads()
    Recipe([_Blur()]).run(color_stack)
    assert cv2.getNumThreads() == before


def test_acquisition_travels_with_the_image(color_stack):
    stack = color_stack.with_pixels(color_stack.pixels, acquisition=Acquisition(exposure_s=120, frames=60))
    assert Recipe([_Show()]).run(stack).image.acquisition.total_exposure.to_value("h") == 2

"""Every operation keeps the promises of the engine. One without an entry in ``SAMPLES`` fails the suite."""

import json
from functools import cache

import numpy as np
import pytest

from workbench import Preview, Recipe, Stack, Tone, WorkbenchError
from workbench.operations.base import REGISTRY, FrameOperation
from workbench.simulate import simulate

#: Settings each operation is tested with; the first entry is the one used for degenerate frames.
SAMPLES = {
    "crop": [{}, {"top": 3, "left": 5, "right": 0, "bottom": 2}],
    "turn": [{"quarter_turns": 1}, {"quarter_turns": 2, "mirror": True}],
    "resample": [{}, {"long_side": 700}],
    "straighten": [{"angle_deg": 7.3}, {"angle_deg": -31.0, "corners": "keep"}, {}],
    "remove_gradient": [{}],
    "level_sky": [{}],
    "calibrate_color": [{}],
    "limit_green": [{}],
    "saturate": [{}],
    "stretch": [{}],
    "reduce_stars": [{}],
    "denoise": [{}],
    "mend_pixels": [{}],
    "align_channels": [{}],
    "correct_falloff": [{}, {"corners": 60.0}],
    "remove_fringe": [{}],
    "mend": [
        {
            "strokes": [{"radius": 4, "points": [[30, 40], [1030, 190]]}],
            "regions": [
                {"shape": "ellipse", "x": 515, "y": 110, "along": 30, "across": 20, "angle_deg": 20},
                {"shape": "polygon", "points": [[700, 20], [760, 30], [740, 60]]},
            ],
        },
        {},
    ],
    "remove_banding": [{}, {"columns": False}],
    "split_stars": [{}, {"method": "classical"}],
    "join_stars": [{}, {"strength": 0.6, "shrink": 1.3, "color": 0.5}],
    "tone_curve": [
        {"points": [{"x": 0.1, "y": 0.08}, {"x": 0.4, "y": 0.6}]},
        {"points": [{"x": 0.5, "y": 0.7}], "channel": "green"},
        {},
    ],
    "color_balance": [{"shadows_yellow": -0.3, "highlights_red": 0.5}, {}],
    "sharpen": [{}, {"amount": 2.0, "scales": 5, "level": 3.0}, {"amount": 0.0}],
    "local_contrast": [{}, {"cells": 3, "limit": 4.0, "protect": 0.0}, {"amount": 0.0}],
    "deconvolve": [{}, {"width": 0.5, "smooth": 0.3, "iterations": 12}],
    "compress_highlights": [{}, {"amount": 1.0, "knee": 0.3, "detail": 0.4, "size": 9}, {"amount": 0.0}],
}
CASES = [(name, settings) for name, cases in SAMPLES.items() for settings in cases]
#: These take long and look far, so their tiles are wide: a frame that is long but narrow has as many of them.
SLOW = {"split_stars", "deconvolve"}
#: Tile sizes other than the engine's may round differently at a tile's edge: written tolerance, in display units
#: or units of the white level.
OTHER_TILES = 2e-6


def recipe_with(operation):
    """The operation alone, or after what it cannot do without; and its place."""
    before = [REGISTRY["split_stars"](method="classical")] if operation.layers == "join" else []
    return Recipe([*before, operation]), len(before)


@pytest.fixture(scope="module")
def stack_for():
    """The frame that an operation is tried on, in the tone that it takes."""

    @cache
    def simulated(height):
        return simulate("lantern_nebula", shape=(height, 1060), seed=4).stack

    @cache
    def stretched(height):
        return Recipe([REGISTRY["level_sky"](), REGISTRY["stretch"]()]).run(simulated(height)).image

    def pick(operation):
        linear = isinstance(operation, FrameOperation) or operation.takes == Tone.LINEAR
        return (simulated if linear else stretched)(210 if operation.id in SLOW else 548)

    return pick


@pytest.fixture(scope="module")
def made():
    """The result of an operation with its settings; each is run once, and leaves its stack as it was."""
    results = {}

    def once(operation, stack):
        case = operation.id, operation.model_dump_json()
        if case not in results:
            before = stack.pixels.copy()
            results[case] = recipe_with(operation)[0].run(stack, threads=2)
            np.testing.assert_array_equal(stack.pixels, before)
        return results[case]

    return once


def test_every_operation_has_test_settings():
    assert set(SAMPLES) == set(REGISTRY)


@pytest.mark.parametrize(("name", "settings"), CASES)
def test_a_region_equals_the_result_bit_for_bit(name, settings, stack_for, made):
    operation = REGISTRY[name](**settings)
    stack = stack_for(operation)
    recipe, _ = recipe_with(operation)
    result = made(operation, stack)
    whole = result.image.pixels
    height, width, _ = whole.shape
    corners = [(0, 0, 9, 7), (height - 11, width - 13, 11, 13)]
    # Over a corner where tiles of 1024 px meet, or of 512 px, if the frame is that large.
    y, x = (next(at for at in (1010, 500, side // 2) if at + 41 <= side) for side in (height, width))
    inside = [(y, x, 41, 37)]
    for threads, regions in ((1, corners + inside), (3, inside), (4, inside)):
        preview = Preview(stack, recipe, facts=result.record.facts, threads=threads)
        for y0, x0, h, w in regions:
            np.testing.assert_array_equal(preview.region(y0, x0, h, w), whole[y0 : y0 + h, x0 : x0 + w])


#: More settings of operations that give the same bits anywhere: each other way through their kernels.
ANYWHERE = [
    *[(name, settings) for name, settings in CASES if REGISTRY[name].same_anywhere],
    *[("remove_gradient", {"model": model, "mode": "divide"}) for model in ("surface", "thin_plate", "mesh")],
    ("denoise", {"scales": 2, "strength": 2.0}),
    ("denoise", {"scales": 7, "amount": 0.5, "detail": 1.0}),
    *[("stretch", {"curve": curve, "color": 0.5}) for curve in ("logarithm", "power", "bias")],
    ("stretch", {"color": 0.0, "highlights": 1.0}),
    ("saturate", {"amount": 0.3}),
]


@pytest.mark.parametrize(("name", "settings"), ANYWHERE)
def test_the_same_bits_anywhere_are_those_of_the_result_wherever_a_region_lies(name, settings, stack_for, made):
    operation = REGISTRY[name](**settings)
    stack = stack_for(operation)
    result = made(operation, stack)
    whole = result.image.pixels
    height, width, _ = whole.shape
    rng = np.random.default_rng(7)
    for threads in (1, 2, 3):
        preview = Preview(stack, Recipe([operation]), facts=result.record.facts, threads=threads)
        for _ in range(5):  # later ones find some of their cells made
            h, w = rng.integers(1, 260, 2)
            y0, x0 = rng.integers(0, height - h), rng.integers(0, width - w)
            np.testing.assert_array_equal(preview.region(y0, x0, h, w), whole[y0 : y0 + h, x0 : x0 + w])


@pytest.mark.parametrize(("name", "settings"), CASES)
@pytest.mark.parametrize(
    "way", ["one thread, on disk and measured anew", "four threads and frozen facts", "workers of a cluster"]
)
def test_the_way_in_which_it_is_run_changes_no_bit(way, name, settings, stack_for, made, tmp_path, request):
    operation = REGISTRY[name](**settings)
    stack = stack_for(operation)
    recipe, _ = recipe_with(operation)
    first = made(operation, stack)  # by two threads
    if way.startswith("one"):
        other = recipe.run(stack, threads=1, scratch=tmp_path)
    elif way.startswith("four"):
        frozen = {i: json.loads(json.dumps(found.to_data())) for i, found in first.record.facts.items()}
        other = recipe.run(stack, threads=4, facts=frozen)
    else:
        cluster = request.getfixturevalue("cluster")
        other = recipe.run(stack, scratch=tmp_path, scheduler=cluster, facts=first.record)
    np.testing.assert_array_equal(other.image.pixels, first.image.pixels)
    assert first.record.compare(other.record).same == "identical"
    assert other.record.facts == first.record.facts
    del other
    assert not list(tmp_path.iterdir()), "scratch files were left"


@pytest.mark.parametrize(("name", "settings"), CASES)
@pytest.mark.parametrize("size", [190, 2048])
def test_other_tile_sizes_agree_within_the_written_tolerance(name, settings, size, stack_for, made, monkeypatch):
    operation = REGISTRY[name](**settings)
    stack = stack_for(operation)
    recipe, _ = recipe_with(operation)
    usual = made(operation, stack)
    monkeypatch.setattr("workbench.engine.chain.tile_size", lambda _reach: size)
    monkeypatch.setattr("workbench.engine.chain.POINTWISE_TILE", size)
    other = recipe.run(stack, facts=usual.record)
    np.testing.assert_allclose(other.image.pixels, usual.image.pixels, rtol=0, atol=OTHER_TILES)


@pytest.mark.parametrize("name", REGISTRY)
def test_every_setting_says_what_it_is(name):
    cls = REGISTRY[name]
    paragraphs = (cls.__doc__ or "").strip().split("\n\n")
    assert len(paragraphs) >= 2, "the first line says what it does, then comes why and when"
    assert len(paragraphs[1].split()) >= 25
    for field, info in cls.model_fields.items():
        assert info.description, field
        if info.annotation in (int, float):
            assert any(hasattr(m, "ge") or hasattr(m, "gt") for m in info.metadata), field
            assert any(hasattr(m, "le") or hasattr(m, "lt") for m in info.metadata), field


@pytest.mark.parametrize("name", REGISTRY)
def test_what_was_measured_is_told_in_one_line(name, stack_for, made):
    operation = REGISTRY[name](**SAMPLES[name][0])
    _, place = recipe_with(operation)
    facts = made(operation, stack_for(operation)).record.facts[place]
    for told in (operation.explain(facts), *facts.doubts):
        assert told
        assert "\n" not in told
        assert len(told) < 200


DEGENERATE = {
    "one pixel": np.full((1, 1, 3), 0.1, np.float32),
    "one row": np.linspace(0.1, 0.2, 300, dtype=np.float32).reshape(1, 100, 3),
    "one column": np.linspace(0.1, 0.2, 300, dtype=np.float32).reshape(100, 1, 3),
    "constant": np.full((70, 90, 3), 0.1, np.float32),
    "black": np.zeros((70, 90, 3), np.float32),
    "white": np.ones((70, 90, 3), np.float32),
    "no pixel covered": np.full((40, 50, 3), np.nan, np.float32),
    "negative": np.full((64, 64, 3), -0.2, np.float32),
    "huge values": np.full((64, 64, 3), 1e30, np.float32),
    "gray": np.random.default_rng(0).normal(0.1, 0.01, (80, 70, 1)).astype(np.float32),
    "half uncovered": np.where(
        np.arange(80)[:, None, None] < 40, np.nan, np.random.default_rng(1).normal(0.1, 0.01, (80, 80, 3))
    ),
    "noise": np.random.default_rng(2).normal(0.1, 0.01, (90, 64, 3)),
}


@pytest.mark.parametrize("name", REGISTRY)
@pytest.mark.parametrize("frame", DEGENERATE)
def test_an_odd_frame_is_processed_or_refused_in_a_sentence(name, frame):
    operation = REGISTRY[name](**SAMPLES[name][0])
    tone = Tone.LINEAR if isinstance(operation, FrameOperation) else operation.takes
    stack = Stack.from_array(DEGENERATE[frame], tone=tone)
    recipe, _ = recipe_with(operation)
    refusing = recipe[0].operation.id
    try:
        image = recipe.run(stack).image
    except WorkbenchError as refusal:
        told = str(refusal)
        assert (told.startswith(f"step 1 ({refusing}): "), "\n" in told) == (True, False)
    else:
        assert np.isfinite(image.pixels).all()

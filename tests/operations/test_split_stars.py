"""Stars apart: the layers add up to the frame, each can be worked alone, and joined they are the frame again."""

import json

import numpy as np
import pytest
from independent.scenes import Plan, make_scene
from scipy.ndimage import grey_erosion

from workbench import Preview, Recipe, Stack, WorkbenchError
from workbench.learned import starless
from workbench.operations._stars.grain import grain, grain_width, white_grain, white_grain_numpy
from workbench.operations._stars.rebuilt import left_in_proportion, what_stars_left
from workbench.operations.color import LimitGreen
from workbench.operations.frame import Turn
from workbench.operations.layers import JoinStars, SplitStars
from workbench.operations.noise import Denoise
from workbench.operations.stretch import Stretch
from workbench.recipe.code import step_code
from workbench.recipe.model import Step


@pytest.fixture(scope="module")
def stack():
    return make_scene(Plan(seed=31, shape=(240, 320), objects=("emission",), brightness=40, stars=120)).stack


@pytest.fixture(scope="module", params=["learned", "classical"])
def split(request):
    return SplitStars(method=request.param)


def test_layers_add_up_to_the_frame_and_joined_are_the_frame(split, stack):
    apart = Recipe([split]).run(stack)
    assert np.abs(apart.starless.pixels + apart.stars.pixels - stack.pixels).max() < 1e-6
    assert np.abs(apart.stars.pixels).max() > 0.05
    for result in (apart, Recipe([split, JoinStars()]).run(stack)):
        assert np.abs(result.image.pixels - stack.pixels).max() < 1e-6
    assert Recipe([split, JoinStars()]).run(stack).stars is None


def test_stretched_and_turned_apart_the_frame_is_what_it_would_be_whole(split, stack):
    apart = Recipe([split, Turn(), Stretch(), JoinStars()]).run(stack).image
    whole = Recipe([Turn(), Stretch()]).run(stack).image
    assert np.abs(apart.pixels - whole.pixels).max() < 1e-6


def test_a_step_works_on_the_layer_that_it_names(stack):
    split, denoise = SplitStars(), Denoise()
    before = Recipe([split]).run(stack)
    for layer, changed, kept in ((None, "starless", "stars"), ("starless", "starless", "stars"),
                                 ("stars", "stars", "starless")):  # fmt: skip
        after = Recipe([split, Step(LimitGreen(), layer=layer)]).run(stack)
        np.testing.assert_array_equal(getattr(after, kept).pixels, getattr(before, kept).pixels)
        assert np.abs(getattr(after, changed).pixels - getattr(before, changed).pixels).max() > 0
    alone = Recipe([denoise]).run(before.starless).image
    np.testing.assert_array_equal(Recipe([split, denoise]).run(stack).starless.pixels, alone.pixels)
    both = Recipe([split, Step(denoise, layer="both"), JoinStars()]).run(stack).image
    assert np.abs(both.pixels - Recipe([denoise]).run(stack).image.pixels).max() < 1e-6


def test_regions_threads_and_frozen_facts_give_the_same_bytes_of_either_layer(split, stack):
    recipe = Recipe([split, Denoise(), Stretch()])
    first = recipe.run(stack, threads=1)
    facts = {i: json.loads(json.dumps(f.to_data())) for i, f in first.record.facts.items()}
    again = recipe.run(stack, threads=3, facts=facts)
    preview = Preview(stack, recipe, facts=facts, threads=2)
    for layer, name in (("both", "image"), ("starless", "starless"), ("stars", "stars")):
        pixels = getattr(first, name).pixels
        np.testing.assert_array_equal(getattr(again, name).pixels, pixels)
        np.testing.assert_array_equal(preview.region(50, 70, 41, 37, layer=layer), pixels[50:91, 70:107])
    assert first.record.compare(again.record).same == "identical"


def test_a_view_shows_both_layers_or_one(stack):
    preview = Preview(stack, Recipe([SplitStars(), Stretch()]))
    both, starless_layer, stars = (
        preview.view(160, layer=layer).planes for layer in ("both", "starless", "stars")
    )  # fmt: skip
    np.testing.assert_array_equal(both, starless_layer + stars)
    assert preview.view(160).pixels.shape == (120, 160, 3)
    assert preview.loupe(10, 20, 30, 40, layer="starless").shape == (30, 40, 3)
    assert np.quantile(starless_layer, 0.999) < np.quantile(both, 0.999)
    assert preview.view(160, draft=True).pixels.shape == (120, 160, 3)
    fresh = Preview(stack, Recipe([SplitStars(), Stretch()]))
    assert fresh.view(160, draft=True).draft


def test_joining_dims_grays_and_narrows(stack):
    split = SplitStars(method="classical")
    apart = Recipe([split]).run(stack)
    base, stars = apart.starless.pixels, apart.stars.pixels

    def joined(**settings):
        return Recipe([split, JoinStars(**settings)]).run(stack).image.pixels - base

    np.testing.assert_allclose(joined(strength=0.5), 0.5 * stars, atol=1e-6)
    gray = np.repeat(stars.mean(axis=2, keepdims=True), 3, axis=2)
    np.testing.assert_allclose(joined(color=0), gray, atol=1e-6)
    # Erosion by scipy, which shares no code with OpenCV's.
    cross = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], bool)
    eroded = np.stack([grey_erosion(stars[..., c], footprint=cross, mode="nearest") for c in range(3)], axis=2)
    wanted = np.minimum(stars, np.maximum(eroded, 0))
    np.testing.assert_allclose(joined(shrink=1)[4:-4, 4:-4], wanted[4:-4, 4:-4], atol=1e-6)


def test_misplaced_steps_are_told_in_a_sentence(stack):
    split, join = SplitStars(method="classical"), JoinStars()
    for steps, words in (
        ([join], "step 1 (join_stars) finds no star layer"),
        ([split, split], "step 2 (split_stars) finds the stars taken off by step 1 (split_stars) already"),
        ([Step(Denoise(), layer="stars")], "step 1 (denoise) names the layer stars, but there is one only"),
    ):
        with pytest.raises(WorkbenchError) as refusal:
            Recipe(steps).run(stack)
        assert words in str(refusal.value)
    with pytest.raises(WorkbenchError, match="always works on both layers"):
        Step(Stretch(), layer="stars")


def test_a_layer_is_written_only_where_it_is_named():
    plain, named = Recipe([Denoise()]), Recipe([SplitStars(), Step(Denoise(), layer="stars")])
    assert "layer" not in plain.to_dict()["steps"][0]
    assert Recipe.loads(named.dumps()) == named
    assert step_code(named[1]) == "wb.Step(wb.Denoise(), layer='stars')"
    other = Recipe([SplitStars(), Denoise()])
    assert named.diff(other) == ["step 2 (denoise): layer stars becomes by default"]
    with pytest.raises(WorkbenchError, match="'layer' must be starless, stars or both"):
        Recipe.loads(named.dumps().replace('"layer": "stars"', '"layer": "sky"'))


def test_facts_of_another_network_are_refused(stack):
    recipe = Recipe([SplitStars(method="learned")])
    facts = Preview(stack, recipe).facts[0].to_data() | {"network": "0" * 64}
    with pytest.raises(WorkbenchError, match="made with another network") as refusal:
        recipe.run(stack, facts={0: facts})
    assert str(refusal.value).startswith("step 1 (split_stars): ")


def test_without_the_package_the_automatic_choice_is_classical(stack, monkeypatch):
    monkeypatch.setattr(starless, "installed", lambda: False)
    assert Preview(stack, Recipe([SplitStars()])).facts[0].method == "classical"
    with pytest.raises(WorkbenchError, match="install it with pip"):
        Recipe([SplitStars(method="learned")]).run(stack)


def test_importing_the_workbench_leaves_the_runtime_alone():
    import subprocess
    import sys

    code = "import sys, workbench, workbench.operations.layers; sys.exit('onnxruntime' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_grain_hangs_on_places_and_has_the_correlation_asked_for():
    from workbench.measure.noise import noises

    np.testing.assert_array_equal(white_grain(3, -5, -7, 40, 50), white_grain_numpy(3, -5, -7, 40, 50))
    for blur in (0.5, 0.8):
        whole = grain(1, 0, 0, 512, 512, blur)
        np.testing.assert_array_equal(whole[100:140, 50:110], grain(1, 100, 50, 40, 60, blur))
        assert abs(whole.std() - 1) < 0.01
        assert abs(grain_width(noises(1e-3 * whole[None] + 0.1)[0].correlation) - blur) < 0.05


@pytest.mark.parametrize("sign", [-1, 1])
def test_a_dip_or_peak_under_a_star_goes_and_nothing_else_does(sign):
    y, x = np.mgrid[:80, :90]
    slope = (0.05 * x + 0.02 * y).astype(np.float32)
    spot = sign * 6 * np.exp(-0.5 * ((x - 45) ** 2 + (y - 40) ** 2) / 1.5**2).astype(np.float32)
    made, star = (slope + spot)[None], 100 * np.abs(spot)[None]
    left = what_stars_left(made, star, 1.0)[0]
    assert 0.35 * 6 < sign * left[40, 45] <= 6
    assert (sign * left >= 0).all()
    assert np.abs(left[np.hypot(x - 45, y - 40) > 9]).max() < 0.01
    # Where nothing was taken off it is the sky's own, and what is wider than a star stays.
    assert np.abs(what_stars_left(made, 0 * star, 1.0)).max() == 0
    wide = (slope + sign * 6 * np.exp(-0.5 * ((x - 45) / 9) ** 2)).astype(np.float32)[None]
    assert np.abs(what_stars_left(wide, star, 1.0)).max() < 0.5
    # No more is put back than was taken off.
    faint = np.full_like(made, 4.5)
    assert what_stars_left(slope[None] - 3 * np.abs(spot)[None], faint, 1.0).min() == -4.5
    # A pixel depends on those within 10.
    inner, part = np.s_[:, 10:-10, 10:-10], np.s_[:, 20:70, 20:70]
    alone = what_stars_left(np.ascontiguousarray(made[part]), np.ascontiguousarray(star[part]), 1.0)
    np.testing.assert_array_equal(what_stars_left(made, star, 1.0)[part][inner], alone[inner])


@pytest.mark.parametrize("share", [-0.12, 0.07])
def test_a_share_of_a_star_taken_too_much_or_too_little_is_told_and_hangs_on_what_is_near(share, rng):
    y, x = np.mgrid[:120, :160]
    ground = 30 + 0.2 * x + 0.002 * (y - 60) ** 2 + rng.standard_normal(x.shape)
    star = 90 * np.exp(-0.5 * ((x - 60) ** 2 + (y - 60) ** 2) / 1.3**2)
    taken = np.float32((1 - share) * star)
    more = left_in_proportion(np.float32(ground + share * star), taken)
    left = more.sum() / star.sum()
    assert abs(left - share) < 0.25 * abs(share)
    assert np.abs(more[taken < 0.01]).max() < 0.003

    elsewhere = ground.copy()
    elsewhere[:, 72:] += 500  # more than 10 px away from what is compared
    again = left_in_proportion(np.float32(elsewhere + share * star), taken)
    np.testing.assert_array_equal(again[:, :61], more[:, :61])


def test_without_stars_nothing_is_left_in_proportion_to_them(rng):
    ground = np.float32(rng.standard_normal((80, 80)) * 5)
    assert not left_in_proportion(ground, np.zeros_like(ground)).any()


def test_gray_and_small_frames_are_split_too():
    rng = np.random.default_rng(4)
    for shape in ((70, 90, 1), (33, 41, 3)):
        frame = Stack.from_array(rng.normal(0.1, 0.01, shape).astype(np.float32))
        result = Recipe([SplitStars()]).run(frame)
        assert np.abs(result.stars.pixels).max() < 0.011  # a standard deviation of the noise

"""Stars on a layer of their own, on the bench and as files."""

import numpy as np
import pytest

import workbench as wb
from workbench.bench.changes import change_words
from workbench.bench.model import Session
from workbench.bench.panel import Panel
from workbench.bench.panels.settings.panel import settings_state
from workbench.cli import main
from workbench.engine import layer_files
from workbench.errors import WorkbenchError
from workbench.simulate import simulate

SPLIT = wb.SplitStars(method="classical")


@pytest.fixture(scope="module")
def stack():
    return simulate("lantern_nebula", shape=(200, 280)).stack


@pytest.fixture
def bench(stack, monkeypatch):
    monkeypatch.setattr(Panel, "send", lambda *_, **__: None)
    made = wb.Bench(stack, wb.Recipe([SPLIT, wb.Stretch(), wb.Saturate(), wb.JoinStars()]), autosave=False)
    assert made.wait()
    yield made
    made.close()


def shown(bench):
    assert bench.wait()
    side = bench.views.now()
    height, width, _ = side.preview.shape(side.upto)
    return side.loupe(0, 0, height, width).astype(np.int16)


def test_a_layer_is_seen_alone_as_it_is_before_the_stars_are_joined(bench):
    viewer = bench.screen.panels["viewer"]
    assert viewer.state["layers"] == {"offered": True, "shown": "both", "before": None}
    assert bench.views.upto is None
    seen = {}
    for layer in ("starless", "stars"):
        viewer.see(layer)
        seen[layer] = shown(bench)
        assert viewer.state["layers"] == {"offered": True, "shown": layer, "before": 3}
    both = bench.recipe.upto(3).run(bench.stack, progress=False)
    for layer, made in (("starless", both.starless), ("stars", both.stars)):
        np.testing.assert_allclose(seen[layer], np.clip(made.pixels, 0, 1) * 255, atol=0.51)
    viewer.see("both")
    assert viewer.state["layers"]["before"] is None
    with pytest.raises(WorkbenchError, match="there is no layer 'dust'"):
        viewer.see("dust")


def test_a_recipe_that_takes_no_stars_off_offers_no_layer(bench):
    viewer = bench.screen.panels["viewer"]
    viewer.see("stars")
    for place in (3, 0):
        bench.remove(place)
    assert bench.wait()
    assert viewer.state["layers"] == {"offered": False, "shown": "stars", "before": None}
    assert bench.views.upto is None


def test_a_step_can_be_told_to_work_on_the_stars(bench):
    before = bench.recipe.run(bench.stack, progress=False).image.pixels
    bench.select(2)
    field = bench.screen.panels["settings"].state["layer"]
    assert (field["value"], field["default"]) == ("starless", "starless")
    bench.work_on(2, "stars")
    assert bench.recipe[2].layer == "stars"
    assert change_words(*bench.session.timeline.last_change) == "Saturate: on the stars"
    assert bench.screen.panels["steps"].state["cards"][2]["layer"] == "on the stars"
    assert bench.screen.panels["settings"].state["layer"]["value"] == "stars"
    assert np.abs(bench.recipe.run(bench.stack, progress=False).image.pixels - before).max() > 0.01
    bench.work_on(2, None)
    assert bench.recipe[2].layer is None
    with pytest.raises(WorkbenchError, match="always works on both layers"):
        bench.work_on(1, "stars")


def test_only_a_step_that_finds_stars_apart_has_the_choice():
    session = Session(wb.Recipe([wb.Denoise(), SPLIT, wb.Denoise(), wb.Stretch()]))
    apart = [count > 1 for count in session.recipe.layers()]
    told = [settings_state(step, i, None, apart=apart[i])["layer"] for i, step in enumerate(session.steps)]
    assert [field is not None for field in told] == [False, False, True, False]


def test_layers_are_written_beside_the_picture_and_add_up_to_it(bench, tmp_path):
    bench.remove(3)
    bench.save_picture(tmp_path / "night.picture.tif", float32=True)
    bench.save_layers(tmp_path / "night.picture.tif", float32=True)
    starless, stars = (wb.read(tmp_path / f"night.{name}.tif").pixels for name in ("starless", "stars"))
    picture = wb.read(tmp_path / "night.picture.tif").pixels
    np.testing.assert_array_equal(starless + stars, picture)
    saved = bench.screen.panels["export"].state["saved"]
    assert [path.rsplit("/")[-1] for path in saved] == ["night.picture.tif", "night.stars.tif", "night.starless.tif"]
    with pytest.raises(WorkbenchError, match=r"night.stars.tif exists already"):
        bench.save_layers(tmp_path / "night.picture.tif")


def test_the_command_line_writes_the_same_layers(bench, tmp_path, stack):
    stack.save(tmp_path / "night.tif")
    bench.recipe.save(tmp_path / "night.recipe.json")
    names = [str(tmp_path / name) for name in ("night.recipe.json", "night.tif", "out.png")]
    assert main(["run", *names[:2], "-o", names[2], "--layers", "-q"]) == 0
    part = bench.recipe.upto(3).run(wb.read(tmp_path / "night.tif"), progress=False)
    for made, name in ((part.starless, "starless"), (part.stars, "stars")):
        written = wb.read(tmp_path / f"out.{name}.png").pixels
        np.testing.assert_allclose(written, np.clip(made.pixels, 0, 1), atol=1 / 255)
    wanted = bench.recipe.upto(3)
    main(["recipe", str(tmp_path / "out.starless.png"), "-o", str(tmp_path / "part.recipe.json")])
    assert wb.Recipe.load(tmp_path / "part.recipe.json").steps == wanted.steps


def test_layers_that_are_not_there_are_refused_before_the_work(tmp_path, stack, capsys):
    stack.save(tmp_path / "night.tif")
    wb.Recipe([wb.Stretch()]).save(tmp_path / "night.recipe.json")
    names = [str(tmp_path / name) for name in ("night.recipe.json", "night.tif", "out.png")]
    assert main(["run", *names[:2], "-o", names[2], "--layers"]) == 2
    assert "no step of the recipe takes the stars off" in capsys.readouterr().err
    assert not (tmp_path / "out.png").exists()


@pytest.mark.parametrize(
    ("picture", "starless"),
    [("a.tif", "a.starless.tif"), ("night.picture.png", "night.starless.png"), ("a.b.fits.gz", "a.b.starless.fits.gz")],
)
def test_layers_are_named_after_the_picture(tmp_path, picture, starless):
    assert layer_files(tmp_path / picture)[0] == tmp_path / starless

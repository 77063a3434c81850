"""Outputs on the bench: added, changed, undone, shown in the export drawer, written beside the picture."""

import imagecodecs
import numpy as np
import pytest

import workbench as wb
from workbench.bench.panels.export.panel import output_fields
from workbench.bench.sides import Side
from workbench.outputs import Printer


@pytest.fixture
def bench(open_bench, tmp_path):
    pixels = np.random.default_rng(1).normal(0.1, 0.01, (80, 120, 3)).astype(np.float32)
    wb.Stack(pixels).save(tmp_path / "stack.tif")
    return open_bench(tmp_path / "stack.tif", wb.Recipe([wb.Stretch()]))


def test_outputs_are_added_changed_undone_and_removed(bench):
    bench.put_output("web")
    bench.put_output("web", long_side=120, max_kb=None)
    bench.put_output("small", format="png", long_side=60)
    assert [o.words() for o in bench.recipe.outputs] == ["web: JPEG, 120 px", "small: PNG, 60 px"]
    bench.set(0, sky=0.2)
    assert len(bench.recipe.outputs) == 2
    bench.remove_output("web")
    assert [o.name for o in bench.recipe.outputs] == ["small"]
    bench.undo()
    assert [o.name for o in bench.recipe.outputs] == ["web", "small"]
    with pytest.raises(wb.WorkbenchError, match=r"output web: .*width_cm"):
        bench.put_output("web", width_cm=10)
    with pytest.raises(wb.WorkbenchError, match="no output named 'x'"):
        bench.remove_output("x")


def test_they_are_written_beside_the_picture_and_replace_nothing_unasked(bench, tmp_path):
    with pytest.raises(wb.WorkbenchError, match="no outputs yet"):
        bench.save_outputs(tmp_path / "night.picture.tif")
    bench.put_output("web", long_side=90)
    bench.put_output("small", format="png", long_side=60)
    bench.save_outputs(tmp_path / "night.picture.tif")
    assert sorted(p.name for p in tmp_path.glob("night.*")) == ["night.small.png", "night.web.jpg"]
    with pytest.raises(wb.WorkbenchError, match="exists already"):
        bench.save_outputs(tmp_path / "night.picture.tif")
    bench.save_outputs(tmp_path / "night.picture.tif", overwrite=True)


def test_every_setting_of_an_output_has_a_control():
    fields = {field["name"]: field["kind"] for field in output_fields(wb.Output())}
    assert set(fields) == set(wb.Output.model_fields) - {"name"}
    assert set(fields.values()) == {"choice", "switch", "text", "number", "integer"}


@pytest.fixture
def paper(tmp_path):
    """A printer of a small gamut: sRGB's white, primaries half way to it."""
    primaries = [0.48, 0.33, 1, 0.31, 0.46, 1, 0.23, 0.19, 1]
    profile = imagecodecs.cms_profile("rgb", whitepoint=[0.3127, 0.3290, 1.0], primaries=primaries, gamma=2.2)
    (tmp_path / "paper.icc").write_bytes(profile)
    return tmp_path / "paper.icc"


def test_a_soft_proof_shows_the_finished_picture_as_it_will_be_printed(open_bench, tmp_path, paper):
    pixels = np.full((80, 120, 3), 0.5, np.float32)
    pixels[:, :30] = 1, 0, 0
    wb.Stack(pixels, tone=wb.Tone.DISPLAY).save(tmp_path / "finished.png")
    bench = open_bench(tmp_path / "finished.png", wb.Recipe([]))
    export = bench.screen.panels["export"]
    assert bench.wait(30)
    _, plain = bench.views.feed.loupe(0, 0, 80, 120)
    export.soft_proof(str(paper), "relative")
    assert bench.wait(30)
    _, shown = bench.views.feed.loupe(0, 0, 80, 120)
    np.testing.assert_array_equal(shown.pixels, Printer(paper).printed(plain.pixels))
    assert shown.pixels[40, 10, 1] > plain.pixels[40, 10, 1] + 20
    assert export.state["proof"]["printer"] == bench.views.printer.name
    assert export.state["proof"]["lost"] == pytest.approx(0.25, abs=0.03)
    export.soft_proof(on=False)
    assert bench.wait(30)
    np.testing.assert_array_equal(bench.views.feed.loupe(0, 0, 80, 120)[1].pixels, plain.pixels)
    assert export.state["proof"] is None


def test_linear_light_has_no_soft_proof_and_bad_profiles_change_nothing(bench, tmp_path, paper):
    export = bench.screen.panels["export"]
    (tmp_path / "no.icc").write_bytes(b"nothing")
    for wanted, words in ((str(tmp_path / "no.icc"), "no ICC profile"), ("", "name its file")):
        with pytest.raises(wb.WorkbenchError, match=words):
            export.soft_proof(wanted)
    assert bench.views.printer is None
    export.soft_proof(str(paper))
    some = np.full((2, 2, 3), 200, np.uint8)
    assert Side(bench.views.preview, 0, printer=bench.views.printer).on_paper(some) is some

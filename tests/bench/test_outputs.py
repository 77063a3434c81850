"""Outputs on the bench: added, changed, undone, shown in the export drawer, written beside the picture."""

import numpy as np
import pytest

import workbench as wb
from workbench.bench.panels.export.panel import output_fields


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

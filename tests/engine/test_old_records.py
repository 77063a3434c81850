"""Record files of earlier versions load, migrate and replay to the same pixels.

``files/record-1.*``: a piece of a simulated stack with noise added along one edge and two hot pixels, and the record of
a run of every operation over it, as version 1 of the record file was written.
"""

import base64
import json
from pathlib import Path

import numpy as np
import pytest

import workbench as wb
from workbench import Recipe, WorkbenchError
from workbench.engine.record import VERSION, Record
from workbench.measure.lateral_color import shift_terms, unit_places
from workbench.operations._lens.falloff import transmission
from workbench.operations.base import REGISTRY
from workbench.operations.layers import SplitStars, SplitStarsFacts
from workbench.operations.lens import AlignChannels, AlignChannelsFacts, CorrectFalloff, CorrectFalloffFacts
from workbench.operations.packed import Packed
from workbench.recipe.facts import facts_from_data

FILES = Path(__file__).parent / "files"
OLD = FILES / "record-1.record.json"


def test_an_old_record_replays_to_the_same_pixels():
    record, stack = Record.load(OLD), wb.read(FILES / "record-1.tif")
    recipe = Recipe.loads(json.dumps(record.recipe))
    replay = recipe.run(stack, facts=record, progress=False)
    verdict = record.compare(replay.record)
    # Version 1 had mean and root mean square of tiles; the last frame is one tile.
    # Digests hold on one kind of processor only.
    assert verdict.same in {"identical", "undecided"}, verdict.says
    means = np.frombuffer(base64.b64decode(json.loads(OLD.read_text())["steps"][-1]["probe"]), "<f4")
    pixels = replay.image.pixels.astype(float)
    now = np.stack([pixels.mean(axis=(0, 1)), np.sqrt((pixels**2).mean(axis=(0, 1)))], axis=1).ravel()
    # What Denoise and ReduceStars make of the same facts has changed since: by up to 0.0012 when it was looked at.
    np.testing.assert_allclose(now, means, rtol=0, atol=2e-3)
    assert {s.do for s in record.steps} <= set(REGISTRY)
    again = recipe.run(stack, facts=Record.loads(replay.record.dumps()), progress=False)
    np.testing.assert_array_equal(again.image.pixels, replay.image.pixels)
    assert again.record.facts == record.facts


@pytest.mark.parametrize("version", [1, 2])
def test_an_old_record_without_a_fingerprint_decides_nothing_but_identity(version):
    data, stack = json.loads(OLD.read_text()) | {"version": version}, wb.read(FILES / "record-1.tif")
    data["output"]["digest"] = data["steps"][-1]["digest"] = "0123456789abcdef" * 2
    record = Record.loads(json.dumps(data))
    verdict = record.compare(Recipe.loads(json.dumps(record.recipe)).run(stack, facts=record).record)
    assert (verdict.same, verdict.ok) == ("undecided", False)
    assert "records of versions 1 and 2 hold no fingerprint" in verdict.says
    again = Record.loads(record.dumps())  # saved in today's form it still has none
    assert again.compare(record).same == "identical"
    assert again.compare(Recipe.loads(json.dumps(record.recipe)).run(stack, facts=record).record).same == "undecided"


def test_migrated_facts_are_what_the_old_file_said():
    data, record = json.loads(OLD.read_text()), Record.load(OLD)
    assert (data["version"], json.loads(record.dumps())["version"]) == (1, VERSION)
    for old, step in zip(data["steps"], record.steps, strict=True):
        if step.do == "reduce_stars":
            stars = old["facts"]["stars"]
            assert isinstance(step.facts.stars.fwhm, Packed)
            assert step.facts.stars.x.tolist() == stars["x"]
            counts = np.frombuffer(base64.b64decode(stars["peak"]["int32"]), "<i4")
            np.testing.assert_array_equal(step.facts.stars.peak.values.ravel(), counts * stars["peak"]["step"])
        if step.do == "remove_gradient":
            assert step.facts.coefficients.tolist() == old["facts"]["coefficients"]
            assert list(step.facts.samples.state) == old["facts"]["samples"]["state"]
        if step.do == "stretch":
            assert step.facts.model_dump(mode="json", exclude={"doubts"}) == old["facts"]


def test_stars_of_facts_without_their_own_wings_get_those_of_the_field():
    data = json.loads((FILES / "split-stars-1.facts.json").read_text())
    facts = facts_from_data(SplitStars, data)
    assert (data["version"], SplitStarsFacts.version) == (1, 3)
    np.testing.assert_array_equal(facts.stars.wings.values, np.ones(facts.stars.x.shape))
    stack = wb.read(FILES / "record-1.tif")
    apart = Recipe([SplitStars(method="classical")]).run(stack, facts={0: data}, progress=False)
    # Mean and standard deviation of the starless layer, as the version made it that wrote these facts.
    starless = apart.starless.pixels
    assert [starless.mean(dtype=float), starless.std(dtype=float)] == pytest.approx([0.1487384, 0.0452037], abs=2e-6)


def test_shifts_of_facts_from_before_the_axis_of_all_channels_are_those_that_were_measured():
    data = json.loads((FILES / "align-channels-1.facts.json").read_text())
    facts = facts_from_data(AlignChannels, data)
    assert (data["version"], AlignChannelsFacts.version) == (1, 2)
    old = np.frombuffer(base64.b64decode(data["coefficients"]["base64"]), "<f8").reshape(3, 10)
    np.testing.assert_array_equal(facts.coefficients, np.concatenate([old, np.zeros((3, 2))], axis=1))
    # Its corners, as the version told them that wrote these facts.
    terms = shift_terms(*unit_places(np.array([0.0, 0, 599, 599]), np.array([0.0, 399, 0, 399]), (400, 600)))
    for channel in (0, 2):
        corner = np.hypot(*(terms @ facts.coefficients[channel])).max()
        assert corner == pytest.approx(data["corner"][channel], rel=0.01)
    with pytest.raises(WorkbenchError, match="the frozen facts have a wrong 'coefficients'"):
        facts_from_data(AlignChannels, data | {"coefficients": [[1.0]]})


def test_of_learned_facts_nobody_looked_for_broad_sources_and_nothing_was_counted():
    data = json.loads((FILES / "split-stars-2.facts.json").read_text())
    facts = facts_from_data(SplitStars, data)
    assert (data["version"], data["found"], facts.found, facts.broad) == (2, 0, None, None)
    # Nothing was counted: that is not to say that no star stands out.
    assert SplitStars().explain(facts).startswith("Stars taken off by the learned method")
    assert facts_from_data(SplitStars, json.loads(json.dumps(facts.to_data()))) == facts


def test_falloff_of_facts_from_before_rims_had_terms_is_the_same():
    data = json.loads((FILES / "correct-falloff-1.facts.json").read_text())
    facts = facts_from_data(CorrectFalloff, data)
    assert (data["version"], CorrectFalloffFacts.version) == (1, 2)
    old = np.frombuffer(base64.b64decode(data["k"]["base64"]), "<f8")
    np.testing.assert_array_equal(facts.k, [*old, 0, 0, 0])
    # The corners, as the version told them that wrote these facts.
    x, y = np.meshgrid([0, 479], [0, 319])
    s = ((x - facts.middle[0]) ** 2 + (y - facts.middle[1]) ** 2) / (320**2 + 480**2) * 4
    assert np.exp(np.log(transmission(facts.k, s)).mean()) == pytest.approx(data["corners"], rel=1e-9)
    with pytest.raises(WorkbenchError, match="the frozen facts have a wrong 'k'"):
        facts_from_data(CorrectFalloff, data | {"k": [0.1, 0.2]})


@pytest.mark.parametrize("shape", [["a"], [10**12], [-3], [3], "x", None, 3.5])
def test_old_facts_of_stars_with_a_damaged_column_are_refused_by_its_name(shape):
    data = json.loads((FILES / "split-stars-1.facts.json").read_text())
    data["stars"]["core"]["counts"]["shape"] = shape
    with pytest.raises(WorkbenchError, match=r"^the frozen facts have a wrong 'stars\.core\.counts': its .*: measure"):
        facts_from_data(SplitStars, data)


@pytest.mark.parametrize("version", [0, VERSION + 1, "1", None, True])
def test_a_record_of_an_unknown_version_is_refused(version):
    data = json.loads(OLD.read_text()) | {"version": version}
    with pytest.raises(WorkbenchError, match=f"this program reads versions 1 to {VERSION}"):
        Record.loads(json.dumps(data))


def test_a_record_with_damaged_facts_is_refused_by_step_and_field():
    data = json.loads(OLD.read_text())
    del data["steps"][12]["facts"]["span"]
    with pytest.raises(
        WorkbenchError, match=r"^the record: step 13 \(stretch\): its facts have no 'span': measure again$"
    ):
        Record.loads(json.dumps(data))
    data["steps"][12]["do"] = "strech"
    with pytest.raises(WorkbenchError, match=r"there is no operation 'strech'; known are .*did you mean stretch"):
        Record.loads(json.dumps(data))

"""White by a catalogue, on fields of the real sky drawn by GalSim through the sensitivity of a measured camera."""

from dataclasses import replace

import numpy as np
import pytest

import workbench as wb
from independent.sky import Camera, sky_scene
from workbench.operations.base import Frame
from workbench.operations.white import CalibrateColor
from workbench.sky import StarCatalog, bundled


@pytest.fixture(scope="module", autouse=True)
def own_cache(star_patterns):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(star_patterns))
        yield


CAMERA = Camera(83.0, 2.0, (480, 720), 80.0, turn=30.0)
SHARPNESS = (2.6, 2.5, 3.1)


def scene_of(population):
    return sky_scene(CAMERA, seed=4, population=population, saturated=0.2, fwhm=SHARPNESS, faintest=9.0)


def solved_frame(scene):
    stack = wb.solve(scene.stack).stack
    return Frame(np.ascontiguousarray(stack.planes), acquisition=stack.acquisition, wcs=stack.wcs)


@pytest.fixture(scope="module")
def red():
    scene = scene_of("red")
    return scene, solved_frame(scene)


@pytest.mark.parametrize("population", ["mixed", "young", "red"])
def test_gains_are_right_in_fields_of_every_population(population, red):
    scene, frame = red if population == "red" else (s := scene_of(population), solved_frame(s))
    facts = CalibrateColor(reference="catalogue").measure(frame)
    off = np.array(facts.gains) / scene.gains - 1
    assert np.abs(off).max() < 0.015
    assert (np.abs(off) <= 2.5 * np.array(facts.uncertainty) / facts.gains + 1e-9).all()
    # What the camera's bands do to black bodies, against the generic one's: 1.04 in red, 0.86 in blue.
    assert facts.catalog.slope == pytest.approx((1.04, 0.86), rel=0.06)
    assert len(facts.catalog.x) == facts.samples
    assert facts.doubts == ()


def test_by_the_response_of_the_camera_itself_slopes_are_one(red):
    scene, frame = red
    named = replace(frame, acquisition=replace(frame.acquisition, camera="NIKON D5100"), seen={})
    facts = CalibrateColor(reference="catalogue").measure(named)
    assert facts.catalog.camera == "Nikon D5100"
    assert facts.catalog.slope == pytest.approx((1, 1), rel=0.05)
    assert facts.gains == pytest.approx(tuple(scene.gains), rel=0.015)
    assert "Nikon D5100" in CalibrateColor(reference="catalogue").explain(facts)


def test_the_average_star_is_white_only_where_it_is_like_the_sun(red):
    scene, frame = red
    by_stars = CalibrateColor().measure(frame)
    assert abs(by_stars.gains[2] / scene.gains[2] - 1) > 0.15
    average = CalibrateColor(reference="catalogue", white="average").measure(frame)
    assert average.catalog.white_kelvin < 4900
    assert average.gains == pytest.approx(by_stars.gains, rel=0.08)


def test_white_may_be_a_color_or_a_temperature(red):
    _, frame = red
    by_color = CalibrateColor(reference="catalogue", white="color", white_color=0.653).measure(frame)
    sun = CalibrateColor(reference="catalogue").measure(frame)
    assert by_color.gains == sun.gains
    warm = CalibrateColor(reference="catalogue", white="temperature", white_temperature=4000).measure(frame)
    assert warm.gains[0] < sun.gains[0]
    assert warm.gains[2] > sun.gains[2]


def test_a_filter_against_light_pollution_shows_and_is_said():
    scene = sky_scene(CAMERA, seed=4, saturated=0.2, faintest=9.0, blocked=(540, 625))
    facts = CalibrateColor(reference="catalogue").measure(solved_frame(scene))
    # By the sensitivities alone: slopes of 1.40 and 0.55.
    assert facts.catalog.slope == pytest.approx((1.40, 0.55), rel=0.08)
    assert "a filter against light pollution" in facts.doubts[0]
    assert np.abs(np.array(facts.gains) / scene.gains - 1).max() < 0.05


def test_without_a_solution_the_step_says_how_to_find_one(red):
    _, frame = red
    with pytest.raises(wb.WorkbenchError, match="workbench solve"):
        CalibrateColor(reference="catalogue").measure(replace(frame, wcs=None, seen={}))


def test_too_few_stars_of_known_color_are_refused(red, tmp_path):
    _, frame = red
    (tmp_path / "own.csv").write_text("ra,dec,V,B-V\n83,2,5,0.6\n84,2,6,1.0\n")
    with pytest.raises(wb.WorkbenchError, match="stars of known color"):
        CalibrateColor(reference="catalogue", catalog=str(tmp_path / "own.csv")).measure(frame)


def test_a_catalogue_of_ones_own_gives_the_same_white(red, tmp_path):
    scene, frame = red
    near: StarCatalog = bundled().around(CAMERA.ra, CAMERA.dec, 12).at(scene.epoch)
    known = near.select(np.isfinite(near.color))
    rows = np.column_stack([known.ra, known.dec, known.magnitude, known.color, np.full(len(known), scene.epoch)])
    np.savetxt(tmp_path / "own.csv", rows, delimiter=",", header="ra,dec,G,B-V,epoch", comments="")
    own = CalibrateColor(reference="catalogue", catalog=str(tmp_path / "own.csv")).measure(frame)
    assert own.gains == pytest.approx(tuple(scene.gains), rel=0.015)


def test_a_recipe_measures_it_on_a_solved_stack_and_its_preview_does_not_fail(red):
    scene, _ = red
    stack = wb.solve(scene.stack).stack
    recipe = wb.Recipe([wb.CalibrateColor(reference="catalogue"), wb.Stretch()])
    assert wb.Preview(stack, recipe).fit(300).shape[2] == 3
    record = recipe.run(stack, progress=False).record
    assert record.steps[0].facts.gains == pytest.approx(tuple(scene.gains), rel=0.015)
    assert "stars of known color" in record.steps[0].found
    again = type(record).loads(record.dumps())
    assert again.steps[0].facts == record.steps[0].facts


@pytest.mark.parametrize("level", [0.01, 0.08])
def test_the_sky_has_its_brightness_in_magnitudes(level):
    scene = sky_scene(CAMERA, seed=6, sky=level, faintest=9.0)
    found = wb.check(wb.solve(scene.stack).stack).sky_brightness
    assert found.visual == pytest.approx(scene.sky_brightness, abs=0.1)
    assert abs(found.visual - scene.sky_brightness) <= 2.5 * found.error[1]
    assert wb.check(scene.stack).sky_brightness is None


@pytest.fixture(scope="module")
def dense():
    """A star for every 80 pixels, in Sagittarius: five stand alone and above what seems noise, twelve are needed."""
    camera = Camera(267.8, -32.4, (300, 450), 71.0, turn=40.0)
    scene = sky_scene(camera, seed=300, saturated=0.2, fwhm=SHARPNESS, sky=0.03)
    return scene, replace(scene.stack, wcs=camera.solution())


def frame_of(stack):
    return Frame(np.ascontiguousarray(stack.planes), acquisition=stack.acquisition, wcs=stack.wcs)


def test_in_the_densest_fields_neighbors_are_taken_off_first(dense):
    scene, stack = dense
    frame = frame_of(stack)
    facts = CalibrateColor(reference="catalogue").measure(frame)
    off = np.array(facts.gains) / scene.gains - 1
    assert facts.samples > 200
    assert np.abs(off).max() < 0.015
    assert (np.abs(off) <= 2.5 * np.array(facts.uncertainty) / facts.gains + 1e-9).all()
    assert facts.catalog.slope == pytest.approx((1.04, 0.86), rel=0.05)
    assert wb.check(stack).sky_brightness.visual == pytest.approx(scene.sky_brightness, abs=0.1)


def test_of_a_large_dense_frame_the_middle_is_enough(dense, monkeypatch):
    scene, stack = dense
    monkeypatch.setattr("workbench.operations._known_stars._MOST_FITTED", 800)
    facts = CalibrateColor(reference="catalogue").measure(frame_of(stack))
    assert facts.samples > 100
    assert (np.abs(facts.catalog.x - 224.5) < 0.45 * 450).all()
    assert np.abs(np.array(facts.gains) / scene.gains - 1).max() < 0.02


def test_a_suggested_recipe_asks_the_catalogue_where_the_field_is_known(red):
    scene, _ = red
    steps = [step for step in wb.suggest(wb.solve(scene.stack).stack) if step.operation.id == "calibrate_color"]
    assert [step.operation.reference for step in steps] == ["catalogue"]
    assert "one like the Sun is taken for white" in steps[0].note

"""Where a camera pointed, against cameras of vectors and radii that `workbench.sky` has no part in."""

import importlib.util
import os
import threading

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from independent.sky import Camera, Field, sky_scene

import workbench as wb
from workbench.sky import StarCatalog, bundled, gnomonic, patterns, read_catalog, solution
from workbench.sky.locate import locate
from workbench.sky.matching import Detections, log_chance


@pytest.fixture(scope="module")
def scene():
    camera = Camera(83.0, 2.0, (640, 960), 72.0, turn=25.0, bend=0.008)
    return sky_scene(camera, seed=1)


@pytest.fixture(scope="module")
def found(scene):
    return wb.solve(scene.stack)


def test_the_tangent_plane_is_that_of_wcslib():
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval, wcs.wcs.crpix, wcs.wcs.cd = (
        ["RA---TAN", "DEC--TAN"],
        [310.0, -61.0],
        [1, 1],
        np.eye(2),
    )
    rng = np.random.default_rng(1)
    xi, eta = rng.uniform(-20, 20, (2, 500))
    ra, dec = wcs.all_pix2world(xi, eta, 0)
    np.testing.assert_allclose(gnomonic.to_plane(ra, dec, 310.0, -61.0), [xi, eta], atol=1e-9)
    np.testing.assert_allclose(gnomonic.from_plane(xi, eta, 310.0, -61.0), [ra, dec], atol=1e-9)


@pytest.mark.parametrize("seed", [0, 1, 2, 5])
def test_lists_of_stars_are_found_with_stars_missing_others_added_and_the_focal_length_wrong(seed):
    field = Field(seed, (35, 50))
    got = locate(field.found, field.camera.shape, field.stated, epoch=field.epoch)
    middle, rms = field.camera.error(got.wcs)
    assert middle < 1e-3
    assert rms < 0.1
    assert got.residual < 0.3
    assert got.mirrored == field.camera.mirrored
    assert got.scale == pytest.approx(field.camera.scale, rel=0.002)
    assert got.false_match < 1e-6


def test_stars_at_random_are_refused():
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 4000, (2, 20))
    list_of_stars = Detections(x, y, np.sort(10 ** rng.uniform(0, 2, 20))[::-1])
    with pytest.raises(wb.WorkbenchError, match="was not found with 20 stars"):
        locate(list_of_stars, (4000, 4000), 20.0)


def test_the_chance_of_a_false_match_is_a_binomial_tail():
    from scipy.stats import binom

    each = 1 - np.exp(-1e-4 * np.pi * 9)
    assert log_chance(5, 40, 1e-4, 3.0) == pytest.approx(binom.logsf(4, 40, each), rel=1e-9)


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_camera_of_these_tests_is_astropys(mirrored):
    camera = Camera(200.0, -40.0, (600, 900), 80.0, turn=130.0, mirrored=mirrored, axis=(20.0, -7.0))
    wcs = camera.solution()
    x, y = np.array([0.0, 450.0, 899.0, 10.0]), np.array([0.0, 300.0, 20.0, 599.0])
    back = camera.pixels(*wcs.all_pix2world(x, y, 0))
    np.testing.assert_allclose(back[:2], [x, y], atol=1e-6)
    assert camera.error(wcs)[1] < 1e-6


def test_a_drawn_field_is_found_and_the_stack_carries_it(scene, found):
    middle, rms = scene.camera.error(found.wcs)
    assert middle < 1e-3
    assert rms < 0.3
    assert found.residual < 0.3
    assert not found.mirrored
    assert found.rotation == pytest.approx(25.0, abs=0.1)
    assert found.center[0] == pytest.approx(83.0, abs=0.01)
    # A worked example: 640 x 960 px of 72 arcseconds, by the tangent: 12.75 x 19.07 degrees (less what the lens bends).
    assert found.field == pytest.approx((12.75, 19.07), rel=0.01)
    assert found.stack.wcs is found.wcs
    assert found.stack.pixels is scene.stack.pixels
    assert f"{found.matched:,} of the {found.expected:,} brightest in the catalogue" in str(found)
    assert found.to_dict()["matched"] == found.matched


def test_a_wrong_focal_length_is_corrected_and_said(scene):
    true = scene.stack.acquisition.focal_length_mm
    got = wb.solve(scene.stack, focal_length=1.05 * true)
    assert got.stack.acquisition.focal_length_mm == pytest.approx(true, rel=0.003)
    assert any("focal length is" in remark and "corrected" in remark for remark in got.remarks)


def test_a_mirrored_stack_is_found_and_said(scene):
    mirrored = wb.Recipe([wb.Turn(quarter_turns=1, mirror=True)]).run(scene.stack, progress=False).image
    got = wb.solve(mirrored)
    assert got.mirrored
    assert any("mirrored" in remark for remark in got.remarks)


@pytest.mark.parametrize(("quarters", "mirror"), [(1, False), (2, False), (3, True), (0, True)])
def test_the_turn_that_brings_north_up_is_said(scene, quarters, mirror):
    turned = wb.Recipe([wb.Turn(quarter_turns=quarters, mirror=mirror)]).run(scene.stack, progress=False).image
    got = wb.solve(turned)
    upright = wb.Recipe([wb.Turn(quarter_turns=got.turns_to_north)]).run(got.stack, progress=False).image
    height, width, _ = upright.shape
    (_, here), (_, above) = upright.wcs.all_pix2world([[width / 2, height / 2], [width / 2, height / 2 - 50]], 0)
    # The camera was turned by 25 degrees: a step up is a step north but for that.
    assert (above - here) * 3600 / (50 * 72) == pytest.approx(np.cos(np.deg2rad(25)), abs=0.02)


def test_the_solution_survives_crop_turn_and_resample_exactly(scene, found):
    steps = [
        wb.Crop(top=10, left=31, bottom=6, right=9),
        wb.Turn(quarter_turns=3, mirror=True),
        wb.Resample(bin=2),
    ]
    after = wb.Recipe(steps).run(found.stack, progress=False).image
    # Where pixels of the result lie on the stack: the bin, the mirrored three quarters of a turn, the crop.
    assert after.wcs is not None
    height = scene.camera.shape[0] - 16
    u, v = np.array([3.0, 100.0, 250.0]), np.array([5.0, 300.0, 41.0])
    turned_x, turned_y = 2 * u + 0.5, 2 * v + 0.5
    unmirrored = height - 1 - turned_x
    x, y = scene.camera.shape[1] - 40 - 1 - turned_y + 31, unmirrored + 10
    ours, theirs = after.wcs.all_pix2world(u, v, 0), found.wcs.all_pix2world(x, y, 0)
    np.testing.assert_allclose(ours, theirs, atol=1e-8)


def test_a_record_says_where_its_stack_lies(scene, found):
    record = wb.Recipe([wb.Turn()]).run(found.stack, progress=False).record
    lines = wb.Record.loads(record.dumps()).input["sky_solution"]
    header = fits.Header.fromstring("\n".join(lines), sep="\n")
    assert header["CTYPE1"].startswith("RA---TAN")
    assert header["CRVAL1"] == pytest.approx(83.0, abs=0.05)
    assert "sky_solution" not in wb.Recipe([wb.Turn()]).run(scene.stack, progress=False).record.input


@pytest.mark.parametrize("name", ["solved.fits", "solved.tif"])
def test_files_carry_the_solution(tmp_path, found, name):
    found.stack.save(tmp_path / name)
    again = wb.read(tmp_path / name)
    x, y = np.array([0.0, 500.0, 959.0]), np.array([0.0, 300.0, 639.0])
    np.testing.assert_allclose(again.wcs.all_pix2world(x, y, 0), found.wcs.all_pix2world(x, y, 0), atol=1e-7)
    if name.endswith("fits"):
        header = fits.getheader(tmp_path / name)
        assert header["CTYPE1"].startswith("RA---TAN")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"field_of_view": 140.0}, "fisheye or an all-sky"),
        ({"focal_length": 1.0}, "fisheye or an all-sky"),
        ({"field_of_view": 1.2}, "too narrow"),
        ({"field_of_view": 200.0}, "between 0 and 180"),
    ],
)
def test_what_cannot_be_found_is_refused_in_a_sentence(scene, changes, said):
    with pytest.raises(wb.WorkbenchError, match=said):
        wb.solve(scene.stack, **changes)


def fisheye(scale, shape):
    """Stars as a fisheye shows them that draws angles to scale (r = f theta), in the middle of a frame."""
    ra0, dec0 = np.deg2rad([100.0, 20.0])
    stars = bundled().at(2016.0)
    stars = stars.select(np.flatnonzero(stars.magnitude < 8))
    ra, dec = np.deg2rad(stars.ra) - ra0, np.deg2rad(stars.dec)
    away = np.arccos(np.sin(dec) * np.sin(dec0) + np.cos(dec) * np.cos(dec0) * np.cos(ra))
    angle = np.arctan2(np.cos(dec) * np.sin(ra), np.sin(dec) * np.cos(dec0) - np.cos(dec) * np.sin(dec0) * np.cos(ra))
    focal = 206264.806 / scale
    x, y = (shape[1] - 1) / 2 - focal * away * np.sin(angle), (shape[0] - 1) / 2 - focal * away * np.cos(angle)
    seen = np.flatnonzero((x > 0) & (x < shape[1] - 1) & (y > 0) & (y < shape[0] - 1) & (away < 1.5))
    seen = seen[np.argsort(stars.magnitude[seen])]
    return Detections(x[seen], y[seen], 10 ** (-0.4 * stars.magnitude[seen]))


@pytest.mark.parametrize("scale", [65.0, 100.0])
def test_the_frame_of_a_fisheye_is_refused_whatever_is_stated_of_its_field(scale):
    # 65 and 100 degrees wide.
    with pytest.raises(wb.WorkbenchError, match=r"night\.fits bends by .* as a fisheye's does"):
        locate(fisheye(scale, (2400, 3600)), (2400, 3600), scale, epoch=2016.0, name="night.fits")


def test_the_middle_of_a_fisheyes_frame_is_found_where_a_flat_map_can_follow_it():
    got = locate(fisheye(50.0, (2400, 3600)), (2400, 3600), 50.0, epoch=2016.0)
    assert got.center == pytest.approx((100.0, 20.0), abs=1e-3)
    assert got.residual < 0.3


def test_without_any_word_of_the_field_it_is_asked_for(scene):
    with pytest.raises(wb.WorkbenchError, match="give focal_length"):
        wb.solve(wb.Stack(scene.stack.pixels))


def test_a_frame_without_stars_is_refused():
    empty = wb.Stack(np.full((200, 300, 3), 0.1, np.float32))
    with pytest.raises(wb.WorkbenchError, match="shows 0 stars"):
        wb.solve(empty, field_of_view=20)


def test_without_the_extra_it_is_said_what_to_install(scene, monkeypatch):
    known = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: None if name == "tetra3rs" else known(name, *a))
    with pytest.raises(wb.WorkbenchError, match=r"pip install .*\[sky\]"):
        wb.solve(scene.stack)


def test_two_that_build_patterns_at_once_do_no_harm_and_damage_is_mended(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    both = [threading.Thread(target=patterns.pattern_database, args=(20.0,)) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    kept = list(patterns.cache_folder().iterdir())
    assert [path.suffix for path in kept] == [".bin"]
    kept[0].write_bytes(b"damaged")
    os.utime(kept[0], (1, 1))
    assert patterns.pattern_database(20.0).num_patterns > 0
    assert kept[0].stat().st_size > 1e6


@pytest.mark.parametrize(
    ("date", "year"),
    [("2026-11-28T03:04:05", 2026.905), ("2026:07:02 12:00", 2026.5), ("last night", None), (None, None)],
)
def test_dates_become_julian_years(date, year):
    got = solution.julian_year(date)
    assert got is None if year is None else got == pytest.approx(year, abs=0.004)


def test_a_catalogue_of_ones_own_finds_the_field(scene, tmp_path):
    near = bundled().around(scene.camera.ra, scene.camera.dec, 25)
    rows = np.column_stack([near.ra, near.dec, near.magnitude])
    np.savetxt(tmp_path / "own.csv", rows, delimiter=",", header="ra,dec,G", comments="", fmt="%.7f")
    got = wb.solve(scene.stack, catalog=read_catalog(tmp_path / "own.csv"))
    assert scene.camera.error(got.wcs)[1] < 0.3


def test_a_catalogue_without_patterns_is_refused_in_a_sentence(scene, tmp_path):
    (tmp_path / "own.csv").write_text("ra,dec,G\n83,2,5\n84,3,6\n")
    with pytest.raises(wb.WorkbenchError, match=r"own\.csv|was not found"):
        wb.solve(scene.stack, catalog=read_catalog(tmp_path / "own.csv"))


def test_faint_stars_of_ones_own_catalogue_find_a_narrow_field():
    rng = np.random.default_rng(1)
    ra, dec = 180 + rng.uniform(-1.5, 1.5, 1500) / np.cos(np.deg2rad(30)), 30 + rng.uniform(-1.5, 1.5, 1500)
    magnitude, none = 15 - rng.exponential(1.2, 1500), np.zeros(1500)
    unknown = np.full(1500, np.nan)
    own = StarCatalog(ra, dec, magnitude, unknown, unknown, none, none, np.zeros(1500, np.int64), title="own")
    camera = Camera(180.1, 30.1, (2000, 3000), 2.5, turn=40.0)
    which, x, y = camera.seen(own)
    order = np.argsort(magnitude[which])
    x, y = (v[order] + rng.normal(0, 0.1, len(order)) for v in (x, y))
    found = Detections(x, y, 10 ** (-0.4 * magnitude[which][order]))
    got = locate(found, camera.shape, 1.03 * camera.scale, epoch=2016.0, catalog=own)
    assert camera.error(got.wcs)[1] < 0.1
    with pytest.raises(wb.WorkbenchError, match="a catalogue of your own"):
        locate(found, camera.shape, camera.scale)

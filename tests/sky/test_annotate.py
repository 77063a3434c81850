"""Names on a picture, against a camera that `workbench.sky` has no part in."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from independent.sky import Camera

import workbench as wb
from workbench.acquisition import Tone
from workbench.sky import annotation_svg
from workbench.sky.catalog import hipparcos_stars
from workbench.sky.labels import annotate, labels_of
from workbench.sky.names import STAR_NAMES, objects_in

SHAPE = (500, 760)


def picture_of(camera):
    """A gray picture with the camera's own map."""
    return wb.Stack(np.full((*SHAPE, 1), 0.3, np.float32), Tone.DISPLAY, wcs=camera.solution())


@pytest.fixture(scope="module")
def orion():
    camera = Camera(84.0, -2.0, SHAPE, 70.0, turn=20.0)
    return camera, picture_of(camera)


def test_names_stand_where_the_objects_are(orion):
    camera, picture = orion
    named = {label.text.split("  ")[0]: label for label, _ in labels_of(picture).placed}
    # Common places of J2000: M 42 05 35.3 -05 23; Alnitak 05 40 45.5 -01 56 34 (from memory).
    for name, ra, dec in (("M 42", 83.82, -5.39), ("Alnitak", 85.19, -1.943)):
        x, y, _ = camera.pixels(np.array([ra]), np.array([dec]))
        assert np.hypot(named[name].x - x[0], named[name].y - y[0]) < 1.5
    assert {"Mintaka", "Alnilam", "M 78"} <= set(named)


def test_no_two_names_overlap_and_all_lie_in_the_frame(orion):
    _, picture = orion
    placed = labels_of(picture, most=200).placed
    boxes = np.array([box for _, box in placed])
    assert len(boxes) > 10
    assert (boxes[:, :2] >= 0).all()
    assert (boxes[:, 2] <= SHAPE[1]).all()
    assert (boxes[:, 3] <= SHAPE[0]).all()
    for i, (left, top, right, bottom) in enumerate(boxes):
        for a, t, r, b in boxes[i + 1 :]:
            assert not (left < r and right > a and top < b and bottom > t)


@pytest.mark.parametrize("mirrored", [False, True])
def test_ellipses_have_size_and_direction_of_the_object(mirrored):
    # The Andromeda galaxy: 178' x 70', position angle 35 degrees (OpenNGC); its ends by the independent camera.
    camera = Camera(10.68, 41.27, SHAPE, 60.0, turn=70.0, mirrored=mirrored)
    label = next(la for la, _ in labels_of(picture_of(camera)).placed if la.text.startswith("M 31"))
    assert label.axes == pytest.approx((177.8, 69.7), rel=0.02)
    away = np.deg2rad(np.array([0.5, -0.5]))
    ra = camera.ra + np.rad2deg(away * np.sin(np.deg2rad(35))) / np.cos(np.deg2rad(41.27))
    dec = camera.dec + np.rad2deg(away * np.cos(np.deg2rad(35)))
    x, y, _ = camera.pixels(ra, dec)
    theirs = np.rad2deg(np.arctan2(y[0] - y[1], x[0] - x[1]))
    assert (label.angle - theirs + 90) % 180 - 90 == pytest.approx(0, abs=1)


def test_ink_covers_a_part_and_leaves_the_rest_as_it_was(orion):
    _, picture = orion
    out = annotate(picture)
    same = (out.pixels == picture.pixels).all(axis=2)
    assert out.shape == (*SHAPE, 3)
    assert 0.7 < same.mean() < 0.995
    assert out.wcs is picture.wcs
    np.testing.assert_array_equal(annotate(picture).pixels, out.pixels)
    bare = annotate(picture, grid=False, objects=False, stars=False)
    assert (bare.pixels == picture.pixels).all(axis=2).mean() > same.mean()


@pytest.mark.parametrize("turn", range(5))
def test_the_letter_at_the_arrow_to_east_has_its_upper_and_lower_stroke(turn):
    picture = picture_of(Camera(84.0, -2.0, SHAPE, 70.0, turn=turn))
    bare = annotate(picture, grid=False, objects=False, stars=False).pixels[:, :, 0]
    rows = (bare[-70:-30, :18] > 0.35).sum(axis=1)
    strokes = rows[rows > 0]
    assert len(strokes) >= 6
    assert min(strokes[0], strokes[-1]) >= 3


def test_the_svg_has_the_size_of_the_picture(orion):
    _, picture = orion
    root = ET.fromstring(annotation_svg(picture))
    assert root.get("viewBox") == f"0 0 {SHAPE[1]} {SHAPE[0]}"
    assert "OpenNGC" in annotation_svg(picture)


def test_what_cannot_be_labelled_is_refused_in_a_sentence(orion):
    _, picture = orion
    with pytest.raises(wb.WorkbenchError, match="is linear"):
        annotate(replace(picture, tone=Tone.LINEAR))
    with pytest.raises(wb.WorkbenchError, match="workbench solve"):
        annotate(replace(picture, wcs=None))


@pytest.mark.parametrize(("dec", "turn"), [(89.6, 10.0), (-88.0, 100.0)])
def test_a_frame_at_a_pole_gets_its_grid(dec, turn):
    picture = picture_of(Camera(40.0, dec, SHAPE, 60.0, turn=turn))
    assert np.isfinite(annotate(picture).pixels).all()


def test_named_stars_are_as_bright_as_stars_that_have_names():
    known = hipparcos_stars()
    at = {int(h): k for k, h in enumerate(known.hip)}
    assert max(known.magnitude[at[h]] for h in STAR_NAMES if STAR_NAMES[h] != "Mira") < 4.6
    # Places in hours and degrees that any atlas has (from memory).
    places = {"Polaris": (2.53, 89.3), "Albireo": (19.51, 28.0), "Dubhe": (11.06, 61.75), "Antares": (16.49, -26.4)}
    for name, (hours, dec) in places.items():
        k = at[next(h for h, called in STAR_NAMES.items() if called == name)]
        assert known.ra[k] / 15 == pytest.approx(hours, abs=0.02)
        assert known.dec[k] == pytest.approx(dec, abs=0.1)


def test_messier_s_objects_come_first_and_are_all_known():
    everything = objects_in(0.0, 0.0, 180.0)
    messier = {one.name for one in everything if one.name.startswith("M ")}
    # M 40 is a pair of stars, M 73 four stars, M 102 a duplicate of M 101 or NGC 5866.
    assert {f"M {n}" for n in range(1, 111)} - messier <= {"M 40", "M 73", "M 102", "M 24"}

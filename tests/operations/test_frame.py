"""Crop, turn and resample: pixels, tiles, coverage, sky solution and acquisition."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.wcs import WCS, Sip

from workbench.acquisition import Acquisition
from workbench.engine.tiles import cut, tile_rects
from workbench.errors import WorkbenchError
from workbench.operations._resize import (
    area_axis,
    lanczos_axis,
    resample_coverage,
    resample_planes,
    resample_planes_numpy,
)
from workbench.operations.base import Frame, FrameOperation, Geometry, Rect
from workbench.operations.frame import Crop, Resample, Turn
from workbench.operations.straighten import Straighten


def served(op: FrameOperation, planes, size: int, scale: float = 1.0):
    """The whole output, made of tiles of ``size`` in the order last to first."""
    c, h, w = planes.shape
    geometry = Geometry(h, w, c, scale)
    facts = op.measure(Frame(planes))
    plan = op.prepare(facts, geometry)
    out_geometry = op.out_geometry(facts, geometry)
    out = np.full((c, out_geometry.height, out_geometry.width), np.nan, np.float32)
    for core in reversed(tile_rects(out_geometry.height, out_geometry.width, size)):
        rect = op.source_rect(facts, geometry, core)
        source = np.empty((c, rect.height, rect.width), np.float32)
        cut(planes, rect, source)
        tile = np.empty((c, core.height, core.width), np.float32)
        op.resample(source, rect, core, plan, geometry, tile)
        out[:, core.y0 : core.y1, core.x0 : core.x1] = tile
    return out


def noise(shape, seed=1):
    return np.random.default_rng(seed).normal(0.1, 0.05, shape).astype(np.float32)


OPS = [
    Crop(top=3, right=5, bottom=0, left=11),
    *(Turn(quarter_turns=q, mirror=m) for q in range(4) for m in (False, True)),
    Resample(bin=2),
    Resample(bin=3),
    Resample(long_side=50),
    Resample(long_side=101),
    Resample(long_side=250),
    Straighten(angle_deg=7.3),
    Straighten(angle_deg=-131.0, corners="keep"),
]


@pytest.mark.parametrize("op", OPS, ids=repr)
def test_tiles_of_any_size_make_the_same_frame_bit_for_bit(op):
    planes = noise((3, 97, 131))
    kept = planes.copy()
    whole = served(op, planes, 4096)
    assert np.isfinite(whole).all()
    for size in (16, 37):
        np.testing.assert_array_equal(served(op, planes, size), whole)
    np.testing.assert_array_equal(planes, kept)


@pytest.mark.parametrize("op", OPS, ids=repr)
@pytest.mark.parametrize("scale", [2.5, 4.0])
def test_the_reduced_frame_of_the_fit_view_is_served_too(op, scale):
    planes = noise((1, 40, 53))
    out = served(op, planes, 16, scale)
    assert np.isfinite(out).all()
    geometry = op.out_geometry(op.measure(Frame(planes)), Geometry(40, 53, 1, scale))
    assert out.shape[1:] == (geometry.height, geometry.width)
    assert geometry.scale >= 1.0


def test_a_crop_keeps_exactly_the_middle():
    planes = noise((3, 60, 80))
    out = served(Crop(top=3, right=5, bottom=7, left=11), planes, 32)
    np.testing.assert_array_equal(out, planes[:, 3:53, 11:75])


def test_a_crop_in_the_fit_view_scales_its_margins():
    op = Crop(top=8, right=0, bottom=16, left=40)
    facts = op.measure(Frame(noise((1, 400, 400))))
    assert op.out_geometry(facts, Geometry(100, 100, 1, 4.0)) == Geometry(94, 90, 1, 4.0)
    assert op.source_rect(facts, Geometry(100, 100, 1, 4.0), Rect(0, 0, 10, 10)) == Rect(2, 10, 12, 20)


def test_an_automatic_crop_cuts_the_border_that_coverage_shows():
    coverage = np.full((200, 300), 255, np.uint8)
    coverage[:12] = 0
    coverage[:, 280:] = 0
    planes = noise((3, 200, 300))
    op = Crop(safety=3)
    facts = op.measure(Frame(planes, coverage=coverage))
    assert abs(facts.top - 15) <= 2
    assert abs(facts.right - 23) <= 2
    assert (facts.bottom, facts.left) == (0, 0)
    assert facts.measured == ("top", "right", "bottom", "left")
    assert "measured" in op.explain(facts)


def test_a_given_margin_wins_over_the_measured_border():
    coverage = np.full((100, 100), 255, np.uint8)
    coverage[:12] = 0
    facts = Crop(top=0, left=2).measure(Frame(noise((1, 100, 100)), coverage=coverage))
    assert (facts.top, facts.left) == (0, 2)


@pytest.mark.parametrize(
    "op",
    [Crop(top=30, bottom=30, left=0, right=0), Crop(top=0, bottom=0, left=99, right=0)],
    ids=repr,
)
def test_a_crop_that_leaves_nothing_is_refused(op):
    with pytest.raises(WorkbenchError, match="leave nothing of a frame of 70 x 50 px"):
        op.measure(Frame(noise((1, 50, 70))))


def test_frozen_facts_on_a_smaller_frame_are_refused():
    op = Crop(top=30, bottom=30, left=0, right=0)
    facts = op.measure(Frame(noise((1, 100, 100))))
    with pytest.raises(WorkbenchError, match="leave nothing"):
        op.out_geometry(facts, Geometry(50, 100, 1))


def test_a_one_pixel_frame_turns_crops_and_resamples():
    planes = np.full((1, 1, 1), 0.25, np.float32)
    for op in (Turn(), Crop(top=0, right=0, bottom=0, left=0), Resample(bin=1)):
        np.testing.assert_array_equal(served(op, planes, 8), planes)
    with pytest.raises(WorkbenchError, match="leave nothing"):
        served(Resample(bin=2), planes, 8)


@pytest.mark.parametrize("q", range(4))
def test_four_quarter_turns_come_home(q):
    planes = noise((3, 20, 33))
    there = served(Turn(quarter_turns=q), planes, 16)
    np.testing.assert_array_equal(served(Turn(quarter_turns=(4 - q) % 4), there, 16), planes)


def test_mirroring_twice_comes_home():
    planes = noise((3, 20, 33))
    op = Turn(quarter_turns=0, mirror=True)
    np.testing.assert_array_equal(served(op, served(op, planes, 16), 16), planes)


@pytest.mark.parametrize("op", [Resample(bin=3), Resample(long_side=70), Resample(long_side=500)], ids=repr)
def test_a_constant_frame_stays_constant(op):
    planes = np.full((1, 120, 180), 0.3, np.float32)
    np.testing.assert_allclose(served(op, planes, 64), 0.3, rtol=3e-7)


@pytest.mark.parametrize("long_side", [60, 77, 170, 500])
def test_a_chosen_size_keeps_the_mean(long_side):
    y, x = np.mgrid[:120, :180]
    planes = (0.2 + 0.1 * np.exp(-((x - 80) ** 2 + (y - 50) ** 2) / 300))[None].astype(np.float32)
    out = served(Resample(long_side=long_side), planes, 64)
    assert out.mean(dtype=np.float64) == pytest.approx(planes.mean(dtype=np.float64), rel=2e-3)


@pytest.mark.parametrize("long_side", [61, 90, 400])
def test_no_dark_ring_appears_around_a_star(long_side):
    y, x = np.mgrid[:160, :160]
    planes = (0.01 + np.exp(-((x - 80.3) ** 2 + (y - 79.6) ** 2) / (2 * 1.2**2)))[None].astype(np.float32)
    out = served(Resample(long_side=long_side), planes, 64)
    assert out.min() >= planes.min()
    assert out.max() <= planes.max()


def test_the_kernel_and_its_numpy_twin_agree():
    planes = noise((2, 40, 50))
    for make, reduction, shape in (
        (area_axis, 2.0, (20, 25)),
        (area_axis, 2.3, (17, 21)),
        (lanczos_axis, 1.7, (23, 29)),
    ):
        y, x = make(shape[0], reduction), make(shape[1], reduction)
        (y0, y1), (x0, x1) = y.span(0, shape[0]), x.span(0, shape[1])
        source = np.empty((2, y1 - y0, x1 - x0), np.float32)
        cut(planes, Rect(y0, x0, y1, x1), source)
        out = np.empty((2, *shape), np.float32)
        resample_planes(source, y, x, y0, x0, (0, 0), out)
        np.testing.assert_allclose(out, resample_planes_numpy(planes, y, x), atol=3e-7)


def test_enlarging_beyond_four_times_is_refused():
    op = Resample(long_side=500)
    with pytest.raises(WorkbenchError, match="give at most 400 px"):
        op.out_geometry({}, Geometry(60, 100, 1))


def test_the_chosen_long_side_is_met_and_the_short_side_follows():
    assert Resample(long_side=2048).out_geometry({}, Geometry(4000, 6000, 3)) == Geometry(1365, 2048, 3)
    assert Resample(bin=4).out_geometry({}, Geometry(4001, 6003, 3)) == Geometry(1000, 1500, 3)


def test_the_fit_view_of_a_binned_frame_is_not_reduced_twice():
    out = Resample(bin=2).out_geometry({}, Geometry(1000, 1500, 3, 4.0))
    assert out == Geometry(1000, 1500, 3, 2.0)
    out = Resample(bin=8).out_geometry({}, Geometry(1000, 1500, 3, 4.0))
    assert out == Geometry(500, 750, 3, 1.0)


# What travels with the frame


def carried(op, planes, **kwargs):
    given = {"coverage": None, "wcs": None, "acquisition": Acquisition()} | kwargs
    c, h, w = planes.shape
    return op.carry(op.measure(Frame(planes)), geometry=Geometry(h, w, c), **given)


@pytest.mark.parametrize("op", OPS, ids=repr)
def test_coverage_follows_and_stays_inside_the_uncovered_part(op):
    rng = np.random.default_rng(5)
    coverage = rng.integers(100, 256, (97, 131)).astype(np.uint8)
    coverage[:20, :30] = 0
    planes = noise((3, 97, 131))
    out, _, _ = carried(op, planes, coverage=coverage)
    marked = served(op, np.where(coverage == 0, np.float32(1), np.float32(0))[None], 64)[0]
    assert out.dtype == np.uint8
    assert out.shape == marked.shape
    assert out.flags.c_contiguous
    felt = 3e-3 if isinstance(op, Straighten) else 1e-6  # a spline's weights fall, and end nowhere
    assert (out[np.abs(marked) > felt] == 0).all()
    assert (out == 0).any()
    assert (out > 0).any()
    corners = isinstance(op, Straighten) and op.corners == "keep"
    assert (carried(op, planes)[0] is None) != corners


def test_an_exact_binning_averages_coverage():
    coverage = np.array([[200, 100, 10, 0], [100, 200, 10, 10]], np.uint8)
    np.testing.assert_array_equal(resample_coverage(coverage, area_axis(1, 2.0), area_axis(2, 2.0)), [[150, 0]])


def solution(kind: str) -> WCS:
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [83.6, -5.4]
    wcs.wcs.crpix = [61.3, 40.9]
    angle = np.deg2rad(23.0)
    rotation = np.array([[-np.cos(angle), np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    if kind == "pc":
        wcs.wcs.cdelt = [3e-4, 3e-4]
        wcs.wcs.pc = rotation
    elif kind == "crota":
        wcs.wcs.cdelt = [-3e-4, 3e-4]
        wcs.wcs.crota = [0.0, 23.0]
    else:
        wcs.wcs.cd = 3e-4 * rotation
    if kind == "sip":
        wcs.wcs.ctype = ["RA---TAN-SIP", "DEC--TAN-SIP"]
        a, b = np.zeros((4, 4)), np.zeros((4, 4))
        a[2, 0], a[1, 1], a[0, 3] = 2e-5, -1e-5, 3e-7
        b[0, 2], b[1, 1], b[3, 0] = -3e-5, 2e-5, 1e-7
        wcs.sip = Sip(a, b, None, None, wcs.wcs.crpix)
    wcs.pixel_shape = (131, 97)
    wcs.wcs.set()
    return wcs


def new_position(op, x, y):
    """Where the old position (x, y) lies in the output, by each operation's own definition."""
    h, w = 97, 131
    if isinstance(op, Crop):
        return x - op.left, y - op.top
    if isinstance(op, Turn):
        for _ in range(op.quarter_turns):
            x, y, h, w = h - 1 - y, x, w, h
        return (w - 1 - x, y) if op.mirror else (x, y)
    if isinstance(op, Straighten):
        size = op.out_geometry(op.measure(Frame(noise((1, h, w)))), Geometry(h, w, 1))
        turn = np.exp(1j * np.deg2rad(op.angle_deg))  # clockwise, as rows go down
        moved = turn * ((x - (w - 1) / 2) + 1j * (y - (h - 1) / 2))
        return moved.real + (size.width - 1) / 2, moved.imag + (size.height - 1) / 2
    reduction = op.bin if op.long_side is None else w / op.long_side
    return (x + 0.5) / reduction - 0.5, (y + 0.5) / reduction - 0.5


@pytest.mark.parametrize("kind", ["pc", "cd", "crota", "sip"])
@pytest.mark.parametrize("op", OPS, ids=repr)
def test_every_source_keeps_its_sky_position(op, kind):
    old = solution(kind)
    header = old.to_header(relax=True).tostring()
    _, new, _ = carried(op, noise((3, 97, 131)), wcs=old)
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 130, 50), rng.uniform(0, 96, 50)
    sky = old.pixel_to_world_values(x, y)
    there = new.all_world2pix(*sky, 0, tolerance=1e-9)
    np.testing.assert_allclose(there, new_position(op, x, y), atol=1e-6)
    assert old.to_header(relax=True).tostring() == header
    size = op.out_geometry(op.measure(Frame(noise((3, 97, 131)))), Geometry(97, 131, 3))
    assert new.pixel_shape == (size.width, size.height)


def test_positions_in_the_pixels_agree_with_those_of_the_solution():
    y, x = np.mgrid[:97, :131]
    planes = np.exp(-((x - 70.4) ** 2 + (y - 30.7) ** 2) / (2 * 4.0**2))[None].astype(np.float32)
    for op in OPS:
        out = served(op, planes, 64)[0].astype(np.float64)
        oy, ox = np.mgrid[: out.shape[0], : out.shape[1]]
        centroid = (ox * out).sum() / out.sum(), (oy * out).sum() / out.sum()
        np.testing.assert_allclose(centroid, new_position(op, 70.4, 30.7), atol=0.02, err_msg=repr(op))


def test_a_cube_solution_follows_by_its_sky_axes():
    cube = WCS(naxis=3)
    cube.wcs.ctype = ["RA---TAN", "DEC--TAN", ""]
    cube.wcs.crpix = [10, 20, 1]
    cube.wcs.cdelt = [-1e-3, 1e-3, 1]
    _, new, _ = carried(Crop(top=2, right=0, bottom=0, left=3), noise((3, 97, 131)), wcs=cube)
    assert new.naxis == 2
    np.testing.assert_allclose(new.wcs.crpix, [7, 18])


def test_pixel_size_follows_the_reduction_and_so_does_the_image_scale():
    before = Acquisition(pixel_size_um=4.0, focal_length_mm=200.0)
    _, _, after = carried(Resample(bin=3), noise((3, 97, 131)), acquisition=before)
    assert after.pixel_size_um == pytest.approx(12.0)
    assert (after.image_scale / before.image_scale).value == pytest.approx(3.0)
    assert carried(Turn(), noise((3, 97, 131)), acquisition=before)[2] == before


@pytest.mark.parametrize("op", OPS, ids=repr)
def test_each_step_explains_itself_in_one_sentence(op):
    text = op.explain(op.measure(Frame(noise((3, 97, 131)))))
    assert text.endswith(".")
    assert "\n" not in text

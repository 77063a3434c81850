"""Borders, and clipping."""

import numpy as np
import pytest
from independent.camera import Grain, grain
from scipy import ndimage

from workbench.measure.borders import Borders, find_borders, largest_rectangle, row_noise
from workbench.measure.borders.noise_edges import (
    BorderSide,
    EdgeLine,
    clearest,
    frame_share,
    noise_borders,
    sureness,
    tilts_of_turn,
)
from workbench.measure.clipping import clipped_fraction
from workbench.measure.uncovered import constant_margins, reaching_edge, unlit_margins
from workbench.simulate import simulate


def test_lines_that_saw_no_light_are_told_from_dark_sky_beside_an_object(rng):
    frame = rng.normal(0.1, 0.002, (1, 120, 200)).astype(np.float32)
    beside = frame.copy()
    beside[:, 20:100, 12:] += 0.2  # an object with a straight edge: the noise beside it is that of the sky
    assert unlit_margins(beside) == (0, 0, 0, 0)
    read_only = frame.copy()
    read_only[:, :, :12] = rng.normal(0.02, 0.0005, (1, 120, 12))
    assert unlit_margins(read_only) == (0, 0, 0, 12)


@pytest.fixture(scope="module")
def cluster():
    return simulate("beehouse_cluster", shape=(900, 1300), seed=8)


def as_tuple(b):
    return b.top, b.right, b.bottom, b.left


def noisy(rng, shape, level=0.1, sigma=0.01):
    return rng.normal(level, sigma, shape).astype(np.float32)


def test_a_frame_without_borders_has_none(rng):
    assert find_borders(noisy(rng, (3, 300, 400))) == Borders(0, 0, 0, 0)


@pytest.mark.parametrize("scene", ["hayfield_stars", "millwheel_galaxy"])
def test_no_border_is_seen_inside_a_stack(scene):
    sim = simulate(scene, shape=(700, 900), seed=2)
    inside = sim.stack.planes[:, 45:-45, 45:-45]
    assert find_borders(inside) == Borders(0, 0, 0, 0)


def test_constant_margins_are_borders_to_the_pixel(rng):
    planes = noisy(rng, (3, 300, 400))
    planes[:, :, :7] = 0.25
    planes[:, :13] = 0
    planes[:, -1:] = 0
    assert as_tuple(find_borders(planes)) == (13, 0, 1, 7)


def test_zeros_inside_the_frame_are_not_borders(rng):
    planes = noisy(rng, (1, 300, 400))
    planes[:, 100:120, 150:170] = 0
    assert find_borders(planes) == Borders(0, 0, 0, 0)


def test_only_areas_that_reach_the_edge_are_kept(rng):
    for density in (0.02, 0.3, 0.45):
        mask = (rng.random((40, 50)) < density).astype(np.uint8)
        labels, _ = ndimage.label(mask, np.ones((3, 3)))
        edge = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
        wanted = np.isin(labels, edge[edge > 0])
        np.testing.assert_array_equal(reaching_edge(mask), wanted)


@pytest.mark.parametrize("value", [0.0, 0.25])
def test_constant_margins_are_found_to_the_pixel_and_only_they(rng, value):
    planes = noisy(rng, (3, 200, 300))
    wanted = np.zeros((200, 300), bool)
    wanted[:7], wanted[:, -12:] = True, True
    wanted[np.add.outer(np.arange(200), np.arange(300) * 0.05) > 204] = True  # a wedge, as a turn leaves
    planes[:, wanted] = value
    planes[:, 90:100, 90:100] = value  # a hole
    np.testing.assert_array_equal(constant_margins(planes), wanted)


def test_sky_cut_off_at_black_and_clipped_white_are_no_margins(rng):
    dark = np.maximum(noisy(rng, (1, 200, 300), level=-0.01), 0)
    dark[:, :5] = 0
    assert constant_margins(dark) is None
    white = noisy(rng, (1, 200, 300))
    white[:, :9] = 1.0
    assert constant_margins(white) is None
    assert constant_margins(noisy(rng, (3, 200, 300))) is None


def test_graded_coverage_gives_the_true_borders(cluster):
    found = find_borders(cluster.stack.planes, cluster.truth.coverage)
    assert as_tuple(found) == tuple(cluster.truth.borders)


def test_a_hole_in_the_coverage_is_not_a_border(rng):
    planes = noisy(rng, (1, 300, 400))
    coverage = np.full((300, 400), 255, np.uint8)
    coverage[140:150, 200:210] = 0
    coverage[:, :9] = 0
    assert as_tuple(find_borders(planes, coverage)) == (0, 0, 0, 9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_step_in_noise_alone_is_found_within_two_pixels(seed):
    rng = np.random.default_rng(seed)
    planes = noisy(rng, (3, 500, 700))
    wanted = (17, 9, 24, 31)
    top, right, bottom, left = wanted
    extra = noisy(rng, planes.shape, 0.0)
    thin = np.ones((500, 700), bool)
    thin[top:-bottom, left:-right] = False
    planes[:, thin] += 0.75 * extra[:, thin]
    assert np.abs(np.subtract(as_tuple(find_borders(planes)), wanted)).max() <= 2


def test_a_tilted_edge_is_followed_by_noise():
    rng = np.random.default_rng(5)
    planes = noisy(rng, (3, 600, 900))
    y, x = np.mgrid[:600, :900]
    edge = 20 + 0.02 * x
    thin = y < edge
    planes[:, thin] += noisy(rng, planes.shape, 0.0)[:, thin]
    top, right, bottom, left = noise_borders(planes, np.zeros((600, 900), np.uint8)).share
    assert np.abs(np.argmax(top > 0.8, axis=0) - edge[0]).max() <= 3
    assert right is None
    assert bottom is None
    assert left is None


def test_borders_of_ragged_stacks_come_within_two_pixels_of_the_truth(cluster):
    stacks = [cluster] + [
        simulate(scene, shape=(800, 1200), seed=seed)
        for scene in ("lantern_nebula", "woodsmoke_nebulosity", "hayfield_stars")
        for seed in (101, 105)
    ]
    off = np.abs([np.subtract(as_tuple(find_borders(s.stack.planes)), tuple(s.truth.borders)) for s in stacks])
    # 24 of 28 sides. What was gained for it: frames with any glow and no border get none (tests/independent).
    assert np.mean(off <= 2) >= 0.85
    assert off.max() <= 12


def a_side(rng, share, cell=0.05):
    """A side of 2000 px in 32 pieces whose noise tells the share of the frames (rows, pieces)."""
    noise = -0.5 * np.log(share) + rng.normal(0, cell, share.shape)
    return BorderSide(noise, np.zeros_like(noise), np.linspace(-950, 950, 32), 2000, 90, cell)


def test_the_share_of_the_frames_is_read_from_noise_along_a_tilted_line(rng):
    y = np.arange(120)[:, None]
    share = 1 - 0.5 * (1 - np.clip((y - 6 - 0.004 * np.linspace(-950, 950, 32)) / 16, 0, 1))
    side = a_side(rng, share)
    tilts = tilts_of_turn([side, None, None, None])
    assert tilts[0] == pytest.approx(0.004, abs=0.001)
    line = clearest(side, tilts[0])
    assert sureness(side, line) > 20
    found = frame_share(side, line, bends=False)
    at = np.arange(2000) - 999.5
    wanted = 1 - 0.5 * (1 - np.clip((y - 6 - 0.004 * at) / 16, 0, 1))
    assert np.abs(found - wanted)[5:].mean() < 0.01
    assert (np.diff(found, axis=0) >= 0).all()


@pytest.mark.parametrize("turn", [-0.006, 0.0, 0.006])
def test_the_turn_of_a_night_is_told_by_all_sides_together(rng, turn):
    y, at = np.arange(120)[:, None], np.linspace(-950, 950, 32)
    shares = [np.where(y < 10 + sign * turn * at, 0.85, 1) for sign in (1, 1, -1, -1)]
    sides = [a_side(rng, share, cell=0.1) for share in shares]
    assert tilts_of_turn(sides) == pytest.approx([turn, turn, -turn, -turn], abs=0.0025)


def test_noise_that_is_even_has_no_edge_and_no_tilt(rng):
    for _ in range(20):
        side = a_side(rng, np.ones((120, 32)))
        assert clearest(side).gain < 12
        assert tilts_of_turn([side, None, None, None])[0] == 0


def test_noise_that_is_higher_in_some_pieces_only_is_no_border(rng):
    # As where a galaxy reaches toward the edge: as much excess as with half the frames, but not everywhere.
    share = np.ones((120, 32))
    share[:25, 4:22] = 0.5
    side = a_side(rng, share)
    line = clearest(side)
    assert line.gain > 12
    assert sureness(side, line) < 7
    share[:25] = 0.5
    assert sureness(a_side(rng, share), EdgeLine(25, 0.0, 50.0)) > 20


def test_the_noise_of_rows_is_that_of_the_plain_formula(rng):
    piece = noisy(rng, (3, 42, 72))
    piece[1, 7, 30] += 1
    bad = np.zeros((40, 64), np.uint8)
    bad[5, 3] = 1
    taps = np.stack([row_noise.expectation(plane) for plane in piece])
    limits, (out, light) = row_noise.noise_limits(piece, taps), np.empty((2, 40, 3), np.float32)
    row_noise.row_noise(piece, taps, limits, bad, out, light)
    off = piece[:, :40, 4:68].copy()
    for k, (row, column) in enumerate(row_noise.NEIGHBORS):
        off -= taps[:, k, None, None] * piece[:, row : 40 + row, 4 + column : 68 + column]
    kept = off**2 < limits[:, None, None]
    wanted = 0.5 * np.log(np.where(kept, off**2, 0).sum(axis=2) / kept.sum(axis=2)).T / row_noise.RESPONSE
    wanted[5] = np.nan
    np.testing.assert_allclose(out, wanted, rtol=1e-4)
    np.testing.assert_allclose(light, 0.1, atol=0.01)


@pytest.mark.parametrize(
    ("kernel", "most"),
    [("none", 1.25), ("resample bilinear", 1.25), ("resample lanczos", 1.25), ("demosaic bilinear", 1.9)],
)
def test_noise_that_hangs_together_tells_its_strength_nearly_as_well_as_noise_that_does_not(kernel, most):
    """Of n independent values with the standard deviation s the error of ln(s) is sqrt(1 / 2n), and no less."""
    planes = np.ascontiguousarray(grain((400, 900, 3), Grain(kernel), np.random.default_rng(3)).transpose(2, 0, 1))
    taps = np.stack([row_noise.expectation(plane) for plane in planes])
    assert taps.sum(axis=1) == pytest.approx(1, abs=1e-5)
    out, light = np.empty((2, 398, 3), np.float32)
    bad = np.zeros((398, 892), np.uint8)
    row_noise.row_noise(planes, taps, row_noise.noise_limits(planes, taps), bad, out, light)
    least = np.sqrt(1 / (2 * 892))
    assert out.std(axis=0).mean() < most * least, "a mosaic records a color in a quarter or half of the pixels only"


def test_the_largest_rectangle_is_that_of_a_plain_search(rng):
    for _ in range(25):
        mask = rng.random((7, 9)) > 0.3
        y0, x0, y1, x1 = largest_rectangle(mask)
        assert mask[y0:y1, x0:x1].all()
        best = max(
            (b - a) * (d - c)
            for a in range(8)
            for b in range(a, 8)
            for c in range(10)
            for d in range(c, 10)
            if mask[a:b, c:d].all()
        )
        assert (y1 - y0) * (x1 - x0) == best


@pytest.mark.parametrize("shape", [(1, 1, 1), (3, 1, 60), (1, 60, 1), (3, 20, 20)])
def test_tiny_and_constant_frames_have_no_borders_to_cut(shape):
    assert find_borders(np.full(shape, 0.2, np.float32)) == Borders(0, 0, 0, 0)


def test_a_frame_that_is_nowhere_covered_has_no_borders():
    assert find_borders(np.ones((1, 50, 50), np.float32), np.zeros((50, 50), np.uint8)) == Borders(0, 0, 0, 0)


def test_clipped_pixels_are_counted_once_whatever_channels_clip(rng):
    planes = noisy(rng, (3, 100, 200))
    planes[0, 10, 10:20] = 1.0
    planes[2, 10, 15:25] = 1.0
    assert clipped_fraction(planes) == pytest.approx(15 / 20000)
    coverage = np.full((100, 200), 255, np.uint8)
    coverage[10, 10:20] = 0
    assert clipped_fraction(planes, coverage) == pytest.approx(5 / 19990)

"""Frames are counted as their rectangles say, and borders enclose the full-coverage area."""

import numpy as np
import pytest

from workbench.simulate.framing import Borders, Placements, count_frames, full_borders, place_frames
from workbench.simulate.scene import Frames


def test_counting_agrees_with_testing_every_pixel_against_every_frame(rng):
    shape, n = (60, 91), 40
    places = Placements(rng.uniform(-9, 9, n), rng.uniform(-9, 9, n), rng.uniform(-0.05, 0.05, n))
    row, col = np.mgrid[: shape[0], : shape[1]]
    expected = np.zeros(shape, int)
    for dx, dy, a in zip(*places, strict=True):
        t, v = col - 45 - dx, row - 29.5 - dy
        along, down = np.cos(a) * t + np.sin(a) * v, -np.sin(a) * t + np.cos(a) * v
        expected += (abs(along) <= 45) & (abs(down) <= 29.5)
    np.testing.assert_array_equal(count_frames(places, shape), expected)


def test_without_motion_every_frame_counts_everywhere():
    frames = Frames(count=12, sessions=3, session_px=0, session_deg=0, dither_px=0)
    places = place_frames(frames, np.random.default_rng(1))
    counts = count_frames(places, (40, 50))
    assert (counts == 12).all()
    assert full_borders(counts, 12) == Borders(0, 0, 0, 0)


def test_a_plain_shift_gives_its_own_borders():
    n = 30
    dx = np.where(np.arange(n) < 10, 7.0, 0.0)  # a third of the frames misses seven columns on the left
    dy = np.where(np.arange(n) < 10, -4.0, 0.0)  # and four rows at the bottom
    counts = count_frames(Placements(dx, dy, np.zeros(n)), (80, 90))
    assert full_borders(counts, n) == Borders(top=0, right=0, bottom=4, left=7)


def test_borders_enclose_the_largest_rectangle(rng):
    counts = (rng.random((9, 11)) < 0.8).astype(np.uint16) * 10
    b = full_borders(counts, 10)
    area = (9 - b.top - b.bottom) * (11 - b.left - b.right)
    assert (counts[b.top : 9 - b.bottom, b.left : 11 - b.right] == 10).all()
    best = max(
        (y1 - y0) * (x1 - x0)
        for y0 in range(9) for y1 in range(y0 + 1, 10) for x0 in range(11) for x1 in range(x0 + 1, 12)
        if (counts[y0:y1, x0:x1] == 10).all()
    )  # fmt: skip
    assert area == best


def test_nights_differ_more_than_frames_of_a_night():
    places = place_frames(Frames(count=90, sessions=3, session_px=30, dither_px=2), np.random.default_rng(4))
    nights = places.dx.reshape(3, 30)
    assert np.ptp(nights, axis=1).max() <= 4.0
    assert np.ptp(nights.mean(axis=1)) > 4.0
    assert places.angle.mean() == pytest.approx(0.0, abs=1e-12)

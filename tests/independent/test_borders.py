"""Borders of stacks that `workbench.simulate` did not make: dithers, turns and nights, steep glows, filled margins."""

import numpy as np
import pytest

import workbench as wb
from independent.camera import Frames, borders_of, coverage_of
from independent.light import GLOWS, glow
from workbench.measure.borders import find_borders
from workbench.measure.stars import find_stars

SHAPE = (600, 900)


def recorded(seed, shape, frames, height, photon):
    """A sky (H, W, C) with a glow, stars and noise correlated by a blur, and the share of the frames, also by side."""
    rng = np.random.default_rng([seed, 31])
    surface = glow(GLOWS[seed % len(GLOWS)], shape, 3, rng)
    sky = 0.05 * rng.uniform(0.6, 1.3, 3)
    light = sky * (1 + height * surface)
    y, x = rng.integers(4, shape[0] - 4, 200), rng.integers(4, shape[1] - 4, 200)
    for i, j in zip(y, x, strict=True):
        spot = np.exp(-0.5 * np.add.outer(np.arange(-4, 5) ** 2, np.arange(-4, 5) ** 2) / 1.2**2)
        light[i - 4 : i + 5, j - 4 : j + 5] += 0.01 * rng.random() ** -1.2 * spot[..., None]
    light = np.minimum(light, 1)
    coverage, sides = coverage_of(shape, frames, rng)
    floor = rng.uniform(0.005, 0.02) * sky
    variance = floor**2 * ((1 - photon) + photon * light / sky)
    white = rng.standard_normal((shape[0] + 2, shape[1] + 2, 3))
    share = rng.choice([0.0, 0.15, 0.3])  # of a neighbor, as demosaicing and alignment leave
    noise = white[1:-1, 1:-1] + share * (white[:-2, 1:-1] + white[2:, 1:-1] + white[1:-1, :-2] + white[1:-1, 2:])
    noise *= np.sqrt(variance / np.maximum(coverage, 1e-3)[..., None]) / noise.std()
    return (light + noise).astype(np.float32), coverage, sides


@pytest.mark.parametrize("start", [0, 25, 50, 75])
def test_no_border_is_seen_under_a_glow_of_any_shape_and_height(start):
    for seed in range(start, start + 25):
        height = np.random.default_rng(seed).uniform(0.03, 2.0)
        pixels, _, _ = recorded(seed, (400, 600), None, height, photon=1.0)
        b = find_borders(np.ascontiguousarray(np.moveaxis(pixels, 2, 0)))
        assert max(b.top, b.right, b.bottom, b.left) <= 2, (seed, height, b)


@pytest.mark.parametrize("nights", [1, 2, 4, 6])
def test_what_is_left_was_recorded_by_nearly_all_frames_and_not_much_more_is_cut(nights):
    lost, wide, off = [], [], []
    for seed in range(4):
        rng = np.random.default_rng([seed, nights])
        frames = Frames(
            nights=nights,
            per_night=max(60 // nights, 10),
            dither=float(rng.uniform(1, 10)),
            turn=float(rng.choice([0.0, rng.uniform(0, 2)])),
            fill="zero",
        )
        pixels, coverage, sides = recorded(
            seed + 100 * nights, SHAPE, frames, float(rng.uniform(0.05, 1.0)), photon=0.7
        )
        stack = wb.Stack.from_array(pixels)
        b = find_borders(np.ascontiguousarray(stack.planes), stack.coverage)
        inside = coverage[b.top : SHAPE[0] - b.bottom, b.left : SHAPE[1] - b.right]
        lost.append(np.mean(inside < 0.8))
        off.extend(np.subtract((b.top, b.right, b.bottom, b.left), borders_of(sides)))
        # Cut beyond: whole rows or columns next to the crop that all but a few per cent of the frames recorded.
        beside = (
            coverage[max(b.top - 5, 0), b.left : SHAPE[1] - b.right].min() if b.top >= 5 else 0,
            coverage[SHAPE[0] - b.bottom + 4, b.left : SHAPE[1] - b.right].min() if b.bottom >= 5 else 0,
            coverage[b.top : SHAPE[0] - b.bottom, b.left - 5].min() if b.left >= 5 else 0,
            coverage[b.top : SHAPE[0] - b.bottom, SHAPE[1] - b.right + 4].min() if b.right >= 5 else 0,
        )
        wide += [share > 0.95 for share in beside]
    assert max(lost) < 0.004
    assert np.mean(wide) <= 0.15
    assert np.mean(np.abs(off) <= 2) >= 0.65  # 84 % of all; 16 sides are here
    assert np.mean(np.abs(off) <= 4) >= 0.85


@pytest.mark.parametrize("fill", [0.0, np.nan, 0.02])
def test_filled_margins_are_uncovered_for_every_measurement_without_a_crop(fill):
    pixels, _, _ = recorded(3, (400, 600), None, 0.3, photon=0.7)
    inner = np.ascontiguousarray(pixels[11:-18, 23:-9])
    filled = np.full_like(pixels, fill)
    filled[11:-18, 23:-9] = inner
    stack, bare = wb.Stack.from_array(filled), wb.Stack.from_array(inner)
    outside = np.ones(filled.shape[:2], bool)
    outside[11:-18, 23:-9] = False
    np.testing.assert_array_equal(stack.coverage == 0, outside)
    found, wanted = wb.check(stack), wb.check(bare)
    assert found.sky == pytest.approx(wanted.sky, rel=2e-3)
    assert found.noise == pytest.approx(wanted.noise, rel=0.05)
    assert found.gradient.share == pytest.approx(wanted.gradient.share, rel=0.1)
    assert found.black_fraction == pytest.approx(wanted.black_fraction, abs=1e-5)
    stars = find_stars(stack.planes, stack.coverage)
    assert len(stars) == pytest.approx(len(find_stars(bare.planes)), rel=0.1)


def test_the_black_mask_around_an_all_sky_image_is_uncovered_and_said():
    pixels, _, _ = recorded(5, (500, 600), None, 0.5, photon=0.7)
    y, x = np.mgrid[:500, :600]
    mask = np.hypot(y - 249.5, x - 299.5) > 230
    pixels[mask] = 0
    stack = wb.Stack.from_array(pixels)
    np.testing.assert_array_equal(stack.coverage == 0, mask)
    assert any("covered by no frame" in remark for remark in stack.source.remarks)
    sky = wb.check(stack).sky
    inside = np.median(pixels[~mask], axis=0)
    assert sky == pytest.approx(inside, rel=0.15)

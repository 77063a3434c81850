"""Changing lightness with hue kept: kernels against their plain forms, and Oklab's own account of what they did."""

import numpy as np
import pytest

from workbench.operations import _lightness as kernels
from workbench.operations.colorspace import linear_to_oklab, srgb_decode


@pytest.fixture(scope="module")
def colors():
    src = np.random.default_rng(3).random((3, 60, 71)).astype(np.float32)
    src[:, 0, :9], src[:, 1, :9] = 0, 1
    return src


def shades(src):
    out = np.empty(src.shape[1:], np.float32)
    kernels.shade(src, out)
    return out


def relit(src, old, new):
    out = np.empty_like(src)
    kernels.relight(src, old, np.asarray(new, np.float32), out)
    return out


def oklab(code):
    return linear_to_oklab(srgb_decode(np.asarray(code, np.float64)))


@pytest.mark.parametrize("channels", [1, 3])
def test_shades_agree_with_their_plain_form(colors, channels):
    src = colors[:channels]
    assert np.abs(shades(src) - kernels.shade_reference(src)).max() < 2e-6


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("power", [0.4, 1.6])
def test_relighting_agrees_with_its_plain_form(colors, channels, power):
    src = colors[:channels]
    old = shades(src)
    new = (old**power).astype(np.float32)
    error = np.abs(relit(src, old, new) - kernels.relight_reference(src, old, new))
    assert error.max() < 1e-3  # at the edge of the range the last halving may fall to either side
    assert np.quantile(error, 0.98) < 1e-5


def test_a_table_is_read_like_numpy_reads_it(colors):
    table = (np.linspace(0, 1, 65) ** 0.5).astype(np.float32)
    out = np.empty_like(colors[0])
    kernels.through_table(colors[0], table, out)
    assert np.abs(out - kernels.through_table_reference(colors[0], table)).max() < 1e-6


@pytest.mark.parametrize("power", [0.4, 1.6])
def test_lightness_is_as_wanted_and_hue_stays_in_range_and_at_its_edge(colors, power):
    old = shades(colors)
    new = (old**power).astype(np.float32)
    before, after = oklab(colors), oklab(relit(colors, old, new))
    known = (new > 0.05) & (np.hypot(*after[1:]) > 0.01)
    turned = np.angle((after[1] + 1j * after[2])[known] / (before[1] + 1j * before[2])[known], deg=True)
    assert np.abs(turned).max() < 0.05
    assert np.abs(after[0] - np.cbrt(srgb_decode(new.astype(np.float64)))).max() < 2e-4


def test_a_pixel_whose_shade_stays_is_not_touched(colors):
    old = shades(colors)
    new = old.copy()
    new[::2] = np.minimum(new[::2] + 0.1, 1)
    new[::2, ::3] = old[::2, ::3]
    out = relit(colors, old, new)
    stays = new == old
    np.testing.assert_array_equal(out[:, stays], colors[:, stays])
    assert (out[:, ~stays] != colors[:, ~stays]).any(axis=0).all()


def test_lifted_black_becomes_gray():
    black = np.zeros((3, 1, 4), np.float32)
    out = relit(black, shades(black), np.full((1, 4), 0.25))
    np.testing.assert_allclose(out, 0.25, atol=1e-4)


@pytest.mark.parametrize(("knee", "top", "detail"), [(0.5, 0.7, 1.0), (0.2, 0.3, 0.0), (0.6, 0.95, 0.5)])
def test_opening_highlights_agrees_with_its_plain_form(knee, top, detail):
    rng = np.random.default_rng(4)
    values, base = rng.random((2, 50, 60)).astype(np.float32)
    out = np.empty_like(values)
    kernels.open_highlights(values, base, *(np.float32(v) for v in (knee, top, detail)), out)
    assert np.abs(out - kernels.open_highlights_reference(values, base, knee, top, detail)).max() < 3e-6

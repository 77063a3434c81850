"""A fingerprint keeps distances, place by place, and says how far two frames are apart."""

import numpy as np
import pytest
from scipy import stats

from workbench.engine.fingerprint import COARSE, SIDE, Fingerprint, block_sums, block_sums_reference
from workbench.engine.tiles import tile_rects
from workbench.engine.trace import Trace
from workbench.operations.base import Geometry


@pytest.fixture
def frame(rng):
    return rng.normal(0.3, 0.1, (3, 300, 420)).astype(np.float32)


@pytest.mark.parametrize("shape", [(3, 217, 331), (1, 64, 64), (3, 1, 1), (1, 5, 700)])
@pytest.mark.parametrize("place", [(0, 0), (512, 1024)])
def test_the_kernel_equals_its_reference(shape, place, rng):
    tile = rng.normal(0.1, 0.2, shape).astype(np.float32)
    np.testing.assert_allclose(block_sums(tile, *place), block_sums_reference(tile, *place), rtol=0, atol=1e-4)


def test_the_order_of_tiles_does_not_matter_and_tiles_make_the_whole(frame):
    big = np.tile(frame, (1, 3, 3))
    _, height, width = big.shape
    whole = Fingerprint.of(big)
    rects = tile_rects(height, width, 512)
    for order in (rects, rects[::-1]):
        trace = Trace(Geometry(height, width, 3))
        for r in order:
            trace.see(r, np.ascontiguousarray(big[:, r.y0 : r.y1, r.x0 : r.x1]), 0.0)
        assert trace.fingerprint().encoded() == whole.encoded()
        assert trace.fingerprint(COARSE).encoded() == Fingerprint.of(big, COARSE).encoded()


def test_it_survives_its_text(frame):
    kept = Fingerprint.of(frame)
    back = Fingerprint.decoded(kept.encoded(), (300, 420, 3))
    np.testing.assert_array_equal(back.values, kept.values)
    for text, shape in ((kept.encoded(), (300, 421 + SIDE, 3)), (kept.encoded()[:-4], (300, 420, 3)), ("?", (9, 9, 1))):
        with pytest.raises(ValueError, match=r"base64|number of squares"):
            Fingerprint.decoded(text, shape)


def test_projections_keep_distances(rng):
    """Johnson & Lindenstrauss 1984: the mean of squared projections is the squared distance; with four, chi2 of 4."""
    noise = rng.normal(0, 1e-3, (1, 40 * SIDE, 40 * SIDE)).astype(np.float32)
    values = Fingerprint.of(noise).values.astype(float)
    share = (values[..., 1:] ** 2).sum(axis=-1).ravel() / 1e-6
    assert stats.kstest(share, stats.chi2(4).cdf).pvalue > 0.001
    np.testing.assert_allclose(np.corrcoef(values[..., 1:].reshape(-1, 4).T), np.eye(4), atol=0.1)


def test_one_changed_pixel_is_always_seen(rng):
    """Weights are at least 0.48, so a pixel changed by 134 T changes the estimate by more than T."""
    base = np.zeros((1, SIDE, 5 * SIDE), np.float32)
    for _ in range(300):
        one = base.copy()
        y, x = rng.integers(SIDE), rng.integers(5 * SIDE)
        one[0, y, x] = 134.0
        gap = Fingerprint.of(base).gap(Fingerprint.of(one))
        assert gap.size >= 1
        assert (gap.y, gap.x) == (0, x // SIDE * SIDE)


def test_chance_of_missing_a_change_is_as_said(rng):
    """Projections of a normal change are normal, so that their mean square is chi2 of 4 over 4."""
    missed = 0
    many, r = 4000, 4.0
    for _ in range(many // 100):
        change = rng.normal(0, r, (1, 10 * SIDE, 10 * SIDE)).astype(np.float32)
        estimate = np.sqrt((Fingerprint.of(change).values[..., 1:] ** 2).mean(axis=-1))
        missed += int((estimate < 1).sum())
    expected = stats.chi2(4).cdf(4 / r**2)
    assert expected == pytest.approx(2 / r**4, rel=0.1)
    assert missed <= stats.binom(many, expected).ppf(0.9999)


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_values_that_are_no_numbers_never_agree(frame, value):
    broken = frame.copy()
    broken[1, 70, 70] = value
    gap = Fingerprint.of(broken).gap(Fingerprint.of(broken))
    assert gap == (np.inf, SIDE, SIDE)

"""A crowded frame without the neighbors of chosen stars, drawn by GalSim with another profile than the fitted one."""

import numpy as np
import pytest
from independent.optics import Optics, stamp_stars

from workbench.measure.blocks import as_planes
from workbench.measure.stars.neighbors import without_neighbors

SHAPE = (200, 300)
SKY, NOISE = 0.05, 0.002
NOTHING_HIDDEN = np.zeros((0, 0), np.uint8)


@pytest.fixture(scope="module")
def crowd():
    """Places, light, and a frame with a star for every 80 pixels, 20 of which are to stay."""
    rng = np.random.default_rng(1)
    x, y = (np.round(rng.uniform(0, side - 1, 750) * 5) / 5 for side in SHAPE[::-1])
    light = 10 ** rng.uniform(-0.1, 1.5, 750)[:, None] * np.array([0.6, 1.0, 0.8])
    optics = Optics((2.7, 2.5, 2.9))
    noise = NOISE * rng.standard_normal((*SHAPE, 3))

    def drawn(which):
        frame = stamp_stars(SHAPE, x[which], y[which], light[which], optics, 1e-5) + SKY + noise
        return as_planes(np.ascontiguousarray(np.moveaxis(frame, 2, 0)))

    stays = np.arange(750) < 20
    return x, y, stays, drawn(stays | True), drawn(stays)


def test_what_is_left_is_the_frame_that_the_neighbors_were_never_in(crowd):
    x, y, stays, crowded, alone = crowd
    left, covered = without_neighbors(crowded, NOTHING_HIDDEN, x, y, stays, fwhm=3.2, saturation=5.0)
    assert covered.all()
    was, now = (np.std(frame - alone, axis=(1, 2)) for frame in (crowded, left))
    # A profile of Kolmogorov's kind through a lens is no Moffat of index 3: a few percent of the light stay.
    assert (now < 0.06 * was).all()
    # The sky has its level again, which the crowd lifts by a fifth and more.
    assert (np.median(crowded, axis=(1, 2)) > 1.15 * SKY).all()
    np.testing.assert_allclose(np.median(left, axis=(1, 2)), np.median(alone, axis=(1, 2)), rtol=0.05)


def test_saturated_cores_are_left_uncovered_and_their_halos_are_taken_off(crowd):
    x, y, stays, crowded, alone = crowd
    left, covered = without_neighbors(np.minimum(crowded, 0.6), NOTHING_HIDDEN, x, y, stays, fwhm=3.2, saturation=0.55)
    hidden = (crowded >= 0.55).any(axis=0)
    assert hidden.any()
    assert not covered[hidden].any()
    assert 0.8 < covered.mean() < 1
    was, now = (np.std((frame - alone)[:, covered > 0], axis=1) for frame in (crowded, left))
    assert (now < 0.15 * was).all()


def test_what_means_nothing_has_no_say(crowd):
    x, y, stays, crowded, _ = crowd
    coverage = np.ones(SHAPE, np.uint8)
    coverage[:, :90] = 0
    spoilt = crowded.copy()
    spoilt[:, :, :90] = 0.9
    left, covered = without_neighbors(spoilt, coverage, x, y, stays, fwhm=3.2, saturation=5.0)
    whole, _ = without_neighbors(crowded, NOTHING_HIDDEN, x, y, stays, fwhm=3.2, saturation=5.0)
    np.testing.assert_array_equal(covered, coverage)
    np.testing.assert_allclose(left[:, :, 110:], whole[:, :, 110:], atol=0.01)

"""Stars have the stated counts, magnitudes and colors."""

import numpy as np
import pytest

from workbench.simulate import SCENES
from workbench.simulate.scene import StarCluster
from workbench.simulate.starfield import cluster_stars, field_stars, magnitudes


def test_counts_grow_with_magnitude_at_the_stated_slope(rng):
    mag = magnitudes(rng, 200_000, 0.34, 5.0, 16.5)
    assert mag.min() >= 5.0
    assert mag.max() <= 16.5
    edges = np.arange(11.0, 16.6, 0.5)
    count, _ = np.histogram(mag, edges)
    slope = np.polyfit(edges[:-1], np.log10(count), 1, w=np.sqrt(count))[0]
    assert slope == pytest.approx(0.34, abs=0.01)


def test_a_field_has_its_stars_per_megapixel_evenly_spread(rng):
    stars = field_stars(SCENES["hayfield_stars"], (1000, 2000), rng)
    assert len(stars.x) == pytest.approx(7000, rel=0.05)
    left, top = np.mean(stars.x < 999.5), np.mean(stars.y < 499.5)
    assert left == pytest.approx(0.5, abs=0.03)
    assert top == pytest.approx(0.5, abs=0.03)
    assert np.median(stars.temperature_k) == pytest.approx(5772, rel=0.02)
    assert stars.temperature_k.min() >= 3000
    assert stars.temperature_k.max() > 9000


def test_half_of_a_cluster_lies_within_its_core():
    cluster = StarCluster(core=0.05, members=4000, seed=3)
    stars = cluster_stars(cluster, (1000, 1000))
    r = np.hypot(stars.x - 499.5, stars.y - 499.5) / 1000
    assert np.mean(r < 0.05) == pytest.approx(0.5 / 0.93, abs=0.03)
    assert stars.temperature_k[0] > stars.temperature_k[-1]

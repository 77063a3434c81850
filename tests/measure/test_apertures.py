"""Light in apertures against known stars, sep, and the scatter of noise."""

import numpy as np
import pytest
import sep

from workbench.measure.stars.apertures import aperture_light

RADIUS, RING = 9.3, 5.0


def grid(shape, step=40):
    y, x = (at.ravel().astype(float) for at in np.mgrid[20 : shape[0] - 19 : step, 20 : shape[1] - 19 : step])
    return x, y


def test_light_is_that_of_the_stars_whatever_the_sky(rng):
    shape = (121, 161)
    x, y = grid(shape)
    x, y = x + rng.uniform(-0.5, 0.5, x.size), y + rng.uniform(-0.5, 0.5, y.size)
    truth = rng.uniform(1, 50, (x.size, 3))
    rows, columns = np.indices(shape)
    planes = np.empty((3, *shape), np.float32)
    for c, sky in enumerate((0.02, 0.1, 0.5)):
        stars = sum(
            f * np.exp(-0.5 * ((rows - v) ** 2 + (columns - u) ** 2) / 1.6**2)
            for u, v, f in zip(x, y, truth[:, c], strict=True)
        )
        planes[c] = sky + stars / (2 * np.pi * 1.6**2)
    found = aperture_light(planes, x, y, radius=RADIUS, ring=RING)
    np.testing.assert_allclose(found.light, truth, rtol=1e-4)
    # Barbary 2016, JOSS 1, 58: sums by the share of each pixel that lies inside, sky from the mean of the ring.
    theirs = [sep.sum_circle(p, x, y, RADIUS, bkgann=(RADIUS, RADIUS + RING), subpix=0)[0] for p in planes]
    np.testing.assert_allclose(found.light, np.transpose(theirs), rtol=1e-3)


def test_the_error_is_the_scatter_of_empty_apertures(rng):
    shape = (1000, 1000)
    x, y = grid(shape)
    noise = rng.normal(0, 0.01, (1, *shape)).astype(np.float32)
    found = aperture_light(noise, x, y, radius=RADIUS, ring=RING)
    assert np.median(found.error) == pytest.approx(found.light.std(), rel=0.1)
    assert abs(found.light.mean()) < 4 * np.median(found.error) / np.sqrt(x.size)

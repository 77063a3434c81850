"""Stars of the field and of clusters: places, magnitudes, temperatures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.simulate.scene import Scene, StarCluster

__all__ = ["Catalogue", "cluster_stars", "field_stars", "magnitudes", "zero_point"]

Table = NDArray[np.float64]

#: Photons per second and cm^2 from a star of magnitude 0 in a V-like band: about 1000 per angstrom over 880 angstrom
#: (common practice).
_PHOTONS_MAG_0 = 8.8e5


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Stars before they meet dust and lens: pixels, magnitudes (green) and temperatures; arrays (n,)."""

    x: Table
    y: Table
    magnitude: Table
    temperature_k: Table

    def __add__(self, other: Catalogue) -> Catalogue:
        """Put two lists together."""
        pairs = [(getattr(self, n), getattr(other, n)) for n in ("x", "y", "magnitude", "temperature_k")]
        return Catalogue(*(np.concatenate(p) for p in pairs))


def zero_point(scene: Scene) -> float:
    """Green light that one frame collects from a star of magnitude 0, in white levels (sum over its pixels).

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    float
    """
    diameter_cm = scene.focal_length_mm / scene.f_number / 10.0
    area = np.pi / 4.0 * diameter_cm**2
    electrons = _PHOTONS_MAG_0 * area * scene.camera.throughput * scene.frames.exposure_s
    return float(electrons / scene.camera.full_well_e)


def magnitudes(rng: np.random.Generator, n: int, slope: float, brightest: float, faintest: float) -> Table:
    """``n`` magnitudes with N(< m) growing as 10^(slope m) between two limits.

    Parameters
    ----------
    rng : numpy.random.Generator
    n : int
    slope : float
    brightest, faintest : float
        In magnitudes.

    Returns
    -------
    ndarray, shape (n,)
    """
    low, high = 10.0 ** (slope * brightest), 10.0 ** (slope * faintest)
    return np.asarray(np.log10(low + rng.random(n) * (high - low)) / slope)


def field_stars(scene: Scene, shape: tuple[int, int], rng: np.random.Generator) -> Catalogue:
    """Field stars, evenly spread; temperatures normal in 10^6 / T about the white reference.

    Parameters
    ----------
    scene : Scene
    shape : tuple of (int, int)
        Of the frame, in pixels.
    rng : numpy.random.Generator

    Returns
    -------
    Catalogue
    """
    s = scene.stars
    height, width = shape
    n = int(rng.poisson(s.per_megapixel * height * width * 1e-6))
    x, y = rng.uniform(-0.5, width - 0.5, n), rng.uniform(-0.5, height - 0.5, n)
    mired = np.clip(1e6 / s.white_k + s.spread * rng.standard_normal(n), 45.0, 330.0)
    return Catalogue(x, y, magnitudes(rng, n, s.slope, s.brightest, s.faintest), 1e6 / mired)


def cluster_stars(cluster: StarCluster, shape: tuple[int, int]) -> Catalogue:
    """Members of a cluster: places by a Plummer profile, brighter means hotter, but for a few cool giants.

    Parameters
    ----------
    cluster : StarCluster
    shape : tuple of (int, int)
        Of the frame, in pixels.

    Returns
    -------
    Catalogue
    """
    rng = np.random.default_rng(cluster.seed)
    n, side = cluster.members, max(shape)
    share = rng.random(n) * 0.93
    radius = cluster.core * side * np.sqrt(share / (1.0 - share))  # projected Plummer: M(<r) = r^2 / (r^2 + a^2)
    angle = rng.uniform(0.0, 2.0 * np.pi, n)
    x = cluster.at[0] * shape[1] - 0.5 + radius * np.cos(angle)
    y = cluster.at[1] * shape[0] - 0.5 + radius * np.sin(angle)
    mag = np.sort(magnitudes(rng, n, cluster.slope, cluster.brightest, cluster.faintest))
    along = (mag - cluster.brightest) / (cluster.faintest - cluster.brightest)
    temperature = cluster.hottest_k * (4200.0 / cluster.hottest_k) ** np.clip(along, 0.0, 1.0)
    temperature *= np.exp(0.06 * rng.standard_normal(n))
    giant = (rng.random(n) < cluster.giants) & (np.arange(n) < max(1, n // 3))
    temperature[giant] = rng.uniform(3700.0, 4700.0, int(giant.sum()))
    inside = (x > -0.5) & (x < shape[1] - 0.5) & (y > -0.5) & (y < shape[0] - 0.5)
    return Catalogue(x[inside], y[inside], mag[inside], temperature[inside])

"""Smoothing between edges against the guided filter's definition, box by box."""

import numpy as np

from workbench.operations._guided import smoothed_between_edges


def by_definition(plane, radius, contrast):
    """He, Sun & Tang 2010, equations 5, 6 and 8, with the image as its own guide, in plain loops."""
    height, width = plane.shape
    wide = np.pad(plane.astype(np.float64), 2 * radius, mode="reflect")
    side = 2 * radius + 1
    a, b = (np.zeros((height + 2 * radius, width + 2 * radius)) for _ in range(2))
    for i, j in np.ndindex(a.shape):
        window = wide[i : i + side, j : j + side]
        a[i, j] = window.var() / (window.var() + contrast**2)
        b[i, j] = (1 - a[i, j]) * window.mean()
    out = np.zeros(plane.shape)
    for i, j in np.ndindex(plane.shape):
        out[i, j] = a[i : i + side, j : j + side].mean() * plane[i, j] + b[i : i + side, j : j + side].mean()
    return out


def test_inside_it_is_the_guided_filter():
    rng = np.random.default_rng(3)
    plane = (0.5 + 0.3 * (np.arange(40) > 20) + rng.normal(0, 0.05, (34, 40))).astype(np.float32)
    ours = smoothed_between_edges(plane, 3, 0.1)
    inner = slice(6, -6), slice(6, -6)
    assert np.abs(ours - by_definition(plane, 3, 0.1))[inner].max() < 2e-5


def test_what_is_fainter_goes_and_an_edge_stays():
    rng = np.random.default_rng(3)
    step = np.where(np.arange(120) > 60, 0.9, 0.1)[None, :] * np.ones((80, 1))
    out = smoothed_between_edges((step + rng.normal(0, 0.02, step.shape)).astype(np.float32), 8, 0.1)
    assert np.abs(out - step)[20:60, 30:90].max() < 0.1
    assert (out - step)[20:60, 5:40].std() < 0.004

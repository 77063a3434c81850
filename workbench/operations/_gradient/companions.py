"""Light that lies over the sky samples yet is not sky: what has a color the glow lacks, and halos of bright objects.

A smooth surface would take them for sky. So they are recognised, and left in the picture.

* Odd color. Glow is a mixture of few colors of light (lamps, Moon), so its variation over the frame leaves one
  direction of color space nearly empty: some weighted sum of the channels hardly varies with the glow. What that sum
  shows is nebulosity, at every scale, even where it is as smooth as the glow.
* Halos. A bright object fades outward far beyond where it stands out; its own light, spread widely, has the shape of
  that fading, in its own color. One strength for each width, never negative, shared by the channels.
* Third color. What the surface itself still shows in that nearly empty direction is the error that objects made in
  it, and an error there comes with a known one in the other channels.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.optimize import nnls

from workbench.operations._gradient.fit import Samples, darker_side_sigma, likeness

__all__ = ["companion_light", "halos", "odd_color", "third_color"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Widths of halos as shares of the mean side of the frame.
HALO_WIDTHS = (0.04, 0.08, 0.16)
#: How far above the sky, in deviations of the samples, an object must rise to be given a halo.
HALO_FROM = 30.0
#: Halos that hold this many times the light of their objects are none: the "objects" are glow that a surface missed.
_HALO_MOST = 3.0
#: The emptiest direction of color must hold less than this share of the glow's variation.
_EMPTY = 0.2
#: Colors are judged only where neighboring sky samples are this much alike beside the surface: elsewhere nothing but
#: noise is left, and a third color is the glow's own (lamps of several kinds, airglow).
_DISTURBED = 0.15
#: Error may hold at most this share of a channel's variation; a third color above it is the glow's own.
_MOST_THIRD = 0.12
#: The glow must vary by this many deviations of the samples before its colors mean anything.
_VARIES = 1.0


def _blurred(plane: F64, sigma: float) -> F64:
    """Gaussian blur with zero outside, cut at three sigma."""
    size = 2 * int(3 * sigma + 0.5) + 1
    return np.asarray(cv2.GaussianBlur(plane, (size, size), sigma, borderType=cv2.BORDER_CONSTANT))


def odd_color(samples: Samples, model: F64, sigma: F64, used: Mask) -> F64 | None:
    """The weighted sum of channels in which the glow varies least: (N,), about -1..1, or None.

    Parameters
    ----------
    model : ndarray, shape (N, C)
        Glow fitted so far.
    sigma : ndarray, shape (C,)
        Deviation of sky samples about it.
    """
    if model.shape[1] < 3:
        return None
    _, strength, directions = np.linalg.svd((model - model.mean(axis=0)) / sigma, full_matrices=False)
    if strength[0] < _VARIES * np.sqrt(len(model)) or strength[-1] > _EMPTY * strength[0]:
        return None
    m = samples.value @ (directions[-1] / sigma)
    m -= np.median(m[used])
    n = samples.cells
    shown = samples.open[:n].reshape(samples.grid).astype(np.float64)
    grid = _blurred(m[:n].reshape(samples.grid) * shown, 1.0) / np.maximum(_blurred(shown, 1.0), 1e-6)
    m[:n] = (grid * shown).ravel()
    top = float(np.abs(m).max())
    return m / top if top > 0 else None


def halos(samples: Samples, residual: F64, sigma: F64, used: Mask) -> F64:
    """Halos of bright objects, (N, C, widths): their light above the sky, spread. May hold no width at all."""
    n, channels = samples.cells, residual.shape[1]
    bright = ~used[:n] & samples.open[:n] & ((residual[:n] / sigma).mean(axis=1) > HALO_FROM)
    if not bright.any():
        return np.empty((len(residual), channels, 0))
    side = float(np.sqrt(n))
    out = np.zeros((len(residual), channels, len(HALO_WIDTHS)))
    for c in range(channels):
        light = np.where(bright, np.maximum(residual[:n, c], 0.0), 0.0).reshape(samples.grid)
        for k, width in enumerate(HALO_WIDTHS):
            out[:n, c, k] = _blurred(light, max(1.0, width * side)).ravel()
    return out


def third_color(model: F64, residual: F64) -> F64:
    """Part of a fitted glow to take away so that it varies in two colors only: (N, C); zero where it needs three.

    Errors of the fit have the colors of the light that disturbs it. Measured in units of those errors, the direction
    of color space in which the glow varies least holds hardly anything but error; the errors of the channels go
    together, so what is seen there tells the likely error everywhere (regression of reduced rank, Izenman 1975).

    Parameters
    ----------
    model : ndarray, shape (N, C)
        Fitted glow at all samples.
    residual : ndarray, shape (M, C)
        What the samples taken as sky show beside it.
    """
    nothing = np.zeros_like(model)
    if model.shape[1] < 3:
        return nothing
    shape = model - model.mean(axis=0)
    errors = residual.T @ residual / len(residual)
    errors[np.diag_indices_from(errors)] *= 1.0 + 1e-6
    if not np.diagonal(errors).min() > 0:
        return nothing
    varies, directions = eigh(shape.T @ shape / len(shape), errors)
    if varies[-1] < _VARIES**2:
        return nothing
    least = directions[:, 0]
    taken = np.outer(shape @ least, errors @ least / (least @ errors @ least))
    return taken if (taken.std(axis=0) <= _MOST_THIRD * shape.std(axis=0)).all() else nothing


def companion_light(samples: Samples, design: F64, root: F64, model: F64, used: Mask) -> F64:
    """Light beside the glow, as far as it is recognised: (N, C), to be taken from the samples before the last fit.

    Parameters
    ----------
    design : ndarray, shape (N, K)
        Basis of the glow.
    root : ndarray, shape (K, K)
        Root of the price matrix: the price of bending is ``|root @ coefficients|^2``.
    model : ndarray, shape (N, C)
        Glow fitted so far.
    used : ndarray, shape (N,), bool
    """
    residual = samples.value - model
    channels = residual.shape[1]
    sigma = np.array([darker_side_sigma(residual[used, c]) for c in range(channels)])
    nothing = np.zeros_like(residual)
    if used.sum() < 4 * design.shape[1] + 20 or not (sigma > 0).all():
        return nothing
    disturbed = likeness(samples, residual, used) > _DISTURBED
    odd = odd_color(samples, model, sigma, used) if disturbed else None
    beside = design if odd is None else np.column_stack([design, odd])
    paid = np.zeros((len(root), beside.shape[1]))
    paid[:, : design.shape[1]] = root
    rows = np.vstack([beside[used], paid])
    wide = halos(samples, residual, sigma, used)
    strength = _halo_strengths(rows, samples.value[used], wide[used], sigma)
    light = wide @ strength if strength.sum() <= _HALO_MOST else nothing
    unpaid = np.zeros((len(root), channels))
    if odd is not None:
        target = np.vstack([(samples.value - light)[used], unpaid])
        light = light + odd[:, None] * np.linalg.lstsq(rows, target, rcond=None)[0][-1]
    left = samples.value - light
    glow = design @ np.linalg.lstsq(rows[:, : design.shape[1]], np.vstack([left[used], unpaid]), rcond=None)[0]
    return light + third_color(glow, (left - glow)[used]) if disturbed else light


def _halo_strengths(rows: F64, value: F64, wide: F64, sigma: F64) -> F64:
    """Strength of each halo width, none negative, with everything in ``rows`` (N + K, ...) fitted beside it."""
    if wide.shape[2] == 0:
        return np.empty(0)
    q, _ = np.linalg.qr(rows)

    def beyond(y: F64) -> F64:
        padded = np.concatenate([y, np.zeros((len(rows) - len(y), *y.shape[1:]))])
        return np.asarray(padded - q @ (q.T @ padded))

    left = np.concatenate([beyond(wide[:, c]) / s for c, s in enumerate(sigma)])
    right = np.concatenate([beyond(value[:, c]) / s for c, s in enumerate(sigma)])
    scale = np.linalg.norm(left, axis=0)
    if not (scale > 0).all():
        return np.zeros(wide.shape[2])
    return np.asarray(nnls(left / scale, right)[0] / scale)

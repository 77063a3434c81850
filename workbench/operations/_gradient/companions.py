"""Light that lies over the sky samples yet is not sky: what has a color the glow lacks, and halos of bright objects.

A smooth surface would take them for sky. So they are recognised, and left in the picture.

* Color of its own. Glow is a mixture of few colors of light (lamps, Moon). An object whose faint parts have a color
  that such mixtures lack is seen by it at every scale, even where it is as smooth as the glow.
* Halos. A bright object fades outward far beyond where it stands out; its own light, spread widely, has the shape of
  that fading, in its own color. One strength for each width, never negative, shared by the channels.
* Third color. Where no such color tells: the direction of color space in which the fitted glow varies least shows the
  error that objects made in it, and an error there comes with a known one in the other channels.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.operations._gradient.fit import Samples, darker_side_sigma

if TYPE_CHECKING:
    from scipy import linalg, optimize
else:
    linalg, optimize = on_first_use("scipy.linalg"), on_first_use("scipy.optimize")

__all__ = ["companion_light", "halos", "own_color", "third_color"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Widths of halos as shares of the mean side of the frame.
HALO_WIDTHS = (0.04, 0.08, 0.16)
#: How far above the sky, in deviations of the samples, an object must rise to be given a halo.
HALO_FROM = 30.0
#: Halos that hold this many times the light of their objects are none: the "objects" are glow that a surface missed.
_HALO_MOST = 3.0
#: Samples from which the color of faint objects is read: so far above the sky, in deviations, and so many.
_FAINT = (2.0, 15.0)
_ENOUGH = 30
#: Weight of a sample brighter than the glow where its colors are found.
_ABOVE = 0.1
_ROUNDS = 30
#: Sine of the least angle between the objects' color and the plane of the glow's: below it the noise of the glow's
#: two shapes, which grows as its inverse, drowns what is sought. Seen: 0.2 to 0.37 for red gas, under 0.1 for dust.
_STANDS_OUT = 0.15
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


def own_color(value: F64, glow: F64, used: Mask, is_open: Mask) -> F64 | None:
    """Light of the color that faint objects have, wherever it is: (N, C), or None where that color does not tell.

    In the two sums of channels that are blind to the color, samples show glow alone. Glow varies in two colors only,
    so what it adds along the objects' color is a weighted sum of those two; the weights are found where samples are
    dark (by expectiles, for the objects' light is never negative). What exceeds it is the objects'.

    Parameters
    ----------
    value, glow : ndarray, shape (N, C)
        Samples, and the surface fitted to those used.
    used, is_open : ndarray, shape (N,), bool
    """
    unit = glow.std(axis=0)
    if value.shape[1] != 3 or not unit.min() > 0:
        return None
    beside = (value - glow) / unit
    height = (beside / beside[used].std(axis=0)).mean(axis=1)
    faint = is_open & ~used & (height > _FAINT[0]) & (height < _FAINT[1])
    if faint.sum() < _ENOUGH:
        return None
    color = np.median(beside[faint] / height[faint, None], axis=0)
    color /= np.linalg.norm(color)
    blind = np.linalg.svd(color[None])[2][1:].T
    shapes = glow / unit @ blind
    shapes -= shapes.mean(axis=0)
    along = value / unit @ color
    weights = _expectile(np.column_stack([np.ones(len(along)), shapes])[used], along[used])
    if 1.0 / np.hypot(1.0, np.linalg.norm(weights[1:])) < _STANDS_OUT:
        return None
    return np.outer(along - weights[0] - shapes @ weights[1:], color * unit)


def _expectile(rows: F64, y: F64) -> F64:
    """Asymmetric least squares: values above the fit weigh `_ABOVE` of those below (Newey & Powell 1987)."""
    weight = np.ones(len(y))
    for _ in range(_ROUNDS):
        a = np.linalg.lstsq(rows * np.sqrt(weight)[:, None], y * np.sqrt(weight), rcond=None)[0]
        again = np.where(y > rows @ a, _ABOVE, 1.0)
        if np.array_equal(again, weight):
            break
        weight = again
    return np.asarray(a)


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
    varies, directions = linalg.eigh(shape.T @ shape / len(shape), errors)
    if varies[-1] < _VARIES**2:
        return nothing
    least = directions[:, 0]
    taken = np.outer(shape @ least, errors @ least / (least @ errors @ least))
    return taken if (taken.std(axis=0) <= _MOST_THIRD * shape.std(axis=0)).all() else nothing


def likeness(samples: Samples, residual: F64, used: Mask) -> float:
    """How alike used neighbors across the grid are beside a surface: their correlation, largest over the channels.

    Near 0 where only noise is left; higher where light of objects is, or where the surface bends too little.
    """
    n = samples.cells
    rest, inside = residual[:n].reshape(*samples.grid, -1), used[:n].reshape(samples.grid)
    pair = inside[:, 1:] & inside[:, :-1]
    if not pair.any():
        return 0.0
    power = np.maximum((rest[inside] ** 2).mean(axis=0), 1e-300)
    return float(((rest[:, 1:] * rest[:, :-1])[pair].mean(axis=0) / power).max())


def companion_light(samples: Samples, design: F64, model: F64, used: Mask) -> F64:
    """Light beside the glow, as far as it is recognised: (N, C), to be taken from the samples before the last fit.

    Parameters
    ----------
    design : ndarray, shape (N, K)
        Basis of the glow.
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
    rows = design[used]
    wide = halos(samples, residual, sigma, used)
    strength = _halo_strengths(rows, samples.value[used], wide[used], sigma)
    light = wide @ strength if strength.sum() <= _HALO_MOST else nothing
    if likeness(samples, residual, used) <= _DISTURBED:
        return light
    left = samples.value - light
    glow = design @ np.linalg.lstsq(rows, left[used], rcond=None)[0]
    own = own_color(left, glow, used, samples.open)
    return light + (third_color(glow, (left - glow)[used]) if own is None else own)


def _halo_strengths(rows: F64, value: F64, wide: F64, sigma: F64) -> F64:
    """Strength of each halo width, none negative, with everything in ``rows`` fitted beside it."""
    if wide.shape[2] == 0:
        return np.empty(0)
    q, _ = np.linalg.qr(rows)

    def beyond(y: F64) -> F64:
        return np.asarray(y - q @ (q.T @ y))

    left = np.concatenate([beyond(wide[:, c]) / s for c, s in enumerate(sigma)])
    right = np.concatenate([beyond(value[:, c]) / s for c, s in enumerate(sigma)])
    scale = np.linalg.norm(left, axis=0)
    if not (scale > 0).all():
        return np.zeros(wide.shape[2])
    return np.asarray(optimize.nnls(left / scale, right)[0] / scale)

"""Glow under objects of one color: seen where that color does not reach, and carried over from there.

Dust, star clouds and galaxies that fill a frame leave no sample of plain sky. But the light of each has one color,
nearly, and sums of the channels can be made that are blind to it. In those, glow is all that varies, and a surface is
found within the noise however much of the frame is covered. What glow adds along the objects' own color is then known
but for one number for each of the shapes that the blind sums show (lamps are few), and the level. These are sought
below the samples, for the objects' light is never negative (quantile regression, Koenker & Bassett 1978).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.operations._gradient.consensus import sample_noise, second_differences
from workbench.operations._gradient.fit import Samples, kept_with_samples, solve_normal
from workbench.operations._gradient.surfaces import Polynomial, term_degrees

__all__ = ["OneColor", "glow_beside_one_color"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Degree of the surface; what such a surface leaves shows the objects' color.
DEGREE = 8
#: How much weaker one degree of a glow is expected to be than the one before.
_FADES = 0.5
#: Share of its light by which an object's color may wander.
_WANDERS = 0.03
#: Residuals from here on, in deviations, weigh less: stars and the cores of galaxies.
_FAR = 4.0
#: Share of the samples that lie below the surface; and two more, whose difference tells how sure it is.
_BELOW, _BELOW_TRIED = 0.02, (0.01, 0.1)
#: Expected strength of the second shape along the objects' color, where the first has any: the colors of two lamps
#: differ less from each other than from the objects'.
_SECOND = 2.0
#: Samples that count as one, for neighbors see the same cloud; and how much larger the error is than they then say.
_AS_ONE, _FEW_CLOUDS = 25.0, 8.0
#: Coefficients of a blind surface that are hardly held back, and how much larger its error is than noise makes it.
_FREE, _SHAPE_NOISE = 20.0, 3.0
_ROUNDS = 60


@dataclass(frozen=True, slots=True)
class OneColor:
    """Glow beside objects of one color.

    Attributes
    ----------
    coefficients : ndarray, shape (size, C)
        Of a `Polynomial` of `DEGREE`.
    used : ndarray, shape (N,), bool
        Samples that lie on it or below.
    second_color : float
        Variance of the objects' light in a second color over that in the first: 0 where they have only one.
    uncertainty : float
        Likely error (68 %), RMS without its mean, as a share of the height; worst channel.
    """

    coefficients: F64
    used: Mask
    second_color: float
    uncertainty: float


@kept_with_samples
def glow_beside_one_color(samples: Samples) -> OneColor | None:
    """Glow as sums of the channels that are blind to the objects' color show it.

    None with one channel, few samples, or nothing beside the glow.
    """
    surface, shown = Polynomial(DEGREE), samples.open
    if samples.value.shape[1] < 2 or shown.sum() < 8 * surface.size:
        return None
    noise = sample_noise(samples)
    middle = np.median(samples.value[shown], axis=0)
    value = (samples.value - middle) / noise
    design = surface.design(samples.u, samples.v)
    grain = _grain(second_differences(samples) / noise)
    light, colors = _object_colors(design[shown], value[shown], grain)
    if not light[0] > 0:
        return None
    rough = np.sqrt(np.maximum(np.diagonal(colors.T @ grain @ colors), 1e-6))
    sums = value @ colors
    blind = _blind_surfaces(design, sums, shown, rough)
    shapes = design @ blind
    shapes -= shapes[shown].mean(axis=0)
    turn = np.linalg.svd(shapes[shown], full_matrices=False)[2].T[:, :2]
    rows = np.column_stack([np.ones(len(design)), shapes @ turn])
    by_hand = np.arange(len(design)) >= samples.cells  # sky, as we were told: it is not above it
    found, covariance = _below(rows[shown], sums[shown, 0], by_hand[shown], _BELOW)
    low, high = (_below(rows[shown], sums[shown, 0], by_hand[shown], share)[0] for share in _BELOW_TRIED)

    along = blind @ (turn @ found[1:])
    along[0] += found[0] - (design @ along)[shown].mean()
    coefficients = np.column_stack([along, blind]) @ colors.T * noise
    coefficients[0] += middle  # the first of the basis is 1
    height = np.maximum(np.ptp(design @ coefficients, axis=0), 1e-12)
    shape_noise = np.linalg.norm(turn @ found[1:] * rough[1:]) * np.sqrt(_FREE / shown.sum())
    strength_noise = np.sqrt(_mean_variance(rows[:, 1:], covariance[1:, 1:]))
    error = np.linalg.norm([(rows @ (high - low)).std(), _FEW_CLOUDS * strength_noise, _SHAPE_NOISE * shape_noise])
    return OneColor(
        coefficients,
        shown & (sums[:, 0] - rows @ found < 2.0 * rough[0]),
        float(light[1] / light[0]),
        float((error * np.abs(colors[:, 0]) * noise / height).max()),
    )


def _grain(differences: F64) -> F64:
    """Covariance (C, C) of what varies from sample to sample: noise and stars, without the brightest twentieth."""
    size = np.linalg.norm(differences, axis=1)
    calm = differences[size <= np.quantile(size, 0.95)]
    return np.asarray(calm.T @ calm / (6.0 * len(calm)))


def _object_colors(smooth: F64, value: F64, grain: F64) -> tuple[F64, F64]:
    """Variance of the objects' light in each of their colors, falling, and the colors as columns, unit vectors."""
    rest = value - smooth @ np.linalg.lstsq(smooth, value, rcond=None)[0]
    size = np.linalg.norm(rest, axis=1)
    weight = 1.0 / (1.0 + (size / (3.0 * np.median(size) + 1e-12)) ** 2)
    rest -= np.average(rest, axis=0, weights=weight)
    light, colors = np.linalg.eigh((weight[:, None] * rest).T @ rest / weight.sum() - grain)
    return np.maximum(light[::-1], 0.0), colors[:, ::-1] * (np.sign(colors[:, -1].sum()) or 1.0)


def _blind_surfaces(design: F64, sums: F64, shown: Mask, rough: F64) -> F64:
    """Coefficients (size, C - 1) of surfaces through the sums that are blind to the objects' color."""
    objects = sums[:, 0] - design @ np.linalg.lstsq(design[shown], sums[shown, 0], rcond=None)[0]
    of_degree = term_degrees(design.shape[1])
    out = np.empty((design.shape[1], sums.shape[1] - 1))
    for k, (value, noise) in enumerate(zip(sums.T[1:], rough[1:], strict=True)):
        variance = noise**2 + (_WANDERS * objects) ** 2
        expected = max(float(value[shown].std()), 1e-9) * _FADES ** (of_degree - 1.0)
        penalty = np.diag(np.where(of_degree == 0, 0.0, expected**-2.0))
        rest = np.zeros_like(value)
        for _ in range(3):
            weight = shown / (variance * (1.0 + (rest / (_FAR * np.sqrt(variance))) ** 2))
            left, right = (design * weight[:, None]).T @ design, design.T @ (weight * value)
            out[:, k] = solve_normal(left + penalty, right[:, None])[:, 0]
            rest = value - design @ out[:, k]
    return out


def _below(rows: F64, value: F64, by_hand: Mask, share: float) -> tuple[F64, F64]:
    """Weights of the rows, and their covariance, so that ``share`` of the values lie below.

    Quantile regression by weighted least squares; the second shape is held to its expected strength.
    """
    sure = np.zeros(rows.shape[1])
    sure[2:] = _SECOND**-2.0
    found = np.linalg.lstsq(rows, value, rcond=None)[0]
    for _ in range(_ROUNDS):
        rest = value - rows @ found
        aside = np.where((rest > 0) & ~by_hand, share, 1.0 - share)
        scale = max(float((aside * np.abs(rest)).mean()), 0.02)
        weight = aside / (np.sqrt(rest**2 + 0.1) * scale * _AS_ONE)
        left = (rows * weight[:, None]).T @ rows + np.diag(sure)
        again = np.linalg.solve(left, rows.T @ (weight * value))
        done = np.abs(again - found).max() < 1e-5 * np.abs(again).max()
        found = again
        if done:
            break
    return np.asarray(found, np.float64), np.asarray(np.linalg.inv(left), np.float64)


def _mean_variance(shapes: F64, covariance: F64) -> float:
    """Mean over the frame of the variance of ``shapes @ weights`` about its own mean."""
    about = shapes - shapes.mean(axis=0)
    return float(np.einsum("nj,jk,nk->", about, covariance, about) / len(about))

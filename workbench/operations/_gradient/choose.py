"""Choosing a surface: a simple robust one always stands beside the clever ones, and the samples decide."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.operations._gradient.consensus import agreeing, sample_noise
from workbench.operations._gradient.covered import (
    beside_galaxy,
    beside_one_color,
    between,
    mixed,
    spread,
    under_objects,
)
from workbench.operations._gradient.fit import Samples, settle, solve_normal
from workbench.operations._gradient.surfaces import Mesh, Polynomial, Surface, ThinPlate, even_knots
from workbench.operations._gradient.trials import Trial, height_of, simple_trial, with_galaxy, without_companions

__all__ = [
    "ANY_SKY",
    "CLEAR_SKY",
    "MOST_DEGREE",
    "SEEN_SKY",
    "UNSURE",
    "Candidate",
    "SkyFit",
    "candidates",
    "choose",
    "held_out_blocks",
]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Blocks along the longer side, and the number of groups they are held out in.
_BLOCKS = 6
_GROUPS = 5
_WEIGHTS = tuple(10.0**k for k in range(-6, 4))
#: Highest degree of a low-order surface, and knots of a thin plate.
MOST_DEGREE = 8
PLATE_KNOTS = 96
LEAST_FOR_PLATE = 12
#: Degree of the simple surface that is always tried, least degree of a clever one that may take its place, and
#: degrees that are tried with a galaxy beside the glow.
SIMPLE_DEGREE, CLEVER_DEGREES = 5, (5, 6, 7, 8)
GALAXY_DEGREES = (3, 5)
#: Degrees of the surfaces whose median is taken where objects cover much of the frame, beside the simple one: with one
#: more (5, 6, 7) the worst twentieth of 100 independent scenes keeps 35 in place of 29 % of its gradient, with one less
#: more scenes end worse than with a joint polynomial of degree 5.
SEVERAL_DEGREES = (4, 5, 6)
#: Samples that must agree for each coefficient, and the share by which more must agree with the simple surface for it
#: to be taken where the sky is clear. With 2 and 0 the error of the worst tenth is 2.7 in place of 1.6 %, with 0.5 and
#: 0.05 it is 1.5 %, but more scenes end worse than with the simple surface.
_FOR_A_COEFFICIENT = 1.0
_SIMPLE_LEADS = 0.02
#: Shares of the samples that agree with the best surface. Above the first the sky is clear, and that surface is taken,
#: below the second objects cover much of the frame, and it is not; between the next two too little sky is seen for
#: any surface through the samples.
CLEAR_SKY, COVERED = 0.8, 0.7
SEEN_SKY, ANY_SKY = 0.35, 0.25
#: Uncertainty from which a doubt is told, and at which half the surface is taken off, as shares of its height.
UNSURE, HALF_TAKEN = 0.03, 0.5
#: A galaxy is one when by this share more samples agree with it beside the glow.
_GALAXY_AGREES = 0.08
#: Error of the chosen surface that 68 % of independent scenes stayed below, in differences between the simple surface
#: and the most flexible one; by the share of samples that agree.
_ERROR_OF_DIFFERENCE = ((0.8, 0.75), (0.6, 1.5), (0.5, 2.0), (0.0, 3.0))

#: An even sky has no height that an error could be compared with: larger ratios say no more.
_MOST_UNCERTAIN = 1e3


@dataclass(frozen=True, slots=True)
class Candidate:
    """A surface and the regularization weights at which it is tried."""

    surface: Surface
    weights: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class SkyFit:
    """A surface fitted to samples of the sky.

    Attributes
    ----------
    coefficients : ndarray, shape (C, size), float64
    weight : float
        Regularization weight: how much bending counts against the misfit.
    used : ndarray, shape (N,), bool
        Samples taken as sky.
    scores : list of dict
        Everything that was tried, with the samples used and the share of samples that agree.
    agree : float
        Share of the open samples that lie on the best surface within their noise.
    uncertainty : float or None
        Likely error of the surface (68 %), RMS without its mean, as a share of its height; None where only one was
        tried.
    taken : float
        Share of the surface that is in the coefficients: less than all where its likely error is large.
    beside : bool
        Whether a galaxy's light was fitted beside the glow.
    one_color : bool
        Whether the glow was read from what is blind to the objects' one color.
    """

    surface: Surface
    coefficients: F64
    weight: float
    used: Mask
    scores: list[dict[str, Any]]
    agree: float
    uncertainty: float | None
    taken: float
    beside: bool
    one_color: bool


def candidates(model: str, samples: Samples, mesh_cells: float, degree: int | None = None) -> list[Candidate]:
    """What is tried for ``model``: 'auto', 'surface', 'thin_plate' or 'mesh'; of low-order surfaces, all degrees.

    Where the ``degree`` is wanted, the low ones beside it are left out: none of them could be chosen. A surface has at
    most one coefficient for four samples.
    """
    n = int(samples.open.sum())
    u_end, v_end = (max(float(np.abs(t).max()), 1e-3) for t in (samples.u, samples.v))
    if model == "thin_plate" and n >= LEAST_FOR_PLATE:
        return [Candidate(ThinPlate(even_knots(u_end, v_end, min(PLATE_KNOTS, n // 3))), _WEIGHTS)]
    if model == "mesh":
        rows = max(2, round(samples.grid[0] / mesh_cells))
        columns = max(2, round(samples.grid[1] / mesh_cells))
        return [Candidate(Mesh(rows, columns, u_end, v_end), _WEIGHTS)]
    low = [Polynomial(d) for d in range(MOST_DEGREE + 1) if Polynomial(d).size <= max(1, n // 4)]
    if degree is not None:
        needed = {degree, low[-1].degree, *CLEVER_DEGREES, *SEVERAL_DEGREES}
        low = [p for p in low if p.degree in needed]
    return [Candidate(p, (0.0,)) for p in low]


def held_out_blocks(samples: Samples) -> NDArray[np.intp]:
    """Block of each sample, (N,): `_BLOCKS` along the longer side, row by row."""
    end = max(float(np.abs(samples.u).max()), float(np.abs(samples.v).max()), 1e-9)
    step = 2 * end / _BLOCKS
    i, j = (np.floor((t + end) / step).clip(0, _BLOCKS - 1).astype(np.intp) for t in (samples.u, samples.v))
    return i * _BLOCKS + j


def _groups(block: NDArray[np.intp]) -> NDArray[np.intp]:
    """Group in which a block is held out: neighbors belong to different groups."""
    return (2 * (block // _BLOCKS) + block % _BLOCKS) % _GROUPS


def held_out_residuals(
    design: F64, bending: F64, weights: tuple[float, ...], value: F64, used: Mask, block: NDArray[np.intp]
) -> F64:
    """Residuals (weights, used samples, C) of used samples, each predicted from the groups it is not in."""
    b, y, g = design[used], value[used], _groups(block[used])
    inside = [g == k for k in range(_GROUPS)]
    grams = [b[i].T @ b[i] for i in inside]
    sides = [b[i].T @ y[i] for i in inside]
    gram, side = np.sum(grams, axis=0), np.sum(sides, axis=0)
    out = np.zeros((len(weights), *y.shape))
    for i, own_gram, own_side in zip(inside, grams, sides, strict=True):
        for k, weight in enumerate(weights):
            out[k, i] = y[i] - b[i] @ solve_normal(gram - own_gram + weight * bending, side - own_side)
    return out


def choose(
    samples: Samples, tried: list[Candidate], limit: float, stiffness: float, degree: int | None = None
) -> SkyFit:
    """Settle on sky samples for every candidate, and on the surface that the samples bear out.

    Beside the low-order surfaces, whose samples are chosen at several sizes (`settle`), stand the simple robust one
    (degree 5, all channels clipped together on both sides) and surfaces fitted together with a large galaxy's light.
    Each is judged by how many samples lie on it within their noise, less one for each coefficient (`consensus`).
    Where most samples agree, the surface with the most is taken: then the sky is seen nearly everywhere and the bends
    are the glow's own. Where fewer do, objects cover much of the frame (`covered`). The larger the likely
    error, the less of the surface is taken off.

    Parameters
    ----------
    degree : int, optional
        Degree wanted of a low-order surface: the choice if it is of this degree, else the settled surface that is.
    """
    trials = [_settled(samples, candidate, limit, stiffness) for candidate in tried]
    low = {t.surface.degree: t for t in trials if isinstance(t.surface, Polynomial)}
    noise, total = sample_noise(samples), max(int(samples.open.sum()), 1)
    if not low:
        only = trials[-1]
        share = float(agreeing(samples, only.model, noise, height_of(only)).sum()) / total
        return _told([(only, share)], only, share)
    most = max(low)
    simple = simple_trial(samples, min(SIMPLE_DEGREE, most))
    height = height_of(simple)
    clever = [low[d] for d in CLEVER_DEGREES if d in low] or [low[most]]
    galaxies = [g for d in GALAXY_DEGREES if d <= most and (g := with_galaxy(samples, d)) is not None]
    everything = [*trials, simple, *galaxies]
    agree = {id(t): float(agreeing(samples, t.all_light, noise, height).sum()) / total for t in everything}

    def rank(t: Trial) -> float:
        return agree[id(t)] - _FOR_A_COEFFICIENT * t.surface.size / total

    best = max(clever, key=rank)
    if rank(simple) > rank(best) + _SIMPLE_LEADS:
        best = simple
    share = max(agree[id(best)], agree[id(simple)])
    galaxy = max(galaxies, key=rank, default=None)
    error = spread(simple, low[most]) * next(k for least, k in _ERROR_OF_DIFFERENCE if share >= least)
    if galaxy is not None and rank(galaxy) >= rank(best) + _GALAXY_AGREES:
        chosen, share = replace(galaxy, error=error), agree[id(galaxy)]
    else:
        chosen = replace(without_companions(samples, best), error=error)
        if (clear := between(share, COVERED, CLEAR_SKY)) < 1.0:
            several = [simple, *(low[d] for d in SEVERAL_DEGREES if d in low)]
            by_hand = len(samples.u) > samples.cells
            seen = 1.0 if by_hand else between(share, ANY_SKY, SEEN_SKY)
            chosen = mixed(chosen, under_objects(samples, several, share, seen), clear)
        chosen = beside_galaxy(samples, beside_one_color(samples, chosen, share), share)
    if degree is not None and chosen.surface != Polynomial(degree):
        chosen = replace(low[min(degree, most)], error=error)
    else:
        chosen = _less(chosen)
    return _told([(t, agree[id(t)]) for t in everything], chosen, share)


def _less(trial: Trial) -> Trial:
    """The surface made flatter, the more the larger its likely error is."""
    taken = 1.0 / (1.0 + ((trial.error or 0.0) / HALF_TAKEN) ** 4)
    coefficients = taken * trial.coefficients
    coefficients[0] += (1.0 - taken) * trial.model.mean(axis=0)  # the first of the basis is 1
    return replace(trial, coefficients=coefficients, taken=taken)


def _told(trials: list[tuple[Trial, float]], chosen: Trial, share: float) -> SkyFit:
    """The chosen trial, and what was tried, each with the share of samples that agree."""
    scores = [
        {
            **_named(t.surface),
            "beside": t.beside is not None,
            "regularization": t.weight,
            "agree": round(agree, 4),
            "used": int(t.used.sum()),
        }
        for t, agree in trials
    ]
    return SkyFit(
        chosen.surface,
        np.ascontiguousarray(chosen.coefficients.T),
        chosen.weight,
        chosen.used,
        scores,
        share,
        None if chosen.error is None else min(chosen.error, _MOST_UNCERTAIN),
        chosen.taken,
        chosen.beside is not None,
        chosen.one_color,
    )


def _settled(samples: Samples, candidate: Candidate, limit: float, stiffness: float) -> Trial:
    """Settle a candidate, starting from all samples; a regularization weight is chosen first, if there are several."""
    used = samples.open
    design, bending = candidate.surface.design(samples.u, samples.v), candidate.surface.bending
    weight = candidate.weights[0]
    if len(candidate.weights) > 1:
        middle = Polynomial(3)
        if middle.size <= used.sum() // 4:
            nothing = np.zeros((middle.size, middle.size))
            _, used = settle(samples, middle.design(samples.u, samples.v), nothing, 0.0, limit, used)
        block = held_out_blocks(samples)
        residuals = held_out_residuals(design, bending, candidate.weights, samples.value, used, block)
        errors = (residuals**2).mean(axis=1)
        relative = (errors / np.maximum(errors.min(axis=0), 1e-30)).mean(axis=1)
        weight = candidate.weights[int(relative.argmin())] * stiffness
    coefficients, used = settle(samples, design, bending, weight, limit, used)
    return Trial(candidate.surface, weight, coefficients, used, design @ coefficients)


def _named(surface: Surface) -> dict[str, Any]:
    return {k: v for k, v in surface.to_dict().items() if k in {"kind", "degree", "rows", "columns"}}

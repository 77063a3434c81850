"""Choosing a surface: a simple robust one always stands beside the clever ones, and the samples decide."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.operations._gradient.companions import companion_light
from workbench.operations._gradient.consensus import agreeing, sample_noise
from workbench.operations._gradient.envelope import lower_envelope
from workbench.operations._gradient.fit import Samples, clip_both_sides, fit, settle, solve_normal
from workbench.operations._gradient.profile import galaxy_beside
from workbench.operations._gradient.surfaces import Mesh, Polynomial, Surface, ThinPlate, even_knots

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
#: Samples that must agree for each coefficient, and the share by which more must agree with the simple surface for it
#: to be taken where the sky is clear. With 2 and 0 the error of the worst tenth is 2.7 in place of 1.6 %, with 0.5 and
#: 0.05 it is 1.5 %, but more scenes end worse than with the simple surface.
_FOR_A_COEFFICIENT = 1.0
_SIMPLE_LEADS = 0.02
#: Shares of the samples that agree with the best surface: from the first on, a clever surface may take the place of
#: the simple one; below the second the sky is hardly seen, and the glow is sought below the samples; below the third
#: nothing is taken off. Median errors seen on 184 independent scenes in these four ranges: 0.3, 3, 13 and 20 % of the
#: glow's height. With 0.6 or 0.8 in place of 0.75 6 or 2 of 84 scenes (3 with 0.7) ended worse than with the simple
#: surface, and the mean error (geometric) was 2.86 or 3.06 % (2.90 with 0.7).
CLEAR_SKY, SEEN_SKY, ANY_SKY = 0.75, 0.42, 0.3
#: Uncertainty from which a doubt is told, as a share of the surface's height.
UNSURE = 0.03
#: A galaxy is one when it explains this share of what the samples vary by beside the glow, and by this share more
#: samples agree.
_GALAXY_EXPLAINS, _GALAXY_AGREES = 0.94, 0.08
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
    beside : bool
        Whether a galaxy's light was fitted beside the glow.
    """

    surface: Surface
    coefficients: F64
    weight: float
    used: Mask
    scores: list[dict[str, Any]]
    agree: float
    uncertainty: float | None
    beside: bool


@dataclass(frozen=True, slots=True)
class _Trial:
    """A surface settled on its samples: (size, C) coefficients, its values (N, C), other light beside it, (N, C)."""

    surface: Surface
    weight: float
    coefficients: F64
    used: Mask
    model: F64
    beside: F64 | None = None

    @property
    def all_light(self) -> F64:
        return self.model if self.beside is None else self.model + self.beside


def candidates(model: str, samples: Samples, mesh_cells: float) -> list[Candidate]:
    """What is tried for ``model``: 'auto', 'surface', 'thin_plate' or 'mesh'; of low-order surfaces, all degrees.

    A surface has at most one coefficient for four samples.
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
    are the glow's own. Where fewer do, objects cover much of the frame, and what a flexible surface does under them
    is anybody's guess: the simple one is taken. Where hardly any do, no sample is known to be sky: the glow is sought
    below the darkest ones (`lower_envelope`), and where even less is seen, and nobody marked sky by hand, nothing but a
    constant is taken.

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
        share = float(agreeing(samples, only.model, noise, _height(only)).sum()) / total
        return _told([(only, share)], only, share, [])
    most = max(low)
    simple = _simple(samples, min(SIMPLE_DEGREE, most))
    height = _height(simple)
    clever = [low[d] for d in CLEVER_DEGREES if d in low] or [low[most]]
    galaxies = [g for d in GALAXY_DEGREES if d <= most and (g := _with_galaxy(samples, d)) is not None]
    everything = [*trials, simple, *galaxies]
    agree = {id(t): float(agreeing(samples, t.all_light, noise, height).sum()) / total for t in everything}

    def rank(t: _Trial) -> float:
        return agree[id(t)] - _FOR_A_COEFFICIENT * t.surface.size / total

    best = max(clever, key=rank)
    if rank(simple) > rank(best) + _SIMPLE_LEADS:
        best = simple
    share = max(agree[id(best)], agree[id(simple)])
    chosen = _without_companions(samples, best if share >= CLEAR_SKY else simple)
    galaxy = max(galaxies, key=rank, default=None)
    if galaxy is not None and rank(galaxy) >= rank(best) + _GALAXY_AGREES:
        chosen, share = galaxy, agree[id(galaxy)]
    elif share < ANY_SKY and len(samples.u) == samples.cells:
        chosen = low[0]
    elif share < SEEN_SKY and (below := lower_envelope(samples, best.used)) is not None:
        surface, coefficients, used = below
        chosen = _Trial(surface, 0.0, coefficients, used, surface.design(samples.u, samples.v) @ coefficients)
    if degree is not None and chosen.surface != Polynomial(degree):
        chosen = low[min(degree, most)]
    # A constant is no model of the glow: the difference of two models says nothing about it.
    apart = [simple, low[most]] if chosen.surface.size > 1 else []
    return _told([(t, agree[id(t)]) for t in everything], chosen, share, apart)


def _height(trial: _Trial) -> F64:
    """Peak-to-peak height of a surface over the samples, (C,)."""
    return np.asarray(np.maximum(np.ptp(trial.model, axis=0), 1e-12))


def _told(trials: list[tuple[_Trial, float]], chosen: _Trial, share: float, apart: list[_Trial]) -> SkyFit:
    """The chosen trial with what was tried (each with the share of samples that agree) and how sure it is.

    ``apart`` are the simple and the most flexible surface, where there are such.
    """
    uncertainty = None
    if apart:
        difference = apart[0].model - apart[1].model
        off = (difference - difference.mean(axis=0)).std(axis=0) / _height(apart[0])
        uncertainty = float(off.max()) * next(k for least, k in _ERROR_OF_DIFFERENCE if share >= least)
        uncertainty = min(uncertainty, _MOST_UNCERTAIN)
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
        uncertainty,
        chosen.beside is not None,
    )


def _simple(samples: Samples, degree: int) -> _Trial:
    surface = Polynomial(degree)
    design = surface.design(samples.u, samples.v)
    coefficients, used = clip_both_sides(samples, design)
    return _Trial(surface, 0.0, coefficients, used, design @ coefficients)


def _without_companions(samples: Samples, trial: _Trial) -> _Trial:
    """The same surface fitted anew to its samples without the light of objects that lies over them."""
    design = trial.surface.design(samples.u, samples.v)
    light = companion_light(samples, design, trial.model, trial.used)
    if not light.any():
        return trial
    nothing = np.zeros((trial.surface.size, trial.surface.size))
    coefficients = fit(design, samples.value - light, trial.used, nothing, 0.0)
    return replace(trial, coefficients=coefficients, model=design @ coefficients)


def _with_galaxy(samples: Samples, degree: int) -> _Trial | None:
    """Glow of this degree fitted together with a galaxy; None where the light beside the glow is not a galaxy's."""
    found = galaxy_beside(samples, degree)
    if found is None:
        return None
    surface, (coefficients, light, used) = Polynomial(degree), found
    model = surface.design(samples.u, samples.v) @ coefficients
    beside = (samples.value - model)[samples.open]
    scale = np.maximum(beside.std(axis=0), 1e-12)
    unexplained = ((beside - light[samples.open]) / scale).var()
    if unexplained >= (1.0 - _GALAXY_EXPLAINS) * (beside / scale).var():
        return None
    return _Trial(surface, 0.0, coefficients, used, model, light)


def _settled(samples: Samples, candidate: Candidate, limit: float, stiffness: float) -> _Trial:
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
    return _Trial(candidate.surface, weight, coefficients, used, design @ coefficients)


def _named(surface: Surface) -> dict[str, Any]:
    return {k: v for k, v in surface.to_dict().items() if k in {"kind", "degree", "rows", "columns"}}

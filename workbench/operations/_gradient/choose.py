"""Choosing a surface: a simple robust one always stands beside the clever ones, and the samples decide."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import in_order
from workbench.operations._gradient.consensus import agreeing, sample_noise
from workbench.operations._gradient.covered import beside_galaxy, beside_one_color, between, mixed, nothing, spread
from workbench.operations._gradient.fit import Samples, settle, solve_normal
from workbench.operations._gradient.prior import settle_with_prior, without_halos
from workbench.operations._gradient.surfaces import Mesh, Polynomial, Surface, ThinPlate, even_knots
from workbench.operations._gradient.trials import Trial, height_of, simple_trial

__all__ = [
    "CLEAR_SKY",
    "MOST_DEGREE",
    "SEEN_SKY",
    "UNSURE",
    "Candidate",
    "SkyFit",
    "candidate",
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
#: Degree of the simple surface that is always tried.
SIMPLE_DEGREE = 5
#: Share of the samples that agree with the best surface from which the sky is clear, and below which it is hardly seen.
CLEAR_SKY, SEEN_SKY = 0.8, 0.42
#: That share up to which none of the surface is taken off, and from which all of it: of 9 independent scenes below 0.36
#: the best part to take was -0.4 to 0.3, of 9 from there to 0.48 it was 0.5 to 1.
_NONE_TAKEN, _ALL_TAKEN = 0.35, 0.39
#: Stiffness of the surface where the sky is clear, and of the two that are held, with the shares of agreeing samples at
#: which each is taken (between them, a part of both). Of 450 independent scenes the shares may move by 0.05 without
#: changing the mean error by a hundredth of itself; a third one, stiffer still, gains a hundredth.
STIFFNESS_CLEAR, SOFT, FIRM = 0.3, (0.5, 0.8), (2.0, 0.6)
#: By how much more samples must agree with the free surface than with the simple one, and how many, for its choice of
#: samples to be trusted: then the simple one misses bends of the glow. Of 29 such scenes the mean error falls from 2.1
#: to 1.8 %; where fewer agree it grows, for the bends are the objects'.
_LEADS, _SEES_BENDS = 0.05, 0.62
#: Likely error (68 %) of a held surface, as a share of its height: first x stability^second x (third - share that
#: agree)^fourth. Stability is by how much the surface changes when it is held four times as stiff: what objects bend
#: gives way, what the sky bends does not. Of 250 scenes it tells the error to a factor of 2.4, the agreeing share alone
#: to one of 3.4. Exponents of 0.6 to 0.8 and of 0.7 to 1.4 differ by a hundredth of the mean error.
_ERROR_OF_HELD = (2.2, 0.6, 1.02, 1.4)
#: Uncertainty from which a doubt is told, and at which half the surface is taken off, as shares of its height. Two
#: thirds or double of the second change the mean error by less than a hundredth of itself.
UNSURE, HALF_TAKEN = 0.03, 0.33
#: Error of another surface that 68 % of 150 independent scenes stayed below, in its larger difference from the
#: simple surface and the free one; by the share of samples that agree.
_ERROR_OF_DIFFERENCE = ((0.8, 0.7), (0.72, 1.1), (0.64, 1.5), (0.0, 2.0))

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


def candidate(model: str, samples: Samples, mesh_cells: float) -> Candidate:
    """What is fitted for ``model``: 'auto', 'surface', 'thin_plate' or 'mesh'.

    A low-order surface has at most one coefficient for four samples.
    """
    n = int(samples.open.sum())
    u_end, v_end = (max(float(np.abs(t).max()), 1e-3) for t in (samples.u, samples.v))
    if model == "thin_plate" and n >= LEAST_FOR_PLATE:
        return Candidate(ThinPlate(even_knots(u_end, v_end, min(PLATE_KNOTS, n // 3))), _WEIGHTS)
    if model == "mesh":
        rows = max(2, round(samples.grid[0] / mesh_cells))
        columns = max(2, round(samples.grid[1] / mesh_cells))
        return Candidate(Mesh(rows, columns, u_end, v_end), _WEIGHTS)
    most = max(d for d in range(MOST_DEGREE + 1) if Polynomial(d).size <= max(1, n // 4))
    return Candidate(Polynomial(most), (0.0,))


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


def choose(samples: Samples, wanted: Candidate, limit: float, stiffness: float, degree: int | None = None) -> SkyFit:
    """Settle on sky samples, and on the surface that they bear out.

    A simple robust surface (degree 5, all channels clipped together on both sides) tells which samples are sky, and one
    of the highest degree with a prior (`prior`) begins with all samples. It is taken where most lie on it within their
    noise (`consensus`): then the sky is seen nearly everywhere and the bends are the glow's own. Else surfaces held to
    what glow is like are fitted to the simple one's samples, the stiffer, the fewer agree. Halos of bright objects are
    taken away before the last fit (`halos`), and light that covers the frame is told from glow (`covered`). How much a
    surface depends on the stiffness tells how wrong it may be, and where another knows better, that counts more. The
    larger the likely error, the less of the surface is taken off; where no sky is seen, nothing.

    Parameters
    ----------
    degree : int, optional
        Degree wanted of a low-order surface, which is then settled as it is.
    """
    noise, total = sample_noise(samples), max(int(samples.open.sum()), 1)
    most = wanted.surface
    if not isinstance(most, Polynomial):
        only = _settled(samples, wanted, limit, stiffness)
        share = float(agreeing(samples, only.model, noise, height_of(only)).sum()) / total
        return _told([(only, share)], only, share)
    simple = simple_trial(samples, min(SIMPLE_DEGREE, most.degree))
    free = settle_with_prior(samples, most.degree, simple, samples.open, STIFFNESS_CLEAR, limit)
    agree = [float(agreeing(samples, t.model, noise, height_of(simple)).sum()) / total for t in (simple, free)]
    share = max(agree)
    if degree is not None:
        chosen = _settled(samples, Candidate(Polynomial(min(degree, most.degree)), (0.0,)), limit, stiffness)
        chosen = replace(chosen, error=_error(chosen, [simple, free], share))
        return _told([(simple, agree[0]), (free, agree[1]), (chosen, share)], chosen, share)
    if share >= CLEAR_SKY and agree[1] >= agree[0]:
        held = chosen = without_halos(samples, free)
        chosen = replace(chosen, error=_error(chosen, [simple, free], share))
    else:
        bends = agree[1] > agree[0] + _LEADS and share > _SEES_BENDS
        start = replace(simple, used=free.used) if bends else simple
        held = chosen = _held(samples, most.degree, start, limit, share)
    if share < CLEAR_SKY:
        seen = 1.0 if len(samples.u) > samples.cells else between(share, _NONE_TAKEN, _ALL_TAKEN)
        chosen = beside_one_color(samples, held, replace(mixed(held, nothing(samples, held), seen), error=held.error))
        chosen = beside_galaxy(samples, chosen, share)
        if chosen.surface.size == 1:  # a constant has no height to be wrong by
            chosen = replace(chosen, error=None)
    chosen = _less(chosen)
    tried = [(simple, agree[0]), (free, agree[1]), (held, share)]
    return _told([*tried, (chosen, share)] if chosen.beside else tried, chosen, share)


def _held(samples: Samples, degree: int, start: Trial, limit: float, share: float) -> Trial:
    """The surface held as stiff as the ``share`` of agreeing samples asks, with its likely error."""

    def held(stiffness: float) -> Trial:
        return without_halos(samples, settle_with_prior(samples, degree, start, start.used, stiffness, limit))

    soft, firm = in_order(held, (SOFT[0], FIRM[0]))
    factor, power, ends, fades = _ERROR_OF_HELD
    error = factor * spread(soft, firm) ** power * (ends - share) ** fades
    return replace(mixed(soft, firm, float(np.clip((share - FIRM[1]) / (SOFT[1] - FIRM[1]), 0.0, 1.0))), error=error)


def _error(chosen: Trial, others: list[Trial], share: float) -> float | None:
    """Likely error of the chosen surface, as a share of its height; None of a constant, which has none."""
    if chosen.surface.size == 1:
        return None
    return max(spread(chosen, t) for t in others) * _by_share(_ERROR_OF_DIFFERENCE, share)


def _by_share(table: tuple[tuple[float, float], ...], share: float) -> float:
    return next(value for least, value in table if share >= least)


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
            "beside": t.beside,
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
        chosen.beside,
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

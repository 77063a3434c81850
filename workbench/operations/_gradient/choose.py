"""Choosing a surface by held-out samples: whole blocks of the frame are predicted from the rest."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.operations._gradient.companions import companion_light
from workbench.operations._gradient.envelope import lower_envelope
from workbench.operations._gradient.fit import Samples, fit, likeness, settle, solve_normal
from workbench.operations._gradient.surfaces import Mesh, Polynomial, Surface, ThinPlate, even_knots

__all__ = ["MOST_DEGREE", "Candidate", "Fitted", "candidates", "choose", "held_out_blocks"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]
#: A surface below all samples, its coefficients (size, C), and the samples it rests on.
Below = tuple[Polynomial, F64, Mask]
#: Finds something, or knows it from before.
Once = Callable[[Callable[[], Below | None]], Below | None]

#: Blocks along the longer side, and the number of groups they are held out in.
_BLOCKS = 6
_GROUPS = 5
_PRICES = tuple(10.0**k for k in range(-6, 4))
#: Highest degree of a low-order surface, and knots of a thin plate.
MOST_DEGREE = 6
PLATE_KNOTS = 96
LEAST_FOR_PLATE = 12
#: A simpler surface is taken when its held-out error is within this factor of the least.
WITHIN = 1.05
#: Neighboring sky samples that are this much alike (their correlation) beside every low-order surface show
#: nebulosity that fills the frame: 0.46 to 0.67 was seen where it does, at most 0.33 elsewhere.
_NEVER_SKY = 0.4
#: How strictly samples are told from sky when that is asked, whatever strictness is wanted of the fit.
_USUAL = 2.0
#: Surfaces with fewer numbers (polynomials below the third degree) do not tell companion light from glow.
_TELLS_LIGHT = 10


@dataclass(frozen=True, slots=True)
class Candidate:
    """A surface and the prices of bending at which it is tried."""

    surface: Surface
    prices: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Fitted:
    """A surface fitted to samples.

    Attributes
    ----------
    coefficients : ndarray, shape (C, size), float64
    price : float
        Price of bending.
    used : ndarray, shape (N,), bool
        Samples taken as sky.
    scores : list of dict
        Held-out error of everything that was tried, relative to the best.
    """

    surface: Surface
    coefficients: F64
    price: float
    used: Mask
    scores: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class _Trial:
    """One candidate settled on its samples, the companion light seen beside it, and how alike neighbors are then."""

    candidate: Candidate
    price: float
    design: F64
    used: Mask
    light: F64
    likeness: float


def candidates(model: str, samples: Samples, mesh_cells: float, degree: int | None) -> list[Candidate]:
    """What is tried for ``model``: 'auto', 'surface', 'thin_plate' or 'mesh'; of surfaces, all degrees or the given."""
    n = int(samples.open.sum())
    u_end, v_end = (max(float(np.abs(t).max()), 1e-3) for t in (samples.u, samples.v))
    out = []
    if model in {"auto", "surface"}:
        low = [Polynomial(d) for d in range(MOST_DEGREE + 1) if Polynomial(d).size <= max(1, n // 4)]
        out += [Candidate(p, (0.0,)) for p in (low if degree is None else low[: degree + 1][-1:])]
    if model in {"auto", "thin_plate"} and n >= LEAST_FOR_PLATE:
        out.append(Candidate(ThinPlate(even_knots(u_end, v_end, min(PLATE_KNOTS, n // 3))), _PRICES))
    if model == "mesh":
        rows = max(2, round(samples.grid[0] / mesh_cells))
        columns = max(2, round(samples.grid[1] / mesh_cells))
        out.append(Candidate(Mesh(rows, columns, u_end, v_end), _PRICES))
    return out or [Candidate(Polynomial(0), (0.0,))]


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
    design: F64, bending: F64, prices: tuple[float, ...], value: F64, used: Mask, block: NDArray[np.intp]
) -> F64:
    """Residuals (prices, used samples, C) of used samples, each predicted from the groups it is not in."""
    b, y, g = design[used], value[used], _groups(block[used])
    inside = [g == k for k in range(_GROUPS)]
    grams = [b[i].T @ b[i] for i in inside]
    sides = [b[i].T @ y[i] for i in inside]
    gram, side = np.sum(grams, axis=0), np.sum(sides, axis=0)
    out = np.zeros((len(prices), *y.shape))
    for i, own_gram, own_side in zip(inside, grams, sides, strict=True):
        for k, price in enumerate(prices):
            out[k, i] = y[i] - b[i] @ solve_normal(gram - own_gram + price * bending, side - own_side)
    return out


def choose(
    samples: Samples, tried: list[Candidate], strength: float, stiffness: float, once: Once = lambda find: find()
) -> Fitted:
    """Settle on sky samples for every candidate, and on the surface that predicts held-out samples best.

    All are judged on the same samples, each with the companion light it sees taken off (surfaces too stiff to tell
    such light from glow get what most see). Held-out samples say nothing about the places that objects hide, where
    flexible surfaces swing; so errors are raised by how much worse a surface is tied down over the whole frame than
    at its samples (`_swing`). The simplest surface is taken whose error is within `WITHIN` of the least, or no worse
    than it given how much the difference varies from block to block (the one-standard-error rule of Breiman et al.
    1984): a little better prediction more often means following an object's faint outskirts than following the sky.

    Where every low-order surface leaves neighbors alike, nebulosity fills the frame: none of the samples is sky, what
    predicts them well follows the nebula, and the glow is sought below them (`lower_envelope`).
    """
    block = held_out_blocks(samples)
    trials: list[_Trial] = []
    for candidate in tried:
        # Each starts from all samples, but a plate with its many prices from where the polynomials ended.
        used = trials[-1].used if trials and len(candidate.prices) > 1 else samples.open
        trials.append(_settled(samples, candidate, block, strength, stiffness, used))
    common = np.mean([t.used for t in trials], axis=0) > 0.5
    if not common.any():
        common = samples.open
    most_see = np.median([t.light for t in trials], axis=0)
    residuals = []
    for t in trials:
        seen = samples.value - (t.light if t.candidate.surface.size >= _TELLS_LIGHT else most_see)
        bending = t.candidate.surface.bending
        left = held_out_residuals(t.design, bending, (t.price,), seen, common, block)[0]
        residuals.append(left)
    if len(trials) > 1:
        residuals = [left * _swing(t, samples.open) for left, t in zip(residuals, trials, strict=True)]
    scores, best = _judge(np.stack(residuals), block[common])
    report = [
        {**_named(r.candidate.surface), "price": r.price, "error": round(float(s), 4), "used": int(r.used.sum())}
        for r, s in zip(trials, scores, strict=True)
    ]
    low = [t for t in trials if isinstance(t.candidate.surface, Polynomial)]
    if (below := once(lambda: _below_nebulosity(samples, low, block, strength, stiffness))) is not None:
        surface, coefficients, used = below
        return Fitted(surface, np.ascontiguousarray(coefficients.T), 0.0, used, report)
    t = trials[best]
    coefficients = fit(t.design, samples.value - t.light, t.used, t.candidate.surface.bending, t.price)
    return Fitted(t.candidate.surface, np.ascontiguousarray(coefficients.T), t.price, t.used, report)


def _below_nebulosity(
    samples: Samples, low: list[_Trial], block: NDArray[np.intp], strength: float, stiffness: float
) -> Below | None:
    """`lower_envelope`, where no sample is sky; None where some are. The same for every strictness that is wanted."""
    if not any(t.candidate.surface.size >= _TELLS_LIGHT for t in low):  # a glow's own bends would leave nothing alike
        return None
    usual: list[_Trial] = []
    for t in reversed(low):  # the most flexible one soonest shows that there is sky
        same = strength == _USUAL
        usual.append(t if same else _settled(samples, t.candidate, block, _USUAL, stiffness, samples.open))
        if usual[-1].likeness < _NEVER_SKY:
            return None
    return lower_envelope(samples, np.mean([t.used for t in usual], axis=0) > 0.5)


def _swing(trial: _Trial, is_open: Mask) -> float:
    """How much larger the surface's error is over all open samples than at the used ones, for equal noise; >= 1.

    This is the root of the ratio of the mean leverages, and grows where the used samples leave holes.
    """
    b = trial.design[trial.used]
    gram = b.T @ b
    inverse = np.linalg.pinv(gram + trial.price * trial.candidate.surface.bending, rcond=1e-12, hermitian=True)
    leverage = np.einsum("ij,ij->i", trial.design @ (inverse @ gram @ inverse), trial.design)
    at_used = float(leverage[trial.used].mean())
    return max(1.0, float(np.sqrt(leverage[is_open].mean() / at_used))) if at_used > 0 else 1.0


def _judge(residuals: F64, block: NDArray[np.intp]) -> tuple[F64, int]:
    """Error of each trial relative to the least, and which one to take; residuals are (trials, samples, C)."""
    squared = residuals**2
    least = np.maximum(squared.mean(axis=1).min(axis=0), 1e-30)
    each = (squared / least).mean(axis=2)
    mean = each.mean(axis=1)
    best = int(mean.argmin())
    _, place = np.unique(block, return_inverse=True)
    for k in range(best):
        # A trial's sum of squares over a block, less the best one's: its spread tells how sure the difference is.
        excess = np.bincount(place, each[k] - each[best])
        error = np.sqrt((excess**2).sum()) if excess.size > 1 else 0.0
        if excess.sum() <= max(error, (WITHIN**2 - 1) * each[best].sum()):
            best = k
            break
    return np.sqrt(mean / max(float(mean.min()), 1e-30)), best


def _settled(
    samples: Samples, candidate: Candidate, block: NDArray[np.intp], strength: float, stiffness: float, used: Mask
) -> _Trial:
    """Settle a candidate, starting from ``used``; a price of bending is chosen first, if there are several."""
    design, bending = candidate.surface.design(samples.u, samples.v), candidate.surface.bending
    price = candidate.prices[0]
    if len(candidate.prices) > 1:
        if np.array_equal(used, samples.open):
            middle = Polynomial(3)
            if middle.size <= used.sum() // 4:
                nothing = np.zeros((middle.size, middle.size))
                _, used = settle(samples, middle.design(samples.u, samples.v), nothing, 0.0, strength, used)
        residuals = held_out_residuals(design, bending, candidate.prices, samples.value, used, block)
        errors = (residuals**2).mean(axis=1)
        relative = (errors / np.maximum(errors.min(axis=0), 1e-30)).mean(axis=1)
        price = candidate.prices[int(relative.argmin())] * stiffness
    coefficients, used = settle(samples, design, bending, price, strength, used)
    light = companion_light(samples, design, _root(price * bending), design @ coefficients, used)
    seen = samples.value - light
    rest = seen - design @ fit(design, seen, used, bending, price)
    return _Trial(candidate, price, design, used, light, likeness(samples, rest, used))


def _root(matrix: F64) -> F64:
    """``r`` with ``r.T @ r`` equal to a symmetric matrix without negative directions; no rows for a zero matrix."""
    if not matrix.any():
        return np.empty((0, len(matrix)))
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))).T)


def _named(surface: Surface) -> dict[str, Any]:
    return {k: v for k, v in surface.to_dict().items() if k in {"kind", "degree", "rows", "columns"}}

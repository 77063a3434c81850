"""Choosing a surface by held-out samples: whole blocks of the frame are predicted from the rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.operations._gradient.fit import Samples, fit, settle, solve_normal
from workbench.operations._gradient.surfaces import Mesh, Polynomial, Surface, ThinPlate, even_knots

__all__ = ["Candidate", "Fitted", "candidates", "choose", "held_out_blocks"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Blocks along the longer side, and the number of groups they are held out in.
_BLOCKS = 6
_GROUPS = 5
_PRICES = tuple(10.0**k for k in range(-6, 4))


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


def candidates(model: str, samples: Samples, mesh_cells: float) -> list[Candidate]:
    """What is tried for ``model``: 'auto', 'surface', 'thin_plate' or 'mesh'."""
    n = int(samples.open.sum())
    u_end, v_end = (max(float(np.abs(t).max()), 1e-3) for t in (samples.u, samples.v))
    out = []
    if model in {"auto", "surface"}:
        low = [Polynomial(d) for d in range(8)]
        out += [Candidate(p, (0.0,)) for p in low if p.size <= max(1, n // 4)]
    if model in {"auto", "thin_plate"} and n >= 12:
        plate = ThinPlate(even_knots(u_end, v_end, min(120, n // 3)))
        out.append(Candidate(plate, _PRICES))
    if model == "mesh":
        rows = max(2, round(samples.grid[0] / mesh_cells))
        columns = max(2, round(samples.grid[1] / mesh_cells))
        out.append(Candidate(Mesh(rows, columns, u_end, v_end), _PRICES))
    return out or [Candidate(Polynomial(0), (0.0,))]


def held_out_blocks(samples: Samples) -> NDArray[np.intp]:
    """Group of each sample, (N,): neighbouring blocks of the frame belong to different groups."""
    end = max(float(np.abs(samples.u).max()), float(np.abs(samples.v).max()), 1e-9)
    step = 2 * end / _BLOCKS
    i, j = (np.floor((t + end) / step).clip(0, _BLOCKS - 1).astype(np.intp) for t in (samples.u, samples.v))
    return (2 * i + j) % _GROUPS


def _held_out_errors(candidate: Candidate, design: F64, samples: Samples, used: Mask, group: NDArray[np.intp]) -> F64:
    """Squared errors (prices, C) of samples predicted from the other groups, summed."""
    b, y, g = design[used], samples.value[used], group[used]
    grams = [b[g == k].T @ b[g == k] for k in range(_GROUPS)]
    sides = [b[g == k].T @ y[g == k] for k in range(_GROUPS)]
    gram, side, bending = sum(grams), sum(sides), candidate.surface.bending
    out = np.zeros((len(candidate.prices), y.shape[1]))
    for k in range(_GROUPS):
        if not (g == k).any():
            continue
        for i, price in enumerate(candidate.prices):
            a = solve_normal(gram - grams[k] + price * bending, side - sides[k])
            out[i] += ((y[g == k] - b[g == k] @ a) ** 2).sum(axis=0)
    return out


def choose(samples: Samples, tried: list[Candidate], strength: float, smoothness: float) -> Fitted:
    """Settle on sky samples and on the surface that predicts held-out ones best.

    Samples are first chosen against a surface of middle order, then surface and samples in turn, three times.
    """
    group = held_out_blocks(samples)
    designs = [c.surface.design(samples.u, samples.v) for c in tried]
    start = min(range(len(tried)), key=lambda i: abs(tried[i].surface.size - 10))
    price = float(np.median(tried[start].prices))
    _, used = settle(samples, designs[start], tried[start].surface.bending, price, strength, samples.open)
    best, scores = (start, price), []
    for _ in range(3):
        errors = [_held_out_errors(c, d, samples, used, group) for c, d in zip(tried, designs, strict=True)]
        least = np.maximum(np.min(np.concatenate(errors), axis=0), 1e-300)
        score = [(e / least).mean(axis=1) for e in errors]
        i = min(range(len(tried)), key=lambda k: score[k].min())
        best = (i, tried[i].prices[int(score[i].argmin())])
        scores = [
            {**_named(c.surface), "price": p, "error": round(float(s), 4)}
            for c, row in zip(tried, score, strict=True)
            for p, s in zip(c.prices, row, strict=True)
        ]
        _, again = settle(samples, designs[i], tried[i].surface.bending, best[1] * smoothness, strength, used)
        if np.array_equal(again, used):
            break
        used = again
    i, price = best
    surface = tried[i].surface
    a = fit(designs[i], samples.value, used, surface.bending, price * smoothness)
    return Fitted(surface, np.ascontiguousarray(a.T), price * smoothness, used, scores)


def _named(surface: Surface) -> dict[str, Any]:
    return {k: v for k, v in surface.to_dict().items() if k in {"kind", "degree", "rows", "columns"}}

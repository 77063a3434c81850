"""Falloff of a lens read from the sky: told from added glow by its shape and its lack of color.

Model of the sky's level in each cell of a grid, for channel c::

    level_c = V(r) B_c (1 + exp(q + q_c))
    V(r)    = (1 + k1 s)^-2 exp(-k2 s^2 - k3 s^3 - sum of k_i h_i(r)),    s = r^2, half a diagonal being 1; all k >= 0

V, common to all channels, is the fourth power of a lens's cosine with what tubes and stops take away beside it: 1 at an
optical middle near that of the frame, and never rising outwards. h_i rises from its own distance on, as the rim of a
tube takes light all at once (Kang & Weiss 2000, ECCV; from memory). q_c says how color and shape differ in a channel.

The glow of a lamp beyond the horizon falls by a power of the distance (Walker 1977, PASP 89, 405). The logarithm of
such a power is harmonic, and q is a sum of harmonic polynomials with a little room for a round part. Of the glow only
what is round about the optical middle is mistaken for falloff, and its slope tells how round it can be: light of lamps
that do not stand in the frame is subharmonic, in the mean over a circle no less than in its middle, so that the
Laplacian of its logarithm is at least minus its slope squared. A glow bends down only as it slopes; a lens need not.

Errors of channels go together: the light of nebulae and dust has its colors. Cells are weighed by the covariance of the
channels' errors, so that what varies with an object's color counts little, and what stays as it is where that varies
counts much.

Noise cannot tell falloff from glow: the variance of photons follows the recorded level, V times all light, whatever
made it. But once flat frames were divided out, variance grows outwards as 1/V: then what is dark in the corners is no
falloff any more. Nor does the number of stars tell: they lie as unevenly on the real sky (docs/accuracy.md). What does
is the light of stars whose magnitudes are known, where the frame's place on the sky is: whatever glows, it is V times
what the catalogue says::

    ln(light of a star) = ln V + zero point + color term + slopes across the frame (air)

Where such stars are given, they and the sky are fitted together, the sky's errors enlarged to what the model of the
glow was found to be wrong by.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import together
from workbench.measure.least_squares import least_squares
from workbench.measure.statistics import MAD_TO_SIGMA

__all__ = ["TERMS", "Falloff", "StarLight", "fit_falloff", "transmission"]

F64 = NDArray[np.float64]

#: Where rims of tubes begin to take light, half a diagonal being 1, and over how far on each side it sets in. With 0.2,
#: 0.4, 0.6 light of nebulae in the middle is taken for it: worst places of 14 scenes 6.4 % off in the mean, now 4.2.
_RIMS, _SOFT = (0.3, 0.5, 0.7), 0.1
#: Terms of V: k1, k2, k3 and those of the rims; their standard deviation, and at most: light that falls fast in the
#: middle and slowly outside is that of an object.
TERMS, _USUAL, _MOST = 3 + len(_RIMS), 0.5, (0.8, 1.5, 1.5, 1.5, 1.5, 1.5)
#: Standard deviation of the optical middle about that of the frame, half a diagonal being 1, and how far it may lie.
_MIDDLE, _MOST_MIDDLE = 0.02, 0.1
#: Standard deviation of q's harmonic terms of degree 1, 2, ...: for a source at 1.2 half sides whose light falls by the
#: power 2.5 they are 2.1, 0.9, 0.5, 0.3, 0.2.
_HARMONIC = (2.0, 0.9, 0.5, 0.3, 0.2)
#: Its round term, for a slope of 1: mean and standard deviation, and that without slope. Domes whose width is 0.4 to
#: 0.8 of their distance have -0.02 to -0.17; less than -0.25 has no glow whose lamps stand outside.
_ROUND, _ROUND_SPREAD, _ROUND_LEAST = -0.1, 0.08, 0.02
#: Lamps on several sides make it larger, and bend more than one of that slope does: standard deviation over that bend.
_SIDES, _ONE_BENDS = 0.3, 0.2
#: Standard deviation of that term times the place: sources of some width lie below a power near by.
_ROUND_ODD, _ROUND_WITHIN = 0.05, ((-0.8, 0.8), (-0.1, 0.1), (-0.1, 0.1))
#: Where a lamp stands in the frame, as the Moon may: standard deviation of all three, and how far they may lie from 0.
_ROUND_ANYWHERE, _MOST_ANYWHERE = 0.5, 2.0
#: Logarithm of the glow's light over the sky's in the middle: mean and standard deviation, and at most.
_BRIGHT, _MOST_BRIGHT = (-2.5, 1.0), -0.7
#: q_c: standard deviation of its constant, and of its terms over those of q.
_COLOR, _OWN = 0.4, 0.15
#: Standard deviation of what falloff differs by from channel to channel.
_GRAY = 0.01
#: Light of objects counts as such from so many deviations above the model, dark dust below. With 3 above, the faint
#: outskirts of nebulae count as sky: worst places of the 14 scenes 6.4 % off in the mean, with 2 5.0.
_ABOVE, _BELOW = 2.0, 4.0
#: Highest degree of q, round by round.
_DEGREES = (1, 2, 3, 5, 5, 5)
#: Error of a level before any fit.
_BEFORE = 0.05
#: How nearly a fit must have come to rest that the next begins with, and the last one (half the time of 1e-8 for all).
_BEGUN, _DONE = 1e-3, 1e-8
#: Squares across the longer side in which errors of cells are averaged to see how far they go together.
_SQUARES = 8
#: Weight from which a cell is one of sky, and fewest of them.
_HALF, _FEWEST = 0.5, 40
#: All that falloff may be where there is none, and how near to a limit a term counts as held by it.
_SHUT, _AT_LIMIT = 1e-6, 1e-5
#: Least error of the model itself.
_MODEL = 0.0005
#: By how much more the sky errs than its own scatter tells, where stars are asked too. Of nine scenes it leaves 4.7 %
#: in the worst place; half of it leaves 7.1, twice as much 5.1.
_SKY_ERRS = 3.0
#: Least scatter of stars about the catalogue (of their magnitudes alone it is 0.05, see `visual_magnitude`), and so
#: many deviations from which a star counts nothing.
_STARS_SCATTER, _STRAY = 0.03, 3.0


@dataclass(frozen=True, slots=True)
class Falloff:
    """What the sky says of a lens's falloff.

    Attributes
    ----------
    k : ndarray, shape (TERMS,), float64
        Of `transmission`.
    middle : (float, float)
        Optical middle across and down against that of the frame, half a diagonal being 1.
    error : float
        Standard error of the logarithm of the light in the corners.
    tint : float
        How much a channel's logarithm in the corners seems to differ from the others'.
    gain : float
        By how much falloff explains the sky better than a glow alone: logarithm of the likelihood.
    used : int
        Cells of sky that it rests on.
    residual : float
        Standard deviation of what all channels tell of a cell, about the model, as a share of it.
    glow : float
        Size of the glow over the frame, as a share of the sky: highest less lowest.
    """

    k: F64
    middle: tuple[float, float]
    error: float
    tint: float
    gain: float
    used: int
    residual: float
    glow: float


@dataclass(frozen=True, slots=True)
class StarLight:
    """Light of stars against what a catalogue says of it.

    Attributes
    ----------
    u, v : ndarray, shape (N,)
        Places across and down against the middle of the frame, half a diagonal being 1.
    excess : ndarray, shape (N,)
        Logarithm of the light over that of the catalogue, up to a constant.
    error : ndarray, shape (N,)
        Its standard error by noise.
    color : ndarray, shape (N,)
        B-V.
    common_error : float
        Error of the logarithm in the corners that all stars there share.
    """

    u: F64
    v: F64
    excess: F64
    error: F64
    color: F64
    common_error: float

    def left(self, values: F64, root: F64) -> F64:
        """Values (N,) or (N, n) less what no catalogue knows: zero point, color term, slopes that the air makes.

        ``root`` (N,) are roots of the weights by which these are fitted.
        """
        free = np.stack([np.ones_like(self.u), self.color, self.u, self.v], axis=1)
        return np.asarray(values - free @ np.linalg.lstsq(root[:, None] * free, (root * values.T).T)[0])

    def roots(self, left: F64) -> F64:
        """Roots of the weights (N,) by what is left of the excess, strays counting nothing."""
        off = (left - np.median(left)) / np.hypot(self.error, _STARS_SCATTER)
        scatter = max(float(MAD_TO_SIGMA * np.median(np.abs(off))), 1.0)
        weight = 1 / (1 + (off / (_STRAY * scatter)) ** 8)
        return np.asarray(np.sqrt(weight) / (np.hypot(self.error, _STARS_SCATTER) * scatter))


def transmission(k: F64, s: F64) -> F64:
    """Share of light that is let through.

    Parameters
    ----------
    k : ndarray, shape (TERMS,)
    s : ndarray
        Squared distance from the optical middle, half a diagonal being 1.

    Returns
    -------
    ndarray
    """
    rims = _rims(np.sqrt(s)) @ k[3:]
    return np.asarray((1 + k[0] * s) ** -2 * np.exp(-(k[1] + k[2] * s) * s * s - rims))


def _rims(r: F64) -> F64:
    """What the rims take, (..., n): from each on as r, setting in softly."""
    onset = _rims_slope(r)
    return np.asarray(_SOFT * onset**2 + np.maximum(r[..., None] - np.add(_RIMS, _SOFT), 0))


def _rims_slope(r: F64) -> F64:
    """Derivative of `_rims` by r, (..., n)."""
    return np.clip((r[..., None] - np.subtract(_RIMS, _SOFT)) / (2 * _SOFT), 0, 1)


def _log_transmission(p: F64, u: F64, v: F64) -> F64:
    """Logarithm of `transmission` at places u, v, by the first parameters of a model: k and middle."""
    s = (u - p[TERMS]) ** 2 + (v - p[TERMS + 1]) ** 2
    return np.asarray(np.log(transmission(p[:TERMS], s)))


def _slope_of_transmission(p: F64, u: F64, v: F64) -> F64:
    """Derivative of `_log_transmission` by k and middle, (N, TERMS + 2)."""
    k = p[:TERMS]
    x, y = u - p[TERMS], v - p[TERMS + 1]
    s = x * x + y * y
    r = np.sqrt(s)
    by_s = -2 * k[0] / (1 + k[0] * s) - 2 * k[1] * s - 3 * k[2] * s * s
    by_s -= _rims_slope(r) @ k[3:] / np.maximum(2 * r, 1e-6)
    of_k = [-2 * s / (1 + k[0] * s), -s * s, -s * s * s, *(-_rims(r)).T]
    return np.stack([*of_k, -2 * x * by_s, -2 * y * by_s], axis=1)


@dataclass(frozen=True)
class _Model:
    """The model for cells at u, v and for stars; parameters in the order k, middle, sky, glow, own, tint.

    ``terms`` (N, n) are those of q, the constant first; ``spread`` and ``mean`` (n,) their prior, ``degree`` (n,).
    """

    u: F64
    v: F64
    channels: int
    terms: F64
    mean: F64
    spread: F64
    degree: NDArray[np.int64]
    stars: StarLight | None

    @classmethod
    def of(cls, u: F64, v: F64, channels: int, longest: float, stars: StarLight | None) -> _Model:
        z = (u + 1j * v) / longest
        r2 = np.abs(z) ** 2
        terms, mean, spread, degree = [np.ones_like(u)], [_BRIGHT[0]], [_BRIGHT[1]], [0]
        for n, sigma in enumerate(_HARMONIC, start=1):
            terms += [(z**n).real, (z**n).imag]
            mean, spread, degree = mean + [0.0] * 2, spread + [sigma] * 2, degree + [n] * 2
        terms += [r2, r2 * z.real, r2 * z.imag]
        mean += [0.0, 0.0, 0.0]
        spread += [_ROUND_LEAST, _ROUND_ODD, _ROUND_ODD]
        degree += [2, 3, 3]
        return cls(u, v, channels, np.stack(terms, axis=1), np.array(mean), np.array(spread), np.array(degree), stars)

    @property
    def sizes(self) -> tuple[int, ...]:
        n, c = self.terms.shape[1], self.channels
        return (TERMS, 2, c, n, n * c if c > 1 else 0, c if c > 1 else 0)

    def parts(self, p: F64) -> list[F64]:
        """The parameters, group by group."""
        return np.split(p, np.cumsum(self.sizes)[:-1])

    def glow(self, glow: F64, own: F64) -> F64:
        """Light of the glow over that of the sky, (N, C)."""
        q = (self.terms @ glow)[:, None] + np.zeros(self.channels)
        if own.size:
            q = q + self.terms @ _apart(own.reshape(-1, self.channels))
        return np.asarray(np.exp(np.minimum(q, 5.0)))

    def log_level(self, p: F64) -> F64:
        """(N, C)."""
        _, middle, sky, glow, own, tint = self.parts(p)
        s = (self.u - middle[0]) ** 2 + (self.v - middle[1]) ** 2
        fall = _log_transmission(p, self.u, self.v)[:, None] - (s[:, None] * _apart(tint) if tint.size else 0.0)
        return np.asarray(fall + sky + np.log1p(self.glow(glow, own)))

    def slope(self, p: F64) -> F64:
        """Derivative of `log_level`, (N, C, parameters)."""
        _, middle, _, glow, own, tint = self.parts(p)
        n, c = self.u.size, self.channels
        x, y = self.u - middle[0], self.v - middle[1]
        s = x * x + y * y
        out = np.zeros((n, c, p.size))
        at = TERMS + 2
        out[:, :, :at] = _slope_of_transmission(p, self.u, self.v)[:, None]
        if tint.size:
            out[:, :, TERMS] += 2 * x[:, None] * _apart(tint)
            out[:, :, TERMS + 1] += 2 * y[:, None] * _apart(tint)
        light = self.glow(glow, own)
        share = light / (1 + light)
        shaped = share[:, :, None] * self.terms[:, None, :]
        out[:, :, at + c : at + c + glow.size] = shaped
        for i in range(c):
            out[:, i, at + i] = 1
            for j in range(c if own.size else 0):
                first, of_mean = at + c + glow.size + j, float(i == j) - 1 / c
                out[:, i, first : first + own.size : c] = of_mean * shaped[:, i]
                out[:, i, first + own.size] = -of_mean * s
        return out

    @property
    def trust(self) -> float:
        """By how much the sky's misfits count."""
        return 1.0 if self.stars is None else 1 / _SKY_ERRS

    def stars_left(self, p: F64, roots: F64) -> F64:
        """What falloff leaves of the stars' excess over the catalogue, (N,); none without stars."""
        if self.stars is None:
            return np.zeros(0)
        return self.stars.left(self.stars.excess - _log_transmission(p, self.stars.u, self.stars.v), roots)

    def stars_slope(self, p: F64, roots: F64) -> F64:
        """Derivative of `stars_left`, (N, parameters)."""
        if self.stars is None:
            return np.zeros((0, p.size))
        out = np.zeros((self.stars.u.size, p.size))
        slope = _slope_of_transmission(p, self.stars.u, self.stars.v)
        out[:, : TERMS + 2] = -self.stars.left(slope, roots)
        return out

    def prior(self, degree: int, p: F64, *, anywhere: bool = False) -> tuple[F64, F64]:
        """Mean and standard deviation of the parameters, q having terms up to ``degree``, near ``p``.

        ``anywhere``: lamps may stand in the frame.
        """
        spread = np.where(self.degree <= degree, self.spread, 1e-4)
        mean = np.where(self.degree <= degree, self.mean, 0.0)
        if degree >= 2:
            q = self.parts(p)[3]
            at, slope, bend = q.size - len(_ROUND_WITHIN), q[1] ** 2 + q[2] ** 2, np.hypot(q[3], q[4])
            mean[at] = _ROUND * slope
            spread[at] = _ROUND_LEAST + _ROUND_SPREAD * slope
            if anywhere:
                spread[at:] = _ROUND_ANYWHERE
            elif q[at] > mean[at]:
                spread[at] += _SIDES * max(bend - _ONE_BENDS * slope, 0.0)
        n = self.sizes
        own = np.where(self.degree == 0, _COLOR, _OWN * spread)
        means = [np.zeros(n[0]), np.zeros(2), np.zeros(n[2]), mean, np.zeros(n[4]), np.zeros(n[5])]
        spreads = [np.full(TERMS, _USUAL), np.full(2, _MIDDLE), np.full(n[2], 10.0), spread]
        spreads += [np.repeat(own, self.channels)[: n[4]], np.full(n[5], _GRAY)]
        return np.concatenate(means), np.concatenate(spreads)


@dataclass(frozen=True)
class _State:
    """Where a search stands: parameters, weight of cells, errors of channels, how many cells err together.

    ``white`` (C, C) makes errors of the channels even and independent; ``roots`` are those of the weights of stars.
    """

    p: F64
    weight: F64
    white: F64
    shared: float
    roots: F64
    covariance: F64 = field(default_factory=lambda: np.zeros((0, 0)))


def fit_falloff(
    u: F64, v: F64, level: F64, error: F64, half: tuple[float, float], stars: StarLight | None = None
) -> Falloff | None:
    """Falloff by the levels of cells of sky.

    Parameters
    ----------
    u, v : ndarray, shape (N,)
        Places of the cells across and down against the middle of the frame, half a diagonal being 1.
    level : ndarray, shape (N, C), float64
        Above 0.
    error : ndarray, shape (C,)
        Standard error of a level as a share of it, by the noise of its pixels.
    half : (float, float)
        Half width and half height of the frame in the same unit.
    stars : StarLight, optional
        Asked beside the sky.

    Returns
    -------
    Falloff or None
        None where too few cells are left to say.
    """
    channels = level.shape[1]
    model = _Model.of(u, v, channels, max(half), stars)
    seen, error = np.log(level), np.maximum(error, _MODEL)
    p = model.prior(0, np.zeros(sum(model.sizes)))[0]
    p[TERMS + 2 : TERMS + 2 + channels] = np.median(seen, axis=0)
    low, high = np.full(p.size, -np.inf), np.full(p.size, np.inf)
    low[:TERMS], high[:TERMS] = 0.0, _MOST
    low[TERMS : TERMS + 2], high[TERMS : TERMS + 2] = -_MOST_MIDDLE, _MOST_MIDDLE
    # What lies beyond the frame has no peak in it: without these bounds a bright round glow stands for falloff.
    glow = TERMS + 2 + channels
    high[glow] = _MOST_BRIGHT
    rounds = slice(glow + model.terms.shape[1] - len(_ROUND_WITHIN), glow + model.terms.shape[1])
    low[rounds], high[rounds] = np.transpose(_ROUND_WITHIN)
    # Lamps that seem to stand in the frame tell an even lens as well as one with falloff: then nothing is sure.
    open_low, open_high = low.copy(), high.copy()
    open_low[rounds], open_high[rounds] = -_MOST_ANYWHERE, _MOST_ANYWHERE
    open_high[:TERMS] = _SHUT
    roots = np.zeros(0) if stars is None else stars.roots(stars.excess)
    begin = _State(p, np.ones(u.size), np.eye(channels) / _BEFORE, 4.0, roots)

    def without_first() -> tuple[_State | None, _State | None]:
        even = _searched(model, seen, error, begin, open_low, open_high, _DEGREES, anywhere=True)
        return even, None if even is None else _searched(model, seen, error, even, low, high, _DEGREES[-1:] * 3)

    # Falloff first and the glow's bends last, and the other way round: the better of both is the fall.
    (even, later), fall = together(without_first, lambda: _searched(model, seen, error, begin, low, high, _DEGREES))
    found = [state for state in (fall, later) if state is not None]
    if even is None or not found:
        return None
    weight = np.maximum.reduce([even.weight, *(state.weight for state in found)])
    white = max((even, *found), key=lambda state: np.linalg.slogdet(state.white)[1]).white
    shared = max(1.0, min(s.shared for s in (even, *found)))
    common = _State(even.p, weight, white, shared, found[0].roots)
    costs = [_cost(model, seen, state.p, common) for state in found]
    best = found[int(np.argmin(costs))]
    k, middle, _, glow, own, tint = model.parts(best.p)
    kept = best.weight > _HALF
    corner = _corner_slope(best.p, half)
    return Falloff(
        k=k,
        middle=(float(middle[0]), float(middle[1])),
        error=float(np.sqrt(corner @ best.covariance @ corner)),
        tint=float(np.abs(_apart(tint)).max()) if tint.size else 0.0,
        gain=_cost(model, seen, even.p, common, anywhere=True) - min(costs),
        used=int(np.count_nonzero(kept)),
        residual=float((best.white.T @ best.white).sum() ** -0.5),
        glow=float(np.ptp(model.glow(glow, own)[kept], axis=0).max()),
    )


def _searched(
    model: _Model,
    seen: F64,
    error: F64,
    state: _State,
    low: F64,
    high: F64,
    degrees: tuple[int, ...],
    anywhere: bool = False,
) -> _State | None:
    """The model fitted with ever more bends, cells of objects weighted down; None where too few cells are left."""
    for i, degree in enumerate(degrees):
        mean, spread = model.prior(degree, state.p, anywhere=anywhere)
        root = model.trust * np.sqrt(state.weight / state.shared)[:, None, None] * state.white
        roots = state.roots

        def misfit(p: F64, root: F64 = root, mean: F64 = mean, spread: F64 = spread, roots: F64 = roots) -> F64:
            cells = (root @ (seen - model.log_level(p))[..., None]).ravel()
            return np.concatenate([cells, (p - mean) / spread, roots * model.stars_left(p, roots)])

        def slope(p: F64, root: F64 = root, spread: F64 = spread, roots: F64 = roots) -> F64:
            cells = -root @ model.slope(p)
            return np.concatenate(
                [cells.reshape(-1, p.size), np.diag(1 / spread), roots[:, None] * model.stars_slope(p, roots)]
            )

        begin = np.clip(state.p, low + _SHUT / 3, high - _SHUT / 3)
        tolerance = _BEGUN if i < len(degrees) - 1 else _DONE
        found = least_squares(
            misfit,
            slope,
            begin,
            bounds=(low, high),
            x_scale=np.minimum(spread, 1),
            ftol=tolerance,
            xtol=tolerance,
            max_nfev=20,
        )
        left = seen - model.log_level(found.x)
        kept = state.weight > _HALF
        scatter = np.hypot(_spread(left[kept]), error)
        off = (left / scatter).mean(axis=1)
        off /= max(float(MAD_TO_SIGMA * np.median(np.abs(off[kept] - np.median(off[kept])))), 0.3)
        # Smooth limits, so that no cell jumps in or out by a last bit.
        weight = 1 / (1 + (np.maximum(off, 0) / _ABOVE) ** 8 + (np.maximum(-off, 0) / _BELOW) ** 8)
        kept = weight > _HALF
        if kept.sum() < _FEWEST:
            return None
        white = _whitening(left[kept], error)
        shared = _shared(model.u[kept], model.v[kept], (left[kept] @ white.T).mean(axis=1))
        # A term that lies at its limit is held there by what the sky says: it does not err.
        free = (found.x > low + _AT_LIMIT) & (found.x < high - _AT_LIMIT)
        rows = np.asarray(found.jac, np.float64) * free
        inverse = np.linalg.pinv(rows.T @ rows, hermitian=True)
        if model.stars is not None:
            roots = model.stars.roots(model.stars_left(found.x, roots))
        state = _State(found.x, weight, white, shared, roots, np.asarray(inverse, np.float64))
    return state


def _cost(model: _Model, seen: F64, p: F64, common: _State, *, anywhere: bool = False) -> float:
    """Minus the logarithm of a search's posterior, by cells and errors that all searches share."""
    mean, spread = model.prior(max(_DEGREES), p, anywhere=anywhere)
    off = np.sqrt(common.weight / common.shared)[:, None] * ((seen - model.log_level(p)) @ common.white.T)
    # Beyond the limit an error counts no more: a cell of an object is as wrong in all searches.
    off = model.trust * np.clip(off, -_ABOVE, _ABOVE)
    stars = common.roots * model.stars_left(p, common.roots)
    prior = 0.5 * (((p - mean) / spread) ** 2).sum() + np.log(spread).sum()
    return float(0.5 * (off**2).sum() + prior + 0.5 * (stars**2).sum())


def _shared(u: F64, v: F64, left: F64) -> float:
    """How many cells' errors go together: variance of means over squares against that of single cells."""
    row, column = (np.floor((a + 1) * _SQUARES / 2).astype(np.int64) for a in (v, u))
    _, at, count = np.unique(row * 4 * _SQUARES + column, return_inverse=True, return_counts=True)
    mean = np.bincount(at, left) / count
    variance = float(left.var())
    if not variance > 0:
        return 1.0
    return float(np.clip((count * mean**2).mean() / variance, 1.0, count.mean()))


def _apart(of_channels: F64) -> F64:
    """By how much channels differ from their mean, along the last axis: what they share is not told twice."""
    return np.asarray(of_channels - of_channels.mean(axis=-1, keepdims=True))


def _whitening(left: F64, error: F64) -> F64:
    """What makes errors of channels even and independent, (C, C), by what is left in cells (N, C)."""
    covariance = left.T @ left / len(left) + np.diag(error**2)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), np.float64)


def _spread(left: F64) -> F64:
    """Scatter by the darker side alone, which light of objects does not reach, (C,)."""
    middle = np.median(left, axis=0)
    return np.asarray(np.maximum(middle - np.quantile(left, 0.1587, axis=0), 1e-9))


def _corner_slope(p: F64, half: tuple[float, float]) -> F64:
    """Derivative of the mean logarithm of the light in the corners by all parameters."""
    u, v = (a.ravel() for a in np.meshgrid((-half[0], half[0]), (-half[1], half[1]), indexing="ij"))
    out = np.zeros(p.size)
    out[:TERMS] = _slope_of_transmission(p, u, v)[:, :TERMS].mean(axis=0)
    return out

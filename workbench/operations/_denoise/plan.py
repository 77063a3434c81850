"""What a tile needs to know: noise model and significance levels as small arrays, and the reach that follows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.measure.starlet import WHITE_NOISE
from workbench.operations._denoise.facts import DenoiseFacts
from workbench.operations._denoise.peaks import REACH as PEAKS_REACH

__all__ = ["TURN", "DenoisePlan", "knees", "make_plan", "noise_per_scale", "reach", "scales_at"]

Vector = NDArray[np.float32]

#: Usual luminance and color differences: orthonormal, so noise of equal variance stays so. Rows are the new channels.
TURN = np.array([[1, 1, 1], [1, 0, -1], [1, -2, 1]]) / np.sqrt([[3], [2], [6]])

#: Local power, in units of the noise power, up to which a scale (finest first) is taken for noise: in luminance and in
#: the color that holds more and less structure. Chosen on simulated scenes for the smallest error of sky, objects and
#: stars together, as are the two tables below; the optimum is flat.
LEVELS = ((3.6, 3.2, 1.8, 3.9, 3.9), (2.45, 0.5, 1.2, 1.6, 2.3), (2.8, 1.15, 1.4, 1.65, 2.45))
#: The same for the luminance at the same place, on which color is judged too.
LIGHT = ((0.0, 0.0, 0.0, 0.0, 0.0), (8.0, 5.0, 2.9, 1.7, 0.0), (9.0, 6.0, 9.0, 5.4, 0.0))
#: Share of what is kept in the next coarser scale that is left in a wave taken for noise. For smooth structure alone it
#: would be 1/4; noise that neighboring scales share takes from it.
ECHO = (0.16, 0.12, 0.15, 0.2, 0.2)
#: The most of a scale that is taken for noise. A tenth of the finest grain stays everywhere: what is left in the sky
#: then looks like grain, and is no smoother than what can be reached between a star's wings.
MOST = (0.87, 0.9, 1.0, 1.0, 1.0)
#: Times the noise of the two finest scales from which on light stands out of them as a star does. At 3.5 in the second
#: the light that faint stars keep grows by 2 to 4 %, and islands of grain in the sky that pass for stars are ten times
#: as many: plain to see.
LEAST = (4.5, 4.2)

_KNEE = 0.25  # variance, as a share of the sky's, below which the stabiliser goes on as a straight line
_FEWEST = 2
_FINE = 2  # scales that hold fine detail


@dataclass(frozen=True, slots=True)
class DenoisePlan:
    """Everything `tile.denoise` reads besides pixels; arrays are float32, one value per channel where not said."""

    scales: int
    sky: Vector
    per_sigma: Vector  #: 1 / noise of a pixel at the sky
    shot: Vector  #: growth of the variance per noise unit above the sky
    knee: Vector  #: stabiliser turns linear below this many noise units
    turn: NDArray[np.float32]  #: (C, C) or (3, 3)
    field: Vector  #: (6,) weight of noise over the frame: 1, u, v, u2, uv, v2 with u, v in -1..1
    per_variance: NDArray[np.float32]  #: (scales, C)
    limit: NDArray[np.float32]  #: (scales, C)
    support: NDArray[np.float32]  #: (scales, C)
    echo: Vector  #: (scales,)
    most: Vector  #: (scales,)
    least: Vector  #: (2,)
    amount: float


def scales_at(scales: int, scale: float) -> int:
    """How many scales of a frame reduced ``scale`` times reach as far as ``scales`` do at full resolution."""
    return max(_FEWEST, scales - round(math.log2(max(scale, 1.0))))


def reach(scales: int) -> int:
    """Pixels around a tile that ``scales`` scales look at, with their power windows and coarse grids."""
    step = 2 ** (scales - 2)
    # All scales look at what `peaks.level` leaves, and what they take is looked at 2 pixels around.
    # 10 for two full-resolution scales and their windows. Coarser: 6 for the first two scales, a step less one by
    # alignment, 12 steps by smoothing and windows on the way down, 3 steps by interpolation on the way up.
    return PEAKS_REACH + 2 + (10 if scales == _FEWEST else 16 * step + 2)


def _last(values: tuple[float, ...], count: int) -> NDArray[np.float64]:
    return np.array([values[min(j, len(values) - 1)] for j in range(count)])


def knees(shot: NDArray[np.float64]) -> NDArray[np.float64]:
    """Noise units below which the stabiliser goes on as a straight line, per channel."""
    return np.maximum((_KNEE - 1) / np.maximum(shot, 1e-30), -1e30)


def noise_per_scale(measured: Sequence[Sequence[float]], scales: int, scale: float) -> NDArray[np.float64]:
    """Noise (scales, C) in each scale of a frame reduced ``scale`` times by averaging.

    ``measured`` (C, n) are the scales of the full-resolution frame. In terms of the white noise that would give
    them, scale j of the reduced frame shows what scale j + log2(scale) shows at full resolution, averaged over
    ``scale`` x ``scale`` pixels; beyond the measured scales noise is white.
    """
    table = np.asarray(measured, float)
    count = table.shape[1]
    white = np.array([WHITE_NOISE[min(j, 4)] * 0.5 ** max(j - 4, 0) for j in range(max(scales, count))])
    level = table / white[:count]
    octaves = math.log2(max(scale, 1.0))
    at = np.arange(scales) + octaves
    out = np.stack([np.interp(at, np.arange(count), row) for row in level], axis=1) / scale
    # Averaging blurs the finest scale left, and white noise makes up for it by what folds in from finer scales.
    folded = np.minimum(1, level[:, 0] / np.maximum(out[0] * scale, 1e-30)) ** 2
    out[0] *= np.sqrt(1 - 0.4 * min(octaves, 1.0) * (1 - folded))
    return np.asarray(out * white[:scales, None])


def make_plan(
    facts: DenoiseFacts, *, scales: int, scale: float, strength: float, color: float, detail: float, amount: float
) -> DenoisePlan | None:
    """Facts and settings as a plan, or None when there is no noise to take away."""
    sigma = np.asarray(facts.sigma, float)
    sky = np.asarray(facts.sky, float)
    channels = sigma.size
    per_scale = noise_per_scale(facts.scales, scales_at(scales, scale), scale)
    if amount == 0 or not (sigma > 0).all() or not (per_scale > 0).all():
        return None
    shot = np.asarray(facts.shot, float)
    count = per_scale.shape[0]
    factor = np.full((count, channels), float(strength))
    factor[:_FINE] *= 2 ** (1 - 2 * detail)
    factor[:, 1:] *= color
    limit, support = (np.stack([_last(t[c], count) for c in range(channels)], axis=1) * factor for t in (LEVELS, LIGHT))
    single = np.float32
    return DenoisePlan(
        scales=count,
        sky=sky.astype(single),
        per_sigma=(1 / sigma).astype(single),
        shot=shot.astype(single),
        knee=knees(shot).astype(single),
        turn=np.ascontiguousarray(facts.turn, single),
        field=np.asarray(facts.field, single),
        per_variance=(1 / per_scale**2).astype(single),
        limit=limit.astype(single),
        support=support.astype(single),
        echo=_last(ECHO, count).astype(single),
        most=_last(MOST, count).astype(single),
        least=(np.array(LEAST) * np.sqrt(strength)).astype(single),
        amount=amount,
    )

"""What a tile needs to know: noise model and significance levels as small arrays, and the reach that follows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.measure.starlet import WHITE_NOISE

__all__ = ["TURN", "Plan", "make_plan", "reach", "scales_at"]

Vector = NDArray[np.float32]

#: Luminance and two color differences: orthonormal, so noise of equal variance stays so. Rows are the new channels.
TURN = np.array([[1, 1, 1], [1, 0, -1], [1, -2, 1]]) / np.sqrt([[3], [2], [6]])

#: Local power, in units of the noise power, up to which a scale (finest first) is taken for noise: luminance, color.
#: Chosen on simulated scenes for the best picture error of sky, objects and stars together.
LUMINANCE_LEVEL = (3.2, 2.8, 1.6, 1.6, 2.4)
COLOR_LEVEL = (4.2, 4.2, 3.4, 2.6, 3.0)
#: Share of the luminance's power in excess of noise that speaks for color at the same place, chosen likewise.
SUPPORT = (0.0, 0.5, 0.2, 0.1, 0.1)

_KNEE = 0.25  # variance, as a share of the sky's, below which the stabiliser goes on as a straight line
_FEWEST = 2


@dataclass(frozen=True, slots=True)
class Plan:
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
    support: Vector  #: (scales,)
    amount: float


def scales_at(scales: int, scale: float) -> int:
    """How many scales of a frame reduced ``scale`` times reach as far as ``scales`` do at full resolution."""
    return max(_FEWEST, scales - round(math.log2(max(scale, 1.0))))


def reach(scales: int) -> int:
    """Pixels around a tile that ``scales`` scales look at, with their power windows and coarse grids."""
    step = 2 ** (scales - 2)
    # 6 for two full-resolution scales and 10 with their windows; a coarse grid loses up to a step by alignment,
    # 12 steps by smoothing and windows on the way down and up to 3 by interpolation on the way up.
    return 10 if scales == _FEWEST else 16 * step - 2


def _last(values: tuple[float, ...], count: int) -> NDArray[np.float64]:
    return np.array([values[min(j, len(values) - 1)] for j in range(count)])


def noise_per_scale(measured: list[list[float]], scales: int, scale: float) -> NDArray[np.float64]:
    """Noise (scales, C) in each scale of a frame reduced ``scale`` times by averaging.

    ``measured`` (C, n) are the scales of the full-resolution frame. In terms of the white noise that would give
    them, scale j of the reduced frame shows what scale j + log2(scale) shows at full resolution, averaged over
    ``scale`` x ``scale`` pixels; beyond the measured scales noise is white.
    """
    table = np.asarray(measured, float)
    white = np.array([WHITE_NOISE[min(j, 4)] * 0.5 ** max(j - 4, 0) for j in range(max(scales, table.shape[1]))])
    level = table / white[: table.shape[1]]
    at = np.arange(scales) + math.log2(max(scale, 1.0))
    known = np.arange(table.shape[1])
    return np.stack([np.interp(at, known, row) for row in level], axis=1) / scale * white[:scales, None]


def make_plan(
    facts: dict[str, Any], *, scales: int, scale: float, strength: float, color: float, detail: float, amount: float
) -> Plan | None:
    """Facts and settings as a plan, or None when there is no noise to take away."""
    sigma = np.asarray(facts["sigma"], float)
    sky = np.asarray(facts["sky"], float)
    channels = sigma.size
    per_scale = noise_per_scale(facts["scales"], scales_at(scales, scale), scale)
    if amount == 0 or not (sigma > 0).all() or not (per_scale > 0).all():
        return None
    shot = np.asarray(facts["shot"], float)
    knee = np.where(shot > 0, (_KNEE - 1) / np.maximum(shot, 1e-12), -1e30)
    count = per_scale.shape[0]
    limit = np.stack([_last(LUMINANCE_LEVEL if c == 0 else COLOR_LEVEL, count) for c in range(channels)], axis=1)
    limit *= strength
    limit[:, 1:] *= color
    single = np.float32
    return Plan(
        scales=count,
        sky=sky.astype(single),
        per_sigma=(1 / sigma).astype(single),
        shot=shot.astype(single),
        knee=np.maximum(knee, -1e30).astype(single),
        turn=np.ascontiguousarray(TURN if channels == 3 else np.eye(1), single),
        field=np.asarray(facts["field"], single),
        per_variance=(1 / per_scale**2).astype(single),
        limit=limit.astype(single),
        support=(_last(SUPPORT, count) * 2 * detail).astype(single),
        amount=amount,
    )

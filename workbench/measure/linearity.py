"""Is a file still linear? What speaks for and against it, and when that is enough.

A high sky proves nothing: light pollution lifts it in a linear stack too. Star profiles do not care about the sky.
In linear light all stars of a field have the same profile, whatever their brightness; every stretch raises the faint
wings of a bright star more than its core, so bright stars come out wider than faint ones. The measure here, the
*growth*, is the light around the core over the light of the core, for bright stars over the same for faint ones, on
isolated, unsaturated stars above a good signal-to-noise ratio.

Notes
-----
Simulated stacks (five scenes; sky at 1 to 41 % of white, 6 to 60 frames, FWHM 1.8 to 4.5 pixels): linear 0.83 to
1.08, also blurred, cut at the black end or scaled; sRGB curve alone 1.01 to 1.37; asinh, logarithm, power and
rational curves to a usual sky brightness 1.01 to 1.85. Growth alone decides from 1.25 on, together with a claim of the
file (profile, color space, 8 bits) from 1.12 on: of 125 linear frames none was called a picture, of 175 stretched ones
about a quarter by their stars alone and half together with a claim. The others have too few lone stars or too mild
a curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.measure.filters import gaussian
from workbench.measure.local_maxima import local_maxima
from workbench.measure.noise import quick_noise

__all__ = ["Growth", "judge", "star_growth"]

_SIDES = (900, 1800)  #: of the square in the frame's middle: the larger where the smaller shows few stars
_ENOUGH = 60  #: stars that are few no longer
_REACH, _HIGHEST_WITHIN = 12, 7  #: px around a star that are looked at, and in which none is brighter
_MOST, _FEWEST = 2000, 24  #: stars that are looked at, and without which nothing is told
_SNR = 20.0  #: height of the faintest over the noise
_UNSATURATED = 0.75  #: of the frame's highest value, below which a star is not clipped
_ALONE = 0.05  #: of the core's height, the most that the brightest tenth of the surroundings may reach
_GROWN, _GROWN_WITH_CLAIM = 1.25, 1.12  #: growth of a finished picture's stars, and where the file says that it is one
#: Least light in the wings of faint stars, over their core: below it (FWHM under 1.5 to 2 px) a star is one pixel and
#: its wings are noise, which feigned growths of up to 2.3 in linear light. Half as much: still up to 1.14; twice as
#: much: nothing is told of stars under 2.4 px.
_LEAST_WINGS = 0.05
_SURE = 3.0  #: standard errors
_OVERRIDE = "--linear (in Python tone='linear' or tone='display') settles it"


@dataclass(frozen=True, slots=True)
class Growth:
    """How much wider bright stars are than faint ones (1: not at all), its standard error, and from how many stars."""

    ratio: float
    error: float
    stars: int


def judge(
    pixels: NDArray[np.float32],
    coverage: NDArray[np.uint8] | None = None,
    *,
    integer_bits: int = 0,
    encoding: str | None = None,
    where: str = "",
) -> tuple[Tone, list[str]]:
    """Tone of a frame whose file does not state it, and remarks with the evidence.

    Display only on strong evidence: a false alarm would forbid every linear step, a miss costs a remark.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, C), float32
        Scaled to white 1.
    coverage : ndarray, shape (H, W), uint8, optional
    integer_bits : int
        Bits of the file's integer samples; 0 for floats.
    encoding : {'curved', 'straight'}, optional
        What a profile in the file says of its tone curve.
    where : str
        Where that stands, for the remark: "its ICC profile".

    Returns
    -------
    tone : Tone
    remarks : list of str
    """
    step = 1.0 / ((1 << integer_bits) - 1) if integer_bits else 0.0
    growth = star_growth(pixels, coverage, step=step)
    claims = [f"{where} has a tone curve"] if encoding == "curved" else []
    claims += ["it has only 8 bits a sample"] if 0 < integer_bits <= 8 else []
    display, words = _weighed(growth, claims, straight=encoding == "straight")
    remarks = [f"{words}; {_OVERRIDE}"] if words else []
    return Tone.DISPLAY if display else Tone.LINEAR, remarks


def _weighed(growth: Growth | None, claims: list[str], *, straight: bool) -> tuple[bool, str]:
    """Whether the evidence for a finished picture is strong, and what to say."""
    claimed = _listed(claims)
    if growth is None:
        if len(claims) > 1:  # a tone curve over 8 bits is how finished pictures are stored
            return True, f"taken as a finished picture: {claimed}"
        return False, f"taken as linear, though {claimed}" if claims else ""
    seen = f"its bright stars are {growth.ratio:.2f} times as wide as its faint ones ({growth.stars} stars)"
    sure = growth.ratio - 1 > _SURE * growth.error
    if sure and ((growth.ratio >= _GROWN and not straight) or (growth.ratio >= _GROWN_WITH_CLAIM and claims)):
        return True, f"not linear any more: {_listed([*claims, seen])}"
    if sure and growth.ratio >= _GROWN_WITH_CLAIM:
        return False, f"taken as linear, but {seen}, as after a stretch"
    return False, f"taken as linear, though {claimed}: its stars look as in a linear stack" if claims else ""


def _listed(parts: list[str]) -> str:
    return " and ".join(parts)


def star_growth(
    pixels: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None, *, step: float = 0.0
) -> Growth | None:
    """Compare the profiles of bright and faint stars in the middle of a frame.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, C), float32
    coverage : ndarray, shape (H, W), uint8, optional
    step : float
        Distance between neighboring sample values.

    Returns
    -------
    Growth or None
        None when fewer than 24 isolated stars are bright enough.
    """
    core = wings = np.empty(0, np.float32)
    for side in _SIDES:
        core, wings = _stars_within(pixels, coverage, step, side)
        # A square of twice the side shows about four times as many.
        if core.size >= _ENOUGH or 4 * core.size < _FEWEST or side >= max(pixels.shape[:2]):
            break
    return _compared(core, wings)


def _stars_within(
    pixels: NDArray[np.float32], coverage: NDArray[np.uint8] | None, step: float, side: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Core and wings of the stars in a square in the middle of the frame."""
    height, width, channels = pixels.shape
    y0, x0 = max(0, (height - side) // 2), max(0, (width - side) // 2)
    window = np.s_[y0 : y0 + side, x0 : x0 + side]
    plane = np.ascontiguousarray(pixels[window][:, :, channels // 2])
    covered = None if coverage is None else coverage[window] > 0
    found = None if min(plane.shape) <= 2 * _REACH + 2 else _peaks(plane, covered, step)
    if found is None:
        return np.empty(0, np.float32), np.empty(0, np.float32)
    (ys, xs), noise = found
    return _profiles(plane, ys, xs, noise)


def _peaks(
    plane: NDArray[np.float32], covered: NDArray[np.bool_] | None, step: float
) -> tuple[tuple[NDArray[np.int64], NDArray[np.int64]], float] | None:
    """Places of local maxima well above the noise, and the noise."""
    median = float(np.median(plane[::3, ::3]))
    noise = max(*quick_noise(plane[None], covered), step, 1e-4 * (float(plane.max()) - median))
    if not noise > 0:
        return None
    smooth = gaussian(plane, 0.8)
    ys, xs = local_maxima(smooth, median + _SNR * noise, reach=_HIGHEST_WITHIN, margin=_REACH)
    if covered is not None:
        near = np.ones((2 * _REACH + 1,) * 2, np.uint8)
        whole = cv2.erode(covered.astype(np.uint8), near)[ys, xs] > 0
        ys, xs = ys[whole], xs[whole]
    skip = max(1, -(-len(ys) // _MOST))
    return (ys[::skip], xs[::skip]), noise


def _profiles(
    plane: NDArray[np.float32], ys: NDArray[np.int64], xs: NDArray[np.int64], noise: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Mean height of core (3 x 3) and wings (1.5 to 3.7 px) over the surroundings, of lone, unsaturated stars."""
    reach = np.arange(-_REACH, _REACH + 1)
    patches = plane[ys[:, None, None] + reach[:, None], xs[:, None, None] + reach]
    r = np.hypot(reach[:, None], reach[None, :])
    ring = patches[:, (r > 8) & (r <= _REACH)]
    ground = np.median(ring, axis=1)
    neighbors = np.percentile(ring, 90, axis=1) - ground
    core = patches[:, r < 1.5].mean(axis=1) - ground
    wings = patches[:, (r >= 1.5) & (r < 3.7)].mean(axis=1) - ground
    good = (core > _SNR * noise) & (neighbors < _ALONE * core)
    good &= patches[:, _REACH, _REACH] < _UNSATURATED * plane.max()
    return core[good], wings[good]


def _compared(core: NDArray[np.float32], wings: NDArray[np.float32]) -> Growth | None:
    """Growth from the faintest and the brightest third (sixth, where there are many)."""
    n = core.size
    if n < _FEWEST:
        return None
    order = np.argsort(core, kind="stable")
    group = max(12, n // 6) if n >= 90 else n // 3
    shape = (wings / core).astype(np.float64)
    # Galaxies and knots of nebulae are wider than stars: the narrower part of each group is stars alone.
    levels, errors = [], []
    for members in (order[:group], order[-group:]):
        narrow = np.sort(shape[members])[: max(4, 2 * group // 3)]
        levels.append(float(np.percentile(shape[members], 35)))
        errors.append(float(narrow.std()) / np.sqrt(narrow.size))
    faint, bright = levels
    if faint <= _LEAST_WINGS:
        return None
    ratio = bright / faint
    return Growth(ratio, float(ratio * np.hypot(errors[0] / faint, errors[1] / max(bright, 1e-6))), n)

"""What an operation is told when it is asked whether a stack's recipe should have it, and its answer.

Beside what the check-up found this is a trial: the middle of the stack after the steps so far. In it is measured what
later steps hang on: excess green, how bright the object may be shown, how colorful the picture is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.measure.background.sky import SkyLevel, sky_levels
from workbench.measure.noise import quick_noise
from workbench.measure.statistics import MAD_TO_SIGMA
from workbench.operations._sky_solution import PixelMap
from workbench.operations.colorspace import linear_to_oklab, luminance_weights, srgb_decode
from workbench.operations.findings import Findings
from workbench.stack import Stack

if TYPE_CHECKING:
    from workbench.operations.base import Facts, Operation

__all__ = ["Extended", "StackTrial", "Suggestion", "colorfulness", "extended_light", "green_excess", "window"]

Plane = NDArray[np.float32]

#: Pixels of the part that is looked at: enough sky and object, and quick at any frame size.
_MOST = 6_000_000
#: Pixels of the reduced luminance in which extended light is looked for.
_COARSE = 250_000
#: What is narrower than this (pixels of the full frame) is a star with its halo.
_STAR_PX = 36
#: Light counts as extended above so many units of the reduced frame's noise.
_SEEN = 4.0
#: Share of the extended light's pixels that are at most as bright as its "bright part".
_BRIGHT_PART = 0.97
_LEAST_SHARE = 0.002
#: Light between stars counts from this share of what stars give on average around.
_HALOS = 0.5
#: Quantile of the frame that is its darkest sky, and from how many units of noise below the median on it becomes
#: another sky, which it wholly is at the second number.
_DARKEST, _UNEVEN = 0.03, (5.0, 8.0)
#: Pixels of the reduced frame between those that tell its noise: beyond the median filter.
_APART = 6


@dataclass(frozen=True, slots=True)
class Extended:
    """Light of nebulae and galaxies, stars taken out.

    Attributes
    ----------
    share : float
        Of the frame, in which extended light stands clear of the noise.
    bright : float
        Luminance above the sky of its brightest few per cent, in units of the white level.
    over_noise : float
        The same in units of the luminance noise of a pixel.
    """

    share: float
    bright: float
    over_noise: float

    @property
    def there(self) -> bool:
        """Whether there is anything but stars."""
        return self.share >= _LEAST_SHARE and self.bright > 0


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A step that a recipe should have.

    Attributes
    ----------
    operation : Operation
        With the settings that suit the stack.
    note : str
        Why, with the numbers that it rests on.
    facts : Facts or None
        What it found in the trial, if it was measured there.
    changes_trial : bool
        Whether later steps are asked about the trial as this step leaves it. Without it a trial is quicker: for a step
        that makes no difference to what is measured in it.
    """

    operation: Operation
    note: str
    facts: Facts | None = None
    changes_trial: bool = True


@dataclass
class StackTrial:
    """A stack as it is before a step that may be suggested.

    Attributes
    ----------
    found : Findings
        What the check-up found in the stack.
    """

    found: Findings
    _make: Callable[[], Stack] | None = field(repr=False)

    @cached_property
    def image(self) -> Stack:
        """The middle of the stack inside its borders, after the steps so far; made when it is first asked for."""
        assert self._make is not None
        made, self._make = self._make(), None  # which lets go of the trial before
        return made

    @cached_property
    def sky(self) -> list[SkyLevel]:
        """Sky of its channels."""
        return sky_levels(self.image.planes, self.image.coverage)

    @cached_property
    def light(self) -> Extended:
        """Light of nebulae and galaxies in it."""
        return extended_light(self.image, self.sky)

    @property
    def in_color(self) -> bool:
        """Whether the stack has three channels."""
        return len(self.found.sky) == 3

    @property
    def noise_share(self) -> float:
        """Noise of a pixel as a share of the sky level, in the noisiest channel of the stack."""
        return max((n / s for n, s in zip(self.found.noise, self.found.sky, strict=True) if s > 0), default=0.0)


def window(stack: Stack, found: Findings, most: int = _MOST) -> Stack:
    """The middle of a stack inside its borders, of at most ``most`` pixels: a view, not a copy.

    Parameters
    ----------
    stack : Stack
    found : Findings
    most : int

    Returns
    -------
    Stack
    """
    h, w, _ = stack.shape
    b = found.borders
    y0, y1, x0, x1 = b.top, h - b.bottom, b.left, w - b.right
    shrink = min(1.0, np.sqrt(most / max((y1 - y0) * (x1 - x0), 1)))
    height, width = max(1, round((y1 - y0) * shrink)), max(1, round((x1 - x0) * shrink))
    y0, x0 = y0 + (y1 - y0 - height) // 2, x0 + (x1 - x0 - width) // 2
    part = np.s_[y0 : y0 + height, x0 : x0 + width]
    coverage = None if stack.coverage is None else stack.coverage[part]
    wcs = PixelMap(shift=(-x0, -y0)).solution(stack.wcs, height, width)
    return replace(stack, pixels=stack.pixels[part], coverage=coverage, wcs=wcs)


def _reduced_luminance(image: Stack, sky: Sequence[SkyLevel] | None) -> tuple[Plane, float, int]:
    """Luminance above each channel's sky, reduced; luminance noise of a full pixel; a star's width with its halo."""
    planes = image.planes
    weights = luminance_weights(len(planes)).tolist()
    sky = sky or sky_levels(planes, image.coverage)
    total: Plane = np.zeros(image.shape[:2], np.float32)
    variance = 0.0
    for plane, level, weight in zip(planes, sky, weights, strict=True):
        total += np.float32(weight) * (plane - np.float32(level.level))
        variance += (weight * level.sigma) ** 2
    if image.coverage is not None:
        total[image.coverage == 0] = 0
    scale = np.sqrt(_COARSE / total.size)
    if scale < 1:
        size = (max(1, round(total.shape[1] * scale)), max(1, round(total.shape[0] * scale)))
        total = np.asarray(cv2.resize(total, size, interpolation=cv2.INTER_AREA), np.float32)
    return total, float(np.sqrt(variance)), max(5, round(_STAR_PX * min(scale, 1.0)))


def _darkest_sky(soft: Plane, noise: float) -> tuple[float, float]:
    """Level below the common one where the sky is darkest, and how far it is another sky, from 0 (none) to 1.

    Faint dust may lie over most of a frame: then the most common brightness is the dust's, and what is darker is no
    noise. Objects that leave most of the frame free do not reach its median.
    """
    low, middle = (float(v) for v in np.quantile(soft, [_DARKEST, 0.5]))
    if low >= 0 or noise <= 0:
        return 0.0, 0.0
    another = float(np.interp((middle - low) / noise, _UNEVEN, (0.0, 1.0)))
    return another * low, another


def extended_light(image: Stack, sky: Sequence[SkyLevel] | None = None) -> Extended:
    """How much light of extended objects a linear image holds; its sky must be even.

    Parameters
    ----------
    image : Stack
    sky : sequence of SkyLevel, optional
        That of its channels; measured if left out.

    Returns
    -------
    Extended

    Notes
    -----
    What is narrower than a star with its halo is taken out by an opening. What an opening leaves between crowded stars
    is their halos: it counts only where it is more than a share of what was taken out around. The zero is the common
    sky, or, where the frame is darker in places by far more than noise, the darkest sky.
    """
    total, pixel_noise, side = _reduced_luminance(image, sky)
    soft = np.asarray(cv2.medianBlur(total, 5), np.float32)
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    opened = np.asarray(cv2.morphologyEx(soft, cv2.MORPH_OPEN, disk), np.float32)
    (own,) = quick_noise(soft[None], apart=_APART)
    darkest, another = _darkest_sky(opened, own)
    below = opened[opened < 0]
    common = MAD_TO_SIGMA * float(np.median(-below)) if below.size else 0.0
    noise = another * own + (1.0 - another) * common
    opened -= np.float32(darkest)
    taken = cv2.blur(total - opened - np.float32(darkest), (2 * side + 1, 2 * side + 1))
    seen = (opened > max(_SEEN * noise, 1e-7)) & (opened > _HALOS * taken)
    share = float(np.count_nonzero(seen) / seen.size)
    bright = float(np.quantile(opened[seen], _BRIGHT_PART)) if seen.any() else 0.0
    return Extended(share, bright, bright / pixel_noise if pixel_noise > 0 else 0.0)


def green_excess(image: Stack, sky: Sequence[SkyLevel] | None = None) -> float:
    """Share of the pixels in which green stands above both red and blue by more than the noise explains.

    Parameters
    ----------
    image : Stack
        Linear, in color.
    sky : sequence of SkyLevel, optional
        That of its channels; measured if left out.

    Returns
    -------
    float
        0..1.
    """
    planes = image.planes
    sky = sky or sky_levels(planes, image.coverage)
    step = max(1, int(np.sqrt(image.pixels.shape[0] * image.pixels.shape[1] / 2_000_000)))
    red, green, blue = (p[::step, ::step] - np.float32(s.level) for p, s in zip(planes, sky, strict=True))
    noise = float(np.hypot(sky[1].sigma, max(sky[0].sigma, sky[2].sigma)))
    return float(np.count_nonzero(green - np.maximum(red, blue) > 5 * noise) / green.size)


def colorfulness(picture: Stack) -> float:
    """Chroma (Oklab) that the more colorful light above the sky has: the upper quarter of what is brighter.

    Parameters
    ----------
    picture : Stack
        Display.

    Returns
    -------
    float
    """
    step = max(1, int(np.sqrt(picture.pixels.shape[0] * picture.pixels.shape[1] / 500_000)))
    planes = np.ascontiguousarray(np.moveaxis(picture.pixels[::step, ::step], 2, 0))
    lightness, a, b = linear_to_oklab(srgb_decode(np.clip(planes, 0, 1)).reshape(3, -1))
    sky = float(np.median(lightness))
    bright = (lightness > sky + 0.15) & (lightness < 0.95)
    if np.count_nonzero(bright) < 50:
        return 0.0
    return float(np.quantile(np.hypot(a[bright], b[bright]), 0.75))

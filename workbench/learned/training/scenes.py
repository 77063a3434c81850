"""Training pairs: what a camera recorded, and what it would have recorded without the stars.

The model of the light, in units of the sky's noise, the sky's level taken off:

    recorded = clip(objects + stars + glow) + noise of the sky and objects + noise of the stars' own light
    starless = clip(objects + glow)         + the same noise of the sky and objects
    clean    = clip(objects + stars + glow)

Noise is white on the sensor, grows with the light (photons), and is then shared among neighbors by demosaicing and
aligning; some frames have outliers. Saturation cuts each channel at a level of its own, softly or hard.
"""

from __future__ import annotations

from typing import NamedTuple

import torch
from torch import Tensor

from workbench.learned.training.drawing import Draw
from workbench.learned.training.optics import spreads
from workbench.learned.training.textures import galaxies, gradients, knots, nebulae, small_galaxies

__all__ = ["Pairs", "pairs"]

#: Smoothing that a frame's noise went through: none; bilinear demosaicing of a quarter and of half of the sites; linear
#: interpolation when frames are aligned, averaged over all shifts; a kernel with negative lobes; an enlarged frame
#: (common practice; all separable).
_KERNELS = (
    (1.0,),
    (0.25, 0.5, 0.25),
    (0.12, 0.76, 0.12),
    (1 / 6, 2 / 3, 1 / 6),
    (0.05, 0.25, 0.4, 0.25, 0.05),
    (-0.06, 0.16, 0.8, 0.16, -0.06),
    (0.04, 0.11, 0.21, 0.28, 0.21, 0.11, 0.04),
)
_TAPS = 7


class Pairs(NamedTuple):
    """Frames (N, 3, size, size) float32, in noise units of the sky.

    Attributes
    ----------
    recorded, starless, clean : Tensor
    stars : Tensor
        Light of the stars before noise and saturation.
    sigma : Tensor
        Standard deviation of the starless frame's noise at each pixel.
    objects : Tensor
        Light of objects before noise and saturation.
    cut : Tensor
        1.0 where the recorded frame is saturated.
    """

    recorded: Tensor
    starless: Tensor
    clean: Tensor
    stars: Tensor
    sigma: Tensor
    objects: Tensor
    cut: Tensor


def _star_light(draw: Draw, count: int, size: int, spread: Tensor) -> Tensor:
    """Point sources of very different number and brightness, spread: (count, 3, size, size)."""
    most = 1200
    number = draw.log_uniform(count, 1, low=6.0, high=float(most))
    there = torch.arange(most, device=draw.device)[None] < number
    y, x = (draw.uniform(count, most) * size for _ in range(2))
    crowded = draw.chance(count, 1, p=0.12) > 0  # a cluster: half of the stars crowd about a center
    radius = (
        draw.log_uniform(count, 1, low=8.0, high=80.0) * (draw.uniform(count, most) ** -0.8 - 1).clamp(max=20).sqrt()
    )
    angle = draw.uniform(count, most, high=6.2832)
    cy, cx = (draw.uniform(count, 1) * size for _ in range(2))
    member = crowded & (torch.arange(most, device=draw.device)[None] % 2 == 0)
    y = torch.where(member, cy + radius * angle.sin(), y).remainder(size)
    x = torch.where(member, cx + radius * angle.cos(), x).remainder(size)
    # Counts of stars grow with faintness as a power law of flux (common practice: slopes near -1 in cumulated counts).
    slope = draw.uniform(count, 1, low=0.55, high=1.15)
    faintest = draw.log_uniform(count, 1, low=5.0, high=150.0)
    flux = (faintest * draw.uniform(count, most, low=1e-5, high=1.0) ** (-1 / slope)).clamp(max=3e6)
    giant = draw.chance(count, most, p=0.004)
    flux = flux * (1 + giant * draw.log_uniform(count, most, low=3.0, high=1000.0)) * there
    tint = torch.exp(
        0.35 * draw.normal(count, most)[:, None] * torch.tensor([-1.0, 0.0, 1.0], device=draw.device)[:, None]
    )
    tint = tint * torch.exp(0.2 * draw.normal(count, 3, 1))
    image = torch.zeros(count, 3, size * size, device=draw.device)
    iy, ix = y.floor(), x.floor()
    wy, wx = y - iy, x - ix
    # A place between pixels is spelled by cubic interpolation, transposed (Keys 1981): 4 x 4 weights.
    for oy, down in zip(range(-1, 3), _cubic(wy), strict=True):
        for ox, along in zip(range(-1, 3), _cubic(wx), strict=True):
            weight = down * along * flux
            place = ((iy + oy).remainder(size) * size + (ix + ox).remainder(size)).long()
            image.scatter_add_(2, place[:, None].expand(-1, 3, -1), weight[:, None] * tint)
    image = image.view(count, 3, size, size)
    return torch.fft.ifft2(torch.fft.fft2(image) * spread).real.clamp(min=0)


def _cubic(t: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Weights of the samples at -1, 0, 1, 2 for a value at ``t`` in 0..1."""
    return (
        t * (-0.5 + t * (1 - 0.5 * t)),
        1 + t**2 * (-2.5 + 1.5 * t),
        t * (0.5 + t * (2 - 1.5 * t)),
        t**2 * (-0.5 + 0.5 * t),
    )


def _shared_noise(white: Tensor, kernel: Tensor) -> Tensor:
    """Noise blurred by a separable kernel of each frame and channel (N, 3, taps); the sky's stays 1."""
    n, c, h, w = white.shape
    taps = kernel.reshape(n * c, 1, -1)
    r = _TAPS // 2
    flat = torch.nn.functional.pad(white.reshape(1, n * c, h, w), (r, r, r, r), mode="circular")
    flat = torch.nn.functional.conv2d(flat, taps[..., None], groups=n * c)
    flat = torch.nn.functional.conv2d(flat, taps[:, :, None], groups=n * c)
    return flat.reshape(n, c, h, w) / (kernel**2).sum(dim=2)[..., None, None]


def _clip(light: Tensor, level: Tensor, soft: Tensor) -> Tensor:
    """Cut at ``level``; from ``(1 - soft) level`` on the response bends over."""
    knee = (1 - soft) * level
    room = (level - knee).clamp_min(1e-3)
    return torch.where(light < knee, light, knee + room * torch.tanh((light - knee) / room))


def pairs(draw: Draw, count: int, size: int) -> Pairs:
    """Draw ``count`` training pairs of ``size`` x ``size`` pixels."""
    spread = spreads(draw, count, size)
    objects = nebulae(draw, count, size) + galaxies(draw, count, size) + knots(draw, count, size)
    objects = objects + small_galaxies(draw, count, size)
    objects = objects * draw.chance(count, 1, 1, 1, p=0.85)
    objects = torch.fft.ifft2(torch.fft.fft2(objects) * spread).real.clamp(min=0)
    stars = _star_light(draw, count, size, spread) * draw.chance(count, 1, 1, 1, p=0.96)
    # Gray stacks show the same frame three times.
    gray = (draw.chance(count, 1, 1, 1, p=0.12) > 0).expand(-1, 3, size, size)
    objects = torch.where(gray, objects[:, 1:2], objects)
    stars = torch.where(gray, stars[:, 1:2], stars)
    glow = gradients(draw, count, size)
    glow = torch.where(gray, glow[:, 1:2], glow)

    level = draw.log_uniform(count, 1, 1, 1, low=200.0, high=2e4)
    # Digitized plates are cut low and softly: broad stars with flat tops.
    plate = draw.chance(count, 1, 1, 1, p=0.15) > 0
    level = torch.where(plate, draw.log_uniform(count, 1, 1, 1, low=15.0, high=200.0), level)
    level = level * torch.exp(0.25 * draw.normal(count, 3, 1, 1))
    soft = draw.uniform(count, 1, 1, 1, high=0.6) * draw.chance(count, 1, 1, 1, p=0.6)
    level = torch.where(gray[:, :, :1, :1], level[:, 1:2], level)
    starless, clean = _clip(objects + glow, level, soft), _clip(objects + stars + glow, level, soft)

    growth = draw.log_uniform(count, 1, 1, 1, low=3e-4, high=0.03)  # variance that one unit of light adds
    variance = 1 + growth * (objects + glow).clamp(min=0)
    own = growth * stars
    taps = torch.zeros(len(_KERNELS), _TAPS, device=draw.device)
    for i, k in enumerate(_KERNELS):
        taps[i, _TAPS // 2 - len(k) // 2 : _TAPS // 2 + 1 + len(k) // 2] = torch.tensor(k, device=draw.device)
    kernel = taps[draw.integers(count, 3, high=len(_KERNELS))]
    white = draw.normal(count, 3, size, size)
    tails = (draw.chance(count, 1, 1, 1, p=0.3) * draw.chance(count, 3, size, size, p=0.004)) > 0
    white = torch.where(tails, white * 4, white)
    white = torch.where(gray, white[:, 1:2], white)
    kernel = torch.where(gray[:, :, 0, :1], kernel[:, 1:2], kernel)
    noise = _shared_noise(white * variance.sqrt(), kernel)
    other = draw.normal(count, 3, size, size)
    other = torch.where(gray, other[:, 1:2], other)
    cut = (clean > 0.97 * level).float()
    # Where a channel is cut, so is its noise.
    alive = 1 - cut
    noise_of_stars = _shared_noise(other * own.clamp(max=1e7).sqrt(), kernel) * alive
    # Hot pixels that calibration left are no stars.
    hot = draw.chance(count, 3, size, size, p=1e-4) * draw.chance(count, 1, 1, 1, p=0.15)
    hot = torch.where(gray, hot[:, 1:2], hot) * draw.log_uniform(count, 3, size, size, low=8.0, high=300.0)
    starless = starless + hot
    recorded = clean + hot + noise * (alive + 0.3 * cut) + noise_of_stars
    starless = starless + noise
    depth = draw.uniform(count, 1, 1, 1, high=0.5 * size) * draw.chance(count, 1, 1, 1, p=0.05)
    outside = torch.arange(size, device=draw.device).view(1, 1, size, 1) < depth
    # A margin of zeros, after the sky's level was taken off.
    empty = -draw.log_uniform(count, 1, 1, 1, low=3.0, high=300.0)
    shown = Pairs(
        torch.where(outside, empty, recorded),
        torch.where(outside, empty, starless),
        torch.where(outside, empty, clean),
        stars * ~outside,
        variance.sqrt(),
        objects * ~outside,
        cut * ~outside,
    )
    row = (draw.uniform(count, 1, 1, 1, high=0.5 * size) * draw.chance(count, 1, 1, 1, p=0.2)).long()
    return Pairs(*(_ended(t, row) for t in shown))


def _ended(frames: Tensor, row: Tensor) -> Tensor:
    """Frames that end at a row and are mirrored there: so tiles go on beyond the edge of a frame."""
    y = torch.arange(frames.shape[2], device=frames.device).view(1, 1, -1, 1)
    return frames.gather(2, (row + (y - row).abs()).expand_as(frames))

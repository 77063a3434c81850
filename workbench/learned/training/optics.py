"""How lenses, air and mounts draw a star: point spread functions of many kinds, normalized to a sum of 1.

The model
A spread is the product of transfer functions (a convolution of spreads): the lens (a pupil with obstruction, spider and
aberrations, by Fourier optics; Goodman 1968), the air (a Kolmogorov transfer function; Fried 1966), or a Moffat (1969)
profile in place of both, the pixel's own square, trailing of the mount, and a wide halo.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from workbench.learned.training.drawing import Draw

__all__ = ["spreads"]

#: Side of the pupil's grid, and how many pixels across a spread of the lens reaches: long spikes are to be learned.
_PUPIL, _REACH = 128, 224


def _frequencies(size: int, device: torch.device) -> tuple[Tensor, Tensor]:
    f = torch.fft.fftfreq(size, device=device)
    return torch.meshgrid(f, f, indexing="ij")


def spreads(draw: Draw, count: int, size: int) -> Tensor:
    """Transfer functions (count, 3, size, size), complex64, of pixel-integrated spreads centered on pixel (0, 0).

    Full widths at half maximum run from about 1.2 to 9 px; each channel has a sharpness of its own.
    """
    fy, fx = _frequencies(size, draw.device)
    wide = draw.log_uniform(count, 1, low=1.2, high=8.0)
    share = torch.exp(0.12 * draw.normal(count, 3) * draw.chance(count, 1, p=0.6))
    width = wide * share
    kind = draw.uniform(count, 1, 1, 1)
    air = _kolmogorov(width, fy, fx)
    moffat = _moffat(width, draw.uniform(count, 1, low=1.8, high=6.0), size, draw)
    lens = _lens(draw, count, size) * _kolmogorov(0.7 * width, fy, fx)
    spread = torch.where(kind < 0.35, moffat, torch.where(kind < 0.6, air.to(moffat.dtype), lens))
    spread = spread * _trail(draw, count, fy, fx) * torch.sinc(fy) * torch.sinc(fx)
    halo = draw.log_uniform(count, 1, low=0.002, high=0.25) * draw.chance(count, 1, p=0.45)
    halo = halo * torch.exp(0.5 * draw.normal(count, 3))
    glow = _exponential(wide * draw.log_uniform(count, 1, low=2.0, high=10.0), fy, fx)
    halo = halo.clamp(max=0.5)[..., None, None]
    return spread * (1 - halo) + halo * glow


def _kolmogorov(width: Tensor, fy: Tensor, fx: Tensor) -> Tensor:
    # exp(-3.44 (lambda f / r0)^(5/3)) has a full width at half maximum of 0.976 lambda / r0 (Fried 1966; Roddier 1981).
    r = (fx**2 + fy**2).sqrt() * width[..., None, None] / 0.976
    return torch.exp(-3.44 * r ** (5 / 3))


def _moffat(width: Tensor, power: Tensor, size: int, draw: Draw) -> Tensor:
    """By its image: pixel values of a Moffat profile with slight, random elongation."""
    base = torch.fft.fftfreq(size, 1 / size, device=draw.device)
    y, x = torch.meshgrid(base, base, indexing="ij")
    count = len(width)
    angle = draw.uniform(count, 1, 1, 1, high=math.pi)
    axis = 1 + 0.4 * draw.uniform(count, 1, 1, 1) ** 2
    u, v = x * angle.cos() + y * angle.sin(), (y * angle.cos() - x * angle.sin()) * axis
    gamma = width / (2 * (2 ** (1 / power) - 1).sqrt())
    image = (1 + (u**2 + v**2) / gamma[..., None, None] ** 2) ** -power[..., None, None]
    return torch.fft.fft2(image / image.sum(dim=(2, 3), keepdim=True))


def _lens(draw: Draw, count: int, size: int) -> Tensor:
    base = torch.linspace(-1, 1, _PUPIL, device=draw.device)
    y, x = torch.meshgrid(base, base, indexing="ij")
    # The pupil fills a share of its grid: the smaller the share, the wider the spread.
    fill = draw.uniform(count, 1, 1, low=0.25, high=0.9)
    y, x = y / fill, x / fill
    r2 = x**2 + y**2
    inside = ((r2 <= 1) & (r2 >= (draw.uniform(count, 1, 1, high=0.45) * draw.chance(count, 1, 1, p=0.6)) ** 2)).float()
    vanes = draw.integers(count, low=0, high=4).view(count, 1, 1)  # none, a line (2 spikes), a cross (4), three (6)
    turn, thick = draw.uniform(count, 1, 1, high=math.pi), draw.uniform(count, 1, 1, low=0.02, high=0.08)
    for n in range(3):
        angle = turn + n * math.pi / vanes.clamp(min=1)
        across = (x * angle.sin() - y * angle.cos()).abs()
        inside = inside * ~((vanes > n) & (across < thick))
    wave = draw.normal(count, 5, 1, 1) * draw.log_uniform(count, 1, 1, 1, low=0.005, high=0.16)
    phase = (
        wave[:, 0] * (2 * r2 - 1)
        + wave[:, 1] * (x**2 - y**2)
        + wave[:, 2] * (2 * x * y)
        + wave[:, 3] * (3 * r2 - 2) * x
        + wave[:, 4] * (3 * r2 - 2) * y
    )
    field = inside * torch.polar(torch.ones_like(phase), 2 * math.pi * phase)
    image = torch.fft.fftshift(torch.fft.fft2(field, s=(2 * _PUPIL, 2 * _PUPIL)), dim=(1, 2)).abs() ** 2
    cut = (2 * _PUPIL - _REACH) // 2
    image = image[:, cut:-cut, cut:-cut]
    # Spikes fade out before they meet the edge of the grid.
    side = torch.linspace(-1, 1, _REACH, device=draw.device)
    near = (math.pi / 2 * (side[:, None] ** 2 + side**2).sqrt().clamp(max=1)).cos().clamp(min=0)
    image = image * near.sqrt()
    image = image / image.sum(dim=(1, 2), keepdim=True)
    whole = torch.zeros(count, size, size, device=draw.device)
    start = (size - _REACH) // 2
    whole[:, start : start + _REACH, start : start + _REACH] = image
    # Its centroid goes to pixel (0, 0), so that coma does not move the star.
    base = torch.arange(size, device=draw.device, dtype=torch.float32)
    cy, cx = (whole.sum(2) * base).sum(1), (whole.sum(1) * base).sum(1)
    fy, fx = _frequencies(size, draw.device)
    shift = 2 * math.pi * (fy * cy[:, None, None] + fx * cx[:, None, None])
    return (torch.fft.fft2(whole) * torch.polar(torch.ones_like(shift), shift))[:, None].expand(-1, 3, -1, -1)


def _trail(draw: Draw, count: int, fy: Tensor, fx: Tensor) -> Tensor:
    length = draw.uniform(count, 1, 1, 1, high=6.0) * draw.chance(count, 1, 1, 1, p=0.2)
    angle = draw.uniform(count, 1, 1, 1, high=math.pi)
    return torch.sinc(length * (fx * angle.cos() + fy * angle.sin()))


def _exponential(scale: Tensor, fy: Tensor, fx: Tensor) -> Tensor:
    """A halo that falls off exponentially with radius: its transfer function is (1 + (2 pi s f)^2)^(-3/2)."""
    k2 = (2 * math.pi * scale[..., None, None]) ** 2 * (fx**2 + fy**2)
    return (1 + k2) ** -1.5

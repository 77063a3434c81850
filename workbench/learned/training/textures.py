"""Light that must stay: nebulosity, dust and galaxies without their stars, drawn at random on the GPU.

None of it copies `workbench.simulate`: textures come from several families, so that no single look is learned.

* Power-law noise, plain, ridged, warped, stretched along a direction.
* Shells and sheets: smooth functions of warped distance to random centers.
* Cells: distance to the nearest of scattered points, whose edges make filaments.
* Galaxies: Sersic profiles with spiral arms, dust lanes and knots (Sersic 1963; index drawn from 0.5 to 6).

Every function returns float32 tensors on the device of ``generator``.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from workbench.learned.training.drawing import Draw

__all__ = ["galaxies", "gradients", "knots", "nebulae", "small_galaxies"]


def power_noise(draw: Draw, count: int, size: int) -> Tensor:
    """Gaussian fields (count, size, size) with power spectra k^-b, b from 1.5 to 4.5, unit standard deviation."""
    f = torch.fft.fftfreq(size, device=draw.device)
    stretch = draw.uniform(count, 1, 1, low=-0.8, high=0.8).exp()
    angle = draw.uniform(count, 1, 1, high=math.pi)
    fx, fy = f[None, None, :], f[None, :, None]
    u, v = fx * angle.cos() + fy * angle.sin(), fy * angle.cos() - fx * angle.sin()
    k2 = (u * stretch) ** 2 + (v / stretch) ** 2 + (0.3 / size) ** 2
    beta = draw.uniform(count, 1, 1, low=1.5, high=4.5)
    amplitude = k2 ** (-beta / 4)
    amplitude[:, 0, 0] = 0
    phase = draw.complex_normal(count, size, size)
    field = torch.fft.ifft2(phase * amplitude).real
    return field / field.std(dim=(1, 2), keepdim=True).clamp_min(1e-9)


def warped(draw: Draw, field: Tensor, strength: float) -> Tensor:
    """``field`` (count, h, w) read at places displaced by smooth random fields of up to ``strength`` of the frame."""
    count, size, _ = field.shape
    offset = torch.stack([power_noise(draw, count, size), power_noise(draw, count, size)], dim=-1)
    base = torch.linspace(-1, 1, size, device=draw.device)
    grid = torch.stack(torch.meshgrid(base, base, indexing="xy"), dim=-1)[None]
    grid = grid + strength * draw.uniform(count, 1, 1, 1) * offset
    return torch.nn.functional.grid_sample(
        field[:, None], grid, mode="bilinear", padding_mode="reflection", align_corners=True
    )[:, 0]


def cells(draw: Draw, count: int, size: int) -> Tensor:
    """Second minus first distance to scattered points: bright walls between dark cells, (count, size, size) in 0..1."""
    points = draw.uniform(count, 24, 2, low=-0.2, high=1.2)
    base = torch.linspace(0, 1, size // 4, device=draw.device)
    y, x = torch.meshgrid(base, base, indexing="ij")
    squared = (x[None, None] - points[..., 0, None, None]) ** 2 + (y[None, None] - points[..., 1, None, None]) ** 2
    near = squared.sqrt().topk(2, dim=1, largest=False).values
    wall = torch.exp(-((near[:, 1] - near[:, 0]) / draw.log_uniform(count, 1, 1, low=0.01, high=0.1)))
    return torch.nn.functional.interpolate(wall[:, None], size=(size, size), mode="bilinear", align_corners=False)[:, 0]


def shells(draw: Draw, count: int, size: int) -> Tensor:
    """Rings and sheets around a random center, (count, size, size) in 0..1."""
    base = torch.linspace(0, 1, size, device=draw.device)
    y, x = torch.meshgrid(base, base, indexing="ij")
    cy, cx = (draw.uniform(count, 1, 1, low=-0.5, high=1.5) for _ in range(2))
    r = ((y - cy) ** 2 + ((x - cx) * draw.uniform(count, 1, 1, low=0.6, high=1.6)) ** 2).sqrt()
    r = r + 0.08 * draw.uniform(count, 1, 1) * power_noise(draw, count, size)
    radius = draw.uniform(count, 1, 1, low=0.1, high=0.9)
    return torch.exp(-(((r - radius) / draw.log_uniform(count, 1, 1, low=0.01, high=0.2)) ** 2))


def _one_texture(draw: Draw, count: int, size: int) -> Tensor:
    """Nonnegative textures of a family drawn for each frame, (count, size, size), of mean about 1."""
    plain = power_noise(draw, count, size)
    ridged = 1 - (power_noise(draw, count, size).abs() / 1.5).clamp(max=1)
    choices = torch.stack(
        [
            torch.exp(draw.uniform(count, 1, 1, low=0.3, high=1.4) * plain),
            ridged ** draw.uniform(count, 1, 1, low=1.0, high=5.0),
            warped(draw, torch.exp(plain), 0.3),
            torch.sigmoid(plain * draw.log_uniform(count, 1, 1, low=1.0, high=12.0)),
            shells(draw, count, size) + 0.2 * torch.exp(0.7 * plain),
            cells(draw, count, size) + 0.1 * torch.exp(0.7 * plain),
            warped(draw, ridged**2, 0.15),
        ]
    )
    kind = draw.integers(count, high=len(choices))
    chosen = choices[kind, torch.arange(count, device=draw.device)]
    return chosen / chosen.mean(dim=(1, 2), keepdim=True).clamp_min(1e-6)


def nebulae(draw: Draw, count: int, size: int) -> Tensor:
    """Colored nebulosity with dust before it: (count, 3, size, size), in noise units, from nothing to 600."""
    light = torch.zeros(count, 3, size, size, device=draw.device)
    for strongest in (600.0, 60.0):
        texture = _one_texture(draw, count, size)[:, None]
        height = draw.log_uniform(count, 1, 1, 1, low=0.1, high=strongest) * draw.chance(count, 1, 1, 1, p=0.7)
        color = draw.log_uniform(count, 3, 1, 1, low=0.15, high=1.0)
        light += height * color * texture
    depth = draw.log_uniform(count, 1, 1, 1, low=0.05, high=4.0) * draw.chance(count, 1, 1, 1, p=0.6)
    reddening = torch.tensor([0.75, 1.0, 1.3], device=draw.device).view(1, 3, 1, 1)
    return light * torch.exp(-depth * reddening * (_one_texture(draw, count, size)[:, None] / 2).clamp(max=3))


def galaxies(draw: Draw, count: int, size: int, most: int = 3) -> Tensor:
    """Up to ``most`` galaxies a frame: (count, 3, size, size), in noise units; radii of 1.5 px to over the frame."""
    light = torch.zeros(count, 3, size, size, device=draw.device)
    base = torch.arange(size, device=draw.device, dtype=torch.float32)
    y, x = torch.meshgrid(base, base, indexing="ij")
    for _ in range(most):
        cy, cx = (draw.uniform(count, 1, 1, low=-0.1, high=1.1) * size for _ in range(2))
        angle, axis = draw.uniform(count, 1, 1, high=math.pi), draw.uniform(count, 1, 1, low=0.15, high=1.0)
        dy, dx = y - cy, x - cx
        u, v = dx * angle.cos() + dy * angle.sin(), (dy * angle.cos() - dx * angle.sin()) / axis
        r, theta = (u**2 + v**2).sqrt(), torch.atan2(v, u)
        radius = draw.log_uniform(count, 1, 1, low=2.5, high=150.0)
        index = draw.uniform(count, 1, 1, low=0.5, high=6.0)
        b = 2 * index - 1 / 3  # Ciotti & Bertin 1999, first terms
        # A pixel's mean of a cusp is about the profile a third of a pixel from its center.
        core = (r**2 + 0.1).sqrt()
        profile = torch.exp(-b * ((core / radius) ** (1 / index) - 1)).clamp(max=2000.0)
        arms = draw.integers(count, low=1, high=4).view(count, 1, 1)
        phase = arms * theta - draw.uniform(count, 1, 1, low=2.0, high=6.0) * torch.log1p(r / radius)
        spiral = draw.uniform(count, 1, 1, high=0.8) * draw.chance(count, 1, 1, p=0.6) * (radius > 10)
        rough = power_noise(draw, count, size)
        arm = 1 + spiral * phase.cos() * torch.exp(0.5 * rough)
        lane = torch.exp(-draw.uniform(count, 1, 1, high=2.0) * spiral * (phase + 0.7).cos().clamp(min=0) ** 4)
        height = draw.log_uniform(count, 1, 1, low=1.0, high=800.0) * draw.chance(count, 1, 1, p=0.5)
        color = draw.log_uniform(count, 3, 1, 1, low=0.5, high=1.0)
        light += (height * profile * arm.clamp(min=0) * lane)[:, None] * color / 3
    return light.clamp(max=2e4)


def small_galaxies(draw: Draw, count: int, size: int, most: int = 8) -> Tensor:
    """In some frames, a handful of galaxies hardly wider than stars: (count, 3, size, size), in noise units.

    Sersic profiles with half-light radii of 1.5 to 8 px and indices of 0.7 to 4.5, cusps kept: what tells them from
    stars is their wings and their shape.
    """
    side = 48
    base = torch.arange(side, device=draw.device, dtype=torch.float32) - side / 2
    y, x = torch.meshgrid(base, base, indexing="ij")
    angle = draw.uniform(count, most, 1, 1, high=math.pi)
    axis = draw.uniform(count, most, 1, 1, low=0.25, high=1.0)
    dy, dx = (draw.uniform(count, most, 1, 1, low=-0.5, high=0.5) for _ in range(2))
    v = ((y - dy) * angle.cos() - (x - dx) * angle.sin()) / axis
    u = (x - dx) * angle.cos() + (y - dy) * angle.sin()
    radius = draw.log_uniform(count, most, 1, 1, low=1.5, high=8.0)
    index = draw.uniform(count, most, 1, 1, low=0.7, high=4.5)
    b = 2 * index - 1 / 3  # Ciotti & Bertin 1999, first terms
    profile = torch.exp(-b * (((u**2 + v**2 + 0.1).sqrt() / radius) ** (1 / index) - 1)).clamp(max=2000.0)
    # Wings fade out before they meet the edge of their square.
    profile = profile * (1 - ((y**2 + x**2) / (side / 2 - 1) ** 2)).clamp(min=0)
    flux = draw.log_uniform(count, most, 1, 1, low=60.0, high=4e4)
    there = torch.arange(most, device=draw.device).view(1, most, 1, 1) < draw.uniform(count, 1, 1, 1, high=float(most))
    chance = draw.chance(count, 1, 1, 1, p=0.15)
    patch = profile / profile.sum(dim=(2, 3), keepdim=True) * flux * there * chance
    row, column = (draw.integers(count, most, 1, 1, high=size) for _ in range(2))
    offset = torch.arange(side, device=draw.device)
    place = (row + offset.view(1, 1, side, 1)).remainder(size) * size + (column + offset).remainder(size)
    tint = draw.log_uniform(count, 3, most, low=0.4, high=1.0)
    light = torch.zeros(count, 3, size * size, device=draw.device)
    for channel in range(3):
        colored = patch * tint[:, channel, :, None, None]
        light[:, channel].scatter_add_(1, place.reshape(count, -1), colored.reshape(count, -1))
    return light.view(count, 3, size, size)


def knots(draw: Draw, count: int, size: int) -> Tensor:
    """In a few frames, clumps that are wider than a point, such as hydrogen regions: (count, 3, size, size)."""
    most = 40
    light = torch.zeros(count, size * size, device=draw.device)
    place = draw.integers(count, most, high=size * size)
    there = torch.arange(most, device=draw.device)[None] < draw.uniform(count, 1, high=float(most))
    light.scatter_add_(1, place, draw.log_uniform(count, most, low=30.0, high=6e3) * there)
    f = torch.fft.fftfreq(size, device=draw.device)
    k2 = (2 * math.pi * draw.uniform(count, 1, 1, low=1.2, high=4.0)) ** 2 * (
        f[None, :, None] ** 2 + f[None, None, :] ** 2
    )
    spread = torch.fft.ifft2(torch.fft.fft2(light.view(count, size, size)) * (1 + k2) ** -1.5).real.clamp(min=0)
    chance = draw.chance(count, 1, 1, 1, p=0.15)
    return spread[:, None] * chance * draw.log_uniform(count, 3, 1, 1, low=0.2, high=1.0)


def gradients(draw: Draw, count: int, size: int) -> Tensor:
    """What is left of sky glow and of the sky's own level: slopes of up to 30 noise units, (count, 3, size, size)."""
    base = torch.linspace(-1, 1, size, device=draw.device)
    y, x = torch.meshgrid(base, base, indexing="ij")
    slope = draw.normal(count, 3, 2) * draw.log_uniform(count, 1, 1, low=0.01, high=15.0)
    level = draw.normal(count, 3, 1, 1) * draw.log_uniform(count, 1, 1, 1, low=0.01, high=5.0)
    return level + slope[..., 0, None, None] * x + slope[..., 1, None, None] * y

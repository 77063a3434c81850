"""Random numbers for training scenes: one seeded generator on one device, and the few distributions they use."""

from __future__ import annotations

import math

import torch
from torch import Tensor

__all__ = ["Draw"]


class Draw:
    """Draws float32 tensors of any shape from a seeded generator.

    Parameters
    ----------
    seed : int
    device : torch.device or str
    """

    def __init__(self, seed: int, device: torch.device | str) -> None:
        self.device = torch.device(device)
        self.generator = torch.Generator(self.device).manual_seed(seed)

    def uniform(self, *shape: int, low: float = 0.0, high: float = 1.0) -> Tensor:
        """Evenly between ``low`` and ``high``."""
        return low + (high - low) * torch.rand(shape, generator=self.generator, device=self.device)

    def log_uniform(self, *shape: int, low: float, high: float) -> Tensor:
        """Evenly in the logarithm."""
        return self.uniform(*shape, low=math.log(low), high=math.log(high)).exp()

    def normal(self, *shape: int) -> Tensor:
        """Standard normal."""
        return torch.randn(shape, generator=self.generator, device=self.device)

    def complex_normal(self, *shape: int) -> Tensor:
        """Standard normal in both parts."""
        return torch.complex(self.normal(*shape), self.normal(*shape))

    def chance(self, *shape: int, p: float) -> Tensor:
        """1.0 with probability ``p``, else 0.0."""
        return (self.uniform(*shape) < p).float()

    def integers(self, *shape: int, low: int = 0, high: int) -> Tensor:
        """Whole numbers from ``low`` up to but not including ``high``."""
        return torch.randint(low, high, shape, generator=self.generator, device=self.device)

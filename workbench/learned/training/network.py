"""The network: a residual U-Net (Ronneberger et al. 2015; He et al. 2016) at 1/2, 1/4 and 1/8 of the resolution.

There is no normalization layer and no global pooling, so what it makes of a pixel depends on a bounded neighborhood and
tiles can be cut anywhere. It reads and writes noise units: values with the sky's level taken off, divided by the sky's
noise. Three maps a channel come out, and the starless frame is put together from them:

    starless = (1 - m) (recorded - r) + m sinh(q)

``r`` is the light of stars where the ground can be kept, noise and all; ``sinh(q)`` is the ground itself where a star
has drowned or cut it; ``m`` decides between them.
"""

from __future__ import annotations

import torch
from torch import Tensor, nn

__all__ = ["MARGIN", "MULTIPLE", "StarlessNet"]

#: Pixels around a tile that the network should see; beyond them hardly anything counts.
MARGIN = 96
#: Sides of a frame must be multiples of this.
MULTIPLE = 8


class _Residual(nn.Module):
    def __init__(self, channels: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(channels, channels, 3, padding=1)
        self.second = nn.Conv2d(channels, channels, 3, padding=1)
        nn.init.zeros_(self.second.weight)
        nn.init.zeros_(self.second.bias)

    def forward(self, x: Tensor) -> Tensor:
        return x + self.second(torch.relu(self.first(torch.relu(x))))


def _doubled(x: Tensor) -> Tensor:
    # Bilinear: a pixel shuffle would leave a dotted pattern in filled cores.
    return nn.functional.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)


def _asinh(x: Tensor) -> Tensor:
    # Spelled out: the exchange format's own operators differ from one version to another.
    return torch.sign(x) * torch.log(x.abs() + (x * x + 1).sqrt())


def _sinh(x: Tensor) -> Tensor:
    x = x.clamp(-11, 11)
    return 0.5 * (x.exp() - (-x).exp())


class StarlessNet(nn.Module):
    """Takes (N, 3, h, w) float32 in noise units and gives the starless frame in the same units.

    Parameters
    ----------
    widths : three ints
        Channels at 1/2, 1/4 and 1/8 of the resolution.
    fine : int
        Channels of the last layer at full resolution.
    """

    def __init__(self, widths: tuple[int, int, int] = (32, 64, 96), fine: int = 16) -> None:
        super().__init__()
        a, b, c = widths
        self.enter = nn.Conv2d(36, a, 3, padding=1)
        self.down_a = _Residual(a)
        self.to_b = nn.Conv2d(a, b, 3, stride=2, padding=1)
        self.down_b = nn.Sequential(_Residual(b), _Residual(b))
        self.to_c = nn.Conv2d(b, c, 3, stride=2, padding=1)
        self.deep = nn.Sequential(*(_Residual(c) for _ in range(3)))
        self.from_c = nn.Conv2d(c, b, 1)
        self.up_b = nn.Sequential(_Residual(b), _Residual(b))
        self.from_b = nn.Conv2d(b, a, 1)
        self.up_a = nn.Sequential(_Residual(a), _Residual(a))
        self.from_a = nn.Conv2d(a, fine, 1)
        self.mix = nn.Conv2d(fine + 9, fine, 3, padding=1)
        self.leave = nn.Conv2d(fine, 9, 3, padding=1)
        nn.init.zeros_(self.leave.weight)
        with torch.no_grad():
            self.leave.bias.copy_(torch.tensor([0.0] * 6 + [-3.0] * 3))

    def forward(self, recorded: Tensor) -> Tensor:
        return self.joined(recorded, self.maps(self.seen(recorded)))

    def maps(self, seen: Tensor) -> Tensor:
        """The three maps of each channel, (N, 9, h, w), from what the layers look at."""
        a = self.down_a(self.enter(nn.functional.pixel_unshuffle(seen, 2)))
        b = self.down_b(self.to_b(torch.relu(a)))
        c = self.deep(self.to_c(torch.relu(b)))
        b = self.up_b(b + _doubled(self.from_c(c)))
        a = self.up_a(a + _doubled(self.from_b(b)))
        fine = _doubled(self.from_a(a))
        out: Tensor = self.leave(torch.relu(self.mix(torch.cat([fine, seen.to(fine.dtype)], dim=1))))
        return out

    @staticmethod
    def seen(recorded: Tensor) -> Tensor:
        """What the layers look at: brightness in two curves, and what stands above a wide mean."""
        mean = nn.functional.avg_pool2d(recorded, 8)
        mean = nn.functional.avg_pool2d(mean, 3, stride=1, padding=1, count_include_pad=False)
        mean = nn.functional.interpolate(mean, scale_factor=8.0, mode="bilinear", align_corners=False)
        fine = recorded - mean
        return torch.cat([_asinh(recorded), _asinh(fine), (fine / 8).clamp(-1, 4)], dim=1)

    @staticmethod
    def joined(recorded: Tensor, maps: Tensor) -> Tensor:
        """The starless frame from the three maps of each channel."""
        r, q, m = maps.split(3, dim=1)
        # Far out r and q are logarithms, so that bright stars need no huge weights.
        light, ground, share = _sinh(r), _sinh(q), torch.sigmoid(m)
        return (1 - share) * (recorded - light) + share * ground

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

from workbench.learned.starless import CUT

__all__ = ["Core", "StarlessNet"]

#: Pixels that the layers at 1/4, at 1/2 and at the full resolution see around what is left: their own reach and more.
_AROUND = (44, 20, 4)


class _Residual(nn.Module):
    def __init__(self, channels: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(channels, channels, 3, padding=1)
        self.second = nn.Conv2d(channels, channels, 3, padding=1)
        nn.init.zeros_(self.second.weight)
        nn.init.zeros_(self.second.bias)

    def forward(self, x: Tensor) -> Tensor:
        return x + self.second(torch.relu(self.first(torch.relu(x))))


def _cut(x: Tensor, pixels: int) -> Tensor:
    return x[..., pixels:-pixels, pixels:-pixels]


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


class Core(nn.Module):
    """The network as it is run: `StarlessNet` without `CUT` pixels on each side, which only help to see the rest.

    On the way up, each level is cut to what the next ones look at: the same pixels in less time and memory.

    Parameters
    ----------
    net : StarlessNet
    """

    def __init__(self, net: StarlessNet) -> None:
        super().__init__()
        self.net = net
        # Blocks of 2 x 2 pixels, looked at 3 x 3 at a time, are 6 x 6 pixels, and a convolution of two things joined is
        # the sum of two: nothing is laid out anew in memory, where the time would go.
        wide, channels = net.enter.out_channels, net.enter.in_channels // 4
        self.enter = nn.Conv2d(channels, wide, 6, stride=2, padding=2)
        self.of_fine = nn.Conv2d(net.from_a.out_channels, net.mix.out_channels, 3, padding=1)
        self.of_seen = nn.Conv2d(channels, net.mix.out_channels, 3, padding=1, bias=False)
        with torch.no_grad():
            blocks = net.enter.weight.view(wide, channels, 2, 2, 3, 3).permute(0, 1, 4, 2, 5, 3)
            self.enter.weight.copy_(blocks.reshape(wide, channels, 6, 6))
            self.enter.bias.copy_(net.enter.bias)
            fine, seen = net.mix.weight.split((self.of_fine.in_channels, channels), dim=1)
            self.of_fine.weight.copy_(fine)
            self.of_fine.bias.copy_(net.mix.bias)
            self.of_seen.weight.copy_(seen)

    @staticmethod
    def taken_back(weights: dict[str, Tensor]) -> dict[str, Tensor]:
        """The weights of the `StarlessNet` from those of this network, by name."""
        state = {name.removeprefix("net."): weight for name, weight in weights.items()}
        enter = state["enter.weight"]
        wide, channels = enter.shape[:2]
        state["enter.weight"] = enter.view(wide, channels, 3, 2, 3, 2).permute(0, 1, 3, 5, 2, 4).reshape(wide, -1, 3, 3)
        state["mix.weight"] = torch.cat([state.pop("of_fine.weight"), state.pop("of_seen.weight")], dim=1)
        state["mix.bias"] = state.pop("of_fine.bias")
        return state

    def forward(self, recorded: Tensor) -> Tensor:
        net, (at_b, at_a, at_full) = self.net, _AROUND
        seen = net.seen(recorded)
        a = net.down_a(self.enter(seen))
        b = net.down_b(net.to_b(torch.relu(a)))
        c = net.deep(net.to_c(torch.relu(b)))
        b = net.up_b(_cut(b + _doubled(net.from_c(c)), (CUT - at_b) // 4))
        a = _cut(a, (CUT - at_a) // 2) + _cut(_doubled(net.from_b(b)), (at_b - at_a) // 2)
        fine = _doubled(net.from_a(_cut(net.up_a(a), (at_a - at_full) // 2)))
        seen, recorded = _cut(seen, CUT - at_full), _cut(recorded, CUT - at_full)
        maps = net.leave(torch.relu(self.of_fine(fine) + self.of_seen(seen)))
        return _cut(net.joined(recorded, maps), at_full)

"""Train the starless network on simulated scenes, on one or more GPUs in half an hour, from seeds.

    python -m workbench.learned.training.train --out FOLDER --minutes 25 [--resume FOLDER/checkpoint.pt|NETWORK.onnx]
    torchrun --nproc_per_node 4 -m workbench.learned.training.train ...       # on four GPUs, each with its own scenes

Leaves ``checkpoint.pt`` (to go on from; the weights that ship will do as well, where the package onnx is),
``network.onnx`` and ``training.json`` (seeds, versions, losses, checksum).
Needs PyTorch; the product does not.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import os
import platform
import sys
import time
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, distributed
from torch.nn.functional import avg_pool2d, max_pool2d

from workbench.learned.training.drawing import Draw
from workbench.learned.training.network import Core, StarlessNet
from workbench.learned.training.scenes import Pairs, pairs

SIZE = 256
#: Pixels at a tile's edge that are not judged: there the network sees too little.
EDGE = 24
#: How often a drawn batch is used, turned, mirrored and recolored: drawing takes longer than learning.
REUSE = 4


def varied(batch: Pairs, draw: Draw) -> Pairs:
    """The batch turned, mirrored and with its channels swapped."""
    turn, order = int(draw.integers(1, high=4)), torch.randperm(3, generator=draw.generator, device=draw.device)
    flip = bool(draw.chance(1, p=0.5))

    def change(t: Tensor) -> Tensor:
        t = torch.rot90(t[:, order], turn, dims=(2, 3))
        return t.flip(3) if flip else t

    return Pairs(*(change(t) for t in batch))


def _bent(error: Tensor, width: float) -> Tensor:
    """Square near zero, straight beyond ``width``, and hardly growing where a tile is hopeless."""
    cost = (error**2 + width**2).sqrt() - width
    return torch.where(cost > 20, 20 + torch.log1p((cost - 20).clamp(min=0)) * 5, cost)


def _mean(values: Tensor, where: Tensor) -> Tensor:
    return (values * where).sum() / where.sum().clamp_min(1)


def loss_of(made: Tensor, batch: Pairs, target: str) -> tuple[Tensor, dict[str, Tensor]]:
    """Robust error in local noise units: pixel by pixel under stars and elsewhere, and of 5 x 5 and 15 x 15 means."""
    inner = (slice(None), slice(None), slice(EDGE, -EDGE), slice(EDGE, -EDGE))
    wanted = batch.starless if target == "starless" else batch.clean
    # The light of a star has noise of its own, which nobody can tell from its light: it counts less.
    error = ((made - wanted) / batch.sigma)[inner]
    under = (batch.stars / batch.sigma)[inner]
    weight = 1 / (1 + under.clamp(max=1e6) / 400).sqrt()
    star = (under > 0.5).float()
    at_stars = _mean(_bent(error, 1.5) * weight, star)
    elsewhere = _mean(_bent(error, 0.2 if target == "starless" else 1.5) * weight, 1 - star)
    # Cores of galaxies are few pixels, and the likeliest to be taken for stars.
    core = (1 - star) * ((batch.objects / batch.sigma)[inner] > 5).float()
    cost = _bent(error, 0.2) * weight
    at_objects = _mean(cost, core)
    eaten = _mean(torch.log1p(cost) * (cost > 2).float(), core)
    mean5 = avg_pool2d(error * weight, 5, stride=2)
    mean15 = avg_pool2d(error * weight, 15, stride=5)
    rings = _mean(_bent(3 * mean5, 0.5), max_pool2d(star, 5, stride=2))
    wide = _bent(3 * mean5, 0.2).mean() + _bent(6 * mean15, 0.2).mean()
    total = 1.5 * at_stars + 3 * elsewhere + 2 * at_objects + 20 * eaten + 0.7 * wide + 0.5 * rings
    seen = star * (1 - batch.cut[inner])
    return total, {
        "stars": at_stars,
        "elsewhere": elsewhere,
        "objects": at_objects,
        "eaten": eaten,
        "rings": rings,
        "wide": wide,
        "rms": _mean(error**2, seen).sqrt(),
        "rms_faint": _mean(error**2, seen * (under < 30)).sqrt(),
    }


def rate(share: float, highest: float) -> float:
    """Learning rate after a share 0..1 of the time: a short rise, then half a cosine."""
    return highest * min(1.0, share / 0.02) * (0.5 + 0.5 * math.cos(math.pi * min(share, 1.0)) * 0.999)


def export(net: StarlessNet, path: Path) -> str:
    """Write the network as it is run as ONNX and return the file's SHA-256."""
    net = Core(net.cpu().float()).eval()
    example = torch.zeros(1, 3, 256, 256)
    torch.onnx.export(
        net,
        (example,),
        str(path),
        input_names=["recorded"],
        output_names=["starless"],
        dynamic_axes={"recorded": {0: "n", 2: "h", 3: "w"}, "starless": {0: "n", 2: "h", 3: "w"}},
        opset_version=17,
        dynamo=False,
    )
    return hashlib.sha256(path.read_bytes()).hexdigest()


def made_with(device: torch.device) -> dict[str, str]:
    """Versions and the processor."""
    name = torch.cuda.get_device_name() if device.type == "cuda" else "cpu"
    return {"torch": torch.__version__, "python": platform.python_version(), "device": name}


def kept_in(path: Path, device: torch.device) -> dict[str, Any]:
    """What to go on from: a checkpoint, or the weights of an exported network as both of its states."""
    if path.suffix != ".onnx":
        kept: dict[str, Any] = torch.load(path, map_location=device, weights_only=True)
        return kept
    import onnx  # noqa: PLC0415 - only here
    from onnx.numpy_helper import to_array  # noqa: PLC0415

    weights = {w.name: torch.tensor(to_array(w)) for w in onnx.load(path).graph.initializer}
    state = Core.taken_back({name: weight for name, weight in weights.items() if name.endswith((".weight", ".bias"))})
    return {"net": state, "mean": state, "steps": 0}


class Team:
    """The processes that train one network, each on a GPU of its own; one alone where ``torchrun`` did not start it."""

    def __init__(self) -> None:
        self.rank, self.size = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
        self.device = torch.device("cpu")
        if torch.cuda.is_available():
            self.device = torch.device("cuda", int(os.environ.get("LOCAL_RANK", "0")))
            torch.cuda.set_device(self.device)
        if self.size > 1:
            distributed.init_process_group("nccl" if self.device.type == "cuda" else "gloo")

    def averaged(self, tensors: list[Tensor]) -> None:
        """Put the mean over all processes in the place of each process' tensors."""
        if self.size == 1:
            return
        flat = torch.cat([t.flatten() for t in tensors])
        distributed.all_reduce(flat)
        for t, part in zip(tensors, (flat / self.size).split([t.numel() for t in tensors]), strict=True):
            t.copy_(part.view_as(t))

    def agreed(self, value: float) -> float:
        """The first process' value: all must stop at the same step."""
        if self.size == 1:
            return value
        told = torch.tensor(value, device=self.device, dtype=torch.float64)
        distributed.broadcast(told, 0)
        return float(told)


def train(  # noqa: PLR0915 - one loop, told in order
    out: Path, minutes: float, batch: int, seed: int, highest: float, resume: Path | None, target: str
) -> dict[str, Any]:
    """Train until ``minutes`` have passed and leave the files; returns the training record."""
    out.mkdir(parents=True, exist_ok=True)
    team = Team()
    device = team.device
    torch.manual_seed(seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    net, mean, steps_before = _begun(resume, device)
    seed += steps_before
    history = []
    optimizer = torch.optim.AdamW(
        net.parameters(), lr=highest, weight_decay=1e-4, betas=(0.9, 0.99), fused=device.type == "cuda"
    )
    draw = Draw(seed + 1_000_003 * team.rank, device)
    began, step, fresh = time.monotonic(), 0, None
    share = 0.0
    sums: dict[str, Any] = {}
    while share < 1:
        if step % REUSE == 0 or fresh is None:
            share = team.agreed((time.monotonic() - began) / (60 * minutes))
            with torch.no_grad():
                fresh = pairs(draw, batch, SIZE)
        used = varied(fresh, draw)
        for group in optimizer.param_groups:
            group["lr"] = rate(share, highest)
        x = used.recorded.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            maps = net.maps(net.seen(x))
        made = net.joined(x, maps.float())
        total, parts = loss_of(made, used, target)
        optimizer.zero_grad(set_to_none=True)
        total.backward()
        team.averaged([p.grad for p in net.parameters() if p.grad is not None])
        norm = torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        if step % 50 == 0 and not torch.isfinite(norm):
            raise FloatingPointError(f"the gradient is not finite at step {step}")
        optimizer.step()
        step += 1
        with torch.no_grad():
            decay = min(0.999, 1 - 1 / (step + 10))
            torch._foreach_lerp_(list(mean.parameters()), list(net.parameters()), 1 - decay)
            for name, value in parts.items():
                sums[name] = sums.get(name, 0.0) + value.detach()
        if step % 200 == 0:
            line = {k: round(float(v) / 200, 4) for k, v in sums.items()} | {"step": step, "share": round(share, 3)}
            history.append(line)
            if team.rank == 0:
                sys.stdout.write(json.dumps(line) + "\n")
                sys.stdout.flush()
            sums = {}
        if step % 1000 == 0 and team.rank == 0:
            _keep(out, net, mean, steps_before + step)
    if team.rank > 0:
        return {}
    _keep(out, net, mean, steps_before + step)
    record = {
        "what": f"{target} network",
        "sha256": export(mean, out / "network.onnx"),
        "parameters": sum(p.numel() for p in net.parameters()),
        "runs": [
            {
                "seed": seed,
                "steps": step,
                "steps_before": steps_before,
                "minutes": minutes,
                "batch": batch,
                "processes": team.size,
                "size": SIZE,
                "highest_rate": highest,
                "history": history[:: max(1, len(history) // 40)],
            }
            | made_with(device)
        ],
    }
    (out / "training.json").write_text(json.dumps(record, indent=1) + "\n")
    return record


def _begun(resume: Path | None, device: torch.device) -> tuple[StarlessNet, StarlessNet, int]:
    """The network, its running mean, and how many steps it has been trained."""
    net = StarlessNet().to(device, memory_format=torch.channels_last)
    mean = StarlessNet().to(device)
    mean.load_state_dict(net.state_dict())
    if resume is None:
        return net, mean, 0
    kept = kept_in(resume, device)
    net.load_state_dict(kept["net"])
    mean.load_state_dict(kept["mean"])
    return net, mean, int(kept["steps"])


def _keep(out: Path, net: StarlessNet, mean: StarlessNet, steps: int) -> None:
    torch.save({"net": net.state_dict(), "mean": mean.state_dict(), "steps": steps}, out / "checkpoint.pt")


def main() -> None:
    """Read the command line and train."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--seed", type=int, default=20261127)
    parser.add_argument("--rate", type=float, default=1e-3)
    parser.add_argument("--resume", type=Path)
    parser.add_argument(
        "--target", choices=("starless", "clean"), default="starless", help="what it learns: no stars, or no noise"
    )
    wanted = parser.parse_args()
    train(wanted.out, wanted.minutes, wanted.batch, wanted.seed, wanted.rate, wanted.resume, wanted.target)


if __name__ == "__main__":
    main()

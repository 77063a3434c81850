"""Train the starless network on simulated scenes, on one GPU in half an hour, from seeds.

    python -m workbench.learned.training.train --out FOLDER --minutes 25 [--resume FOLDER/checkpoint.pt|NETWORK.onnx]

Leaves ``checkpoint.pt`` (to go on from; the weights that ship will do as well, where the package onnx is),
``network.onnx`` and ``training.json`` (seeds, versions, losses, checksum).
Needs PyTorch; the product does not.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import platform
import sys
import time
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from workbench.learned.training.drawing import Draw
from workbench.learned.training.network import MULTIPLE, StarlessNet
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


def loss_of(made: Tensor, batch: Pairs) -> tuple[Tensor, dict[str, Tensor]]:
    """Robust error in local noise units: pixel by pixel under stars and elsewhere, and of 5 x 5 and 15 x 15 means."""
    inner = (slice(None), slice(None), slice(EDGE, -EDGE), slice(EDGE, -EDGE))
    # The light of a star has noise of its own, which nobody can tell from its light: it counts less.
    error = ((made - batch.starless) / batch.sigma)[inner]
    under = (batch.stars / batch.sigma)[inner]
    weight = 1 / (1 + under.clamp(max=1e6) / 400).sqrt()
    star = (under > 0.5).float()

    def robust(e: Tensor) -> Tensor:
        return (e**2 + 0.04).sqrt() - 0.2

    def capped(e: Tensor) -> Tensor:
        cost = robust(e)
        return torch.where(cost > 20, 20 + torch.log1p((cost - 20).clamp(min=0)) * 5, cost)

    cost = capped(error) * weight
    at_stars = (cost * star).sum() / star.sum().clamp_min(1)
    elsewhere = (cost * (1 - star)).sum() / (1 - star).sum().clamp_min(1)
    # Cores of galaxies are few pixels, and the likeliest to be taken for stars.
    core = (1 - star) * ((batch.objects / batch.sigma)[inner] > 5).float()
    at_objects = (cost * core).sum() / core.sum().clamp_min(1)
    steep = core * (cost > 2).float()
    eaten = (torch.log1p(cost) * steep).sum() / core.sum().clamp_min(1)
    mean5 = torch.nn.functional.avg_pool2d(error * weight, 5, stride=2)
    mean15 = torch.nn.functional.avg_pool2d(error * weight, 15, stride=5)
    wide = capped(3 * mean5).mean() + capped(6 * mean15).mean()
    total = at_stars + 3 * elsewhere + 2 * at_objects + 20 * eaten + 0.7 * wide
    seen = star * (1 - batch.cut[inner])
    rms = ((error**2 * seen).sum() / seen.sum().clamp_min(1)).sqrt()
    return total, {
        "stars": at_stars,
        "elsewhere": elsewhere,
        "objects": at_objects,
        "eaten": eaten,
        "wide": wide,
        "rms": rms,
    }


def rate(share: float, highest: float) -> float:
    """Learning rate after a share 0..1 of the time: a short rise, then half a cosine."""
    return highest * min(1.0, share / 0.02) * (0.5 + 0.5 * math.cos(math.pi * min(share, 1.0)) * 0.999)


def export(net: StarlessNet, path: Path) -> str:
    """Write the network as ONNX and return the file's SHA-256."""
    net = net.cpu().float().eval()
    example = torch.zeros(1, 3, 8 * MULTIPLE, 8 * MULTIPLE)
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
    state = {name: weights[name] for name in StarlessNet().state_dict()}
    return {"net": state, "mean": state, "steps": 0}


def train(  # noqa: PLR0915 - one loop, told in order
    out: Path, minutes: float, batch: int, seed: int, highest: float, resume: Path | None
) -> dict[str, Any]:
    """Train until ``minutes`` have passed and leave the files; returns the training record."""
    out.mkdir(parents=True, exist_ok=True)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    net = StarlessNet().to(device, memory_format=torch.channels_last)
    mean = StarlessNet().to(device)
    mean.load_state_dict(net.state_dict())
    steps_before, history = 0, []
    if resume is not None:
        kept = kept_in(resume, device)
        net.load_state_dict(kept["net"])
        mean.load_state_dict(kept["mean"])
        steps_before = int(kept["steps"])
        seed += steps_before
    optimizer = torch.optim.AdamW(
        net.parameters(), lr=highest, weight_decay=1e-4, betas=(0.9, 0.99), fused=device.type == "cuda"
    )
    draw = Draw(seed, device)
    began, step, fresh = time.monotonic(), 0, None
    sums: dict[str, Any] = {}
    while (share := (time.monotonic() - began) / (60 * minutes)) < 1:
        if step % REUSE == 0 or fresh is None:
            with torch.no_grad():
                fresh = pairs(draw, batch, SIZE)
        used = varied(fresh, draw)
        for group in optimizer.param_groups:
            group["lr"] = rate(share, highest)
        x = used.recorded.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            maps = net.maps(net.seen(x))
        made = net.joined(x, maps.float())
        total, parts = loss_of(made, used)
        optimizer.zero_grad(set_to_none=True)
        total.backward()
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
            sys.stdout.write(json.dumps(line) + "\n")
            sys.stdout.flush()
            sums = {}
        if step % 2000 == 0:
            _keep(out, net, mean, steps_before + step)
    _keep(out, net, mean, steps_before + step)
    record = {
        "what": "starless network",
        "sha256": export(mean, out / "network.onnx"),
        "parameters": sum(p.numel() for p in net.parameters()),
        "runs": [
            {
                "seed": seed,
                "steps": step,
                "steps_before": steps_before,
                "minutes": minutes,
                "batch": batch,
                "size": SIZE,
                "highest_rate": highest,
                "history": history[:: max(1, len(history) // 40)],
            }
            | made_with(device)
        ],
    }
    (out / "training.json").write_text(json.dumps(record, indent=1) + "\n")
    return record


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
    wanted = parser.parse_args()
    train(wanted.out, wanted.minutes, wanted.batch, wanted.seed, wanted.rate, wanted.resume)


if __name__ == "__main__":
    main()

"""The mean of two networks' weights: where training went on from one to the other, often better than both.

    python -m workbench.learned.training.averaged ONE.onnx OTHER.onnx OUT.onnx

After Wortsman et al. (2022), Model soups: averaging weights of multiple fine-tuned models, ICML 162. Costs nothing when
the network is run. Needs the package onnx; the product does not.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
from pathlib import Path

import numpy as np
import onnx
from onnx.numpy_helper import from_array, to_array

__all__ = ["averaged"]


def averaged(one: Path, other: Path, out: Path) -> str:
    """Write the network whose weights are the means of those of two of one layout; returns the file's SHA-256."""
    told, made = onnx.load(one), onnx.load(other)
    weights = {w.name: to_array(w) for w in told.graph.initializer}
    for weight in made.graph.initializer:
        value = to_array(weight)
        # What has no dimension, or other types, is a constant of the layout.
        if value.ndim and value.dtype == np.float32:
            weight.CopyFrom(from_array((0.5 * (weights[weight.name] + value)).astype(np.float32), weight.name))
    onnx.save(made, out)
    return hashlib.sha256(out.read_bytes()).hexdigest()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("one", "other", "out"):
        parser.add_argument(name, type=Path)
    wanted = parser.parse_args()
    sys.stdout.write(averaged(wanted.one, wanted.other, wanted.out) + "\n")

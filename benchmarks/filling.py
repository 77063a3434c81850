"""How near to the truth `Mend` fills drawn regions, beside other ways to fill: in units of the noise.

    python benchmarks/filling.py

Trails and round spots over the light of GalSim's galaxies, nebulae and dust (`tests/independent`), several seeds; and
over real frames (`tests/real`), whose own pixels are the truth there: 1 is as near as noise lets anything be, stars
under the drawing are lost by any way. The others: a membrane through the pixels around (Laplace's equation, scipy) and
scikit-image's biharmonic inpainting, where that is quick enough.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import numpy as np
from independent.scenes import Plan, make_scene
from real.frames import FILES, taken
from scipy import sparse
from scipy.sparse.linalg import spsolve
from skimage.restoration import inpaint_biharmonic

import workbench as wb
from workbench.measure.noise import noise
from workbench.operations._drawn import Drawn
from workbench.operations.base import Rect

SHAPE = (300, 420)
SCENES = (("emission",), ("galaxy",), ("reflection", "dust"), ("overfilling galaxy",), ("small galaxies",))
SPOTS = (8, 20, 45)
#: Real frames large enough for them.
REAL = [name for name in FILES if name != "dss"]
#: Larger windows take scikit-image minutes.
_SMALL = 12_000


def drawings(rng: np.random.Generator, shape: tuple[int, int]) -> dict[str, list[wb.Mend]]:
    """Two of each kind."""
    height, width = shape
    found: dict[str, list[wb.Mend]] = {"trail 9 px": []}
    for _ in range(2):
        left, right = (rng.uniform(10, 0.2 * width), rng.uniform(0.8 * width, width - 10))
        ends = [(left, rng.uniform(20, height - 20)), (right, rng.uniform(20, height - 20))]
        found["trail 9 px"].append(wb.Mend(strokes=[{"radius": 4, "points": ends}], grain=0))
    for r in SPOTS:
        for _ in range(2):
            x, y = rng.uniform(2 * r + 20, width - 2 * r - 20), rng.uniform(2 * r + 20, height - 2 * r - 20)
            spot = {"shape": "ellipse", "x": x, "y": y, "along": r, "across": r}
            found.setdefault(f"spot {2 * r} px", []).append(wb.Mend(regions=[spot], grain=0))
    return found


def membrane(planes: np.ndarray, region: np.ndarray) -> np.ndarray:
    """Values (C, n) of Laplace's equation between the pixels around."""
    y, x = np.nonzero(region)
    index = np.full(region.shape, -1)
    index[y, x] = np.arange(len(y))
    rows, columns, edge = [], [], np.zeros((len(y), len(planes)))
    for dy, dx in ((0, 1), (1, 0), (0, -1), (-1, 0)):
        beside = index[y + dy, x + dx]
        inner = beside >= 0
        rows.append(np.nonzero(inner)[0])
        columns.append(beside[inner])
        edge[~inner] += planes[:, (y + dy)[~inner], (x + dx)[~inner]].T
    ones = np.ones(sum(map(len, rows)))
    links = sparse.csr_array((ones, (np.concatenate(rows), np.concatenate(columns))), shape=(len(y), len(y)))
    return spsolve((sparse.diags_array(np.full(len(y), 4.0)) - links).tocsc(), edge).T


def biharmonic(planes: np.ndarray, region: np.ndarray) -> np.ndarray | None:
    """Values (C, n) of scikit-image's inpainting; None where its window is large."""
    y, x = np.nonzero(region)
    y0, y1, x0, x1 = max(y.min() - 12, 0), y.max() + 13, max(x.min() - 12, 0), x.max() + 13
    if (y1 - y0) * (x1 - x0) > _SMALL:
        return None
    made = inpaint_biharmonic(planes[:, y0:y1, x0:x1], region[y0:y1, x0:x1], channel_axis=0)
    return made[:, y - y0, x - x0]


def scenes() -> Iterator[tuple[str, wb.Stack, np.ndarray, np.ndarray]]:
    """What they are, stacks, their truth (C, H, W) and their noise (C,)."""
    for seed, objects in enumerate(SCENES, 1):
        scene = make_scene(Plan(seed=seed, shape=SHAPE, objects=objects, glow="two_domes", stars=250))
        strays = scene.stack.planes - np.moveaxis(scene.clean, 2, 0)
        sigma = 1.4826 * np.median(np.abs(strays - np.median(strays, axis=(1, 2), keepdims=True)), axis=(1, 2))
        yield "GalSim", scene.stack, np.moveaxis(scene.sky + scene.objects, 2, 0), sigma
    for name in REAL:
        stack = taken(name)
        yield name, stack, stack.planes, np.array([noise(np.ascontiguousarray(plane)).sigma for plane in stack.planes])


def main() -> None:
    """Print median and worst of each way for each kind."""
    errors: dict[tuple[str, str, str], list[float]] = {}
    for seed, (name, stack, truth, sigma) in enumerate(scenes(), 1):
        planes = np.ascontiguousarray(stack.planes)
        for kind, mends in drawings(np.random.default_rng(seed), planes.shape[1:]).items():
            for mend in mends:
                region = Drawn(mend.regions, mend.strokes).inside(Rect(0, 0, *planes.shape[1:]))
                ours = wb.Recipe([mend]).run(stack, progress=False).image.planes[:, region]
                ways = {"Mend": ours, "membrane": membrane(planes, region), "biharmonic": biharmonic(planes, region)}
                for way, values in ways.items():
                    if values is not None:
                        error = np.sqrt(np.mean(((values - truth[:, region]) / sigma[:, None]) ** 2))
                        errors.setdefault((name, kind, way), []).append(float(error))
    for (name, kind, way), values in errors.items():
        print(
            f"{name:7s} {kind:11s} {way:11s} median {np.median(values):6.2f}  worst {max(values):6.2f}  "
            f"({len(values)} regions)"
        )


if __name__ == "__main__":
    main()

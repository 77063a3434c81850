"""Falloff by stars of known magnitude, on fields of the real sky drawn by GalSim; and what mere numbers of stars tell.

    python benchmarks/falloff_by_stars.py                          # both
    python benchmarks/falloff_by_stars.py light --scenes 20 --first 100
    python benchmarks/falloff_by_stars.py counts

`light`: 0 to 60 % lost in the corners, with glow; stars scatter by 0.05 mag about the catalogue. The worst place of the
field after `CorrectFalloff`, with the stars and by the sky alone, and how far the corners are off in stated errors.
`counts`: the falloff that the number of stars would tell if the real sky were even, on fields that have none, by the
stars of the catalogue down to G = 10.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

import workbench as wb
from workbench.sky import bundled
from workbench.sky.sphere import directions

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from independent.lens import Lens, sky_through
from independent.scenes import Plan
from independent.sky import Camera

GLOWS = ("plane", "dome", "two_domes", "moon", "dome_and_corner")
#: Right ascension and declination of fields in and beside the Milky Way.
PLACES = ((83.0, 2.0), (290.0, 25.0), (180.0, 60.0), (10.0, -25.0), (130.0, 19.0))


def worst_place(after: np.ndarray, before: np.ndarray, transmission: np.ndarray) -> float:
    """Largest error of the brightness over the field, in per cent."""
    wrong = np.median(after / np.maximum(before, 1e-6), axis=2) * transmission
    return float(100 * np.abs(wrong / np.median(wrong) - 1).max())


def light(seed: int) -> tuple[float, float, float, int, float]:
    """Share lost; worst place by stars and by the sky alone; stars; error of the corners over the stated one."""
    rng = np.random.default_rng(seed)
    place = PLACES[int(rng.integers(len(PLACES)))]
    camera = Camera(*place, (480, 720), float(rng.choice([40.0, 80.0])), rng.uniform(0, 360))
    height = float(np.exp(rng.uniform(np.log(0.03), np.log(0.4))))
    lens = Lens(
        Plan(seed=seed, shape=camera.shape, glow=str(rng.choice(GLOWS)), height=height, sky=0.05, noise=0.03),
        falloff=(0.0, 0.15, 0.3, 0.45, 0.6)[seed % 5],
        fall=str(rng.choice(["cosine", "quadratic", "mechanical"])),  # type: ignore[arg-type]
        middle=tuple(rng.uniform(-0.03, 0.03, 2)),
    )
    stack, transmission = sky_through(lens, camera)
    runs = [wb.Recipe([wb.CorrectFalloff()]).run(s, progress=False) for s in (stack, replace(stack, wcs=None))]
    worst = [worst_place(run.image.pixels, stack.pixels, transmission) for run in runs]
    facts = runs[0].record.steps[0].facts
    true = np.log(transmission[[0, 0, -1, -1], [0, -1, 0, -1]]).mean()
    off = (np.log(facts.corners) - true) / facts.error if facts.error else 0.0
    return lens.falloff, *worst, facts.stars, float(off)


def counts(side: float, fields: int = 60) -> tuple[int, float, float]:
    """Stars of a field so many degrees wide; scatter of the falloff that they seem to tell, and its error by number.

    Where light falls to V, the count of stars above a limit falls to V^b, b being the slope of log N by log flux.
    """
    sky, rng = bundled(), np.random.default_rng(5)
    rays, size = directions(sky.ra, sky.dec), np.array([side, side / 1.5])
    told = []
    for _ in range(fields):
        ahead = rng.normal(size=3)
        ahead /= np.linalg.norm(ahead)
        east = np.cross(ahead, [0.0, 0.0, 1.0])
        east /= np.linalg.norm(east)
        depth = rays @ ahead
        front = depth > np.cos(np.deg2rad(side))
        place = np.rad2deg(rays[front] @ np.stack([east, np.cross(east, ahead)], axis=1) / depth[front, None])
        inside = (np.abs(place) < size / 2).all(axis=1)
        magnitude = sky.magnitude[front][inside]
        slope = np.log(len(magnitude) / max((magnitude < 9).sum(), 1)) / (0.4 * np.log(10))
        seen, *edges = np.histogram2d(*place[inside].T, bins=(12, 8), range=[(-n / 2, n / 2) for n in size])
        u, v = np.meshgrid(*((e[1:] + e[:-1]) / np.hypot(*size) for e in edges), indexing="ij")
        terms = np.stack([np.ones(u.size), u.ravel(), v.ravel(), (u**2 + v**2).ravel()], axis=1)
        fit = np.array([np.log(seen.mean()), 0, 0, 0])
        for _ in range(20):  # Poisson's likelihood, by Newton's steps
            expected = np.exp(terms @ fit)
            curvature = terms.T @ (terms * expected[:, None])
            fit = fit + np.linalg.solve(curvature, terms.T @ (seen.ravel() - expected))
        told.append((len(magnitude), fit[3] / slope, np.sqrt(np.linalg.inv(curvature)[3, 3]) / slope))
    table = np.array(told)
    return int(np.median(table[:, 0])), float(table[:, 1].std()), float(np.median(table[:, 2]))


def main() -> None:
    """Print a row for each scene, and what they come to."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", nargs="?", choices=("light", "counts"))
    parser.add_argument("--scenes", type=int, default=12)
    parser.add_argument("--first", type=int, default=100, help="seed of the first scene")
    args = parser.parse_args()
    if args.what in (None, "light"):
        seeds = range(args.first, args.first + args.scenes)
        table = np.array([light(seed) for seed in seeds])
        for seed, (lost, stars, sky, count, off) in zip(seeds, table, strict=True):
            print(f"light {seed}: {lost:.2f} lost; worst place {stars:.1f} % by {count:.0f} stars (corners {off:+.1f}")
            print(f"    stated errors off), {sky:.1f} % by the sky alone")
        some, none = table[(table[:, 0] > 0) & (table[:, 3] > 0)], table[table[:, 0] == 0]
        for name, worst in (("stars", some[:, 1]), ("the sky alone", some[:, 2]), ("stars, none lost", none[:, 1])):
            print(f"by {name}: worst place, median {np.median(worst):.1f} %, largest {worst.max():.1f} %")
    if args.what in (None, "counts"):
        for side in (12.0, 24.0, 40.0):
            stars, scatter, error = counts(side)
            print(
                f"counts: {side:.0f} degrees, {stars} stars: corners seem to have lost {100 * scatter:.0f} % (standard"
            )
            print(f"    deviation) where nothing is lost; {100 * error:.0f} % is chance")


if __name__ == "__main__":
    main()

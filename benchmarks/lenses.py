"""What is left of a lens's faults on scenes with known truth that the simulator had no part in.

    python benchmarks/lenses.py                       # all
    python benchmarks/lenses.py falloff --scenes 24 --first 7700
    python benchmarks/lenses.py lateral --scenes 8 --first 900
    python benchmarks/lenses.py fringe --scenes 12

`lateral`: red and blue set apart by 0.3 to 2 px in the corners, by a cubic or a sine about a middle of its own; how far
the measured shift is from the true one over the frame, and how the colors of stars scatter under a window of 2 px.
`falloff`: 0 to 60 % lost in the corners with glow, nebulae and galaxies; the worst place of the field afterwards, and
what `RemoveGradient` then leaves of the sky's unevenness where no object is, beside what it leaves without the step.
`fringe`: blue halos of 0 to 30 % of a star's light by three models of a lens, some growing to the corners, with nebulae
around stars, galaxies and clusters; what `RemoveFringe` leaves, beside two ways that are told the places of all stars
and the halo's radius: the color difference to green limited to that of the ground around each star (after Chung, Kim &
Song 2009, and Kang 2007; from memory), and half of it taken away where it is bluer than stars are (desaturation).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

import workbench as wb
from workbench.measure.lateral_color import shift_terms, unit_places

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from independent.fringe import FringeLens, FringeScene, left_over, make_fringe_scene
from independent.lens import Lens, LensScene, make_lens_scene, shifts
from independent.scenes import Plan

SHAPE = (400, 600)
GLOWS = ("plane", "dome", "two_domes", "moon", "dome_and_corner")
OBJECTS = ((), (), ("emission",), ("galaxy",), ("dust",))


def lateral(seed: int) -> tuple[float, float, float]:
    """Largest shift of the lens, and root mean square and largest error of the measured one, px."""
    rng = np.random.default_rng(seed)
    size = float(rng.uniform(0.3, 2.0))
    lens = Lens(
        Plan(seed=seed, shape=SHAPE, glow=str(rng.choice(GLOWS)), objects=OBJECTS[rng.integers(5)], brightness=20.0),
        stars=int(rng.integers(150, 500)),
        fwhm=float(rng.uniform(2.2, 4.0)),
        lateral=(size, -size * float(rng.uniform(0.3, 1.0))),
        shape=str(rng.choice(["cubic", "sine"])),  # type: ignore[arg-type]
        middle=tuple(rng.uniform(-0.08, 0.08, 2)),
        refraction=tuple(rng.uniform(-0.3, 0.3, 2)),
    )
    facts = wb.AlignChannels().measure(wb.Frame(np.ascontiguousarray(make_lens_scene(lens).stack.planes)))
    y, x = (a.ravel().astype(float) for a in np.mgrid[0 : SHAPE[0] : 10, 0 : SHAPE[1] : 10])
    terms = shift_terms(*unit_places(x, y, SHAPE))
    true = shifts(lens, x, y)
    left = np.stack([np.hypot(*(terms @ facts.coefficients[c] - t)) for c, t in zip((0, 2), true, strict=True)])
    return float(np.hypot(*np.moveaxis(true, 1, 0)).max()), float(np.sqrt((left**2).mean())), float(left.max())


def uneven(pixels: np.ndarray, made: LensScene) -> float:
    """Root mean square unevenness of the sky where no object is, as a share of it; by means of squares of 20 px."""
    empty = (made.objects + made.stars).max(axis=2) < 0.2 * made.noise.mean()
    plane = np.where(empty, pixels.mean(axis=2), np.nan)
    blocks = plane.reshape(SHAPE[0] // 20, 20, SHAPE[1] // 20, 20)
    seen = np.isfinite(blocks).mean(axis=(1, 3)) > 0.5
    level = np.nanmean(np.where(np.isfinite(blocks), blocks, np.nan).transpose(0, 2, 1, 3)[seen], axis=(1, 2))
    return float(level.std() / level.mean())


def falloff(seed: int) -> tuple[float, float, float, float]:
    """Share lost, and in per cent: worst place of the field afterwards, unevenness left with and without the step."""
    rng = np.random.default_rng(seed)
    lost = float(rng.choice([0.0, 0.15, 0.3, 0.45, 0.6]))
    objects = OBJECTS[rng.integers(5)]
    lens = Lens(
        Plan(
            seed=seed,
            shape=SHAPE,
            glow=str(rng.choice(GLOWS)),
            height=float(np.exp(rng.uniform(np.log(0.03), np.log(0.4)))),
            objects=objects,
            brightness=float(rng.choice([15.0, 60.0])),
        ),
        stars=80,
        falloff=lost,
        fall=str(rng.choice(["cosine", "quadratic", "mechanical"])),  # type: ignore[arg-type]
        middle=tuple(rng.uniform(-0.03, 0.03, 2)),
    )
    made = make_lens_scene(lens)
    first = wb.Recipe([wb.CorrectFalloff()]).run(made.stack, progress=False).image
    gain = np.median(first.pixels / made.stack.pixels, axis=2)
    wrong = gain * made.transmission
    wrong /= np.median(wrong)
    both = [wb.Recipe([wb.RemoveGradient()]).run(stack, progress=False).image for stack in (first, made.stack)]
    left = [100 * uneven(image.pixels, made) for image in both]
    return lost, float(100 * np.abs(wrong - 1).max()), left[0], left[1]


def fringe_lens(seed: int) -> FringeLens:
    """A lens with a halo in blue, or with none, and what it looks at."""
    rng = np.random.default_rng(seed)
    share = float(rng.choice([0.0, 0.06, 0.15, 0.3]))
    return FringeLens(
        Plan(
            seed=seed,
            shape=SHAPE,
            glow=str(rng.choice(GLOWS)),
            noise=0.012,
            objects=OBJECTS[rng.integers(5)],
            brightness=40.0,
        ),
        stars=int(rng.integers(120, 500)),
        fwhm=float(rng.uniform(2.0, 4.5)),
        halo=(share * float(rng.choice([0.0, 0.4])), share),
        kind=str(rng.choice(["discs", "spherical", "exponential"])),  # type: ignore[arg-type]
        radius=float(rng.uniform(6, 16)),
        grows=float(rng.choice([0.0, 0.5])),
        red_stars=float(rng.choice([0.0, 0.4])),
        nebulous=int(rng.choice([0, 0, 6])),
        cluster=float(rng.choice([0.0, 0.0, 0.6])),
    )


def near_stars(made: FringeScene, limited: bool) -> np.ndarray:
    """Color difference to green taken from what lies around each of the brightest stars; the picture (H, W, 3)."""
    out = made.stack.pixels.astype(float)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    white = np.median(made.flux / made.flux[:, 1:2], axis=0)
    for i in np.argsort(-made.flux[:, 1])[:100]:
        r = np.hypot(x - made.x[i], y - made.y[i])
        inside, ground = r < 1.5 * made.lens.radius, (r > 2 * made.lens.radius) & (r < 2.5 * made.lens.radius)
        core = r < made.lens.fwhm
        level = np.median(out[ground], axis=0)
        for c in (0, 2):
            star = (out[core, c] - level[c]).sum() / (out[core, 1] - level[1]).sum()
            ratio = star if limited else white[c]
            difference = (out[..., c] - level[c]) - ratio * (out[..., 1] - level[1])
            noise = made.noise[..., c]
            more = np.maximum(difference - (1 if limited else 2) * noise, 0)
            out[..., c] -= np.where(inside, more if limited else 0.5 * more, 0)
    return out.astype(np.float32)


def fringe(seed: int) -> None:
    """A line for each way to take a halo away."""
    lens = fringe_lens(seed)
    made = make_fringe_scene(lens)
    ways = {
        "RemoveFringe": wb.Recipe([wb.RemoveFringe()]).run(made.stack, progress=False).image.pixels,
        "limited": near_stars(made, limited=True),
        "desaturated": near_stars(made, limited=False),
    }
    told = f"{lens.kind}, {lens.halo[1]:.2f} in blue, {lens.radius:.0f} px, {lens.nebulous} nebulous"
    print(f"fringe {seed}: {told}; {', '.join(lens.scene.objects)}")
    for way, pixels in ways.items():
        left = left_over(made, pixels)
        halo = f"halo left {left.halo:4.0f} %, wrong {left.wrong:4.0f} %, " if lens.halo[1] else ""
        print(
            f"    {way:12s} {halo}core {left.core:.1f} %, light {left.light:+.1f} %, nebula {left.nebula:+.1f} %, "
            f"darkest {left.darkest:.1f}, changed {left.changed:.1f} noise",
            flush=True,
        )


def main() -> None:
    """Print a row for each scene, and what they come to."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", nargs="?", choices=("lateral", "falloff", "fringe"))
    parser.add_argument("--scenes", type=int, default=12)
    parser.add_argument("--first", type=int, default=5000, help="seed of the first scene")
    args = parser.parse_args()
    seeds = range(args.first, args.first + args.scenes)
    if args.what in (None, "fringe"):
        for seed in seeds:
            fringe(seed)
    if args.what in (None, "lateral"):
        rows = np.array([lateral(seed) for seed in seeds])
        for seed, (apart, rms, most) in zip(seeds, rows, strict=True):
            print(f"lateral {seed}: {apart:.2f} px apart at most; left {rms:.3f} px (rms), {most:.3f} at most")
        print(f"all: rms median {np.median(rows[:, 1]):.3f}, worst {rows[:, 1].max():.3f} px")
    if args.what in (None, "falloff"):
        table = np.array([falloff(seed) for seed in seeds])
        for seed, (lost, worst, both, alone) in zip(seeds, table, strict=True):
            print(f"falloff {seed}: {lost:.2f} lost; worst place {worst:.1f} %; sky uneven by {both:.2f} % after the")
            print(f"    gradient is off too, {alone:.2f} % by that alone")
        for name, rows in (("none lost", table[table[:, 0] == 0]), ("some lost", table[table[:, 0] > 0])):
            if len(rows):
                print(f"{name}: worst place, median {np.median(rows[:, 1]):.1f} %, largest {rows[:, 1].max():.1f} %")


if __name__ == "__main__":
    main()

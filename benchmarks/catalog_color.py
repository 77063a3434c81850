"""White by a catalogue, and the brightness of the sky, on fields of the real sky with known truth.

    python benchmarks/catalog_color.py          # 12 fields
    python benchmarks/catalog_color.py 4 --seed 20

Each field is drawn by GalSim (`tests/independent/sky.py`): real stars to G = 10 with their B-V, off by the error that
is stated with it, as black bodies through the sensitivity of a measured camera (colour-science); a fifth of them
saturated, blue up to a quarter less sharp than green, populations mixed, red and young in turn. Where they lie is known
from the camera, as a field without most of its stars is no sky to be found. It is told how far gains are from the truth
in percent, in units of what is stated as their error; how far slopes are from those of the lines through the colors
that the field's own stars have without noise, and how far the sky's brightness is. `--crowded` points at the Milky Way.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from independent.sky import Camera, band_light, response, sky_scene

import workbench as wb
from workbench.operations.base import Frame
from workbench.operations.white import CalibrateColor
from workbench.sky.star_light import camera_colors, temperature

#: In the Milky Way: Sagittarius, Scutum, Cygnus, Carina, Crux, Scorpius, Puppis, Monoceros, Norma, Lacerta.
CROWDED = (
    (268, -29),
    (283, -5),
    (305, 38),
    (160, -60),
    (190, -62),
    (255, -42),
    (120, -40),
    (95, 10),
    (245, -50),
    (340, 56),
)


def true_slopes(bv: np.ndarray) -> np.ndarray:
    """Slopes of the lines through noise-free colors of stars against those that are expected of the generic camera."""
    nm, bands = response()
    light = band_light(bv, bands, nm)
    colors, expected = np.log(light[:, [0, 2]] / light[:, [1]]), camera_colors(temperature(bv))
    return np.array([np.polyfit(expected[:, k], colors[:, k], 1)[0] for k in (0, 1)])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("fields", nargs="?", type=int, default=12)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--crowded", action="store_true")
    wanted = parser.parse_args()
    wrong, sure, sky, steep, steep_sure = [], [], [], [], []
    for seed in range(wanted.seed, wanted.seed + wanted.fields):
        rng = np.random.default_rng([seed, 7])
        dec = float(np.rad2deg(np.arcsin(rng.uniform(-1, 1))))
        ra = float(rng.uniform(0, 360))
        if wanted.crowded:
            ra, dec = (float(v + rng.uniform(-4, 4)) for v in CROWDED[seed % len(CROWDED)])
        camera = Camera(ra, dec, (520, 780), float(rng.uniform(45, 80)), float(rng.uniform(0, 360)))
        population = ("mixed", "red", "young")[seed % 3]
        scene = sky_scene(
            camera,
            seed=seed,
            fwhm=(2.5 * rng.uniform(1, 1.15), 2.5, 2.5 * rng.uniform(1, 1.25)),
            gains=(float(rng.uniform(0.4, 0.9)), 1.0, float(rng.uniform(0.5, 0.9))),
            population=population,
            saturated=0.2,
            sky=float(rng.uniform(0.01, 0.1)),
        )
        stack = replace(scene.stack, wcs=camera.solution())
        frame = Frame(np.ascontiguousarray(stack.planes), acquisition=stack.acquisition, wcs=stack.wcs)
        facts = CalibrateColor(reference="catalogue").measure(frame)
        off = (np.array(facts.gains) / scene.gains - 1)[[0, 2]]
        error = (np.array(facts.uncertainty) / facts.gains)[[0, 2]]
        found = wb.check(stack).sky_brightness
        bright = np.nan if found is None else found.visual - scene.sky_brightness
        wrong.append(np.abs(off).max())
        sure.append(np.abs(off / error))
        sky.append(abs(bright))
        true = true_slopes(scene.bv)
        steep.append(np.array(facts.catalog.slope) / true - 1)
        steep_sure.append(np.abs(facts.catalog.slope - true) / facts.catalog.slope_error)
        slopes = ", ".join(f"{100 * s:+.1f}" for s in steep[-1])
        print(
            f"{seed:3} {population:5} {camera.ra:5.1f} {camera.dec:+5.1f}: {facts.samples:3} stars, "
            f"red {100 * off[0]:+.2f} % ({off[0] / error[0]:+.1f}), blue {100 * off[1]:+.2f} % "
            f"({off[1] / error[1]:+.1f}), slopes {slopes} %; sky {bright:+.2f} mag",
            flush=True,
        )
    print(
        f"gains: worst {100 * max(wrong):.2f} %, within 1.5 % in {np.mean(np.array(wrong) <= 0.015):.0%} of the fields"
    )
    print(f"within twice the stated error: {np.mean(np.array(sure) <= 2):.0%} of the gains")
    print(
        f"slopes: worst {100 * np.abs(steep).max():.1f} % off those of the field's own stars, "
        f"{np.mean(np.array(steep_sure) <= 2):.0%} within twice the stated error"
    )
    print(f"sky: worst {np.nanmax(sky):.2f} mag; not measured in {np.isnan(sky).sum()}")


if __name__ == "__main__":
    main()

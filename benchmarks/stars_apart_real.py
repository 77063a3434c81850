"""Of the sources that photutils and sep see in the real frames of tests/real, how many end in the layer of stars.

    python benchmarks/stars_apart_real.py
    python benchmarks/stars_apart_real.py --sigma 10 --frames emmi,m13

Both look at the same plane (mean of the channels above sep's sky) with a Gaussian of the stars' own width, from the
same threshold in units of its noise on: photutils by DAOStarFinder (Stetson 1987, PASP 99, 191), which keeps what is
sharp and round, sep by connected pixels of its matched filter (Bertin and Arnouts 1996, A&AS 117, 393), which keeps
everything. A source is taken where the layer of stars has half of its light above the sky, or more, within a width of
its center; ``left`` is what sep still sees in the starless layer, at the same threshold and noise, within a width of
a source that was taken: pits, rims and halves. Galaxies and knots are sources too: what is not taken need not be
missed.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

import sep
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.detection import DAOStarFinder
from real.frames import FILES, taken
from scipy.spatial import cKDTree

from workbench import Recipe, Stack
from workbench.measure.stars import find_stars
from workbench.operations.layers import SplitStars

#: Full width at half maximum over the standard deviation of a Gaussian.
PER_SIGMA = 2.3548
BOX = 32


def mean_of(pixels: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(pixels.mean(axis=2), np.float32)


def seen_by_photutils(plane: np.ndarray, noise: float, fwhm: float, sigma: float) -> np.ndarray:
    found = DAOStarFinder(threshold=sigma * noise, fwhm=fwhm, exclude_border=True)(plane)
    return np.zeros((0, 2)) if found is None else np.c_[found["x_centroid"], found["y_centroid"]]


def seen_by_sep(plane: np.ndarray, noise: float, fwhm: float, sigma: float) -> np.ndarray:
    half = int(np.ceil(fwhm))
    square = np.arange(-half, half + 1) ** 2
    kernel = np.exp(-0.5 * (square[:, None] + square) / (fwhm / PER_SIGMA) ** 2)
    found = sep.extract(plane, sigma, err=noise, minarea=1, filter_kernel=kernel, filter_type="matched")
    return np.c_[found["x"], found["y"]]


def shares(layer: np.ndarray, plane: np.ndarray, places: np.ndarray, fwhm: float) -> np.ndarray:
    """Light in the layer of stars over that above the sky, within a width of each place."""
    if len(places) == 0:
        return np.zeros(0)
    around = CircularAperture(places, fwhm)
    sums = [np.asarray(aperture_photometry(image, around)["aperture_sum"]) for image in (layer, plane)]
    return np.divide(sums[0], sums[1], out=np.zeros(len(places)), where=sums[1] > 0)


def judged(name: str, stack: Stack, sigma: float) -> None:
    frame = mean_of(stack.pixels)
    mesh = sep.Background(frame, bw=BOX, bh=BOX)
    plane, noise = frame - mesh.back(), mesh.globalrms
    stars = find_stars(stack.planes, threshold=sigma)
    bright = stars.fwhm[~stars.saturated][:100]
    fwhm = float(np.median(bright)) if bright.size else 3.0
    seen = {"photutils": seen_by_photutils, "sep": seen_by_sep}
    places = {by: look(plane, noise, fwhm, sigma) for by, look in seen.items()}
    told = f"{name:8} {fwhm:5.1f} {len(stars):6}"
    for method in ("learned", "classical"):
        result = Recipe([SplitStars(method=method)]).run(stack, progress=False)
        layer, starless = mean_of(result.stars.pixels), mean_of(result.starless.pixels)
        took = {by: shares(layer, plane, at, fwhm) >= 0.5 for by, at in places.items()}
        still = seen_by_sep(starless - mesh.back(), noise, fwhm, sigma)
        gone = places["sep"][took["sep"]]
        left = 0
        if len(gone) and len(still):
            left = np.count_nonzero(cKDTree(still).query(gone)[0] < fwhm)
        counts = " ".join(f"{np.count_nonzero(took[by]):5} of {len(places[by]):5}" for by in seen)
        told += f" | {method:9} {counts} {left:5}"
    print(told, flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sigma", type=float, default=6.0)
    parser.add_argument("--frames", default=",".join(FILES))
    wanted = parser.parse_args()
    warnings.simplefilter("ignore")  # photutils and astropy say much about headers and fits
    sep.set_extract_pixstack(1_000_000)
    print("frame     fwhm  found | method    photutils      sep            left | ...")
    for name in wanted.frames.split(","):
        judged(name, taken(name), wanted.sigma)


if __name__ == "__main__":
    main()

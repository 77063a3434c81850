"""The suggested recipe on a 24-megapixel stack, file to file, against the same recipe as a careful notebook.

    python benchmarks/whole.py [--megapixels 24] [--scene lantern_nebula] [--no-notebook]

Both read one 16-bit TIFF and write one 16-bit TIFF. The notebook uses numpy, scipy and photutils in float32, whole
frames at a time, with the recipe's own steps: `notebook` below is its text. Seconds are also given in memory copies
of the frame. Peak memory is measured in a process of its own, above the interpreter with the stack loaded.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path

import numpy as np
import tifffile
from measuring import best, copy_seconds, in_fresh_process, machine, table

import workbench as wb
from workbench.simulate import write_simulation


def notebook(source: Path, target: Path, recipe: wb.Recipe) -> None:
    """The recipe's steps as a careful notebook would do them."""
    from astropy.stats import SigmaClip, sigma_clipped_stats
    from photutils.background import Background2D, SExtractorBackground
    from photutils.detection import DAOStarFinder
    from scipy import ndimage

    steps = {s.operation.id: s.operation for s in recipe if s.on}
    image = tifffile.imread(source).astype(np.float32) / np.float32(65535)
    height, width, _ = image.shape
    if "crop" in steps:
        image = image[16 : height - 14, 23 : width - 20]  # read off by eye
    if "mend_pixels" in steps:
        image = np.stack([_mended(image[..., c]) for c in range(3)], axis=2)
    if "remove_gradient" in steps:
        for c in range(3):
            model = Background2D(
                image[..., c], 64, filter_size=3, sigma_clip=SigmaClip(3.0), bkg_estimator=SExtractorBackground()
            ).background.astype(np.float32)
            image[..., c] -= model - np.float32(np.median(model))
    gray = image.mean(axis=2, dtype=np.float32)
    _, sky, sigma = sigma_clipped_stats(gray[::4, ::4])
    stars = DAOStarFinder(5 * sigma, 3.0)(gray - np.float32(sky))
    x, y = np.asarray(stars["x_centroid"]), np.asarray(stars["y_centroid"])
    if "calibrate_color" in steps:
        level = np.float32([np.median(image[..., c]) for c in range(3)])
        rows, cols = y.round().astype(int), x.round().astype(int)
        light = np.stack([ndimage.uniform_filter(image[..., c], 7)[rows, cols] for c in range(3)]) - level[:, None]
        gains = np.median(light[1] / light, axis=1).astype(np.float32)
        image = (image - level) * gains + level
    if "reduce_stars" in steps:
        mask = np.zeros(gray.shape, np.float32)
        mask[y.round().astype(int), x.round().astype(int)] = 1
        mask = ndimage.gaussian_filter(ndimage.grey_dilation(mask, size=(9, 9)), 2)[..., None]
        small = np.stack([ndimage.grey_erosion(image[..., c], size=(3, 3)) for c in range(3)], axis=2)
        image = image + mask * np.float32(0.5) * (small - image)
    if "denoise" in steps:
        for c in range(3):
            image[..., c] = _starlet_denoised(image[..., c], 5)
    level = np.float32([np.median(image[..., c]) for c in range(3)])
    noise = np.float32(1.4826) * np.median(np.abs(image - level), axis=(0, 1)).astype(np.float32)
    image = image - (level - 5 * noise)
    light = image.mean(axis=2, keepdims=True, dtype=np.float32)
    stretched = np.arcsinh(np.clip(light, 0, None) / np.float32(0.01)) / np.float32(np.arcsinh(100))
    image = np.clip(image * (stretched / np.maximum(light, np.float32(1e-6))), 0, 1)
    if "saturate" in steps:
        image = _saturated(image, np.float32(steps["saturate"].amount))
    image = np.where(image <= np.float32(0.0031308), image * 12.92, 1.055 * np.power(image, 1 / 2.4) - 0.055)
    tifffile.imwrite(target, (image * 65535 + 0.5).astype(np.uint16), photometric="rgb", compression="zlib")


def _mended(plane: np.ndarray) -> np.ndarray:
    from scipy import ndimage

    around = ndimage.median_filter(plane, size=3)
    off = np.abs(plane - around)
    return np.where(off > 8 * np.float32(1.4826) * np.median(off[::4, ::4]), around, plane)


def _starlet_denoised(plane: np.ndarray, scales: int) -> np.ndarray:
    from scipy import ndimage

    taps = np.float32([1, 4, 6, 4, 1]) / 16
    smooth, total = plane, np.zeros_like(plane)
    for scale in range(scales):
        kernel = np.zeros(4 * 2**scale + 1, np.float32)
        kernel[:: 2**scale] = taps
        next_smooth = ndimage.convolve1d(
            ndimage.convolve1d(smooth, kernel, axis=0, mode="mirror"), kernel, axis=1, mode="mirror"
        )
        detail = smooth - next_smooth
        sigma = np.float32(1.4826) * np.median(np.abs(detail[::4, ::4]))
        local = ndimage.uniform_filter(detail * detail, 5)
        total += detail * np.clip(1 - sigma * sigma / np.maximum(local, 1e-20), 0, 1)
        smooth = next_smooth
    return total + smooth


def _saturated(image: np.ndarray, amount: np.float32) -> np.ndarray:
    """Chroma in Oklab (Ottosson 2020) times ``amount``."""
    to_lms = np.float32(
        [
            [0.4122214708, 0.5363325363, 0.0514459929],
            [0.2119034982, 0.6806995451, 0.1073969566],
            [0.0883024619, 0.2817188376, 0.6299787005],
        ]
    )
    to_lab = np.float32(
        [
            [0.2104542553, 0.793617785, -0.0040720468],
            [1.9779984951, -2.428592205, 0.4505937099],
            [0.0259040371, 0.7827717662, -0.808675766],
        ]
    )
    lab = np.cbrt(image @ to_lms.T) @ to_lab.T
    lab[..., 1:] *= amount
    return np.clip(
        (lab @ np.linalg.inv(to_lab).T.astype(np.float32)) ** 3 @ np.linalg.inv(to_lms).T.astype(np.float32), 0, 1
    )


PEAK = """
import json, sys, threading, time
import numpy as np
import workbench as wb
sys.path.insert(0, sys.argv[3])
from measuring import peak_memory
recipe = wb.Recipe.load(sys.argv[2])
small = wb.Stack.from_array(np.random.default_rng(0).normal(0.1, 0.001, (300, 400, 3)))
for step in recipe:                      # load every kernel beforehand: the interpreter is not the subject
    try: wb.Recipe([step]).run(small)
    except wb.WorkbenchError: pass
stack = wb.read(sys.argv[1])
with peak_memory() as told:
    result = recipe.run(stack, progress=False)
print(json.dumps({"rise": told["rise"], "frame": stack.pixels.nbytes}))
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--scene", default="lantern_nebula")
    parser.add_argument("--no-notebook", action="store_true")
    wanted = parser.parse_args()
    height = round((wanted.megapixels * 1e6 / 1.5) ** 0.5)
    shape = (height, round(height * 1.5))
    with tempfile.TemporaryDirectory() as folder:
        source, ours, theirs = (Path(folder) / n for n in ("stack.tif", "ours.tif", "theirs.tif"))
        write_simulation(wanted.scene, source, shape=shape)
        recipe = wb.suggest(wb.read(source))
        recipe.save(Path(folder) / "r.recipe.json")
        unit = copy_seconds((*shape, 3))

        def run() -> wb.Result:
            result = recipe.run(wb.read(source), progress=False)
            result.save(ours, overwrite=True)
            return result

        seconds = best(run, 3)
        steps = run().record.steps
        rows = [["workbench", seconds, seconds / unit]]
        if not wanted.no_notebook:
            slow = best(lambda: notebook(source, theirs, recipe), 1)
            rows.append(["notebook", slow, slow / unit])
            rows.append(["ratio", slow / seconds, ""])
        print(f"{machine()}; {wanted.scene} {shape[1]} x {shape[0]}, one copy of the frame {unit * 1000:.1f} ms\n")
        print(table(["file to file", "seconds", "copies"], rows))
        print()
        told = [
            [s.do, s.seconds_measuring, s.seconds_applying, (s.seconds_measuring + s.seconds_applying / 2) / unit]
            for s in steps
        ]
        print(table(["step", "measuring s", "applying s (both threads)", "copies"], told))
        peak = in_fresh_process(PEAK, str(source), str(Path(folder) / "r.recipe.json"), str(Path(__file__).parent))
        print(f"\npeak memory above the stack and the interpreter: {peak['rise'] / peak['frame']:.2f} float32 frames")
        print(json.dumps({"seconds": seconds, "copies": seconds / unit, "frames": peak["rise"] / peak["frame"]}))


if __name__ == "__main__":
    main()

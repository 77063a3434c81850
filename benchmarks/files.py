"""Files of a 24 MP stack: reading against tifffile and astropy on the same bytes, 16-bit PNG against OpenCV.

    python benchmarks/files.py [--megapixels 24] [--repeats 3]

Each group runs in turn, and the least of the repeats counts. "to floats" is the library's read followed by numpy's
conversion to the same float32 frame; "bare" is the library's read alone, in the sample type of the file; "digest" is
how long the file's SHA-256, taken in a thread of its own, still lasts when the frame is there. Our time holds the
range check for NaN and the look at star profiles. Peak memory is what Python and numpy allocate while reading, in
float32 frames.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from astropy.io import fits
from numpy.typing import NDArray

from workbench import io
from workbench.io import Decoded
from workbench.io.strips import as_samples


def least(function: Callable[[], object], repeats: int) -> float:
    best = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        best = min(best, time.perf_counter() - start)
    return best


def picture(height: int, width: int, noise: float, seed: int = 5) -> NDArray[np.float32]:
    """A stretched deep-sky picture: sky at 0.13 with glow, clouds of nebula, stars, noise."""
    rng = np.random.default_rng(seed)
    yy, xx = np.mgrid[0:1:64j, 0:1:64j]
    small = 0.13 + 0.05 * np.sin(3 * xx) * np.cos(2 * yy)
    small += 0.1 * np.clip(cv2.GaussianBlur(rng.normal(0, 1, (64, 64)), (0, 0), 4) * 8, 0, 1)
    base = cv2.resize(small.astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    stars = np.zeros((height, width), np.float32)
    count = height * width // 400
    stars[rng.integers(0, height, count), rng.integers(0, width, count)] = rng.pareto(1.2, count) * 3
    base += np.clip(cv2.GaussianBlur(stars, (0, 0), 1.3), 0, 1)
    out = base[:, :, None] * np.array([1.1, 1.0, 0.95], np.float32)
    out += rng.standard_normal(out.shape, np.float32) * np.float32(noise)
    return np.clip(out, 0, 1)


def floats(frame: NDArray[Any], white: float) -> NDArray[np.float32]:
    """Numpy's way to the same frame."""
    if frame.ndim == 3 and frame.shape[0] == 3:
        frame = np.moveaxis(frame, 0, 2)[::-1]
    out = np.ascontiguousarray(frame, np.float32)
    if white != 1:
        out /= np.float32(white)
    return out


def astropy_read(path: Path) -> NDArray[Any]:
    with fits.open(path, memmap=False) as hdus:
        return np.asarray(hdus[0].data)


def reading(folder: Path, frame: NDArray[np.float32], repeats: int) -> None:
    whole = as_samples(frame, np.uint16)
    planes = np.ascontiguousarray(np.moveaxis(whole, 2, 0))
    files: dict[str, tuple[Callable[[Path], NDArray[Any]], float]] = {}

    def tiff(name: str, data: NDArray[Any], white: float, **options: Any) -> None:
        tifffile.imwrite(folder / name, data, photometric="rgb", **options)
        files[name] = tifffile.imread, white

    tiff("u16.tif", whole, 65535.0)
    tiff("u16_big_endian.tif", whole, 65535.0, byteorder=">")
    tiff("u16_deflate.tif", whole, 65535.0, compression="deflate", predictor=2, rowsperstrip=64)
    tiff("f32.tif", frame, 1.0)
    fits.writeto(folder / "u16.fits", planes)
    fits.writeto(folder / "f32.fits", np.ascontiguousarray(np.moveaxis(frame, 2, 0)))
    files["u16.fits"] = astropy_read, 65535.0
    files["f32.fits"] = astropy_read, 1.0
    print(
        f"{'reading':22s} {'ours':>7s} {'to floats':>10s} {'ratio':>6s} {'bare':>7s} {'ratio':>6s} "
        f"{'digest':>7s} {'peak':>6s}"
    )
    for name, (reader, white) in files.items():
        compare(folder / name, reader, white, repeats, frame.nbytes)


def compare(path: Path, reader: Callable[[Path], NDArray[Any]], white: float, repeats: int, nbytes: int) -> None:
    def ours() -> None:
        read.append(io.decode(path))

    read: list[Decoded] = []
    runs = (
        ours,
        lambda: read.pop().source.sha256,  # before anybody else is timed
        lambda: floats(reader(path), white),
        lambda: reader(path),
    )
    best = [float("inf")] * len(runs)
    for _ in range(repeats + 1):  # in turn, so that other work on the machine meets all alike
        best = [min(seconds, least(run, 1)) for seconds, run in zip(best, runs, strict=True)]
    reading, digest, theirs, bare = best
    tracemalloc.start()
    ours()
    peak = tracemalloc.get_traced_memory()[1] / nbytes
    tracemalloc.stop()
    print(
        f"{path.name:22s} {reading:6.3f}s {theirs:9.3f}s {reading / theirs:6.2f} {bare:6.3f}s {reading / bare:6.2f} "
        f"{digest:6.3f}s {peak:5.2f}x"
    )


def writing(folder: Path, shape: tuple[int, int], repeats: int) -> None:
    print(f"\n{'16-bit PNG':22s} {'ours':>7s} {'cv2':>7s} {'faster':>7s} {'size':>6s}")
    for name, noise in (("noisy", 0.015), ("denoised", 0.002)):
        samples = as_samples(picture(*shape, noise), np.uint16)
        path, other = folder / "ours.png", folder / "cv2.png"
        bgr = samples[:, :, ::-1].copy()

        def write(path: Path = path, samples: NDArray[Any] = samples) -> None:
            io.encode(path, samples, tone="display", overwrite=True)

        def write_cv2(other: Path = other, bgr: NDArray[Any] = bgr) -> None:
            other.write_bytes(cv2.imencode(".png", bgr)[1])

        write()
        ours = theirs = float("inf")
        for _ in range(repeats):
            ours, theirs = min(ours, least(write, 1)), min(theirs, least(write_cv2, 1))
        size = path.stat().st_size / other.stat().st_size
        print(f"{name:22s} {ours:6.3f}s {theirs:6.3f}s {theirs / ours:6.1f}x {size:6.3f}")
        assert np.array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), bgr)
    print(f"\n{'writing':22s} {'ours':>7s} {'tifffile / astropy':>19s}")
    frame = picture(*shape, 0.015)
    planes = np.ascontiguousarray(np.moveaxis(frame, 2, 0))
    pairs: dict[str, Callable[[Path], object]] = {
        "out.tif": lambda path: tifffile.imwrite(path, frame, photometric="rgb"),
        "out.fits": lambda path: fits.writeto(path, planes, overwrite=True),
    }
    for name, theirs_write in pairs.items():
        path = folder / name
        ours = least(lambda path=path: io.encode(path, frame, tone="linear", overwrite=True), repeats)
        theirs = least(lambda path=path, write=theirs_write: write(path), repeats)
        print(f"{name:22s} {ours:6.3f}s {theirs:18.3f}s   (ours waits for the disk)")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--repeats", type=int, default=3)
    chosen = parser.parse_args()
    height = round((chosen.megapixels * 1e6 / 1.5) ** 0.5)
    shape = (height, round(1.5 * height))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        reading(folder, picture(*shape, 0.015), chosen.repeats)
        writing(folder, shape, chosen.repeats)


if __name__ == "__main__":
    main()

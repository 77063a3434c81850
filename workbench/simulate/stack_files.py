"""A simulated stack as files: the stack as a stacking program would leave it, and its truth beside it."""

from __future__ import annotations

import csv
import hashlib
import io as memory
import json
from collections.abc import Iterator
from os import PathLike
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from workbench import io
from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.simulate.exposing import simulate
from workbench.simulate.scene import Scene
from workbench.simulate.truth import Simulation

__all__ = ["TRUTH_FILES", "quantised", "samples_sha256", "write_simulation", "write_truth"]

AnyPath = str | PathLike[str]

#: Rows in a strip of the TIFF.
_STRIP_ROWS = 64
_DEFLATE = 8
_LIGHT = ("object_light", "star_light", "sky", "noiseless")
#: What `write_truth` writes.
TRUTH_FILES = (*(f"{name}.tif" for name in (*_LIGHT, "falloff", "coverage")), "stars.csv", "truth.json")


def quantised(pixels: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Round to 16-bit samples, white at 65535: (H, W, 3) uint16.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3), float32

    Returns
    -------
    ndarray, shape (H, W, 3), uint16
    """
    out = np.empty(pixels.shape, np.uint16)
    for row in range(0, len(pixels), 256):
        part = pixels[row : row + 256]
        out[row : row + 256] = np.clip(np.rint(part * np.float32(65535)), 0, 65535)
    return out


def samples_sha256(samples: NDArray[np.uint16]) -> str:
    """SHA-256 of the samples, row by row, red-green-blue, little-endian: the same however a file packs them.

    Parameters
    ----------
    samples : ndarray, shape (H, W, 3), uint16

    Returns
    -------
    str
        Hex.
    """
    return hashlib.sha256(np.ascontiguousarray(samples, "<u2").tobytes()).hexdigest()


def write_simulation(
    scene: str | Scene,
    path: AnyPath,
    *,
    truth: AnyPath | None = None,
    seed: int | None = None,
    shape: tuple[int, int] | None = None,
    overwrite: bool = False,
    **overrides: Any,
) -> Simulation:
    """Simulate a stack and write it as a 16-bit TIFF, deflated, with a side file of acquisition data.

    The TIFF says nothing but its samples, as those of many stacking programs do. ``night.tif`` gets
    ``night.acquisition.json`` beside it, which `workbench.read` finds.

    Parameters
    ----------
    scene, seed, shape, **overrides
        As for `simulate`.
    path : path
        The stack to write; ends with .tif or .tiff.
    truth : path, optional
        A folder for what the stack is made of, see `write_truth`.
    overwrite : bool
        Replace existing files.

    Returns
    -------
    Simulation

    Raises
    ------
    WorkbenchError
        When the scene or a path cannot be used, or the disk is full; then no new file is left.
    """
    target = Path(path)
    if target.suffix.lower() not in (".tif", ".tiff"):
        raise WorkbenchError(f"a simulated stack is a TIFF: give a name that ends with .tif, not {target.name!r}")
    side = target.with_suffix(".acquisition.json")
    folder = None if truth is None else Path(truth)
    outputs = [target, side, *(folder / name for name in TRUTH_FILES if folder is not None)]
    for output in outputs:
        if output.parent != folder or folder.exists():
            io.checked_output(output, overwrite)
    new = [output for output in outputs if not output.exists()]
    made = simulate(scene, seed=seed, shape=shape, **overrides)
    try:
        with io.atomic_write(target, overwrite) as file:
            _write_samples(file, quantised(made.stack.pixels))
        io.write_text(side, json.dumps(made.stack.acquisition.to_dict(), indent=2) + "\n", overwrite)
        if folder is not None:
            write_truth(made, folder, overwrite=overwrite)
    except BaseException:
        for output in new:
            output.unlink(missing_ok=True)
        raise
    return made


def _write_samples(file: BinaryIO, samples: NDArray[np.uint16]) -> None:
    def strips() -> Iterator[bytes]:
        for row in range(0, len(samples), _STRIP_ROWS):
            block = np.ascontiguousarray(samples[row : row + _STRIP_ROWS], "<u2")
            yield bytes(imagecodecs.zlib_encode(bytes(imagecodecs.delta_encode(block, axis=-2)), level=9))

    with tifffile.TiffWriter(file, byteorder="<") as writer:
        writer.write(
            strips(),
            shape=samples.shape,
            dtype="<u2",
            photometric="rgb",
            planarconfig="contig",
            compression=_DEFLATE,
            predictor=2,
            rowsperstrip=_STRIP_ROWS,
            software="",
            metadata=None,
        )


def write_truth(made: Simulation, folder: AnyPath, *, overwrite: bool = False) -> None:
    """Write what a stack is made of.

    ``object_light.tif``, ``star_light.tif``, ``sky.tif``, ``falloff.tif``, ``noiseless.tif`` (32-bit float),
    ``coverage.tif`` (8-bit), ``stars.csv``, and ``truth.json`` with gains, borders, noise, hot pixels and the scene.

    Parameters
    ----------
    made : Simulation
    folder : path
    overwrite : bool

    Raises
    ------
    WorkbenchError
        When the folder cannot be made, or files are in the way.
    """
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise WorkbenchError(f"cannot make the folder {place} for the truth: {e.strerror}") from e
    t = made.truth
    for name in _LIGHT:
        planes: NDArray[np.float32] = getattr(t, name)
        _encode(place / f"{name}.tif", np.ascontiguousarray(np.moveaxis(planes, 0, 2)), overwrite)
    _encode(place / "falloff.tif", t.falloff[:, :, None], overwrite)
    _encode(place / "coverage.tif", t.coverage[:, :, None], overwrite)
    io.write_text(place / "stars.csv", _stars_csv(made), overwrite)
    hot = t.hot_pixels
    facts = {
        "channel_gains": t.channel_gains.tolist(),
        "noise_sigma": t.noise_sigma.tolist(),
        "borders": t.borders._asdict(),
        "hot_pixels": {"x": hot.x.tolist(), "y": hot.y.tolist(), "channel": hot.channel.tolist()},
        "scene": made.scene.model_dump(),
    }
    io.write_text(place / "truth.json", json.dumps(facts, indent=2) + "\n", overwrite)


def _encode(path: Path, pixels: NDArray[Any], overwrite: bool) -> None:
    io.encode(path, pixels, tone=Tone.LINEAR, overwrite=overwrite, compression="deflate")


def _stars_csv(made: Simulation) -> str:
    s = made.truth.stars
    columns = {
        "x": s.x, "y": s.y, "red": s.flux[:, 0], "green": s.flux[:, 1], "blue": s.flux[:, 2],
        "magnitude": s.magnitude, "temperature_k": s.temperature_k,
        "fwhm_px": s.fwhm_px, "elongation": s.elongation, "angle_deg": s.angle_deg,
    }  # fmt: skip
    text = memory.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*columns, "saturated"])
    for *row, full in zip(*columns.values(), s.saturated, strict=True):
        writer.writerow([*(f"{value:.7g}" for value in row), int(full)])
    return text.getvalue()

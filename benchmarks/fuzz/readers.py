"""Coverage-guided fuzzing of the readers of untrusted input, with atheris (libFuzzer for Python).

    pip install atheris
    python benchmarks/fuzz/readers.py TARGET [--seconds 1800] [--corpus DIR]

Targets: ``tiff``, ``fits``, ``png``, ``jpeg``, ``zarr`` (a whole file: its picture and the texts in it),
``xmp`` (a packet), ``side`` (a side file), ``recipe`` (a recipe's JSON). Every input must give a finite frame or one
`WorkbenchError` of one line; any other error, a hang of 10 s, more than 2 GB or a death of the process is a finding,
which libFuzzer writes beside the corpus. Instrumented are the project's readers and the Python part of tifffile; what
astropy, imagecodecs and other compiled code do is seen through what they give back. Codecs that have a
process of their own are not unpacked here; tests/io/test_untrusted.py sends them damaged streams.

The seeds are small sound files of every way of packing, made anew on each run; ``tests/io/fuzz_corpus`` keeps a small
part of what was found to reach new code, which ``tests/io/test_fuzz_corpus.py`` replays.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path

import atheris
import numpy as np

os.environ["NUMBA_DISABLE_JIT"] = "1"  # numba cannot compile what atheris has instrumented

with atheris.instrument_imports(include=["workbench.io", "workbench.recipe", "tifffile"], enable_loader_override=False):
    import tifffile

    from workbench import io
    from workbench.io import fits_tiles, limits
    from workbench.io.formats import tiff
    from workbench.io.formats.base import damaged
    from workbench.io.metadata import side_file, xmp
    from workbench.recipe import store

from astropy.io import fits
from PIL import Image

from workbench.errors import WorkbenchError


def not_unpacked(path: Path, title: str, *_: object) -> np.ndarray:
    """In place of a process for each input, which would leave ten inputs a second."""
    raise damaged(path, title)


fits_tiles.unpacked_apart = tiff.unpacked_apart = not_unpacked
LIMITS = limits.Limits(pixels=1 << 18, free_memory=1 << 28, text_bytes=1 << 22, skipped_bytes=1 << 24)
FOLDER = Path(tempfile.mkdtemp(prefix="fuzz", dir="/dev/shm" if Path("/dev/shm").is_dir() else None))


def told(error: WorkbenchError) -> None:
    """A sentence is one line, and of a length that a person reads."""
    said = str(error)
    assert "\n" not in said, said
    assert len(said) < 1000, said


def a_file(suffix: str) -> Callable[[bytes], None]:
    """Read a file's picture and its texts."""
    path = FOLDER / f"input{suffix}"

    def run(data: bytes) -> None:
        path.write_bytes(data)
        for read in (io.decode, io.embedded):
            try:
                got = read(path, limits=LIMITS)
            except WorkbenchError as error:
                told(error)
                continue
            if isinstance(got, io.Decoded):
                assert np.isfinite(got.pixels).all()

    return run


def a_packet(data: bytes) -> None:
    """Parse an XMP packet."""
    xmp.parse(b'<x:xmpmeta xmlns:x="adobe:ns:meta/">' + data + b"</x:xmpmeta>", LIMITS)
    xmp.parse(data, LIMITS)


def a_side_file(data: bytes) -> None:
    """Read a side file."""
    (FOLDER / "a.acquisition.json").write_bytes(data)
    try:
        side_file.read_side_file(FOLDER / "a.tif")
    except WorkbenchError as error:
        told(error)


def a_recipe(data: bytes) -> None:
    """Read a recipe."""
    (FOLDER / "a.recipe.json").write_bytes(data)
    try:
        store.loads(store.read_text(FOLDER / "a.recipe.json", "the recipe"))
    except WorkbenchError as error:
        told(error)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "tiff": a_file(".tif"),
    "fits": a_file(".fits"),
    "png": a_file(".png"),
    "jpeg": a_file(".jpg"),
    "zarr": a_file(".zip"),
    "xmp": a_packet,
    "side": a_side_file,
    "recipe": a_recipe,
}


def seeds(target: str, folder: Path) -> None:  # noqa: C901 - a list, format by format
    """Small sound inputs of every kind."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(1)
    frame = rng.integers(0, 65536, (6, 7, 3), dtype=np.uint16)
    planes = np.moveaxis(frame, 2, 0).copy()
    exif = Image.Exif()
    exif[274], exif[271] = 6, "Maker"
    known = {"recipe": '{"kind": "post-stack recipe", "version": 1, "title": "", "steps": []}', "record": "{}"}
    if target == "tiff":
        for name, data, options in (
            ("plain", frame, {}),
            ("big", frame, {"bigtiff": True, "byteorder": ">", "rowsperstrip": 3}),
            ("planar", planes, {"planarconfig": "separate", "compression": "lzw", "predictor": 2}),
            ("tiles", frame, {"tile": (16, 16), "compression": "deflate"}),
            ("zstd", frame.astype(np.float32), {"compression": "zstd", "predictor": 3}),
            ("packbits", frame, {"compression": "packbits"}),
            ("jpeg", (frame >> 8).astype(np.uint8), {"compression": "jpeg"}),
            ("alpha", np.dstack([frame, frame[:, :, :1]]), {"extrasamples": [1]}),
        ):
            tifffile.imwrite(folder / name, data, photometric="rgb", **options)
        io.encode(folder / "ours.tif", frame, tone="display", overwrite=True, **known)
    elif target == "fits":
        fits.writeto(folder / "float", planes.astype(np.float32), overwrite=True, checksum=True)
        fits.writeto(folder / "unsigned", planes, overwrite=True)
        for code in ("RICE_1", "GZIP_1", "PLIO_1", "HCOMPRESS_1"):
            image = fits.CompImageHDU((planes[0] >> 4).astype(np.int16), compression_type=code, tile_shape=(6, 7))
            fits.HDUList([fits.PrimaryHDU(), image]).writeto(folder / code, overwrite=True)
        io.encode(folder / "ours.fits", frame, tone="display", overwrite=True, **known)
        io.encode(folder / "ours.fits.gz", frame, tone="display", overwrite=True, **known)
    elif target == "png":
        io.encode(folder / "ours.png", frame, tone="display", overwrite=True, **known)
        for mode in ("L", "LA", "RGB", "RGBA", "P", "1"):
            Image.fromarray((frame >> 8).astype(np.uint8)).convert(mode).save(folder / f"{mode}.png", exif=exif)
    elif target == "zarr":
        share = (frame[:, :, 0] >> 8).astype(np.uint8)
        io.encode(folder / "ours.zip", frame, tone="linear", overwrite=True, coverage=share, **known)
        io.encode(folder / "gray.zip", frame[:, :, :1], tone="display", overwrite=True, **known)
    elif target == "jpeg":
        io.encode(folder / "ours.jpg", frame, tone="display", overwrite=True, **known)
        io.encode(folder / "long.jpg", frame, tone="display", overwrite=True, recipe="{}", record="x" * 70_000)
        for mode in ("L", "RGB", "CMYK"):
            image = Image.fromarray((frame >> 8).astype(np.uint8)).convert(mode)
            image.save(folder / f"{mode}.jpg", exif=exif, progressive=mode == "RGB")
    elif target == "xmp":
        (folder / "ours").write_bytes(xmp.packet(xmp.Carried(**known)))
    elif target == "side":
        (folder / "known").write_text(
            json.dumps({"exposure_s": 120, "frames": 60, "camera": "C", "date": "2026-01-01"})
        )
    else:
        steps = [{"do": "crop", "with": {"x0": 1}}, {"do": "stretch", "on": False, "where": {"x0": 0}, "note": "n"}]
        (folder / "steps").write_text(json.dumps({**json.loads(known["recipe"]), "steps": steps}))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument("--seconds", type=int, default=1800)
    parser.add_argument("--corpus", type=Path, help="folder that is kept; a new one by default")
    wanted = parser.parse_args()
    warnings.simplefilter("ignore")
    corpus = wanted.corpus or Path(tempfile.mkdtemp(prefix=f"corpus-{wanted.target}-"))
    seeds(wanted.target, corpus)
    print("corpus:", corpus)
    options = [f"-max_total_time={wanted.seconds}", "-timeout=10", "-rss_limit_mb=2048", "-max_len=16384"]
    atheris.Setup([sys.argv[0], *options, f"-artifact_prefix={corpus.parent}/{corpus.name}-finding-", str(corpus)],
                  TARGETS[wanted.target])  # fmt: skip
    atheris.Fuzz()


if __name__ == "__main__":
    main()

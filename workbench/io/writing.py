"""From a frame to a file: the part that all formats share."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Tone
from workbench.errors import WorkbenchError
from workbench.io import solution, xmp
from workbench.io.files import AnyPath, atomic_write
from workbench.io.tone import checked_tone
from workbench.io.write_fits import write_fits
from workbench.io.write_jpeg import write_jpeg
from workbench.io.write_png import write_png
from workbench.io.write_tiff import COMPRESSIONS, write_tiff

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["SUFFIXES", "encode", "format_of"]

Format = Literal["tiff", "fits", "png", "jpeg"]
#: Format by the end of a file's name.
SUFFIXES: dict[str, Format] = {
    ".tif": "tiff",
    ".tiff": "tiff",
    ".fit": "fits",
    ".fits": "fits",
    ".fts": "fits",
    ".png": "png",
    ".jpg": "jpeg",
    ".jpeg": "jpeg",
}


def encode(
    path: AnyPath,
    pixels: NDArray[Any],
    *,
    tone: Tone | str,
    coverage: NDArray[np.uint8] | None = None,
    acquisition: Acquisition | None = None,
    wcs: WCS | None = None,
    overwrite: bool = False,
    recipe: str | None = None,
    record: str | None = None,
    bits: int | None = None,
    float32: bool | None = None,
    quality: int = 92,
    compression: str = "none",
    protect: Iterable[AnyPath] = (),
) -> None:
    """Write a stack or a picture; the format follows the suffix (.tif, .fits, .fits.gz, .png, .jpg).

    Parameters
    ----------
    path : path
        File to make: whole, or not at all.
    pixels : ndarray, shape (H, W, C), C in {1, 3}
        float32 with 1.0 white; or uint16 / uint8 samples already quantised over their full range.
    tone : Tone
        A ``linear`` stack goes to TIFF or FITS; a ``display`` picture (sRGB-encoded) to any format, with an sRGB
        profile where the format has profiles.
    coverage : ndarray, shape (H, W), uint8, optional
        Kept with linear stacks: as alpha in TIFF, as an extension in FITS. Pictures are opaque.
    acquisition : Acquisition, optional
    wcs : astropy.wcs.WCS, optional
        Sky solution with rows counted from the top.
    overwrite : bool
        Replace an existing file.
    recipe, record : str, optional
        JSON texts to carry inside the file.
    bits : {8, 16, 32}, optional
        Bits a sample; by default 32 (float) for a linear stack, 16 for a picture, 8 for JPEG.
    float32 : bool, optional
        True is the same as ``bits=32``; TIFF and FITS only.
    quality : int
        JPEG quality, 1 to 100.
    compression : {'none', 'lzw', 'deflate', 'zstd'}
        Of TIFF. Noisy float stacks shrink little, and every program reads ``none``.
    protect : iterable of path
        Inputs: never replaced, whatever ``overwrite`` says.

    Raises
    ------
    WorkbenchError
        When the request makes no sense, the file exists, or the disk refuses: one sentence, and nothing is written.
    """
    kind, packed = format_of(path), Path(path).suffix.lower() == ".gz"
    if kind is None:
        name = Path(path).name
        raise WorkbenchError(f"{name} has no suffix of a known format: end it with .tif, .fits, .png or .jpg")
    toned = checked_tone(tone)
    _check_pixels(pixels, coverage)
    dtype = _sample_type(path, kind, toned, pixels, bits, float32)
    if not isinstance(quality, int) or not 1 <= quality <= 100:
        raise WorkbenchError(f"quality must be a whole number from 1 to 100, not {quality!r}")
    if compression not in COMPRESSIONS:
        raise WorkbenchError(f"compression must be one of {', '.join(COMPRESSIONS)}, not {compression!r}")
    if compression != "none" and kind != "tiff":
        raise WorkbenchError(f"compression= is a choice of TIFF files, not of {Path(path).name}")
    height = pixels.shape[0]
    kept = coverage if toned is Tone.LINEAR and coverage is not None else None
    wcs_header = None if wcs is None else solution.header_of(wcs, height)
    carried = xmp.Carried(
        recipe=recipe,
        record=record,
        tone=toned,
        white_level=1.0 if dtype.kind == "f" else None,
        acquisition=acquisition,
        sky_header=None if wcs_header is None else solution.text_of(wcs_header),
    )
    with atomic_write(path, overwrite, protect=protect) as file:
        if kind == "tiff":
            write_tiff(file, pixels, dtype=dtype, carried=carried, coverage=kept, compression=compression)
        elif kind == "fits":
            write_fits(file, pixels, dtype=dtype, carried=carried, wcs_header=wcs_header, coverage=kept, packed=packed)
        elif kind == "png":
            write_png(file, pixels, dtype=dtype, carried=carried)
        else:
            write_jpeg(file, pixels, carried=carried, quality=quality)


def format_of(path: AnyPath) -> Format | None:
    """Format that a file's name stands for (.tif, .fits, .fits.gz, .png, .jpg and their kin), or None."""
    name = Path(path).name.lower()
    kind = SUFFIXES.get(Path(name.removesuffix(".gz")).suffix)
    return None if kind != "fits" and name.endswith(".gz") else kind


def _check_pixels(pixels: NDArray[Any], coverage: NDArray[np.uint8] | None) -> None:
    if pixels.ndim != 3 or pixels.shape[2] not in (1, 3) or pixels.size == 0:
        raise WorkbenchError(f"pixels to write are an array (height, width, 1 or 3), not {pixels.shape}")
    if pixels.dtype not in (np.float32, np.uint16, np.uint8):
        raise WorkbenchError(f"pixels to write are float32, uint16 or uint8, not {pixels.dtype}")
    if coverage is not None and (coverage.shape != pixels.shape[:2] or coverage.dtype != np.uint8):
        raise WorkbenchError(f"coverage to write is uint8 {pixels.shape[:2]}, not {coverage.dtype} {coverage.shape}")


def _sample_type(
    path: AnyPath, kind: Format, tone: Tone, pixels: NDArray[Any], bits: int | None, float32: bool | None
) -> np.dtype[Any]:
    """Sample type of the file, or a sentence when the format cannot hold what was asked."""
    name = Path(path).name
    if tone is Tone.LINEAR and kind in ("png", "jpeg"):
        raise WorkbenchError(f"{name} would show a linear stack almost black: stretch it first, or save a TIFF or FITS")
    if bits not in (None, 8, 16, 32):
        raise WorkbenchError(f"bits must be 8, 16 or 32, not {bits!r}")
    if float32 and bits not in (None, 32):
        raise WorkbenchError(f"float32 samples have 32 bits, not {bits}: give one of the two")
    wanted = 32 if float32 else bits
    if wanted is None:
        usual = 32 if tone is Tone.LINEAR and pixels.dtype == np.float32 and float32 is not False else 16
        wanted = 8 if kind == "jpeg" else usual
    possible = {"tiff": (8, 16, 32), "fits": (8, 16, 32), "png": (8, 16), "jpeg": (8,)}[kind]
    if wanted not in possible:
        words = " or ".join(str(b) for b in possible)
        raise WorkbenchError(f"{name} can hold {words} bits a sample, not {wanted}")
    types: dict[int, np.dtype[Any]] = {8: np.dtype(np.uint8), 16: np.dtype(np.uint16), 32: np.dtype(np.float32)}
    return types[wanted]

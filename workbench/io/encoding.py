"""From a frame to a file: the part that all formats share."""

from __future__ import annotations

from collections.abc import Iterable
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Tone, checked_tone
from workbench.errors import WorkbenchError
from workbench.io.atomic import atomic_write
from workbench.io.formats import FORMATS, checked_format
from workbench.io.formats.base import Format, WriteRequest
from workbench.io.metadata import sky_solution
from workbench.io.metadata.xmp import Carried
from workbench.io.source_file import AnyPath

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["encode", "encoded_size"]


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
    protect: Iterable[AnyPath] = (),
    alt_text: str | None = None,
    profile: bytes | None = None,
    dpi: float | None = None,
    **options: Any,
) -> None:
    """Write a stack or a picture; the format follows the suffix (.tif, .fits, .fits.gz, .png, .jpg, .zarr.zip).

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
    protect : iterable of path
        Inputs: never replaced, whatever ``overwrite`` says.
    alt_text : str, optional
        What the picture shows, for who cannot see it.
    profile : bytes, optional
        Color profile that the samples of a picture of 3 channels are in; by default sRGB's.
    dpi : float, optional
        Pixels per inch of paper.
    **options
        Choices that the format declares: ``compression`` of TIFF (``none``, ``lzw``, ``deflate``, ``zstd``; noisy float
        stacks shrink little, and every program reads ``none``), ``tiled`` of TIFF (by default, files above 4 GB are
        BigTIFF of tiles, of which a viewer reads what it shows), ``quality`` of JPEG (1 to 100, else 92).

    Raises
    ------
    WorkbenchError
        When the request makes no sense, the file exists, or the disk refuses: one sentence, and nothing is written.
    """
    kind, request = _request(
        Path(path).name,
        pixels,
        tone=tone,
        coverage=coverage,
        acquisition=acquisition,
        wcs=wcs,
        recipe=recipe,
        record=record,
        bits=bits,
        float32=float32,
        alt_text=alt_text,
        profile=profile,
        dpi=dpi,
        **options,
    )
    with atomic_write(path, overwrite, protect=protect) as file:
        kind.write(file, request)


def encoded_size(name: str, pixels: NDArray[Any], **options: Any) -> int:
    """How many bytes the file has that `encode` would write.

    Parameters
    ----------
    name : str
        Of the file, whose suffix says the format.
    pixels : ndarray, shape (H, W, C)
    **options
        As of `encode`.

    Returns
    -------
    int
    """
    kind, request = _request(name, pixels, **options)
    file = BytesIO()
    kind.write(file, request)
    return file.tell()


def _request(
    name: str,
    pixels: NDArray[Any],
    *,
    tone: Tone | str,
    coverage: NDArray[np.uint8] | None = None,
    acquisition: Acquisition | None = None,
    wcs: WCS | None = None,
    recipe: str | None = None,
    record: str | None = None,
    bits: int | None = None,
    float32: bool | None = None,
    alt_text: str | None = None,
    profile: bytes | None = None,
    dpi: float | None = None,
    **options: Any,
) -> tuple[Format, WriteRequest]:
    """The format of a file, and what it is given to write."""
    toned = checked_tone(tone)
    kind = checked_format(name, toned)
    _check_pixels(pixels, coverage)
    dtype = _sample_type(name, kind, toned, pixels, bits, float32)
    chosen = _chosen(name, kind, options)
    kept = coverage if toned is Tone.LINEAR and coverage is not None else None
    wcs_header = None if wcs is None else sky_solution.header_of(wcs, pixels.shape[0])
    carried = Carried(
        recipe=recipe,
        record=record,
        tone=toned,
        white_level=1.0 if dtype.kind == "f" else None,
        acquisition=acquisition,
        alt_text=alt_text,
        sky_header=None if wcs_header is None else sky_solution.text_of(wcs_header),
    )
    packed = name.lower().endswith(".gz")
    return kind, WriteRequest(pixels, dtype, carried, wcs_header, kept, packed, profile, dpi, chosen)


def _chosen(name: str, kind: Format, options: dict[str, Any]) -> dict[str, Any]:
    """The value of each of the format's options, or a sentence about one that makes no sense."""
    known = {option.name: (option, owner) for owner in FORMATS.values() for option in owner.options}
    for word, value in options.items():
        if word not in known:
            raise WorkbenchError(f"{word}= is no choice of any format; there are {', '.join(f'{k}=' for k in known)}")
        option, owner = known[word]
        if not option.allows(value):
            raise WorkbenchError(f"{word} must be {option.words}, not {value!r}")
        if owner is not kind and value != option.default and not option.elsewhere:
            raise WorkbenchError(f"{word}= is a choice of {owner.title} files, not of {name}")
    return {option.name: options.get(option.name, option.default) for option in kind.options}


def _check_pixels(pixels: NDArray[Any], coverage: NDArray[np.uint8] | None) -> None:
    if pixels.ndim != 3 or pixels.shape[2] not in (1, 3) or pixels.size == 0:
        raise WorkbenchError(f"pixels to write are an array (height, width, 1 or 3), not {pixels.shape}")
    if pixels.dtype not in (np.float32, np.uint16, np.uint8):
        raise WorkbenchError(f"pixels to write are float32, uint16 or uint8, not {pixels.dtype}")
    if coverage is not None and (coverage.shape != pixels.shape[:2] or coverage.dtype != np.uint8):
        raise WorkbenchError(f"coverage to write is uint8 {pixels.shape[:2]}, not {coverage.dtype} {coverage.shape}")


def _sample_type(
    name: str, kind: Format, tone: Tone, pixels: NDArray[Any], bits: int | None, float32: bool | None
) -> np.dtype[Any]:
    """Sample type of the file, or a sentence when the format cannot hold what was asked."""
    if bits not in (None, 8, 16, 32):
        raise WorkbenchError(f"bits must be 8, 16 or 32, not {bits!r}")
    if float32 and bits not in (None, 32):
        raise WorkbenchError(f"float32 samples have 32 bits, not {bits}: give one of the two")
    wanted = 32 if float32 else bits
    if wanted is None:
        usual = 32 if tone is Tone.LINEAR and pixels.dtype == np.float32 and float32 is not False else 16
        wanted = usual if usual in kind.bits else max(kind.bits)
    if wanted not in kind.bits:
        words = " or ".join(str(b) for b in kind.bits)
        raise WorkbenchError(f"{name} can hold {words} bits a sample, not {wanted}")
    types: dict[int, np.dtype[Any]] = {8: np.dtype(np.uint8), 16: np.dtype(np.uint16), 32: np.dtype(np.float32)}
    return types[wanted]

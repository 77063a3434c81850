"""From a file to a frame: the part that all formats share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Source, Tone, checked_tone
from workbench.errors import WorkbenchError
from workbench.io.formats import checked_image, identified
from workbench.io.formats.base import Embedded, RawFrame, ReadRequest
from workbench.io.limits import STANDARD, Limits
from workbench.io.metadata import headers
from workbench.io.metadata.side_file import read_side_file, side_file
from workbench.io.scratch import Scratch
from workbench.io.source_file import AnyPath, FileDigest, moment, reason
from workbench.io.white_level import checked_level, fill_missing, float_white, rescale

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["Decoded", "ToneClaims", "decode", "embedded"]

_ROWS = ("top-down", "bottom-up")
_CAMERA_BITS = (12, 14)
_ALMOST = 0.97


@dataclass(frozen=True, slots=True)
class ToneClaims:
    """What a file lets guess about its tone where it does not state it.

    Attributes
    ----------
    encoding : {'curved', 'straight'} or None
        What a profile or color space in the file says of its tone curve.
    where : str
        Where that stands, such as "its ICC profile".
    integer_bits : int
        Bits of integer samples; 0 for floats.
    """

    encoding: str | None = None
    where: str = ""
    integer_bits: int = 0


@dataclass(frozen=True, slots=True)
class Decoded:
    """An image file as arrays and facts.

    Attributes
    ----------
    pixels : ndarray, shape (H, W, C), float32, C in {1, 3}, C-contiguous
        1.0 is the white level; negative values are kept.
    tone : Tone or None
        As asked, as our own metadata state, or as the format implies; None where nothing decides.
    claims : ToneClaims
    acquisition : Acquisition
    wcs : astropy.wcs.WCS or None
        Sky solution for these rows; pixel (0, 0) is the first row's first pixel.
    coverage : ndarray, shape (H, W), uint8, or None
        255: all frames, 0: the pixel means nothing; None: every pixel is covered.
    source : Source
    """

    pixels: NDArray[np.float32]
    tone: Tone | None
    claims: ToneClaims
    acquisition: Acquisition
    wcs: WCS | None
    coverage: NDArray[np.uint8] | None
    source: Source


def decode(
    path: AnyPath,
    *,
    white_level: float | None = None,
    rows: str | None = None,
    acquisition: Acquisition | Mapping[str, Any] | None = None,
    tone: Tone | str | None = None,
    limits: Limits = STANDARD,
    scratch: AnyPath | None = None,
) -> Decoded:
    """Read an image file, its format told by its content.

    Parameters
    ----------
    path : path
        It is only read. A folder where it is a Zarr hierarchy.
    white_level : float, optional
        Stored value that becomes 1.0, in place of the rule (see `workbench.io`).
    rows : {'top-down', 'bottom-up'}, optional
        Which row the file stores first, in place of what the file or its format's convention says.
    acquisition : Acquisition or mapping, optional
        What is known of the frames; wins over the side file, which wins over the header.
    tone : {'linear', 'display'}, optional
        What the values stand for, in place of what the file tells.
    limits : Limits, optional
        The most that is taken from the file, where its standard limits are too low.
    scratch : path, optional
        A folder on a disk with room for frames: the pixels lie there, in a file that goes when they are no longer
        needed, and may be more than fit into memory (TIFF, Zarr, and plain or gzip FITS;
        ``pixels`` is then a view of planes).

    Returns
    -------
    Decoded

    Raises
    ------
    WorkbenchError
        When the file is missing, damaged, or not an image this project reads: one sentence.

    Notes
    -----
    Cost at 24 MP RGB: about the time of tifffile with a conversion to float32; the file's digest is taken afterwards
    in a thread (`Source.sha256` waits for it). Memory: the float32 frame and a few blocks (PNG, JPEG, tile-compressed
    FITS and a TIFF of one compressed strip also hold the stored samples once).
    """
    request = _request(white_level, rows, limits, scratch)
    wanted = None if tone is None else checked_tone(tone)
    file = checked_image(path)
    given = headers.checked_acquisition(acquisition) if acquisition is not None else Acquisition()
    side = read_side_file(file)
    before = moment(file)
    kind, raw, invalid = _read(file, request)
    if moment(file) != before:
        raise WorkbenchError(f"cannot read {file}: it changed while being read; try again once it is whole")
    digest = FileDigest(file, before)
    level, rule = _settle_white(raw, request)
    if side is not None:
        raw.acquisition = raw.acquisition.merged(side)
        raw.remarks.append(f"how it was taken was completed from {side_file(file).name}")
    if wanted is None and raw.tone is None and raw.always_display:
        raw.tone = Tone.DISPLAY
        raw.remarks.append(f"taken as a finished picture: {raw.claim}")
    return Decoded(
        pixels=raw.frame.pixels,
        tone=wanted or raw.tone,
        claims=ToneClaims(raw.encoding, raw.claim, raw.bits if raw.white_rule else 0),
        acquisition=raw.acquisition.merged(given),
        wcs=raw.wcs,
        coverage=raw.frame.coverage,
        source=Source(
            name=file.name,
            path=str(file.absolute()),
            format=kind,
            digest=digest,
            sample=raw.sample,
            white_level=level,
            white_rule=rule,
            invalid=invalid,
            remarks=tuple(raw.remarks),
        ),
    )


def embedded(path: AnyPath, *, limits: Limits = STANDARD) -> Embedded:
    """Read the recipe and the record that a file carries; its pixels are not touched.

    Parameters
    ----------
    path : path
    limits : Limits
        The most that is taken from the file.

    Returns
    -------
    Embedded

    Raises
    ------
    WorkbenchError
        When the file cannot be read, or is of no known format.
    """
    file = checked_image(path)
    return identified(file).embedded(file, limits)


def _request(white_level: float | None, rows: str | None, limits: Limits, scratch: AnyPath | None) -> ReadRequest:
    if rows is not None and rows not in _ROWS:
        raise WorkbenchError(f"rows must be one of {', '.join(_ROWS)}, not {rows!r}")
    level = None if white_level is None else checked_level(white_level)
    if scratch is None:
        return ReadRequest(level, rows, limits)
    limits = replace(limits, pixels=max(limits.pixels, limits.scratch_pixels))
    return ReadRequest(level, rows, limits, Scratch(scratch))


def _read(file: Path, request: ReadRequest) -> tuple[str, RawFrame, int]:
    """Format, frame and number of samples without a value."""
    kind = identified(file)
    try:
        raw = kind.read(file, request)
        invalid = fill_missing(raw.frame)
    except WorkbenchError as error:
        text = str(error)
        if text.startswith((file.name, f"cannot read {file}")):
            raise
        raise WorkbenchError(f"cannot use {file}: {text}") from error
    except OSError as error:
        raise WorkbenchError(f"cannot read {file}: {reason(error)}") from error
    except MemoryError as error:
        raise WorkbenchError(f"cannot read {file}: its picture does not fit into this computer's memory") from error
    if invalid:
        raw.remarks.append(f"{invalid} samples were NaN or infinite: their pixels are not covered")
    _remark_on_values(raw)
    return kind.name, raw, invalid


def _remark_on_values(raw: RawFrame) -> None:
    """Say what a glance at the range of values shows."""
    frame = raw.frame
    if frame.lowest == frame.highest:
        raw.remarks.append("every sample has the same value: there is nothing to see in it")
        return
    if raw.white_rule is None or not math.isfinite(frame.highest):
        return
    brightest = round(frame.highest * frame.white)
    for bits in _CAMERA_BITS:
        top = (1 << bits) - 1
        if raw.bits > bits and frame.white > top and _ALMOST * top <= brightest <= top:
            raw.remarks.append(
                f"the brightest sample is {brightest}: if the camera's white is {top} ({bits} bits), "
                f"read it with --white-level {top} (in Python white_level={top})"
            )


def _settle_white(raw: RawFrame, request: ReadRequest) -> tuple[float, str]:
    """The white level and its rule; floats are divided by it here."""
    if raw.white_rule is not None:
        return raw.frame.white, raw.white_rule
    white = float_white(raw.frame, given=request.white_level, stated=raw.stated_white)
    rescale(raw.frame.pixels, white.level)
    return white.level, white.rule

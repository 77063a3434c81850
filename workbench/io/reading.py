"""From a file to a frame: the part that all formats share."""

from __future__ import annotations

import contextlib
import logging
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from workbench.acquisition import Acquisition, Source, Tone
from workbench.errors import WorkbenchError
from workbench.io import headers
from workbench.io.decoded import Decoded, Raw, Wishes
from workbench.io.files import AnyPath, FileDigest, checked_input, moment, sniff
from workbench.io.fits import read_fits
from workbench.io.raster import read_jpeg, read_png
from workbench.io.tiff import read_tiff
from workbench.io.tone import checked_tone, judge
from workbench.io.white import checked_level, float_white, mend, rescale

__all__ = ["calm_decoders", "decode"]

_READERS = {"tiff": read_tiff, "fits": read_fits, "png": read_png, "jpeg": read_jpeg}
_ROWS = ("top-down", "bottom-up")
_CAMERA_BITS = (12, 14)
_ALMOST = 0.97


def decode(
    path: AnyPath,
    *,
    white_level: float | None = None,
    rows: str | None = None,
    acquisition: Acquisition | Mapping[str, Any] | None = None,
    tone: Tone | str | None = None,
) -> Decoded:
    """Read an image file: TIFF, FITS, PNG or JPEG, told apart by content.

    Parameters
    ----------
    path : path
        It is only read.
    white_level : float, optional
        Stored value that becomes 1.0, in place of the rule (see `workbench.io`).
    rows : {'top-down', 'bottom-up'}, optional
        Which row the file stores first, in place of what the file or its format's convention says.
    acquisition : Acquisition or mapping, optional
        What is known of the frames; wins over the side file, which wins over the header.
    tone : {'linear', 'display'}, optional
        What the values stand for, in place of what the file and its histogram tell.

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
    wishes = _wishes(white_level, rows)
    wanted = None if tone is None else checked_tone(tone)
    file = checked_input(path)
    given = headers.checked_acquisition(acquisition) if acquisition is not None else Acquisition()
    side = headers.read_side_file(file)
    before = moment(file)
    kind, raw, invalid = _read(file, wishes)
    if moment(file) != before:
        raise WorkbenchError(f"cannot read {file}: it changed while being read; try again once it is whole")
    digest = FileDigest(file, before)
    level, rule = _settle_white(raw, wishes)
    settled, evidence = (wanted, []) if wanted else judge(raw)
    if side is not None:
        raw.acquisition = raw.acquisition.merged(side)
        raw.remarks.append(f"how it was taken was completed from {headers.side_file(file).name}")
    return Decoded(
        pixels=raw.canvas.pixels,
        tone=settled,
        acquisition=raw.acquisition.merged(given),
        wcs=raw.wcs,
        coverage=raw.canvas.coverage,
        source=Source(
            name=file.name,
            path=str(file.absolute()),
            format=kind,
            digest=digest,
            sample=raw.sample,
            white_level=level,
            white_rule=rule,
            invalid=invalid,
            remarks=(*raw.remarks, *evidence),
        ),
    )


def _wishes(white_level: float | None, rows: str | None) -> Wishes:
    if rows is not None and rows not in _ROWS:
        raise WorkbenchError(f"rows must be one of {', '.join(_ROWS)}, not {rows!r}")
    return Wishes(None if white_level is None else checked_level(white_level), rows)


def _read(file: Path, wishes: Wishes) -> tuple[str, Raw, int]:
    """Format, frame and number of samples without a value. Whatever damage makes a decoder say becomes a sentence."""
    kind = sniff(file)
    try:
        with calm_decoders():
            raw = _READERS[kind](file, wishes)
        invalid = mend(raw.canvas)
    except WorkbenchError as error:
        text = str(error)
        raise WorkbenchError(text if text.startswith(file.name) else f"cannot use {file}: {text}") from error
    except MemoryError as error:
        raise WorkbenchError(f"cannot read {file}: its picture does not fit into this computer's memory") from error
    except Exception as error:  # decoders fail on damaged bytes in ways that have no common class
        raise WorkbenchError(
            f"cannot read {file}: as a {kind.upper()} file it is damaged ({_short(error)}); copy or write it again"
        ) from error
    if invalid:
        raw.remarks.append(f"{invalid} samples were NaN or infinite: their pixels are not covered")
    _remark_on_values(raw)
    return kind, raw, invalid


def _short(error: Exception) -> str:
    """The first line of what a decoder said."""
    line = (str(error).strip().splitlines() or [""])[0]
    return line[:160] or type(error).__name__


def _remark_on_values(raw: Raw) -> None:
    """Say what a glance at the range of values shows."""
    canvas = raw.canvas
    if canvas.lowest == canvas.highest:
        raw.remarks.append("every sample has the same value: there is nothing to see in it")
        return
    if raw.white_rule is None or not math.isfinite(canvas.highest):
        return
    brightest = round(canvas.highest * canvas.white)
    for bits in _CAMERA_BITS:
        top = (1 << bits) - 1
        if raw.bits > bits and canvas.white > top and _ALMOST * top <= brightest <= top:
            raw.remarks.append(
                f"the brightest sample is {brightest}: if the camera's white is {top} ({bits} bits), "
                f"read it with --white-level {top} (in Python white_level={top})"
            )


def _settle_white(raw: Raw, wishes: Wishes) -> tuple[float, str]:
    """The white level and its rule; floats are divided by it here."""
    if raw.white_rule is not None:
        return raw.canvas.white, raw.white_rule
    white = float_white(raw.canvas, given=wishes.white_level, stated=raw.stated_white)
    rescale(raw.canvas.pixels, white.level)
    return white.level, white.rule


class _Mute(logging.Filter):
    def filter(self, record: logging.LogRecord) -> bool:
        return False


@contextlib.contextmanager
def calm_decoders() -> Iterator[None]:
    """Keep notes of tifffile and imagecodecs on odd files off the screen: what matters becomes a remark or an error."""
    loggers, mute = [logging.getLogger(name) for name in ("tifffile", "imagecodecs")], _Mute()
    for logger in loggers:
        logger.addFilter(mute)
    try:
        yield
    finally:
        for logger in loggers:
            logger.removeFilter(mute)

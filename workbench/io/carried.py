"""What a finished picture carries beside its pixels."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from astropy.io import fits

from workbench.errors import WorkbenchError
from workbench.io import jpeg, png, solution, xmp
from workbench.io.files import AnyPath, checked_input, sniff
from workbench.io.fits import RECIPE, RECORD, opened, units
from workbench.io.reading import calm_decoders

__all__ = ["Embedded", "embedded"]

_XMP = 700


@dataclass(frozen=True, slots=True)
class Embedded:
    """Texts inside a picture, each None when it carries none.

    Attributes
    ----------
    recipe : str or None
        The recipe that made it, JSON.
    record : str or None
        The record of that run, JSON.
    """

    recipe: str | None = None
    record: str | None = None


def embedded(path: AnyPath) -> Embedded:
    """Read the recipe and the record that a file carries; its pixels are not touched.

    Raises
    ------
    WorkbenchError
        When the file cannot be read, or is no TIFF, FITS, PNG or JPEG.
    """
    file = checked_input(path)
    kind = sniff(file)
    try:
        if kind == "fits":
            return _from_fits(file)
        packets = {"tiff": _tiff_packets, "png": _png_packets, "jpeg": jpeg.joined_xmp}[kind](file)
    except Exception as error:  # readers fail on damaged bytes in ways that have no common class
        raise WorkbenchError(
            f"cannot read {file}: as a {kind.upper()} file it is damaged; copy or write it again"
        ) from error
    found = [xmp.parse(packet) for packet in packets]
    return Embedded(
        next((c.recipe for c in found if c.recipe is not None), None),
        next((c.record for c in found if c.record is not None), None),
    )


def _tiff_packets(path: Path) -> list[bytes]:
    with calm_decoders(), tifffile.TiffFile(path) as file:
        tag: Any = file.pages[0].tags.get(_XMP)  # type: ignore[union-attr]
        value = None if tag is None else tag.value
    return [value] if isinstance(value, bytes) else []


def _png_packets(path: Path) -> list[bytes]:
    return [p for kind, data in png.chunks(path) if kind == b"iTXt" and (p := png.xmp_of(data))]


def _from_fits(path: Path) -> Embedded:
    texts: dict[str, str] = {}
    with solution.quiet(), opened(path) as hdus:
        for _, hdu in units(hdus):
            if hdu.name in (RECIPE, RECORD) and isinstance(hdu, fits.BinTableHDU) and hdu.name not in texts:
                data = np.asarray(hdu.data["TEXT"], np.uint8).tobytes()
                texts[hdu.name] = data.decode("utf-8", "surrogatepass")
    return Embedded(texts.get(RECIPE), texts.get(RECORD))

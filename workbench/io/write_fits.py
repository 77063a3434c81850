"""Writing FITS (standard 4.0): planes one after the other, the first row lowest, as most FITS programs expect."""

from __future__ import annotations

import gzip
from typing import Any, BinaryIO, cast

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Tone
from workbench.io import xmp
from workbench.io.fits import COVERAGE, CREATOR, RECIPE, RECORD
from workbench.io.strips import as_samples, in_order, strips

__all__ = ["write_fits"]

_BLOCK = 2880
_STRIP_BYTES = 1 << 20
_CARDS = (
    ("exposure_s", "EXPTIME", "[s] exposure of one frame"),
    ("frames", "NCOMBINE", "frames in the stack"),
    ("iso", "ISOSPEED", "ISO setting"),
    ("gain", "EGAIN", "electrons per data unit"),
    ("focal_length_mm", "FOCALLEN", "[mm] focal length"),
    ("pixel_size_um", "XPIXSZ", "[um] pixel pitch"),
    ("f_number", "FOCRATIO", "focal ratio"),
    ("filter", "FILTER", "filter"),
    ("camera", "INSTRUME", "camera"),
    ("date", "DATE-OBS", "start of the exposures"),
    ("place", "SITENAME", "place"),
)


def write_fits(
    file: BinaryIO,
    pixels: NDArray[Any],
    *,
    dtype: np.dtype[Any],
    carried: xmp.Carried,
    wcs_header: fits.Header | None,
    coverage: NDArray[np.uint8] | None,
    packed: bool,
) -> None:
    """Write one image, its coverage and its texts as extensions; ``packed`` wraps all in gzip."""
    if packed:
        # mtime 0: the same stack has the same bytes on every day.
        with gzip.GzipFile(filename="", mode="wb", compresslevel=4, fileobj=file, mtime=0) as inner:
            _write(cast("BinaryIO", inner), pixels, dtype, carried, wcs_header, coverage)
    else:
        _write(file, pixels, dtype, carried, wcs_header, coverage)


def _write(
    file: BinaryIO,
    pixels: NDArray[Any],
    dtype: np.dtype[Any],
    carried: xmp.Carried,
    wcs_header: fits.Header | None,
    coverage: NDArray[np.uint8] | None,
) -> None:
    header = _header(
        pixels.shape,
        dtype,
        carried,
        wcs_header,
        extended=any(part is not None for part in (coverage, carried.recipe, carried.record)),
    )
    file.write(header.tostring().encode("ascii"))
    height, width, channels = pixels.shape
    parts = [
        (c, *rows) for c in range(channels) for rows in strips(height, width * dtype.itemsize * channels, _STRIP_BYTES)
    ]
    size = 0
    for data in in_order(lambda part: _plane_rows(pixels, dtype, *part), parts):
        size += file.write(data)
    file.write(bytes(-size % _BLOCK))
    if coverage is not None:
        upside = np.ascontiguousarray(coverage[::-1])
        extension = fits.ImageHDU(upside, name=COVERAGE).header
        extension["ROWORDER"] = "BOTTOM-UP"
        _unit(file, extension, upside.tobytes())
    for name, text in ((RECIPE, carried.recipe), (RECORD, carried.record)):
        if text is not None:
            data = text.encode("utf-8", "surrogatepass")
            column = fits.Column("TEXT", f"{len(data)}B", array=np.zeros((1, len(data)), np.uint8))
            extension = fits.BinTableHDU.from_columns([column], nrows=1, name=name).header
            extension["COMMENT"] = "one row: the bytes of a UTF-8 text"
            _unit(file, extension, data)


def _unit(file: BinaryIO, header: fits.Header, data: bytes) -> None:
    file.write(header.tostring().encode("ascii"))
    file.write(data)
    file.write(bytes(-len(data) % _BLOCK))


def _header(
    shape: tuple[int, ...],
    dtype: np.dtype[Any],
    carried: xmp.Carried,
    wcs_header: fits.Header | None,
    *,
    extended: bool,
) -> fits.Header:
    height, width, channels = shape
    header = fits.Header()
    header["SIMPLE"] = True, "conforms to FITS standard"
    header["BITPIX"] = {"f": -32, "u": dtype.itemsize * 8}[dtype.kind]
    header["NAXIS"] = 2 if channels == 1 else 3
    header["NAXIS1"], header["NAXIS2"] = width, height
    if channels > 1:
        header["NAXIS3"] = channels
    header["EXTEND"] = extended
    if dtype == np.uint16:
        header["BSCALE"], header["BZERO"] = 1, 1 << 15
    header["ROWORDER"] = "BOTTOM-UP", "the first row is the lowest"
    header["WHITELEV"] = 1.0 if dtype.kind == "f" else float(np.iinfo(dtype).max), "stored value that is white"
    header["TONE"] = (carried.tone or Tone.LINEAR).value, "linear, or display (sRGB-encoded)"
    header["CREATOR"] = CREATOR
    known = (carried.acquisition or Acquisition()).to_dict()
    if wcs_header is not None:
        header.extend(wcs_header, unique=True)
    for name, word, comment in _CARDS:
        if name in known:
            value = known[name]
            header[word] = (_ascii(value) if isinstance(value, str) else value), comment
    if carried.recipe is not None:
        header.add_history(f"made by post-stack workbench; its recipe is in the extension {RECIPE}")
    return header


def _ascii(text: str) -> str:
    """Header words hold printable ASCII only (standard 4.2.1)."""
    return "".join(c if " " <= c <= "~" else "?" for c in text)


def _plane_rows(pixels: NDArray[Any], dtype: np.dtype[Any], channel: int, y0: int, y1: int) -> bytes:
    """Stored rows ``y0`` to ``y1`` of a plane: the frame's rows counted from its foot."""
    height = pixels.shape[0]
    rows = pixels[height - y1 : height - y0, :, channel][::-1]
    block = as_samples(np.ascontiguousarray(rows), dtype)
    if dtype == np.uint16:
        block = (block ^ np.uint16(0x8000)).view(np.int16)  # the standard stores unsigned less BZERO
    return block.astype(block.dtype.newbyteorder(">")).tobytes()

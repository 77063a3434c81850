"""Writing TIFF: baseline samples with the profile and the packet in their standard tags."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.io import icc, xmp
from workbench.io.strips import as_samples, in_order, strips

__all__ = ["COMPRESSIONS", "write_tiff"]

_STRIP_BYTES = 1 << 20
_XMP, _WHITE_LEVEL = 700, 50717
_UNASSOCIATED = 2
#: Data from here on need offsets of 64 bits (4 GiB, less room for tags and for strips that fail to shrink).
_BIG = 0xF000_0000
_PREDICTOR = {"u": 2, "f": 3}


def _deflate(data: bytes) -> bytes:
    return bytes(imagecodecs.zlib_encode(data, level=6))


def _zstd(data: bytes) -> bytes:
    return bytes(imagecodecs.zstd_encode(data, level=3))


def _lzw(data: bytes) -> bytes:
    return bytes(imagecodecs.lzw_encode(data))


#: Compression by name: TIFF's number and its encoder.
COMPRESSIONS: dict[str, tuple[int, Callable[[bytes], bytes] | None]] = {
    "none": (1, None),
    "lzw": (5, _lzw),
    "deflate": (8, _deflate),
    "zstd": (50000, _zstd),
}


def write_tiff(
    file: BinaryIO,
    pixels: NDArray[Any],
    *,
    dtype: np.dtype[Any],
    carried: xmp.Carried,
    coverage: NDArray[np.uint8] | None,
    compression: str,
) -> None:
    """Write one page of strips, coverage as unassociated alpha; a display picture carries its sRGB profile."""
    height, width, colors = pixels.shape
    samples = colors + (coverage is not None)
    number, pack = COMPRESSIONS[compression]
    parts = strips(height, width * samples * dtype.itemsize, _STRIP_BYTES)
    little = dtype.newbyteorder("<")

    def strip(rows: tuple[int, int]) -> bytes:
        block = as_samples(pixels[slice(*rows)], dtype)
        if coverage is not None:
            block = np.concatenate((block, _alpha(coverage[slice(*rows)], dtype)), axis=2)
        block = block.astype(little, copy=False)
        return block.tobytes() if pack is None else pack(_predicted(block))

    packet = xmp.packet(carried)
    tags: list[tuple[int, int, int, Any, bool]] = [(_XMP, 1, len(packet), packet, True)]
    if carried.tone is Tone.LINEAR and dtype.kind == "f":
        tags.append((_WHITE_LEVEL, 4, 1, 1, True))
    stream: Iterator[bytes] = in_order(strip, parts)
    try:
        with tifffile.TiffWriter(file, byteorder="<", bigtiff=_is_big(pixels, dtype, samples)) as writer:
            writer.write(
                stream,
                shape=(height, width, samples) if samples > 1 else (height, width),
                dtype=little,
                photometric="rgb" if colors > 1 else "minisblack",
                planarconfig="contig" if samples > 1 else None,
                extrasamples=[_UNASSOCIATED] if coverage is not None else None,
                compression=number,
                predictor=_PREDICTOR[dtype.kind] if pack else 1,
                rowsperstrip=parts[0][1] - parts[0][0],
                iccprofile=icc.srgb_profile(colors) if carried.tone is Tone.DISPLAY else None,
                software="post-stack workbench",
                metadata=None,
                extratags=tags,
            )
    except (ValueError, TypeError) as error:
        raise WorkbenchError(f"this picture cannot be kept in a TIFF: {error}") from error


def _alpha(coverage: NDArray[np.uint8], dtype: np.dtype[Any]) -> NDArray[Any]:
    share = coverage[:, :, None]
    if dtype.kind == "f":
        return share.astype(np.float32) / np.float32(255)
    return share if dtype.itemsize == 1 else share.astype(np.uint16) * np.uint16(257)


def _predicted(block: NDArray[Any]) -> bytes:
    """Differences along the rows (TIFF 6.0, section 14; Technical Note 3 for floats)."""
    if block.dtype.kind == "f":
        return bytes(imagecodecs.floatpred_encode(block, axis=-2))
    return bytes(imagecodecs.delta_encode(block, axis=-2))


def _is_big(pixels: NDArray[Any], dtype: np.dtype[Any], samples: int) -> bool:
    height, width, _ = pixels.shape
    return int(height * width * samples * dtype.itemsize) >= _BIG

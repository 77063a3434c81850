"""The Exif block of PNG and JPEG: a small TIFF without a picture."""

from __future__ import annotations

import contextlib
import io
from typing import Any

import numpy as np
import tifffile

from workbench.io.calm import calm_decoders

__all__ = ["exif_tags", "orientation_of", "plain_value"]

_MOST = 1 << 20  #: bytes; a JPEG has room for 64 kB


def exif_tags(data: bytes) -> dict[str, Any]:
    """Tags by name, those of the inner directory put over the outer one's; none of a damaged block.

    Parameters
    ----------
    data : bytes
        An Exif block.

    Returns
    -------
    dict
    """
    found: dict[str, Any] = {}
    if len(data) > _MOST:
        return found
    # The library alone runs here, and fails in many ways.
    with calm_decoders(), contextlib.suppress(Exception), tifffile.TiffFile(io.BytesIO(data)) as file:
        found = {tag.name: tag.value for tag in file.pages[0].tags}  # type: ignore[union-attr]
    found = plain_value(found)
    inner = found.get("ExifTag")
    return {**found, **(inner if isinstance(inner, dict) else {})}


def plain_value(value: Any) -> Any:
    """A tag's value with tuples in place of arrays.

    Parameters
    ----------
    value : object

    Returns
    -------
    object
    """
    if isinstance(value, np.ndarray):
        return tuple(value.reshape(-1).tolist())
    return {name: plain_value(inner) for name, inner in value.items()} if isinstance(value, dict) else value


def orientation_of(tags: dict[str, Any]) -> int:
    """The tag Orientation (TIFF 6.0, tag 274), 1 to 8; 1 where it is missing or makes no sense.

    Parameters
    ----------
    tags : dict

    Returns
    -------
    int
    """
    value = tags.get("Orientation", 1)
    return int(value) if isinstance(value, int) and 1 <= value <= 8 else 1

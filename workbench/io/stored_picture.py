"""A picture that a decoder has unpacked as a whole (PNG, JPEG) becomes a float frame."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.io.float_frame import FloatFrame, from_below
from workbench.io.formats.base import RawFrame, ReadRequest
from workbench.io.strips import on_all_cores, row_blocks
from workbench.io.white_level import integer_white

__all__ = ["stored_picture"]


def stored_picture(picture: NDArray[Any], request: ReadRequest, bits: int, orientation: int = 1) -> RawFrame:
    """Move a decoded picture into a float frame.

    Parameters
    ----------
    picture : ndarray, shape (H, W) or (H, W, 1 to 4), uint8 or uint16
        Gray or RGB, alpha last: it is taken as coverage.
    request : ReadRequest
    bits : {8, 16}
    orientation : int
        1 to 8 as in the Exif tag.

    Returns
    -------
    RawFrame
    """
    if picture.ndim == 2:
        picture = picture[:, :, None]
    height, width, samples = picture.shape
    colors = 3 if samples >= 3 else 1
    white = integer_white(bits, signed=False, given=request.white_level, stated=None)
    if request.rows == "bottom-up":
        orientation = from_below(orientation)
    target = FloatFrame(height, width, colors, divisor=white.level, orientation=orientation)
    remarks = []
    if orientation not in (1, 4) or (orientation == 4 and request.rows is None):
        remarks.append("the picture was turned upright, as its orientation tag says")
    if samples > colors:
        target.open_coverage()
        remarks.append("its alpha is taken as coverage: the share of frames that recorded a pixel")

    def store(job: tuple[int, NDArray[Any]]) -> None:
        y, block = job
        target.store(block[:, :, :colors], y, 0)
        if samples > colors:
            target.cover(block[:, :, colors], y, 0, float((1 << bits) - 1))

    blocks = row_blocks(picture)
    on_all_cores(store, ((i * len(blocks[0]), block) for i, block in enumerate(blocks)))
    if target.coverage is not None and target.coverage.min() == np.iinfo(np.uint8).max:
        target.coverage = None
    elif target.coverage is not None and not target.coverage.any():
        target.coverage = None
        remarks.append("its alpha is zero everywhere, which cannot be coverage; it did not count")
    return RawFrame(target, str(picture.dtype), bits, white.rule, remarks=remarks)

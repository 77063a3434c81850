"""Pictures for pages and notebooks: as JPEG, side by side, and as something a cell can show."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Shown", "base64_jpeg", "side_by_side"]

Picture = NDArray[np.uint8]

_QUALITY = 88
#: Between two pictures, and above them for what they are.
_GAP, _HEAD = 8, 26
_MAT = (13, 14, 16)
_INK = (201, 196, 186)


def base64_jpeg(picture: Picture, *, quality: int = _QUALITY) -> str:
    """A picture (h, w, 3) uint8, RGB, as JPEG without color subsampling, in base64.

    Parameters
    ----------
    picture : ndarray, shape (h, w, 3), uint8
    quality : int
        1 to 100.

    Returns
    -------
    str
    """
    options = [
        cv2.IMWRITE_JPEG_QUALITY,
        quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]
    done, data = cv2.imencode(".jpg", np.ascontiguousarray(picture[:, :, ::-1]), options)
    assert done
    return base64.b64encode(data.tobytes()).decode("ascii")


def side_by_side(left: Picture, right: Picture, names: tuple[str, str]) -> Picture:
    """Two pictures on one dark mat, each with its name above it; the smaller one in the middle of its half.

    Parameters
    ----------
    left, right : ndarray, shape (h, w, 3), uint8
    names : tuple of (str, str)

    Returns
    -------
    ndarray, shape (H, W, 3), uint8
    """
    height = max(left.shape[0], right.shape[0])
    width = max(left.shape[1], right.shape[1])
    mat = np.full((_HEAD + height, 2 * width + _GAP, 3), _MAT, np.uint8)
    for picture, name, x in ((left, names[0], 0), (right, names[1], width + _GAP)):
        h, w, _ = picture.shape
        y0, x0 = _HEAD + (height - h) // 2, x + (width - w) // 2
        mat[y0 : y0 + h, x0 : x0 + w] = picture
        cv2.putText(mat, name, (x0 + 2, _HEAD - 8), _INK, cv2.FontFace("sans"), 16, 400)
    return mat


@dataclass(frozen=True)
class Shown:
    """A picture that a notebook's cell shows, with words for those who cannot see it.

    Attributes
    ----------
    pixels : ndarray, shape (h, w, 3), uint8
        sRGB.
    alt : str
    """

    pixels: Picture
    alt: str

    def __repr__(self) -> str:
        return self.alt

    def _repr_mimebundle_(self, **_: Any) -> tuple[dict[str, str], dict[str, Any]]:
        # No width and height: a page narrower than the picture would then squeeze it.
        return {"image/jpeg": base64_jpeg(self.pixels), "text/plain": self.alt}, {"image/jpeg": {"alt": self.alt}}

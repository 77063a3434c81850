"""What a format's reader hands to the common end of reading."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Source, Tone
from workbench.io.canvas import Canvas

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["Decoded", "Raw", "Wishes"]


@dataclass(frozen=True, slots=True)
class Decoded:
    """An image file as arrays and facts.

    Attributes
    ----------
    pixels : ndarray, shape (H, W, C), float32, C in {1, 3}, C-contiguous
        1.0 is the white level; negative values are kept.
    tone : Tone
    acquisition : Acquisition
    wcs : astropy.wcs.WCS or None
        Sky solution for these rows; pixel (0, 0) is the first row's first pixel.
    coverage : ndarray, shape (H, W), uint8, or None
        255: all frames, 0: the pixel means nothing; None: every pixel is covered.
    source : Source
    """

    pixels: NDArray[np.float32]
    tone: Tone
    acquisition: Acquisition
    wcs: WCS | None
    coverage: NDArray[np.uint8] | None
    source: Source


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the caller laid down about reading."""

    white_level: float | None = None
    rows: str | None = None


@dataclass(slots=True)
class Raw:
    """A frame as read, before white level, missing samples and tone are settled.

    Attributes
    ----------
    canvas : Canvas
    sample : str
        Sample type in the file.
    bits : int
        Bits a sample uses.
    white_rule : str or None
        For integers, whose white level is known while reading; None for floats, settled afterwards.
    stated_white : float or None
        White level that the file states.
    tone : Tone or None
        Tone that the file states in our own metadata.
    encoding : str or None
        What else in the file claims about tone: ``curved`` or ``straight``, see ``claim``.
    claim : str
        Where the claim stands, such as "its ICC profile".
    always_display : bool
        The format holds nothing but finished pictures (JPEG).
    remarks : list of str
    """

    canvas: Canvas
    sample: str
    bits: int
    white_rule: str | None = None
    stated_white: float | None = None
    acquisition: Acquisition = field(default_factory=Acquisition)
    wcs: WCS | None = None
    tone: Tone | None = None
    encoding: str | None = None
    claim: str = ""
    always_display: bool = False
    remarks: list[str] = field(default_factory=list)

"""Cameras whose sensitivity was measured: what each channel makes of a photon of each wavelength.

From the data set of the National Physical Laboratory as the package colour-science (BSD 3-Clause) carries it: Darrodi,
Finlayson, Goodman & Mackiewicz 2015, J. Opt. Soc. Am. A 32, 381. Every 10 nm; the largest value of a camera is 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["MEASURED", "WAVELENGTHS", "Response", "response_of"]

Floats = NDArray[np.float64]

#: In nm.
WAVELENGTHS = np.arange(400.0, 701.0, 10.0)


@dataclass(frozen=True, slots=True)
class Response:
    """What the channels of a camera make of light.

    Attributes
    ----------
    name : str
        Of the camera.
    words : tuple of str
        All that its name in a file has in it, in lower case.
    values : ndarray, shape (31, 3)
        Of red, green and blue at `WAVELENGTHS`.
    """

    name: str
    words: tuple[str, ...]
    values: Floats


def response_of(camera: str | None) -> Response | None:
    """The measured response of a camera by its name; None where none was measured.

    Parameters
    ----------
    camera : str or None
        As a file has it, such as ``NIKON D5100``.

    Returns
    -------
    Response or None
    """
    said = (camera or "").lower()
    return next((each for each in MEASURED if all(word in said for word in each.words)), None)


def _table(text: str) -> Floats:
    return np.array(text.split(), np.float64).reshape(-1, 3)


_D5100 = """
    0.0000 0.0000 0.0015  0.0029 0.0013 0.0166  0.0496 0.0650 0.3617
    0.0766 0.1371 0.7553  0.0613 0.1686 0.8749  0.0489 0.1960 0.9631
    0.0402 0.2542 1.0000  0.0476 0.3735 0.9890  0.0528 0.4597 0.9050
    0.0479 0.4889 0.7515  0.0502 0.6165 0.5671  0.0637 0.8010 0.3941
    0.1004 0.9389 0.2498  0.1236 1.0000 0.1616  0.0763 0.9615 0.1100
    0.0412 0.8891 0.0653  0.0425 0.7763 0.0341  0.1118 0.6358 0.0198
    0.5645 0.4928 0.0138  0.9810 0.3518 0.0100  0.9631 0.2117 0.0065
    0.8343 0.1180 0.0037  0.7037 0.0701 0.0040  0.5708 0.0473 0.0040
    0.4383 0.0353 0.0055  0.3430 0.0268 0.0060  0.2377 0.0203 0.0061
    0.0913 0.0094 0.0030  0.0206 0.0029 0.0008  0.0054 0.0009 0.0003
    0.0013 0.0004 0.0002
"""
_MERRILL = """
    0.0056 0.0063 0.1622  0.0065 0.0098 0.2855  0.0741 0.0253 0.3969
    0.0430 0.0838 0.5083  0.0345 0.1437 0.6221  0.0189 0.1836 0.7374
    0.0073 0.4091 0.9454  0.0455 0.5160 0.9644  0.0568 0.6012 1.0000
    0.1342 0.6703 0.9860  0.1648 0.7526 0.9834  0.2171 0.8438 0.9697
    0.3065 0.9015 0.9428  0.3498 0.9198 0.8966  0.4437 0.9680 0.8844
    0.4449 0.9573 0.8679  0.4790 0.9520 0.8338  0.5095 0.9763 0.8320
    0.5926 0.9726 0.8005  0.6738 1.0000 0.7829  0.7140 0.9695 0.7395
    0.8600 0.9544 0.6672  0.8981 0.9334 0.6204  1.0000 0.9257 0.6112
    0.9949 0.8849 0.5517  0.9209 0.7617 0.4654  0.1814 0.1405 0.0796
    0.0063 0.0041 0.0006  0.0053 0.0018 0.0047  0.0000 0.0000 0.0000
    0.0000 0.0000 0.0000
"""

MEASURED = (
    Response("Nikon D5100", ("nikon", "d5100"), _table(_D5100)),
    Response("Sigma SD1 Merrill", ("sigma", "sd1 merrill"), _table(_MERRILL)),
)

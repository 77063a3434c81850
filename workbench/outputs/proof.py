"""Soft proof: how a printer will show a picture, by the printer's color profile and littleCMS."""

from __future__ import annotations

from io import BytesIO
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.io.metadata import icc
from workbench.lazy import on_first_use
from workbench.stack import Stack

if TYPE_CHECKING:
    from PIL import Image, ImageCms
else:
    Image, ImageCms = (on_first_use(f"PIL.{name}") for name in ("Image", "ImageCms"))

__all__ = ["Proof", "soft_proof"]

_INTENTS = {"perceptual": 0, "relative": 1}
#: Largest profile that is read, bytes.
_LARGEST = 1 << 26
#: A color that comes back farther than this from where it was, in code values of 8 bits, cannot be printed.
_OUT = 6


class Proof(NamedTuple):
    """A picture as it will be printed.

    Attributes
    ----------
    picture : Stack
        For the screen, 8 bits fine.
    changed : ndarray, shape (H, W), bool
        Where the printer cannot make the color.
    """

    picture: Stack
    changed: NDArray[np.bool_]

    @property
    def share(self) -> float:
        """Share of the picture whose colors the printer cannot make."""
        return float(self.changed.mean())


def soft_proof(
    picture: Stack, profile: str | PathLike[str], intent: Literal["perceptual", "relative"] = "relative"
) -> Proof:
    """How a printer will show a picture.

    Parameters
    ----------
    picture : Stack
        Finished: display.
    profile : path
        The printer's and paper's ICC profile, of RGB, CMYK or gray.
    intent : {"perceptual", "relative"}
        How colors that cannot be printed are brought in: all a little, or only those (with black point compensation).

    Returns
    -------
    Proof

    Raises
    ------
    WorkbenchError
        When the picture is linear or the profile cannot be used.
    """
    if picture.tone is Tone.LINEAR:
        raise WorkbenchError("a soft proof is made of a finished picture, and this is linear light: stretch it first")
    if intent not in _INTENTS:
        raise WorkbenchError(f"intent must be perceptual or relative, not {intent!r}")
    path = Path(profile)
    try:
        data = path.read_bytes() if path.stat().st_size <= _LARGEST else b""
        printer = ImageCms.ImageCmsProfile(BytesIO(data))
        screen = ImageCms.ImageCmsProfile(BytesIO(icc.profile("srgb")))
        # To the printer by the intent chosen, and back as its colors are.
        flags = ImageCms.Flags.SOFTPROOFING | ImageCms.Flags.BLACKPOINTCOMPENSATION
        way = ImageCms.buildProofTransform(
            screen,
            screen,
            printer,
            "RGB",
            "RGB",
            ImageCms.Intent(_INTENTS[intent]),
            ImageCms.Intent.RELATIVE_COLORIMETRIC,
            flags,
        )
    except OSError as error:
        raise WorkbenchError(f"the profile {path} cannot be used: {error.strerror or 'it is no ICC profile'}") from None
    except ImageCms.PyCMSError:
        raise WorkbenchError(
            f"the profile {path} cannot be used: it is no ICC profile of a printer that littleCMS can reach"
        ) from None
    pixels = np.rint(np.clip(picture.pixels, 0, 1) * 255).astype(np.uint8)
    before = np.ascontiguousarray(np.broadcast_to(pixels, (*pixels.shape[:2], 3)))
    printed = ImageCms.applyTransform(Image.fromarray(before), way)
    assert printed is not None
    after = np.asarray(printed)
    changed = (np.abs(after.astype(np.int16) - before) > _OUT).any(axis=2)
    return Proof(picture.with_pixels((after / np.float32(255)).astype(np.float32)), changed)

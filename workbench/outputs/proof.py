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

__all__ = ["Printer", "Proof", "out_of_gamut", "soft_proof"]

Intent = Literal["perceptual", "relative"]

_INTENTS = {"perceptual": 0, "relative": 1}
#: Colors that printers are told, in Pillow's words.
_MODES = {"RGB": "RGB", "CMYK": "CMYK", "GRAY": "L"}
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
    printer : str
        What its profile calls itself.
    """

    picture: Stack
    changed: NDArray[np.bool_]
    printer: str

    @property
    def share(self) -> float:
        """Share of the picture whose colors the printer cannot make."""
        return float(self.changed.mean())


class Printer:
    """A printer with its paper, as its color profile tells of them.

    Parameters
    ----------
    profile : path
        ICC profile, of RGB, CMYK or gray.
    intent : {"perceptual", "relative"}
        Rendering intent: whether colors that cannot be printed take all others along, or are brought in alone (with
        black point compensation).

    Attributes
    ----------
    name : str
        What the profile calls itself.
    intent : str

    Raises
    ------
    WorkbenchError
        When the profile cannot be used.
    """

    def __init__(self, profile: str | PathLike[str], intent: Intent = "relative") -> None:
        if intent not in _INTENTS:
            raise WorkbenchError(f"the rendering intent must be perceptual or relative, not {intent!r}")
        path = Path(profile).expanduser()
        try:
            data = path.read_bytes() if path.stat().st_size <= _LARGEST else b""
            printer = ImageCms.ImageCmsProfile(BytesIO(data))
            mode = _MODES[printer.profile.xcolor_space.strip()]
            screen = ImageCms.ImageCmsProfile(BytesIO(icc.profile("srgb")))
            # By the printer's own numbers in between, which end at full ink: the link of both ways goes beyond it.
            flags = ImageCms.Flags.BLACKPOINTCOMPENSATION
            self._ways = (
                ImageCms.buildTransform(screen, printer, "RGB", mode, ImageCms.Intent(_INTENTS[intent]), flags),
                ImageCms.buildTransform(printer, screen, mode, "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC, flags),
            )
            # Pillow writes the profile of what was made into it, which littleCMS cannot do with all that it reads.
            self._ways[0].output_profile = screen
            self.name = ImageCms.getProfileDescription(printer).strip() or path.name
        except OSError as error:
            raise WorkbenchError(
                f"the profile {path} cannot be used: {error.strerror or 'it is no ICC profile'}"
            ) from None
        except (ImageCms.PyCMSError, KeyError):
            raise WorkbenchError(
                f"the profile {path} cannot be used: it is no ICC profile of a printer that littleCMS can reach"
            ) from None
        self.intent = intent

    def printed(self, pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """What a print looks like.

        Parameters
        ----------
        pixels : ndarray, shape (H, W, 3), uint8
            sRGB.

        Returns
        -------
        ndarray, shape (H, W, 3), uint8
            sRGB.
        """
        shown = Image.fromarray(np.ascontiguousarray(pixels))
        for way in self._ways:
            made = ImageCms.applyTransform(shown, way)
            assert made is not None
            shown = made
        return np.asarray(shown)


def soft_proof(picture: Stack, profile: str | PathLike[str], intent: Intent = "relative") -> Proof:
    """How a printer will show a picture.

    Parameters
    ----------
    picture : Stack
        Finished: display.
    profile : path
        The printer's and paper's ICC profile, of RGB, CMYK or gray.
    intent : {"perceptual", "relative"}
        Rendering intent, see `Printer`.

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
    printer = Printer(profile, intent)
    pixels = np.rint(np.clip(picture.pixels, 0, 1) * 255).astype(np.uint8)
    before = np.broadcast_to(pixels, (*pixels.shape[:2], 3))
    after = printer.printed(before)
    return Proof(
        picture.with_pixels((after / np.float32(255)).astype(np.float32)), out_of_gamut(before, after), printer.name
    )


def out_of_gamut(pixels: NDArray[np.uint8], printed: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Where a printer cannot make the color.

    Parameters
    ----------
    pixels, printed : ndarray, shape (H, W, 3), uint8
        On the screen, and as `Printer.printed` has them.

    Returns
    -------
    ndarray, shape (H, W), bool
    """
    return np.asarray((np.abs(printed.astype(np.int16) - pixels) > _OUT).any(axis=2))

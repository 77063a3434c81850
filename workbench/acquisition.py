"""How the frames were taken, what their numbers mean, and where they came from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.errors import WorkbenchError, brief
from workbench.lazy import on_first_use

if TYPE_CHECKING:
    import astropy.units as u
else:
    u = on_first_use("astropy.units")

__all__ = ["ARCSEC_PER_UM_PER_MM", "Acquisition", "Source", "Tone", "checked_tone"]

#: Arcseconds in one radian divided by 1000: micrometres over millimetres to arcseconds (common practice).
ARCSEC_PER_UM_PER_MM = 206.264806


class Tone(StrEnum):
    """What pixel values stand for."""

    LINEAR = "linear"  #: proportional to the light the sensor recorded; 1.0 is the white level
    DISPLAY = "display"  #: sRGB-encoded for a screen or print; 0 is black, 1.0 is white


def checked_tone(tone: Tone | str) -> Tone:
    """A tone from its name.

    Parameters
    ----------
    tone : str

    Returns
    -------
    {"linear", "display"}

    Raises
    ------
    WorkbenchError
        When there is none of that name.
    """
    try:
        return Tone(tone)
    except ValueError as error:
        raise WorkbenchError(f"tone must be one of {', '.join(Tone)}, not {tone!r}") from error


@dataclass(frozen=True, slots=True)
class Acquisition:
    """How the frames were taken. Every field may be unknown (``None``).

    Attributes
    ----------
    exposure_s : float
        Exposure of one frame in seconds.
    frames : int
        How many frames the stack averages.
    iso, gain : float
        ISO setting, or gain in electrons per data unit.
    focal_length_mm, pixel_size_um, f_number : float
        Focal length in mm, pixel pitch in micrometres, focal ratio.
    filter, camera, date, place : str
        Free text; ``date`` is ISO 8601.
    """

    exposure_s: float | None = None
    frames: int | None = None
    iso: float | None = None
    gain: float | None = None
    focal_length_mm: float | None = None
    pixel_size_um: float | None = None
    f_number: float | None = None
    filter: str | None = None
    camera: str | None = None
    date: str | None = None
    place: str | None = None

    @property
    def total_s(self) -> float | None:
        """Total exposure in seconds, or None when the exposure or the frame count is unknown."""
        return None if self.exposure_s is None or self.frames is None else float(self.exposure_s * self.frames)

    @property
    def total_exposure(self) -> u.Quantity | None:
        """`total_s` as a quantity."""
        return None if self.total_s is None else self.total_s * u.s

    @property
    def arcsec_per_px(self) -> float | None:
        """Image scale in arcsec per pixel: 206.265 x pixel[um] / focal[mm] (common practice); None when unknown."""
        if not self.focal_length_mm or not self.pixel_size_um:
            return None
        return float(ARCSEC_PER_UM_PER_MM * self.pixel_size_um / self.focal_length_mm)

    @property
    def image_scale(self) -> u.Quantity | None:
        """`arcsec_per_px` as a quantity."""
        return None if self.arcsec_per_px is None else self.arcsec_per_px * u.arcsec / u.pix

    def field_deg(self, shape: tuple[int, ...]) -> tuple[float, float] | None:
        """(height, width) of a frame of ``shape`` (H, W, ...) in degrees, by the exact tangent formula, or None.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns first, in pixels.

        Returns
        -------
        tuple of (float, float) or None
            In degrees.
        """
        if not self.focal_length_mm or not self.pixel_size_um:
            return None
        half = [0.5e-3 * self.pixel_size_um * n / self.focal_length_mm for n in shape[:2]]
        height, width = (float(np.rad2deg(2 * np.arctan(h))) for h in half)
        return height, width

    def field_of_view(self, shape: tuple[int, ...]) -> tuple[u.Quantity, u.Quantity] | None:
        """`field_deg` as quantities.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns first, in pixels.

        Returns
        -------
        tuple of (Quantity, Quantity) or None
            None where focal length or pixel size is not known.
        """
        field = self.field_deg(shape)
        return None if field is None else (field[0] * u.deg, field[1] * u.deg)

    def merged(self, other: Acquisition) -> Acquisition:
        """A copy with the fields that ``other`` knows put over these.

        Parameters
        ----------
        other : Acquisition

        Returns
        -------
        Acquisition
        """
        known = {f.name: v for f in fields(other) if (v := getattr(other, f.name)) is not None}
        return replace(self, **known)

    def to_dict(self) -> dict[str, Any]:
        """The known fields as plain data."""
        return {f.name: v for f in fields(self) if (v := getattr(self, f.name)) is not None}

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Acquisition:
        """Build from plain data.

        Parameters
        ----------
        data : dict

        Returns
        -------
        Acquisition

        Raises
        ------
        WorkbenchError
            When a name is unknown.
        """
        names = {f.name for f in fields(cls)}
        for name in data:
            if name not in names:
                allowed = ", ".join(sorted(names))
                raise WorkbenchError(f"acquisition has no field {brief(name)}; it may have: {allowed}")
        return cls(**data)


@dataclass(frozen=True, slots=True)
class Source:
    """Where pixels came from, and how their numbers became 0..1.

    Attributes
    ----------
    name : str
        File name, or a word for an array.
    path : str
        The file's absolute path; empty for an array. Files written from a stack do not carry it.
    format : str
        ``tiff``, ``fits``, ``png``, ``jpeg`` or ``array``.
    digest : str or callable
        What `sha256` is, or gives it.
    sample : str
        Sample type in the file, such as ``uint16``.
    white_level : float
        Stored value that became 1.0.
    white_rule : str
        The rule that chose the white level, as a sentence.
    invalid : int
        Samples that were NaN or infinite.
    remarks : tuple of str
        What reading found worth saying (pages skipped, rows turned, not linear, ...).
    """

    name: str = "array"
    path: str = ""
    format: str = "array"
    digest: str | Callable[[], str] = field(default="", repr=False, compare=False)
    sample: str = "float32"
    white_level: float = 1.0
    white_rule: str = "values are used as they are"
    invalid: int = 0
    remarks: tuple[str, ...] = ()

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes, hex; waits where it is still being taken.

        Empty for an array, and for a file that was changed in the moment after it was read.
        """
        return self.digest if isinstance(self.digest, str) else self.digest()

"""How the frames were taken, from what headers say.

A place is never read from GPS fields: a picture that is shown in public should not carry where somebody lives.
It is kept when a person writes it into a side file or gives it as an argument.
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any

from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError, brief

__all__ = ["checked_acquisition", "from_exif", "from_fits"]

#: Control characters, halves of surrogate pairs and the two that are no characters: no text has a use for them.
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
_TEXT = {"filter", "camera", "date", "place"}
_UM_PER_UNIT: dict[float, float] = {
    2: 25400.0,
    3: 10000.0,
    4: 1000.0,
    5: 1.0,
}  # Exif 2.32: inch, centimetre, millimetre, micrometre


#: No exposure, focal length or count of frames is larger; products of larger ones would run over.
LARGEST_NUMBER = 1e12


def checked_acquisition(given: Acquisition | Mapping[str, Any]) -> Acquisition:
    """An acquisition with usable values, from one or from plain data.

    Parameters
    ----------
    given : Acquisition or mapping

    Returns
    -------
    Acquisition

    Raises
    ------
    WorkbenchError
        When a name is unknown, a number is not above 0 or absurdly large, or a text is not text.
    """
    data = given.to_dict() if isinstance(given, Acquisition) else {k: v for k, v in given.items() if v is not None}
    clean: dict[str, Any] = {}
    for name, value in data.items():
        if name in _TEXT:
            if not isinstance(value, str):
                raise WorkbenchError(f"{name} must be text, not {brief(value)}")
            clean[name] = _CONTROL.sub("", value)
        elif name in {f.name for f in fields(Acquisition)}:
            number = _number(value)
            if number is None:
                raise WorkbenchError(f"{name} must be a number above 0, not {brief(value)}")
            if number > LARGEST_NUMBER:
                raise WorkbenchError(f"{name} must not be above {LARGEST_NUMBER:g}, not {brief(value)}")
            if name == "frames" and number != int(number):
                raise WorkbenchError(f"frames must be a whole number, not {brief(value)}")
            clean[name] = int(number) if name == "frames" else number
        else:
            clean[name] = value  # from_dict names it
    return Acquisition.from_dict(clean)


def from_exif(tags: Mapping[str, Any]) -> Acquisition:
    """Read Exif fields (Exif 2.32, names as published; rationals as pairs); unreadable ones are left out.

    Parameters
    ----------
    tags : mapping of str to object

    Returns
    -------
    Acquisition
    """
    iso = tags.get("PhotographicSensitivity", tags.get("ISOSpeedRatings"))
    maker, model = _text(tags.get("Make")), _text(tags.get("Model"))
    camera = model if not maker or (model or "").lower().startswith(maker.lower()) else f"{maker} {model or ''}".strip()
    unit = _UM_PER_UNIT.get(_number(_first(tags.get("FocalPlaneResolutionUnit"))) or 2)
    resolution = _number(tags.get("FocalPlaneXResolution"))
    return Acquisition(
        exposure_s=_number(tags.get("ExposureTime")),
        iso=_number(_first(iso)),
        focal_length_mm=_number(tags.get("FocalLength")),
        pixel_size_um=unit / resolution if unit and resolution else None,
        f_number=_number(tags.get("FNumber")),
        camera=camera,
        date=_exif_date(tags),
    )


def from_fits(word: Callable[[str], Any], comment: Callable[[str], str]) -> tuple[Acquisition, list[str]]:
    """Read the header words in common use; also says what could not be understood.

    EXPTIME and DATE-OBS follow the FITS standard 4.0; the others are common practice. GAIN is ambiguous in practice
    (electrons per data unit, or a camera's own setting): it counts only when its comment speaks of electrons.

    Parameters
    ----------
    word : callable
        Gives a word's value, or None.
    comment : callable
        Gives a word's comment.

    Returns
    -------
    tuple of (Acquisition, list of str)
    """
    remarks = []

    def number(*words: str) -> float | None:
        return next((n for w in words if (n := _number(word(w))) is not None), None)

    def text(*words: str) -> str | None:
        return next((t for w in words if (t := _text(word(w)))), None)

    gain = number("EGAIN")
    if gain is None and (setting := number("GAIN")) is not None:
        if re.search(r"e-|electron", comment("GAIN"), re.IGNORECASE):
            gain = setting
        else:
            remarks.append(
                f"GAIN = {setting:g} is taken as a camera setting; electrons per data unit go into a side file, as gain"
            )
    frames = number("STACKCNT", "NCOMBINE")
    pixel = number("XPIXSZ", "PIXSIZE1")
    focal_ratio = number("FOCRATIO")
    focal, aperture = number("FOCALLEN"), number("APTDIA")
    if focal_ratio is None and focal and aperture:
        focal_ratio = focal / aperture
    return Acquisition(
        exposure_s=number("EXPTIME", "EXPOSURE"),
        frames=int(frames) if frames and frames == int(frames) else None,
        iso=number("ISOSPEED"),
        gain=gain,
        focal_length_mm=focal,
        pixel_size_um=pixel,
        f_number=focal_ratio,
        filter=text("FILTER"),
        camera=text("INSTRUME"),
        date=text("DATE-OBS"),
    ), remarks


def _first(value: Any) -> Any:
    return value[0] if isinstance(value, (tuple, list)) and value else value


def _number(value: Any) -> float | None:
    """A finite number above 0 from a number, a rational pair or a text; None otherwise."""
    if isinstance(value, bool):
        return None
    with contextlib.suppress(TypeError, ValueError, ZeroDivisionError, OverflowError):
        if isinstance(value, (tuple, list)) and len(value) == 2:
            value = float(value[0]) / float(value[1])
        number = float(value)
        if math.isfinite(number) and number > 0:
            return number
    return None


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    clean = "".join(c for c in value if c.isprintable()).strip()
    return clean or None


def _exif_date(tags: Mapping[str, Any]) -> str | None:
    """Exif writes 2026:03:07 21:04:55; ISO 8601 writes 2026-03-07T21:04:55."""
    stamp = _text(tags.get("DateTimeOriginal"))
    match = re.fullmatch(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d:\d\d:\d\d)", stamp or "")
    if match is None or match[1] == "0000":
        return None
    offset = _text(tags.get("OffsetTimeOriginal")) or ""
    zone = offset if re.fullmatch(r"[+-]\d\d:\d\d|Z", offset) else ""
    return f"{match[1]}-{match[2]}-{match[3]}T{match[4]}{zone}"

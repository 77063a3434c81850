"""Where the camera pointed: from a stack and about how large its field is, to a fitted sky solution that it carries."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.acquisition import ARCSEC_PER_UM_PER_MM, Acquisition
from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.measure.stars import find_stars
from workbench.sky.catalog import StarCatalog, need_extra
from workbench.sky.locate import RADIAN, UNKNOWN_EPOCH, Located, locate
from workbench.sky.matching import Detections
from workbench.sky.patterns import Announce
from workbench.stack import Stack

if TYPE_CHECKING:
    from astropy import wcs as solutions
else:
    solutions = on_first_use("astropy.wcs")

__all__ = ["Solution", "julian_year", "sexagesimal", "solve"]

#: Longest side, in degrees, of a field that a flat map is fitted to: 24 mm on full frame. Beyond it lenses are seldom
#: rectilinear, and a tangent plane has no room for a hemisphere.
_WIDEST = 75.0
#: Signal over noise of the stars that are matched.
_LEAST_SNR = 8.0
#: Odds that are said at most: beyond them a sentence about chance means nothing.
_MOST_SAID = 1e12
#: A focal length that differs by more than this share is worth saying.
_WORTH_SAYING = 0.01


@dataclass(frozen=True, kw_only=True)
class Solution(Located):
    """What `solve` found: where the frame lies, and the stack that carries it.

    Attributes
    ----------
    stack : Stack
        The stack with its sky solution, and with the focal length that was found.
    remarks : tuple of str
        What is worth knowing, a sentence each.
    """

    stack: Stack
    remarks: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain data, as ``workbench solve --json`` prints it."""
        return {
            "file": self.stack.source.name,
            "center_deg": list(self.center),
            "field_deg": list(self.field),
            "arcsec_per_px": self.scale,
            "rotation_deg": self.rotation,
            "mirrored": self.mirrored,
            "quarter_turns_to_north": self.turns_to_north,
            "matched": self.matched,
            "expected": self.expected,
            "residual_px": self.residual,
            "residual_arcsec": self.residual_arcsec,
            "distortion_order": self.order,
            "distortion_px": self.distortion,
            "false_match_probability": self.false_match,
            "epoch": self.epoch,
            "focal_length_mm": self.stack.acquisition.focal_length_mm,
            "remarks": list(self.remarks),
        }

    def __str__(self) -> str:
        height, width = self.field
        lens = (
            f"shifts by distortion of up to {self.distortion:.1f} px (order {self.order})"
            if self.order > 1
            else "no distortion that could be told"
        )
        off = f"{self.residual:.2f} px = {self.residual_arcsec:.2f} arcsec off (root mean square)"
        lines = [
            f"Middle      {sexagesimal(*self.center)} (ICRS)",
            f"Field       {width:.2f} x {height:.2f} degrees, {self.scale:.3f} arcsec per pixel",
            f"Turned      up is {self.rotation:.1f} degrees from north over east{', mirrored' * self.mirrored}",
            f"Stars       {self.matched:,} of the {self.expected:,} brightest in the catalogue found, {off}",
            f"Lens        {lens}",
            f"By chance   less than 1 in {min(1 / max(self.false_match, 1e-99), _MOST_SAID):.0e}",
        ]
        return "\n".join([*lines, *self.remarks])


def sexagesimal(ra: float, dec: float) -> str:
    """A place on the sky in hours and degrees, as atlases write it.

    Parameters
    ----------
    ra, dec : float
        In degrees.

    Returns
    -------
    str
    """
    seconds = round(ra % 360 * 240, 1) % 86_400
    hours, rest = divmod(seconds, 3600)
    away = round(abs(dec) * 3600)
    degrees, below = divmod(away, 3600)
    return (
        f"{hours:02.0f} h {rest // 60:02.0f} min {rest % 60:04.1f} s, "
        f"{'-' if dec < 0 else '+'}{degrees:02d}° {below // 60:02d}' {below % 60:02d}\""
    )


def julian_year(date: str | None) -> float | None:
    """The Julian year of an ISO 8601 date; None where none can be read.

    Parameters
    ----------
    date : str or None

    Returns
    -------
    float or None
    """
    found = re.match(r"\s*(\d{4})[-:/](\d{1,2})(?:[-:/](\d{1,2}))?", date or "")
    if found is None:
        return None
    year, month, day = int(found[1]), int(found[2]), int(found[3] or 15)
    if not (1800 <= year <= 2200 and 1 <= month <= 12 and 1 <= day <= 31):
        return None
    return year + (30.4375 * (month - 1) + day - 1) / 365.25


def solve(
    stack: Stack,
    *,
    focal_length: float | None = None,
    pixel_size: float | None = None,
    field_of_view: float | None = None,
    catalog: StarCatalog | None = None,
    progress: Announce | None = None,
) -> Solution:
    """Find where a stack lies on the sky.

    Parameters
    ----------
    stack : Stack
        Linear; a finished picture may serve where its stars are still stars.
    focal_length : float, optional
        In mm; default: what the file says. It may be wrong by a tenth.
    pixel_size : float, optional
        In micrometres; default: what the file says.
    field_of_view : float, optional
        Long side of the frame in degrees, in place of both.
    catalog : StarCatalog, optional
        Default: the one of the extra ``sky``.
    progress : callable, optional
        Told of what takes long: the first field of a size needs a database of patterns, which is then kept.

    Returns
    -------
    Solution
        With the stack that has the sky solution.

    Raises
    ------
    WorkbenchError
        When the field is not known, too wide, too narrow, or cannot be found.

    Notes
    -----
    About 0.8 s of a processor at 24 megapixels of the Milky Way, once the patterns are made.
    """
    acquisition = replace(
        stack.acquisition,
        focal_length_mm=focal_length or stack.acquisition.focal_length_mm,
        pixel_size_um=pixel_size or stack.acquisition.pixel_size_um,
    )
    height, width, _ = stack.shape
    scale = _stated_scale(stack, acquisition, field_of_view)
    need_extra("tetra3rs")
    stars = find_stars(stack.planes, stack.coverage, threshold=_LEAST_SNR, crowded_field=False)
    epoch = julian_year(acquisition.date)
    found = locate(
        Detections(stars.x, stars.y, stars.flux),
        (height, width),
        scale,
        epoch=UNKNOWN_EPOCH if epoch is None else epoch,
        catalog=catalog,
        progress=progress,
        name=stack.source.name,
    )
    remarks = [] if epoch is not None else [f"No date is known: stars stand where they were in {UNKNOWN_EPOCH:.0f}."]
    if found.mirrored:
        remarks.append("The frame is mirrored: left and right are swapped against the sky (the step turn mirrors it).")
    if found.turns_to_north:
        remarks.append(f"North is nearest to the top after the step turn with quarter_turns={found.turns_to_north}.")
    acquisition, said = _corrected(acquisition, scale, found.scale, field_of_view is not None)
    known = {f.name: getattr(found, f.name) for f in fields(found)}
    return Solution(**known, stack=replace(stack, wcs=found.wcs, acquisition=acquisition), remarks=(*said, *remarks))


def _stated_scale(stack: Stack, acquisition: Acquisition, field_of_view: float | None) -> float:
    """Arcseconds per pixel by what is known beforehand."""
    height, width, _ = stack.shape
    long = max(height, width)
    if field_of_view is not None:
        if not 0 < field_of_view < 180:
            raise WorkbenchError(f"field_of_view is the long side in degrees, between 0 and 180, not {field_of_view:g}")
        scale = 2 * RADIAN * np.tan(np.deg2rad(field_of_view / 2)) / long
    elif acquisition.arcsec_per_px is not None:
        scale = acquisition.arcsec_per_px
    elif stack.wcs is not None:
        scale = 3600 * float(np.sqrt(solutions.utils.proj_plane_pixel_area(stack.wcs)))
    else:
        raise WorkbenchError(
            f"where {stack.source.name} lies on the sky cannot be found without knowing about how large its field is: "
            "give focal_length (mm) and pixel_size (micrometres), or field_of_view (degrees, long side)"
        )
    across = 2 * np.rad2deg(np.arctan(np.deg2rad(scale / 3600) * long / 2))
    if across > _WIDEST:
        raise WorkbenchError(
            f"{stack.source.name} is {across:.0f} degrees wide, as a fisheye or an all-sky camera sees it; "
            f"a sky solution is fitted to fields of up to {_WIDEST:.0f} degrees"
        )
    return float(scale)


def _corrected(acquisition: Acquisition, stated: float, found: float, by_field: bool) -> tuple[Acquisition, list[str]]:
    """How the frames were taken, with the focal length that the stars show."""
    off = stated / found - 1
    said = []
    was, pixel = acquisition.focal_length_mm, acquisition.pixel_size_um
    if pixel and (was is None or abs(off) > 0):
        acquisition = replace(acquisition, focal_length_mm=round(ARCSEC_PER_UM_PER_MM * pixel / found, 2))
    if abs(off) > _WORTH_SAYING:
        if was and pixel and not by_field:
            now = acquisition.focal_length_mm
            said.append(f"The focal length is {now:.1f} mm by the stars, not {was:g} mm as stated: corrected.")
        else:
            said.append(f"The field is {100 * abs(off):.1f} % {'smaller' if off > 0 else 'larger'} than stated.")
    return acquisition, said

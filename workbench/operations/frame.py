"""Steps that change the frame: crop, quarter turns and mirror, change of size."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, ClassVar, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError
from workbench.measure.borders import find_borders
from workbench.operations._resize import Axis, area_axis, lanczos_axis, resample_coverage, resample_planes
from workbench.operations._sky_solution import PixelMap
from workbench.operations.base import Facts, Frame, FrameOperation, Geometry, Planes, Purpose, Rect
from workbench.operations.drawing import Drawing, Margins, Outline, Overlay
from workbench.operations.trial import StackTrial, Suggestion

if TYPE_CHECKING:
    from collections.abc import Mapping

    from astropy.wcs import WCS

__all__ = ["COARSE", "Crop", "CropFacts", "Resample", "Turn", "binning"]

Coverage = NDArray[np.uint8]
Side = Literal["top", "right", "bottom", "left"]
_SIDES: tuple[Side, ...] = ("top", "right", "bottom", "left")

#: Stars wider than this, in pixels at half their height, lose nothing by averaging blocks of pixels.
COARSE = 5.0
#: Enlarging more than this only makes files larger.
LARGEST_ENLARGEMENT = 4.0


def binning(fwhm: float) -> int:
    """Side of the pixel blocks that leave a star about three pixels wide.

    Parameters
    ----------
    fwhm : float
        In pixels.

    Returns
    -------
    int
    """
    return max(2, round(fwhm / 2.8))


class CropFacts(Facts):
    """How much of each side of the frame is cut away."""

    top: int = Field(ge=0, description="Rows cut at the top", json_schema_extra={"unit": "px"})
    right: int = Field(ge=0, description="Columns cut at the right", json_schema_extra={"unit": "px"})
    bottom: int = Field(ge=0, description="Rows cut at the bottom", json_schema_extra={"unit": "px"})
    left: int = Field(ge=0, description="Columns cut at the left", json_schema_extra={"unit": "px"})
    measured: tuple[Side, ...] = Field(description="Sides that were measured, not given")

    @property
    def margins(self) -> tuple[int, int, int, int]:
        """Pixels cut at the top, right, bottom and left."""
        return self.top, self.right, self.bottom, self.left

    def kept(self, geometry: Geometry) -> Rect:
        """The part of a frame of ``geometry`` that stays; WorkbenchError where nothing would.

        Parameters
        ----------
        geometry : Geometry
            The frame before the step.

        Returns
        -------
        Rect
            In its pixels.

        Raises
        ------
        WorkbenchError
            When nothing would stay.
        """
        s = geometry.scale
        top, right, bottom, left = (round(margin / s) for margin in self.margins)
        kept = Rect(top, left, geometry.height - bottom, geometry.width - right)
        if s > 1.0:  # a sliver that survives at full resolution survives here too
            kept = replace(kept, y1=max(kept.y1, kept.y0 + 1), x1=max(kept.x1, kept.x0 + 1))
            y0, x0 = min(kept.y0, geometry.height - 1), min(kept.x0, geometry.width - 1)
            kept = Rect(y0, x0, min(kept.y1, geometry.height), min(kept.x1, geometry.width))
        if kept.height < 1 or kept.width < 1:
            margins = ", ".join(f"{side} {margin}" for side, margin in zip(_SIDES, self.margins, strict=True))
            raise WorkbenchError(
                f"margins of {margins} px leave nothing of a frame of {geometry.width} x {geometry.height} px; "
                "give smaller margins"
            )
        return kept

    def fits(self, geometry: Geometry) -> None:
        super().fits(geometry)
        self.kept(geometry)


class Crop(FrameOperation):
    """Cut the edges of the frame away.

    Tracking drifts a little and cameras are turned between nights, so the frames of a stack do not cover the
    same piece of sky: along the edges fewer frames overlap, and there the noise is higher and the sky has
    steps. Cut these edges first, before the sky is measured, or they mislead every later step. Leave a side
    empty to have its border measured; give a number of pixels (0 keeps the side) to decide yourself, also to
    compose the picture.

    A measured border becomes the margin border + safety; a side without a border is left whole.
    """

    purpose: ClassVar[Purpose] = "frame"
    usual_place: ClassVar[int] = 10
    same_anywhere: ClassVar[bool] = True
    answers: ClassVar[str] = "Borders"
    drawn: ClassVar[tuple[Drawing, ...]] = (
        Margins(
            tool="Crop",
            help="Drag the edges, or draw a frame. Enter applies, Escape puts it away.",
            item="crop",
            first=True,
        ),
    )
    overlays: ClassVar[Mapping[str, str]] = MappingProxyType({"crop": "Crop"})
    facts_type: ClassVar[type[Facts]] = CropFacts
    quick_again: ClassVar[bool] = True

    top: int | None = Field(
        None, ge=0, description="Rows to cut at the top; empty: measured", json_schema_extra={"unit": "px"}
    )
    right: int | None = Field(
        None, ge=0, description="Columns to cut at the right; empty: measured", json_schema_extra={"unit": "px"}
    )
    bottom: int | None = Field(
        None, ge=0, description="Rows to cut at the bottom; empty: measured", json_schema_extra={"unit": "px"}
    )
    left: int | None = Field(
        None, ge=0, description="Columns to cut at the left; empty: measured", json_schema_extra={"unit": "px"}
    )
    safety: int = Field(
        4,
        ge=0,
        le=200,
        description="Pixels cut beyond a measured border, because its edge is soft",
        json_schema_extra={"unit": "px", "expert": True},
    )

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        if not trial.found.has_borders:
            return None
        sides = trial.found.borders_in_words
        note = f"Fewer frames overlap along the edges ({sides}): cut before the sky is measured."
        return Suggestion(cls(), note, changes_trial=False)  # a trial lies inside the borders

    def measure(self, frame: Frame) -> CropFacts:
        given = {side: getattr(self, side) for side in _SIDES}
        margins = {side: margin or 0 for side, margin in given.items()}
        measured = [side for side, margin in given.items() if margin is None]
        doubtful: list[Side] = []
        if measured:
            borders = frame.once("borders", lambda: find_borders(frame.planes, frame.coverage))
            for side in measured:
                border = int(getattr(borders, side))
                margins[side] = border + self.safety if border > 0 else 0
            doubtful = [side for side in measured if side in borders.doubtful]
        facts = CropFacts(**margins, measured=measured, doubts=_doubts(doubtful))
        facts.kept(frame.geometry)
        return facts

    def out_geometry(self, facts: CropFacts, geometry: Geometry) -> Geometry:
        kept = facts.kept(geometry)
        return replace(geometry, height=kept.height, width=kept.width)

    def source_rect(self, facts: CropFacts, geometry: Geometry, core: Rect) -> Rect:
        kept = facts.kept(geometry)
        return Rect(core.y0 + kept.y0, core.x0 + kept.x0, core.y1 + kept.y0, core.x1 + kept.x0)

    def resample(self, source: Planes, rect: Rect, core: Rect, plan: Any, geometry: Geometry, out: Planes) -> None:
        out[...] = source

    def carry(
        self,
        facts: CropFacts,
        *,
        coverage: Coverage | None,
        wcs: WCS | None,
        acquisition: Acquisition,
        geometry: Geometry,
    ) -> tuple[Coverage | None, WCS | None, Acquisition]:
        kept = facts.kept(geometry)
        cut = None if coverage is None else np.ascontiguousarray(coverage[kept.slices])
        moved = PixelMap(shift=(-kept.x0, -kept.y0)).solution(wcs, kept.height, kept.width)
        return cut, moved, acquisition

    def shown(self, facts: CropFacts, geometry: Geometry) -> tuple[Overlay, ...]:
        whole = {"x0": -0.5, "y0": -0.5, "x1": geometry.width - 0.5, "y1": geometry.height - 0.5}
        words = (
            f"cut away: {facts.top} rows at the top, {facts.bottom} at the bottom, "
            f"{facts.left} columns at the left, {facts.right} at the right"
        )
        return (Outline("crop", {"shape": "rectangle", **whole}, words),)

    def explain(self, facts: CropFacts) -> str:
        margins = ", ".join(f"{side} {margin}" for side, margin in zip(_SIDES, facts.margins, strict=True) if margin)
        if not margins:
            return "No border found: nothing cut." if facts.measured else "Nothing cut."
        how = "measured" if len(facts.measured) == len(_SIDES) else "partly measured" if facts.measured else "given"
        return f"Cut {margins} px ({how})."


def _doubts(sides: list[Side]) -> tuple[str, ...]:
    """What is not sure about borders, a sentence."""
    if not sides:
        return ()
    said = (
        f"Noise is higher along the edge at the {_listed(sides)}, but not evenly, so that it need not be a border and "
        "nothing was cut there: look, and give the rows or columns by hand if it is one."
    )
    return (said,)


def _listed(sides: list[Side]) -> str:
    return " and ".join(filter(None, [", ".join(sides[:-1]), sides[-1]]))


#: For 0 to 3 clockwise quarter turns: where an old (x, y) goes, as a row-major matrix.
_CLOCKWISE = ((1, 0, 0, 1), (0, -1, 1, 0), (-1, 0, 0, -1), (0, 1, -1, 0))


class Turn(FrameOperation):
    """Turn the frame by quarter turns, and mirror it.

    A camera hangs on the mount at whatever angle fits, and some stacking programs write the first row at the
    bottom. Turn the frame to the view you like, or to north up; mirror it when lettering or a star chart
    tells you that left and right are swapped. Pixels are moved, never interpolated, so nothing is lost and
    the step can stand anywhere.

    A quarter turn clockwise moves row y, column x of an H x W frame to row x, column H - 1 - y; the mirror
    follows the turn and swaps left and right.
    """

    purpose: ClassVar[Purpose] = "frame"
    usual_place: ClassVar[int] = 12

    quarter_turns: int = Field(1, ge=0, le=3, description="Quarter turns clockwise")
    mirror: bool = Field(False, description="Swap left and right after the turn")

    def out_geometry(self, facts: Facts, geometry: Geometry) -> Geometry:
        if self.quarter_turns % 2 == 0:
            return geometry
        return replace(geometry, height=geometry.width, width=geometry.height)

    def source_rect(self, facts: Facts, geometry: Geometry, core: Rect) -> Rect:
        h, w = geometry.height, geometry.width
        if self.mirror:
            out_width = w if self.quarter_turns % 2 == 0 else h
            core = replace(core, x0=out_width - core.x1, x1=out_width - core.x0)
        y0, x0, y1, x1 = core.y0, core.x0, core.y1, core.x1
        return (core, Rect(h - x1, y0, h - x0, y1), Rect(h - y1, w - x1, h - y0, w - x0), Rect(x0, w - y1, x1, w - y0))[
            self.quarter_turns
        ]

    def _turned(self, planes: NDArray[Any], axes: tuple[int, int]) -> NDArray[Any]:
        turned = np.rot90(planes, -self.quarter_turns, axes)
        return np.flip(turned, axes[1]) if self.mirror else turned

    def resample(self, source: Planes, rect: Rect, core: Rect, plan: Any, geometry: Geometry, out: Planes) -> None:
        out[...] = self._turned(source, (1, 2))

    def carry(
        self,
        facts: Facts,
        *,
        coverage: Coverage | None,
        wcs: WCS | None,
        acquisition: Acquisition,
        geometry: Geometry,
    ) -> tuple[Coverage | None, WCS | None, Acquisition]:
        turned = None if coverage is None else np.ascontiguousarray(self._turned(coverage, (0, 1)))
        out = self.out_geometry(facts, geometry)
        xx, xy, yx, yy = _CLOCKWISE[self.quarter_turns]
        turn = (-xx, -xy, yx, yy) if self.mirror else (xx, xy, yx, yy)
        # A negative row of the matrix counts from the far edge.
        shift = (
            float(out.width - 1) if min(turn[:2]) < 0 else 0.0,
            float(out.height - 1) if min(turn[2:]) < 0 else 0.0,
        )
        return turned, PixelMap(turn, 1.0, shift).solution(wcs, out.height, out.width), acquisition

    def explain(self, facts: Facts) -> str:
        turns = ("Not turned", "Turned a quarter clockwise", "Turned by half", "Turned a quarter counter-clockwise")
        return turns[self.quarter_turns] + (", then mirrored left to right." if self.mirror else ".")


class _Sizes(NamedTuple):
    """What is left to do in a frame of some scale."""

    reduction: float  # input pixels of this frame per output pixel, 1 = copied
    out: Geometry


class Resample(FrameOperation):
    """Make the frame smaller or larger.

    Stars of a short lens or a night of poor seeing are often many pixels wide; then averaging 2 x 2 pixels
    halves the noise, quarters the file and costs no detail. Do it early. Or give the long side in pixels to
    fit a screen or a print; do that late. Each pixel of the result is a mean, so brightness is kept, and the
    pixel size and the sky solution follow.

    Binning averages n x n blocks (rows and columns left over at the right and bottom are dropped). A chosen
    size uses a sinc with a sinc window of three lobes, stretched by the reduction so that it also takes away
    what the smaller frame cannot hold (Duchon 1979, J. Appl. Meteor. 18, 1016). Each result is limited to the
    range of the input pixels under the central lobe, and so there are no dark rings around stars; a star that
    ends up narrower than a pixel gains up to 5 % of light by it, others nothing.
    """

    purpose: ClassVar[Purpose] = "frame"
    usual_place: ClassVar[int] = 20
    answers: ClassVar[str] = "Stars many pixels wide"

    bin: int = Field(
        2, ge=1, le=16, description="Average blocks of this many pixels on each side", json_schema_extra={"unit": "px"}
    )
    long_side: int | None = Field(
        None,
        ge=16,
        le=65535,
        description="Long side of the result; the short side follows. Empty: by binning",
        json_schema_extra={"unit": "px"},
    )

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        width = trial.found.stars.fwhm_px
        if width is None or width <= COARSE:
            return None
        bins = binning(width)
        return Suggestion(cls(bin=bins), f"Stars are {width:.1f} px wide: blocks of {bins} px lose nothing.")

    def _sizes(self, geometry: Geometry) -> _Sizes:
        h, w, s = geometry.height, geometry.width, geometry.scale
        full_long = max(h, w) * s
        wanted = float(self.bin) if self.long_side is None else full_long / self.long_side
        if wanted * LARGEST_ENLARGEMENT < 1.0:
            raise WorkbenchError(
                f"resample: a long side of {self.long_side} px would enlarge {full_long:.0f} px more than "
                f"{LARGEST_ENLARGEMENT:g} times; give at most {int(full_long * LARGEST_ENLARGEMENT)} px"
            )
        # The reduced frame behind the fit view is already smaller: only the rest is left to do.
        left = wanted if s == 1.0 else max(wanted / s, 1.0)
        if self.long_side is None and s == 1.0:
            height, width = h // self.bin, w // self.bin
            if height < 1 or width < 1:
                raise WorkbenchError(
                    f"resample: blocks of {self.bin} x {self.bin} px leave nothing of a frame of {w} x {h} px; "
                    "choose a smaller bin"
                )
        else:
            height, width = max(round(h / left), 1), max(round(w / left), 1)
        return _Sizes(
            left, replace(geometry, height=height, width=width, scale=max(s / wanted, 1.0) if s > 1.0 else 1.0)
        )

    def _axes(self, geometry: Geometry) -> tuple[Axis, Axis]:
        reduction, out = self._sizes(geometry)
        make = area_axis if self.long_side is None else lanczos_axis
        return make(out.height, reduction), make(out.width, reduction)

    def out_geometry(self, facts: Facts, geometry: Geometry) -> Geometry:
        return self._sizes(geometry).out

    def source_rect(self, facts: Facts, geometry: Geometry, core: Rect) -> Rect:
        if self._sizes(geometry).reduction == 1.0:
            return core
        y, x = self._axes(geometry)
        (y0, y1), (x0, x1) = y.span(core.y0, core.y1), x.span(core.x0, core.x1)
        return Rect(y0, x0, y1, x1)

    def prepare(self, facts: Facts, geometry: Geometry) -> tuple[Axis, Axis] | None:
        return None if self._sizes(geometry).reduction == 1.0 else self._axes(geometry)

    def resample(self, source: Planes, rect: Rect, core: Rect, plan: Any, geometry: Geometry, out: Planes) -> None:
        if plan is None:
            out[...] = source
            return
        y, x = plan
        resample_planes(source, y, x, rect.y0, rect.x0, (core.y0, core.x0), out)

    def carry(
        self,
        facts: Facts,
        *,
        coverage: Coverage | None,
        wcs: WCS | None,
        acquisition: Acquisition,
        geometry: Geometry,
    ) -> tuple[Coverage | None, WCS | None, Acquisition]:
        reduction, out = self._sizes(geometry)
        if reduction == 1.0:
            return coverage, wcs, acquisition
        reduced = None if coverage is None else resample_coverage(coverage, *self._axes(geometry))
        shift = 0.5 / reduction - 0.5
        moved = PixelMap(size=1.0 / reduction, shift=(shift, shift)).solution(wcs, out.height, out.width)
        if acquisition.pixel_size_um is not None:
            acquisition = replace(acquisition, pixel_size_um=acquisition.pixel_size_um * reduction)
        return reduced, moved, acquisition

    def explain(self, facts: Facts) -> str:
        if self.long_side is not None:
            return f"Long side made {self.long_side} px."
        return f"Blocks of {self.bin} x {self.bin} px averaged."

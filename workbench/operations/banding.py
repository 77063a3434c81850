"""Offsets of whole rows and columns that the sensor's readout leaves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, ClassVar, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.errors import WorkbenchError
from workbench.measure.banding import Banding, banding
from workbench.operations._frames import need_pixels
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.facts import Array, Real
from workbench.operations.trial import StackTrial, Suggestion

__all__ = ["WORTH_REMOVING", "RemoveBanding", "RemoveBandingFacts", "banding_words"]

#: Offsets that are known worse than to this share are told as a doubt, where more is taken than this (noise units).
_SURE, _SEEN = 0.2, 0.05
#: Offsets from which on the step is worth its time (noise units): none of 7 real frames without stripes that the eye
#: finds has more than 0.054, and of scenes with 0.1 all have but one whose galaxy fills the frame.
WORTH_REMOVING = 0.07
#: Smaller ones are not told by number (noise units).
_TOLD = 0.03


class RemoveBandingFacts(Facts):
    """How far rows and columns lie above their surroundings."""

    rows: Annotated[NDArray[np.float32], Array("<f4", "channels", "rows")] = Field(
        description="Offset of each row by channel; 0 where none is sure", json_schema_extra={"unit": "of white"}
    )
    columns: Annotated[NDArray[np.float32], Array("<f4", "channels", "columns")] = Field(
        description="Offset of each column by channel; 0 where none is sure", json_schema_extra={"unit": "of white"}
    )
    spread: tuple[Annotated[Real, Field(ge=0)], ...] = Field(
        description="Standard deviation of the offsets, of rows and of columns, of all channels",
        json_schema_extra={"unit": "noise units", "shape": [2]},
    )

    def fits(self, geometry: Geometry) -> None:
        super().fits(geometry)
        size = (self.rows.shape[1], self.columns.shape[1])
        if geometry.scale == 1.0 and size != (geometry.height, geometry.width):
            raise WorkbenchError(
                f"they are of {size[0]} rows and {size[1]} columns, but the frame has {geometry.height} and "
                f"{geometry.width}"
            )


class _Offsets(NamedTuple):
    """Offsets by channel of the rows and the columns of one frame."""

    rows: Planes
    columns: Planes


class RemoveBanding(Operation):
    """Take away faint stripes: whole rows or columns that lie a little higher or lower than those around them.

    Many sensors read their rows with tiny offsets. In a frame they drown in noise; where hundreds of frames were taken
    without moving the camera between them, the stripes lie on top of each other and come out, most of all in a faint
    nebula that is stretched hard. Do this first of all, before anything is turned, resampled or denoised, while a row
    of the stack is a row of the sensor. Where no stripes are found nothing changes, to the last bit. Moving the camera
    a little between frames next time (dithering) lets stacking average the stripes away.

    A row is looked at in segments of 64 px, light more than five noise units from the local level left out. Of each
    segment the value is taken that a line through the same segment of the rows around gives (weighted by a Gaussian,
    Cleveland 1979), for five widths of the Gaussian: between one width and the next lies what changes over so many
    rows. In each of these scales the biweight over all segments of the row (Beaton & Tukey 1974), quiet segments
    counting more, is the row's share of the offset, and their scatter tells its error. So an object, which lies in some
    segments of a row, does not count, and one that fills the row makes unsure only the scales in which it changes: not
    the finest, which holds nearly all of offsets that are each row's own. Each scale is shrunk by S^2 / (S^2 +
    error^2), S being the spread of its offsets (James & Stein 1961), which counts for no more than what rows of their
    own would make of it. Columns likewise. Where a lens darkens the corners a smooth surface is taken off first (in
    even powers of the distance from the middle, or four orders of a bend; by Huber's weights, 1964), for near an edge
    it bends further than a line goes. Bands wider than about a hundred rows stay, as an uneven sky looks the same: they
    are for ``RemoveGradient``.

    On scenes made by GalSim, 900 x 1500 px, rows and columns of half a noise unit: 80 to 93 percent is taken, the least
    under a nebula that covers 40 percent of the frame or a galaxy that fills it; 0.026 noise units (5 percent) are what
    the noise of so short rows leaves at best. In the eight rows or columns next to an edge it is 60 to 88 percent.
    Objects keep their light to 0.3 percent. Where there was no banding nothing is taken, to 0.001 noise
    units. A running median of rows, the plain way, leaves 0.10 to 0.25 noise units and makes 0.05 to 0.14 where there
    was none.
    """

    purpose: ClassVar[Purpose] = "noise"
    usual_place: ClassVar[int] = 8
    answers: ClassVar[str] = "Stripes"
    facts_type: ClassVar[type[Facts]] = RemoveBandingFacts

    rows: bool = Field(default=True, description="Take away offsets of rows")
    columns: bool = Field(default=True, description="Take away offsets of columns")

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        found = trial.found.banding
        if max(found) < WORTH_REMOVING:
            return None
        words = banding_words(found, WORTH_REMOVING)
        note = f"Stripes: {words}, taken away while a row of the stack is a row of the sensor."
        return Suggestion(cls(), note, changes_trial=False)

    def measure(self, frame: Frame) -> RemoveBandingFacts:
        need_pixels(frame, "remove banding")
        channels, height, width = frame.planes.shape
        rows, columns = banding(frame.planes, frame.coverage)
        rows, columns = rows if self.rows else [], columns if self.columns else []
        return RemoveBandingFacts(
            rows=np.array([b.offset for b in rows] or np.zeros((channels, height)), np.float32),
            columns=np.array([b.offset for b in columns] or np.zeros((channels, width)), np.float32),
            spread=(_spread(rows), _spread(columns)),
            doubts=tuple(_doubts("rows", rows)) + tuple(_doubts("columns", columns)),
        )

    def prepare(self, facts: RemoveBandingFacts, geometry: Geometry) -> _Offsets:
        return _Offsets(
            _averaged(facts.rows, geometry.height, geometry.scale),
            _averaged(facts.columns, geometry.width, geometry.scale),
        )

    def apply(self, tile: Tile, plan: Any, out: Planes) -> None:
        core = tile.core
        np.subtract(tile.pixels, plan.rows[:, core.y0 : core.y1, None], out=out)
        out -= plan.columns[:, None, core.x0 : core.x1]

    def explain(self, facts: RemoveBandingFacts) -> str:
        words = banding_words(facts.spread, _TOLD)
        if words:
            return f"Took away {words}."
        if max(facts.spread) > 0:
            return f"Next to no banding found: offsets of less than {_TOLD:g} noise units taken away."
        return "No banding found: nothing changed."


def banding_words(spread: Sequence[float], least: float) -> str:
    """Offsets in words: "offsets of rows (0.5 noise units)".

    Parameters
    ----------
    spread : sequence of float
        Standard deviation of the offsets of rows and of columns, in noise units.
    least : float
        Smaller ones are not named.

    Returns
    -------
    str
        Empty where there are none.
    """
    both = zip(("rows", "columns"), spread, strict=True)
    words = " and ".join(f"of {name} ({size:.2g} noise units)" for name, size in both if size >= least)
    return f"offsets {words}" if words else ""


def _spread(found: list[Banding]) -> float:
    """Standard deviation of what is taken away, over all channels, in noise units."""
    units = [float(np.std(b.offset)) / b.noise for b in found if b.noise > 0]
    return float(np.sqrt(np.mean(np.square(units)))) if units else 0.0


def _doubts(which: str, found: list[Banding]) -> list[str]:
    if any(b.noise > 0 and np.isinf(b.error) for b in found):
        return [f"{which.capitalize()} are too short to tell whether they lie off: they stay as they are."]
    taken = [b for b in found if np.std(b.offset) > _SEEN * b.noise]
    unsure = max((b.error / b.spread for b in taken), default=0.0)
    if unsure <= _SURE:
        return []
    about = f"Offsets of {which} are known to {100 * unsure:.0f} % of what they are only, as objects fill much of the"
    return [f"{about} frame or it is small; where they are unsure less is taken away."]


def _averaged(offsets: NDArray[np.float32], count: int, scale: float) -> Planes:
    """Offsets (C, count) of the rows of a frame that is ``scale`` times smaller."""
    if scale == 1.0:
        return np.asarray(offsets)
    until = np.concatenate([np.zeros((len(offsets), 1)), np.cumsum(offsets, axis=1, dtype=np.float64)], axis=1)
    edges = np.minimum(np.arange(count + 1) * scale, offsets.shape[1])
    at = np.stack([np.interp(edges, np.arange(until.shape[1]), channel) for channel in until])
    return np.asarray(np.diff(at, axis=1) / scale, np.float32)

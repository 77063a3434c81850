"""Counting pixels by value, for the histogram: of a view, and of the linear light behind it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.bench.sides import Side
from workbench.compiled import kernel
from workbench.engine import View
from workbench.operations.base import Geometry, Planes
from workbench.operations.drawing import LightRange

__all__ = ["Counting", "histogram", "histogram_reference"]

#: Bins of a histogram.
_BINS = 256


@kernel
def _count(plane: NDArray[np.float32], low: np.float32, per_unit: np.float32, counts: NDArray[np.int64]) -> None:
    last = np.float32(counts.size - 1)
    for y in range(plane.shape[0]):
        for x in range(plane.shape[1]):
            place = min(max((plane[y, x] - low) * per_unit, np.float32(0)), last)
            counts[np.uint32(place)] += 1


def histogram(
    planes: NDArray[np.float32], top: float, low: float = 0.0, offsets: Sequence[float] = ()
) -> list[list[int]]:
    """Counts of each channel in 256 equal bins of ``low``..``top``; values outside go to the end bins.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    top, low : float
    offsets : sequence of float
        How far each channel's range lies above this one (none: not at all).

    Returns
    -------
    list of lists of int
        256 counts of each channel.
    """
    counts = np.zeros((len(planes), _BINS), np.int64)
    for plane, offset, row in zip(planes, offsets or [0.0] * len(planes), counts, strict=True):
        _count(plane, np.float32(low + offset), np.float32(_BINS / (top - low)), row)
    told: list[list[int]] = counts.tolist()
    return told


def histogram_reference(
    planes: NDArray[np.float32], top: float, low: float = 0.0, offsets: Sequence[float] = ()
) -> list[list[int]]:
    """What `histogram` counts, in plain numpy.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    top, low : float
    offsets : sequence of float

    Returns
    -------
    list of lists of int
    """
    starts = np.array([low + o for o in offsets or [0.0] * len(planes)], np.float32)[:, None, None]
    codes = np.clip((planes - starts) * np.float32(_BINS / (top - low)), 0, _BINS - 1).astype(np.uint8)
    return [np.bincount(plane.ravel(), minlength=_BINS).tolist() for plane in codes]


class Counting:
    """Counts one view after the other; what stays the same from one to the next is counted once."""

    def __init__(self) -> None:
        self._range: LightRange | None = None
        self._linear: tuple[Planes, LightRange | None, dict[str, Any]] | None = None
        self._before: tuple[int, Planes, list[list[int]]] | None = None

    def of(self, side: Side, view: View, width: int, *, moving: bool) -> dict[str, Any]:
        """Counts for the histogram panel of a view of this width; ``moving``: a control is still in motion.

        Parameters
        ----------
        side : Side
        view : View
        width : int
            Of the view, in pixels.
        moving : bool

        Returns
        -------
        dict
        """
        stretch = side.stretch
        told: dict[str, Any] = {"display": histogram(view.planes, 1.0), "stretch": stretch}
        if stretch is not None or side.linear:
            # The linear frame that the stretch works on; made a moment ago for the view, so it is at hand.
            linear = side.preview.reduced_planes(width, upto=stretch if stretch is not None else side.upto)
            if linear is not None:
                told |= self._linear_counts(linear, _light_range(side, stretch), moving=moving)
        return told

    def count_before(self, side: Side, width: int, index: int) -> None:
        """Count the picture before a step, where it is at hand.

        It stays the same while the step is tuned.

        Parameters
        ----------
        side : Side
        width : int
            Of the view, in pixels.
        index : int
            Place of the step, from 0.
        """
        planes = side.preview.reduced_planes(width, upto=index)
        if planes is None or (self._before is not None and self._before[0] == index and self._before[1] is planes):
            return
        self._before = index, planes, histogram(planes, 1.0)

    def before(self, index: int) -> list[list[int]] | None:
        """Counts of the picture before a step, as last counted.

        Parameters
        ----------
        index : int
            Place of the step, from 0.

        Returns
        -------
        list of lists of int, or None
            None where they were not.
        """
        known = self._before
        return known[2] if known is not None and known[0] == index else None

    def forget(self) -> None:
        """Drop what is known of the frame shown."""
        self._range = self._linear = self._before = None

    def _linear_counts(self, planes: Planes, found: LightRange | None, *, moving: bool) -> dict[str, Any]:
        """Counts of a linear frame, which stays the same while a step behind the stretch is tuned.

        While a control moves, and until the stretch is measured anew, its last range holds: what is under the hand
        does not jump.
        """
        if found is not None and not (moving and self._range):
            self._range = found
        near = self._range if self._range is not None and len(self._range.offsets) == len(planes) else None
        if self._linear is None or self._linear[0] is not planes or self._linear[1] != near:
            top = float(np.quantile(planes[:, ::8, ::8], 0.995)) * 1.25 or 1.0
            told: dict[str, Any] = {"linear_top": top, "near": None}
            told["linear"] = histogram(planes, top, 0.0, near.offsets if near else ())
            if near:
                counts = histogram(planes, near.top, near.low, near.offsets)
                told["near"] = {"counts": counts, "low": near.low, "top": near.top}
            self._linear = planes, near, told
        return self._linear[2]


def _light_range(side: Side, stretch: int | None) -> LightRange | None:
    """Where the channels of the frame before the stretch lie over each other, as the stretch itself says."""
    facts = None if stretch is None else side.preview.known_facts.get(stretch)
    if facts is None or stretch is None:
        return None
    height, width, channels = side.preview.stack.shape
    shown = side.preview.recipe[stretch].operation.shown(facts, Geometry(height, width, channels))
    return next((overlay for overlay in shown if isinstance(overlay, LightRange)), None)

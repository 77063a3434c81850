"""Counting pixels by value, for the histogram: of a view, and of the linear light behind it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.bench.showing import Showing
from workbench.compiled import kernel
from workbench.engine import View
from workbench.operations.base import Facts, Planes
from workbench.operations.colorspace import luminance_weights
from workbench.operations.stretch import StretchFacts

__all__ = ["Counting", "Skies", "histogram", "histogram_reference"]

#: Bins of a histogram.
_BINS = 256
#: What is shown around the sky, in its depth above black: so much below it and so much above.
_BELOW, _ABOVE = 5.0, 12.0
#: Where black lies very near to the sky, as if it lay this many times the noise below.
_LEAST = 8.0


@dataclass(frozen=True, slots=True)
class Skies:
    """Where the skies of the channels lie in a linear frame, as its stretch has measured them.

    A stretch counts light from each channel's own sky. Counted so, the channels lie over each other, and one black
    point is true for all of them.

    Attributes
    ----------
    offsets : tuple of float
        Each channel's sky less the common one.
    low, top : float
        The range around the common sky in which black and the faint light can be told apart.
    """

    offsets: tuple[float, ...]
    low: float
    top: float

    @classmethod
    def of(cls, facts: StretchFacts) -> Skies:
        """From the facts of a stretch."""
        sky, black = np.asarray(facts.sky, np.float64), np.asarray(facts.black, np.float64)
        weights = luminance_weights(len(sky))
        common = float(weights @ sky)
        depth = max(float(weights @ (sky - black)), _LEAST * facts.luminance_noise)
        return cls(tuple((sky - common).tolist()), common - _BELOW * depth, common + _ABOVE * depth)


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
    """
    counts = np.zeros((len(planes), _BINS), np.int64)
    for plane, offset, row in zip(planes, offsets or [0.0] * len(planes), counts, strict=True):
        _count(plane, np.float32(low + offset), np.float32(_BINS / (top - low)), row)
    told: list[list[int]] = counts.tolist()
    return told


def histogram_reference(
    planes: NDArray[np.float32], top: float, low: float = 0.0, offsets: Sequence[float] = ()
) -> list[list[int]]:
    """What `histogram` counts, in plain numpy."""
    starts = np.array([low + o for o in offsets or [0.0] * len(planes)], np.float32)[:, None, None]
    codes = np.clip((planes - starts) * np.float32(_BINS / (top - low)), 0, _BINS - 1).astype(np.uint8)
    return [np.bincount(plane.ravel(), minlength=_BINS).tolist() for plane in codes]


class Counting:
    """Counts one view after the other; what stays the same from one to the next is counted once."""

    def __init__(self) -> None:
        self._skies: Skies | None = None
        self._linear: tuple[Planes, Skies | None, dict[str, Any]] | None = None

    def of(self, side: Showing, view: View, width: int, *, moving: bool) -> dict[str, Any]:
        """Counts for the histogram panel of a view of this width; ``moving``: a control is still in motion."""
        stretch = side.stretch
        told: dict[str, Any] = {"display": histogram(view.planes, 1.0), "stretch": stretch}
        if stretch is not None or view.stretched:
            # The linear frame that the stretch works on; made a moment ago for the view, so it is at hand.
            linear = side.preview.linear_planes(width, upto=stretch if stretch is not None else side.upto)
            if linear is not None:
                facts = None if stretch is None else side.preview.known_facts.get(stretch)
                told |= self._linear_counts(linear, facts, moving=moving)
        return told

    def forget(self) -> None:
        """Drop what is known of the frame shown."""
        self._skies = self._linear = None

    def _linear_counts(self, planes: Planes, facts: Facts | None, *, moving: bool) -> dict[str, Any]:
        """Counts of a linear frame, which stays the same while a step behind the stretch is tuned.

        While a control moves, and until the stretch is measured anew, its last skies hold: what is under the hand
        does not jump.
        """
        if isinstance(facts, StretchFacts) and not (moving and self._skies):
            self._skies = Skies.of(facts)
        skies = self._skies if self._skies is not None and len(self._skies.offsets) == len(planes) else None
        if self._linear is None or self._linear[0] is not planes or self._linear[1] != skies:
            top = float(np.quantile(planes[:, ::8, ::8], 0.995)) * 1.25 or 1.0
            told: dict[str, Any] = {"linear_top": top, "near": None}
            told["linear"] = histogram(planes, top, 0.0, skies.offsets if skies else ())
            if skies:
                counts = histogram(planes, skies.top, skies.low, skies.offsets)
                told["near"] = {"counts": counts, "low": skies.low, "top": skies.top}
            self._linear = planes, skies, told
        return self._linear[2]

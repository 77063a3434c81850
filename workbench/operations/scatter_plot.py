"""A measured quantity against an expected one, with the straight line through them: what an operation may show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.operations.drawing import Overlay

__all__ = ["PlotAxis", "ScatterPlot"]

F64 = NDArray[np.float64]

#: Steps of round ticks.
_ROUND = (1, 2, 5)
#: Ratios with round names between 1 and 10, from few to many.
_RATIOS = (
    (1,),
    (1, 2, 5),
    (1, 1.5, 2, 3, 5, 7),
    (1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 4, 5, 6, 7, 8, 9),
)
#: Ticks on an axis at least.
_FEWEST_TICKS = 4
#: What an axis has beyond the points that the line rests on, as a share of their range, and least range.
_MARGIN, _LEAST_RANGE = 0.12, 1e-3


class PlotAxis(NamedTuple):
    """An axis: what it counts, its ends, and where it has which labels."""

    words: str
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class ScatterPlot(Overlay):
    """Measurements against what was expected of them, beside the settings of a step and in its step sheet.

    Attributes
    ----------
    title : str
        What is compared, in a few words.
    across, up : str
        What the axes count.
    x, y : ndarray, shape (n,)
        Expected and measured.
    used : ndarray of bool, shape (n,)
        Whether the line rests on it.
    line : tuple of float
        Height at x = 0, and slope.
    scatter : float
        Standard deviation of the points about the line, as of y.
    mark : float, optional
        An x of importance, with `marked` in words.
    marked : str
    points : str
        Name of the operation's `Points` that are the same measurements on the picture, in the same order; empty: they
        have no places there.
    ratios : bool
        Whether the values are natural logarithms of ratios; the axes then tell ratios.
    """

    title: str
    across: str
    up: str
    x: F64
    y: F64
    used: NDArray[np.bool_]
    line: tuple[float, float]
    scatter: float
    mark: float | None = None
    marked: str = ""
    points: str = ""
    ratios: bool = False

    @property
    def axes(self) -> tuple[PlotAxis, PlotAxis]:
        """Across and up. What the line does not rest on may lie beyond them."""
        good = self.used if self.used.any() else np.ones(len(self.x), np.bool_)
        also = np.array([] if self.mark is None else [self.mark])
        x = np.concatenate([self.x[good], also])
        return self._axis(self.across, x), self._axis(self.up, np.concatenate([self.y[good], self.height(x)]))

    def height(self, x: F64) -> F64:
        """Height of the line.

        Parameters
        ----------
        x : ndarray, shape (n,)

        Returns
        -------
        ndarray, shape (n,)
        """
        return np.asarray(self.line[0] + self.line[1] * x)

    @property
    def says(self) -> str:
        """Slope, scatter and numbers in a sentence."""
        used = int(self.used.sum())
        scatter = f"{100 * np.expm1(self.scatter):.1f} %" if self.ratios else f"{self.scatter:.3g}"
        left = f", {len(self.used) - used:,} left out (crosses)" if used < len(self.used) else ""
        return f"slope {self.line[1]:.2f}, scatter {scatter}; {used:,} points{left}"

    def words(self, number: int) -> str:
        """What one point says.

        Parameters
        ----------
        number : int
            Of the point, from 0.

        Returns
        -------
        str
        """
        x, y = self.x[number], self.y[number]
        off = float(y - self.height(x))
        if self.ratios:
            value, away = float(np.exp(y)), f"{100 * abs(np.expm1(off)):.1f} %"
        else:
            value, away = float(y), f"{abs(off):.3g}"
        left = "" if self.used[number] else " (left out)"
        return f"{self.up} {value:.3g}, {away} {'above' if off > 0 else 'below'} the line{left}"

    def _axis(self, words: str, values: F64) -> PlotAxis:
        low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
        wide = max(high - low, _LEAST_RANGE)
        low, high = (low + high) / 2 - (0.5 + _MARGIN) * wide, (low + high) / 2 + (0.5 + _MARGIN) * wide
        return PlotAxis(words, low, high, _ratio_ticks(low, high) if self.ratios else _ticks(low, high))


def _ticks(low: float, high: float) -> tuple[tuple[float, str], ...]:
    power = 10.0 ** np.floor(np.log10((high - low) / _FEWEST_TICKS))
    step = max(k * power for k in _ROUND if k * power <= (high - low) / _FEWEST_TICKS)
    values = np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step
    return tuple((float(v), f"{v + 0.0:.6g}") for v in values)


def _ratio_ticks(low: float, high: float) -> tuple[tuple[float, str], ...]:
    """Ticks at round ratios of an axis of their logarithms; evenly spaced ones where it spans less than they have."""
    powers = 10.0 ** np.arange(np.floor(low / np.log(10)), np.floor(high / np.log(10)) + 1)
    for round_ones in _RATIOS:
        ratios = np.outer(powers, round_ones).ravel()
        inside = [float(r) for r in ratios if low <= np.log(r) <= high]
        if len(inside) >= _FEWEST_TICKS:
            return tuple((float(np.log(r)), f"{r:.3g}") for r in inside)
    return tuple((float(np.log(float(text))), text) for _, text in _ticks(float(np.exp(low)), float(np.exp(high))))

"""A star list as columns."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError

__all__ = ["Stars"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stars:
    """A star list: arrays of one length, brightest first.

    Attributes
    ----------
    x, y : ndarray, float64
        Position in pixels: x along columns, y along rows, pixel centres at integers from 0.
    flux : ndarray, float64
        Total light above the local background, in units of the detection image (mean of channels) x pixels.
    peak : ndarray, float64
        Highest pixel above the local background.
    background : ndarray, float64
        Local background.
    snr : ndarray, float64
        Flux over its noise through the matched filter.
    fwhm : ndarray, float64
        Full width at half maximum in pixels, geometric mean of both axes.
    elongation : ndarray, float64
        Longer over shorter axis, 1 = round.
    angle_deg : ndarray, float64
        Direction of the longer axis, from +x towards +y (downwards on screen), -90 .. 90.
    saturated : ndarray, bool
        A pixel of the star reaches the saturation level: position is good, flux and FWHM are not.
    """

    x: Floats
    y: Floats
    flux: Floats
    peak: Floats
    background: Floats
    snr: Floats
    fwhm: Floats
    elongation: Floats
    angle_deg: Floats
    saturated: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.x.size)

    def select(self, which: NDArray[Any]) -> Stars:
        """The stars that a mask or an index array picks.

        Parameters
        ----------
        which : ndarray, shape (N,), bool, or shape (M,), int

        Returns
        -------
        Stars
        """
        return Stars(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def to_dict(self) -> dict[str, Any]:
        """Plain lists by column."""
        return {f.name: getattr(self, f.name).tolist() for f in fields(self)}

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Stars:
        """Build from plain lists.

        Parameters
        ----------
        data : dict
            Columns by name.

        Returns
        -------
        Stars

        Raises
        ------
        WorkbenchError
            When a column is missing or unknown, or they differ in length.
        """
        kinds: dict[str, Any] = {f.name: np.float64 for f in fields(cls)}
        kinds["saturated"] = np.bool_
        missing = sorted(set(kinds) - set(data))
        if missing or set(data) - set(kinds):
            raise WorkbenchError(f"a star list has the columns {', '.join(kinds)}; check {missing or sorted(data)}")
        columns = {name: np.asarray(data[name], kind) for name, kind in kinds.items()}
        if len({c.shape for c in columns.values()}) != 1 or columns["x"].ndim != 1:
            raise WorkbenchError("the columns of a star list must have one length")
        return cls(**columns)

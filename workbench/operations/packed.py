"""Long lists of numbers in facts that need few digits: whole multiples of a stated step.

A star list of 20,000 rows is 400,000 numbers; written digit by digit they cost a run more time than fitting the stars.
"""

from __future__ import annotations

from typing import Annotated, Any, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.operations.facts import Array, FactsPart

__all__ = ["Packed"]


class Packed(FactsPart):
    """Numbers as whole multiples of a step: half the size of 64-bit numbers, and exact where they were rounded."""

    step: float = Field(gt=0, le=1e20, description="What one count is worth")
    counts: Annotated[NDArray[np.int32], Array("<i4")] = Field(description="The numbers, in steps")

    @classmethod
    def of(cls, values: NDArray[Any], step: float) -> Self:
        """Pack values, rounded to multiples of ``step``.

        Parameters
        ----------
        values : ndarray, shape (...), real, finite, at most 2**31 steps large
        step : float

        Returns
        -------
        Packed
        """
        return cls(step=step, counts=np.rint(np.asarray(values, np.float64) / step))

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the numbers."""
        return self.counts.shape

    @property
    def values(self) -> NDArray[np.float64]:
        """The numbers, rounded as they were packed."""
        values: NDArray[np.float64] = self.counts.astype(np.float64) * self.step
        return values

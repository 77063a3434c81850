"""Long lists of numbers in facts: whole multiples of a stated step, in half the bytes of 64-bit numbers.

A star list of 20,000 rows is 400,000 numbers; written digit by digit they cost a run more time than fitting the stars.
The step is as fine as 32 bits allow, and not as fine as the numbers are good: where a last bit that is another one on
another processor turns a number over to its next multiple, that must not be seen in the picture, however bright a
stretch makes the sky.
"""

from __future__ import annotations

from typing import Annotated, Any, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.operations.facts import Array, FactsPart

__all__ = ["Packed"]

#: Counts stay below 2 to this power; one more bit, and rounding could leave the range of 32 bits.
_BITS = 30
#: Beyond any light of a frame, and far below its noise.
_MOST, _LEAST = 1e25, 1e-25


class Packed(FactsPart):
    """Numbers as whole multiples of a step."""

    step: float = Field(gt=0, le=1e20, description="What one count is worth")
    counts: Annotated[NDArray[np.int32], Array("<i4")] = Field(description="The numbers, in steps")

    @classmethod
    def of(cls, values: NDArray[Any]) -> Self:
        """Pack values, rounded to about a billionth of the largest among them: to a power of two.

        Parameters
        ----------
        values : ndarray, shape (...), real, finite

        Returns
        -------
        Packed
        """
        numbers = np.clip(np.asarray(values, np.float64), -_MOST, _MOST)
        _, exponent = np.frexp(np.abs(numbers).max(initial=_LEAST))
        step = 2.0 ** (int(exponent) - _BITS)
        return cls(step=step, counts=np.rint(numbers / step))

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the numbers."""
        return self.counts.shape

    @property
    def values(self) -> NDArray[np.float64]:
        """The numbers, rounded as they were packed."""
        values: NDArray[np.float64] = self.counts.astype(np.float64) * self.step
        return values

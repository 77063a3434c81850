"""What the numbers of a file mean: which one is white, and which mean nothing. The rules stand in `workbench.io`.

Only the scale hangs on the choice of white: every step measures sky and noise in the stack itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.io.float_frame import FloatFrame
from workbench.io.strips import on_all_cores, row_blocks

__all__ = ["White", "checked_level", "fill_missing", "float_white", "integer_white", "rescale"]

#: A stack scaled to 1 overshoots it (interpolation beside stars, channel gains above 1); the others do so less.
_LEVELS = (1.0, 255.0, 4095.0, 16383.0, 65535.0)
_OVERSHOOT_OF_ONE = 4.0
_OVERSHOOT = 1.25
_RARE = 1e-5
#: Samples looked at for the median that stands in for samples without a value.
_MEDIAN_SAMPLES = 1 << 20


@dataclass(frozen=True, slots=True)
class White:
    """The stored value that becomes 1.0, and the sentence that says why."""

    level: float
    rule: str


def checked_level(level: float) -> float:
    """A usable white level, or a sentence.

    Parameters
    ----------
    level : float
        In stored values.

    Returns
    -------
    float

    Raises
    ------
    WorkbenchError
        When it is not a positive, finite number.
    """
    if not np.isfinite(level) or level <= 0:
        raise WorkbenchError(f"white_level must be a number above 0, not {level}")
    return float(level)


def integer_white(bits: int, *, signed: bool, given: float | None, stated: float | None) -> White:
    """White of integer samples.

    Parameters
    ----------
    bits : int
        Bits that a sample really uses.
    signed : bool
    given : float or None
        White level that the caller laid down, in stored values.
    stated : float or None
        White level that the file states.

    Returns
    -------
    White
    """
    if given is not None:
        return White(checked_level(given), f"{given:g} is white, as asked")
    if stated is not None:
        return White(stated, f"the file states that {stated:g} is white")
    level = float((1 << (bits - signed)) - 1)
    return White(level, f"{level:.0f} is white: the largest value of {bits}-bit integers")


def float_white(frame: FloatFrame, *, given: float | None, stated: float | None) -> White:
    """White of float samples, by the rule in `workbench.io`. The frame holds finite values only.

    Parameters
    ----------
    frame : FloatFrame
        Finite values only.
    given : float or None
        White level that the caller laid down, in stored values.
    stated : float or None
        White level that the file states.

    Returns
    -------
    White
    """
    if given is not None:
        return White(checked_level(given), f"{given:g} is white, as asked")
    if stated is not None:
        return White(stated, f"the file states that {stated:g} is white")
    pixels = frame.pixels
    brightest = frame.highest
    if not np.isfinite(brightest):  # it was among the samples taken out
        brightest = max(float(block.max()) for block in row_blocks(pixels))
    for level in _LEVELS:
        limit = level * (_OVERSHOOT_OF_ONE if level == 1 else _OVERSHOOT)
        above = 0 if brightest <= limit else sum(int(np.count_nonzero(b > limit)) for b in row_blocks(pixels))
        if above <= _RARE * pixels.size:
            why = "values lie in 0 to 1 already" if level == 1 else "the first usual level that the values keep to"
            return White(level, f"{level:g} is white: {why}")
    return White(brightest, f"{brightest:g} is white: the brightest sample, above every usual level")


def rescale(pixels: NDArray[np.float32], level: float) -> None:
    """Divide a frame by its white level, in place.

    Parameters
    ----------
    pixels : ndarray, shape (...), float32
        Changed in place; 1.0 is white afterwards.
    level : float
        In stored values.
    """
    if level != 1:
        divisor = np.float32(level)
        on_all_cores(lambda block: np.divide(block, divisor, out=block), row_blocks(pixels))


def fill_missing(frame: FloatFrame) -> int:
    """Take out samples without a value (NaN, infinite), in place, and return how many there were.

    Their pixel's coverage becomes 0, and the sample becomes the median of its plane over covered pixels (of about a
    million of them, evenly spread), so that filters beside them see a plausible number.

    Parameters
    ----------
    frame : FloatFrame
        Changed in place.

    Returns
    -------
    int

    Raises
    ------
    WorkbenchError
        When no pixel has a value in every channel.
    """
    if np.isfinite(frame.lowest) and np.isfinite(frame.highest):
        return 0
    pixels = frame.pixels
    if frame.coverage is None:
        frame.open_coverage(255)
    coverage = frame.coverage
    assert coverage is not None
    counts: list[int] = []
    starts = np.cumsum([0, *(len(b) for b in row_blocks(pixels))])

    def mark(job: tuple[int, NDArray[np.float32]]) -> None:
        y, block = job
        finite = np.isfinite(block)
        counts.append(int(finite.size - np.count_nonzero(finite)))
        coverage[y : y + len(block)][~finite.all(axis=2)] = 0

    on_all_cores(mark, zip(starts[:-1].tolist(), row_blocks(pixels), strict=True))
    stride = max(1, coverage.size // _MEDIAN_SAMPLES)
    chosen = np.flatnonzero(coverage.reshape(-1)[::stride]) * stride
    if chosen.size == 0:
        chosen = np.flatnonzero(coverage)
    if chosen.size == 0:
        raise WorkbenchError("no pixel has a value in every channel (all are NaN or infinite): it holds no image")
    rows, columns = np.divmod(chosen, pixels.shape[1])
    medians = np.median(pixels[rows, columns], axis=0).astype(np.float32)

    def fill(block: NDArray[np.float32]) -> None:
        for channel, median in enumerate(medians):
            plane = block[:, :, channel]
            plane[~np.isfinite(plane)] = median

    on_all_cores(fill, row_blocks(pixels))
    return sum(counts)

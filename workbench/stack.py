"""The stack: linear pixels, and everything known about how they were taken."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench import io
from workbench.acquisition import Acquisition, Source, Tone
from workbench.errors import WorkbenchError
from workbench.measure.linearity import judge
from workbench.measure.uncovered import constant_margins, unlit_margins

if TYPE_CHECKING:
    from collections.abc import Iterable
    from os import PathLike

    from astropy.wcs import WCS

__all__ = ["Stack", "read"]

Pixels = NDArray[np.float32]
Coverage = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Stack:
    """An image and what is known of it. Operations never change a stack; they make a new one.

    Attributes
    ----------
    pixels : ndarray, shape (H, W, C), float32, C in {1, 3}
        1.0 is the white level; negative values are kept.
    tone : Tone
        ``linear`` as a stacking program wrote it, ``display`` for a finished picture.
    acquisition : Acquisition
    wcs : astropy.wcs.WCS or None
        Sky solution; pixel (0, 0) is the first row's first pixel.
    coverage : ndarray, shape (H, W), uint8, or None
        Share of the frames that recorded a pixel, 255 = all, 0 = none (its value means nothing).
        None: every pixel is covered.
    source : Source
    """

    pixels: Pixels
    tone: Tone = Tone.LINEAR
    acquisition: Acquisition = field(default_factory=Acquisition)
    wcs: WCS | None = None
    coverage: Coverage | None = None
    source: Source = field(default_factory=Source)

    def __post_init__(self) -> None:
        p = self.pixels
        if not isinstance(p, np.ndarray) or p.ndim != 3 or p.shape[2] not in (1, 3):
            got = getattr(p, "shape", type(p).__name__)
            raise WorkbenchError(f"a stack's pixels are an array (height, width, 1 or 3), not {got}")
        if p.dtype != np.float32:
            raise WorkbenchError(f"a stack's pixels are float32, not {p.dtype}")
        if p.shape[0] < 1 or p.shape[1] < 1:
            raise WorkbenchError(f"a stack needs at least one pixel, not {p.shape[0]} x {p.shape[1]}")
        if self.coverage is not None and self.coverage.shape != p.shape[:2]:
            raise WorkbenchError(f"a stack's coverage is {self.coverage.shape}, but its pixels are {p.shape[:2]}")
        if self.coverage is not None and self.coverage.dtype != np.uint8:
            raise WorkbenchError(f"a stack's coverage is uint8, not {self.coverage.dtype}")

    @classmethod
    def from_array(cls, array: NDArray[Any], **kwargs: Any) -> Stack:
        """Build a stack from an array, values used as they are: divide them by their white level first.

        Parameters
        ----------
        array : ndarray, shape (H, W) or (H, W, C), C in {1, 3}, of any real dtype
            Not copied when it is contiguous float32. NaN and infinite samples become uncovered pixels with value 0;
            margins of one constant value are uncovered, see `workbench.measure.uncovered`.
        **kwargs
            Other fields of the stack, such as ``acquisition`` or ``tone``.

        Returns
        -------
        Stack

        Raises
        ------
        WorkbenchError
            When the shape or the dtype is none of these.
        """
        given = np.asarray(array)
        if given.dtype.kind not in "buif":
            raise WorkbenchError(f"a stack is made from an array of real numbers, not of {given.dtype}")
        pixels = np.asarray(given, dtype=np.float32)
        if pixels.ndim == 2:
            pixels = pixels[:, :, None]
        pixels = np.ascontiguousarray(pixels)
        finite = np.isfinite(pixels)
        if not finite.all():
            pixels = np.where(finite, pixels, np.float32(0))
            valid = np.where(finite.all(axis=2), np.uint8(255), np.uint8(0))
            covered = kwargs.get("coverage")
            kwargs["coverage"] = valid if covered is None else np.minimum(covered, valid)
            kwargs["source"] = replace(kwargs.get("source", Source()), invalid=int((~finite).sum()))
        return _without_margins(cls(pixels, **kwargs))

    @property
    def shape(self) -> tuple[int, int, int]:
        """(height, width, channels)."""
        h, w, c = self.pixels.shape
        return h, w, c

    @property
    def planes(self) -> Pixels:
        """The pixels as (C, H, W): a view, not a copy."""
        return np.moveaxis(self.pixels, 2, 0)

    def with_pixels(self, pixels: Pixels, **changes: Any) -> Stack:
        """A stack with other pixels, everything else kept but for ``changes``.

        Parameters
        ----------
        pixels : ndarray, shape (H, W, C), float32, C in {1, 3}
        **changes
            Other fields of the stack.

        Returns
        -------
        Stack
        """
        return replace(self, pixels=pixels, **changes)

    def save(
        self,
        path: str | PathLike[str],
        *,
        overwrite: bool = False,
        protect: Iterable[str | PathLike[str]] = (),
        **options: Any,
    ) -> None:
        """Write the stack or picture; the format follows the suffix. See `workbench.io.encode` for options.

        The file that the pixels were read from is never replaced, even with ``overwrite``, nor those in ``protect``.

        Parameters
        ----------
        path : path
            Its suffix names the format.
        overwrite : bool
            Whether an existing file may be replaced.
        protect : iterable of path
            Files that are not replaced in any case.
        **options
            Of `workbench.io.encode`.

        Raises
        ------
        WorkbenchError
            When the format cannot hold the image, or the file exists, is the input or cannot be written.
        """
        inputs = [self.source.path] if self.source.path else []
        io.encode(
            path,
            self.pixels,
            tone=self.tone,
            coverage=self.coverage,
            acquisition=self.acquisition,
            wcs=self.wcs,
            overwrite=overwrite,
            protect=[*inputs, *protect],
            **options,
        )


def read(path: str | PathLike[str], *, white_level: float | None = None, **options: Any) -> Stack:
    """Read a stack from a TIFF, FITS, PNG, JPEG or Zarr file. See `workbench.io.decode` for options.

    Where neither the caller nor the file says whether it is linear, its stars do: `workbench.measure.linearity`.

    Parameters
    ----------
    path : path
        File to read; it is never written to.
    white_level : float, optional
        Stored value that becomes 1.0, in place of the rule written in `workbench.io`.
    **options
        Of `workbench.io.decode`.

    Returns
    -------
    Stack
        Pixels (H, W, C) float32 with 1.0 white; ``source.remarks`` says what reading found worth telling.

    Raises
    ------
    WorkbenchError
        When the file is missing, damaged or not an image this project reads.
    """
    d = io.decode(path, white_level=white_level, **options)
    tone, source = d.tone, d.source
    if tone is None:
        claims = d.claims
        tone, evidence = judge(
            d.pixels, d.coverage, integer_bits=claims.integer_bits, encoding=claims.encoding, where=claims.where
        )
        source = replace(source, remarks=(*source.remarks, *evidence))
    return _without_margins(Stack(d.pixels, tone, d.acquisition, d.wcs, d.coverage, source))


def _without_margins(stack: Stack) -> Stack:
    """The stack with margins that saw no light marked as uncovered, and said; of a finished picture nothing is."""
    if stack.tone != Tone.LINEAR:
        return stack
    stack = _marked(stack, constant_margins(stack.planes), "holds one constant value and counts as covered by no frame")
    margins = unlit_margins(stack.planes)
    if not any(margins):
        return stack
    top, right, bottom, left = margins
    height, width, _ = stack.shape
    unlit = np.ones((height, width), np.bool_)
    unlit[top : height - bottom, left : width - right] = False
    return _marked(stack, unlit, "saw no light (overscan of the sensor) and counts as covered by no frame")


def _marked(stack: Stack, outside: NDArray[np.bool_] | None, why: str) -> Stack:
    """The stack with coverage 0 outside, and a remark where that is new."""
    if outside is None:
        return stack
    if stack.coverage is None:
        new = np.count_nonzero(outside)
        coverage = np.subtract(outside.view(np.uint8), np.uint8(1), out=outside.view(np.uint8))  # 1 to 0, 0 to 255
    else:
        coverage = stack.coverage.copy()
        coverage[outside] = 0
        new = np.count_nonzero(stack.coverage) - np.count_nonzero(coverage)
    share = new / outside.size
    if share == 0:
        return stack
    remark = f"{100 * share:.2g} % of the image, at its edges, {why}"
    source = replace(stack.source, remarks=(*stack.source.remarks, remark))
    return replace(stack, coverage=coverage, source=source)

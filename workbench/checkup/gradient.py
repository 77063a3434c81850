"""Size and direction of a frame's gradient: those of the surface that the step which removes it would take off."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.measure.blocks import as_planes, checked_coverage
from workbench.operations._gradient.surfaces import unit_positions
from workbench.operations.base import Frame
from workbench.operations.findings import Gradient
from workbench.operations.gradient import RemoveGradient

__all__ = ["background_gradient"]

#: Places along each side at which the surface is looked at, the outermost pixels among them.
_PLACES = 65


def background_gradient(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> Gradient:
    """Size and direction of the background's smooth change over a frame.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W) or (H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    Gradient

    Raises
    ------
    WorkbenchError
        When no pixel is covered.

    Notes
    -----
    There is one model of the gradient: what `RemoveGradient` with its own settings would take off. A quadratic through
    a mesh, tried before, gave 78 to 110 % of the truth on independent scenes without objects and 3 times it with
    nebulae; this gives 99 to 102 % there, but where a glow in a corner is as narrow as an object.
    """
    planes = as_planes(planes)
    height, width = planes.shape[1:]
    cov = checked_coverage(coverage, height, width)
    if cov.size and not cov.any():
        raise WorkbenchError("the frame has no covered pixel to measure")
    flat = Gradient((0.0,) * len(planes), 0.0, 0.0, 0.0)
    try:
        facts = RemoveGradient().measure(Frame(planes, Tone.LINEAR, coverage))
    except WorkbenchError:  # it says that there is no place to sample
        return flat
    y, x = np.meshgrid(np.linspace(0, height - 1, _PLACES), np.linspace(0, width - 1, _PLACES), indexing="ij")
    u, v = unit_positions(y.ravel(), x.ravel(), height, width)
    model = facts.surface.surface().design(u, v) @ np.asarray(facts.coefficients, np.float64).T
    model = _plainest(model, u, v, facts.uncertainty)
    spans, middle = np.ptp(model, axis=0), np.median(model, axis=0)
    shares = np.divide(spans, middle, out=np.zeros_like(spans), where=middle > 0)
    # Both on the scale of the longer side: u downwards, v across.
    plane = np.linalg.lstsq(np.stack([np.ones_like(u), u, v], axis=1), model, rcond=None)[0]
    down, across = plane[1:].sum(axis=1)
    direction = float(np.rad2deg(np.arctan2(-down, across))) if spans.any() else 0.0
    return Gradient(tuple(float(s) for s in spans), float(shares.max()), direction, facts.agree or 0.0)


def _plainest(model: NDArray[np.float64], u: NDArray[np.float64], v: NDArray[np.float64], error: float | None) -> Any:
    """The polynomial of lowest degree that a surface (N, C) cannot be told from, given its likely relative error.

    The corners of a flexible surface swing with the noise, which would make every gradient look larger than it is. It
    fades in: where the difference is from all to half of the error, the surface itself counts less and less.
    """
    if error is None:
        return model
    allowed = error * np.ptp(model, axis=0)
    for degree in (1, 2, 3, 4):
        terms = np.stack([u**i * v**j for i in range(degree + 1) for j in range(degree + 1 - i)], axis=1)
        plain = terms @ np.linalg.lstsq(terms, model, rcond=None)[0]
        share = (plain - model).std(axis=0) / np.maximum(allowed, 1e-300)
        if (share <= 1).all():
            return model + min(1.0, 2.0 * (1.0 - share.max())) * (plain - model)
    return model

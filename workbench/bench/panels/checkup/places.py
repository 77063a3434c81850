"""Where in the picture a finding of the check-up has its place."""

from __future__ import annotations

import numpy as np

from workbench.bench.events import Pointed
from workbench.checkup import Checkup
from workbench.operations.base import Frame, Operation, answering, registered
from workbench.operations.drawing import Outline
from workbench.stack import Stack

__all__ = ["placed", "pointed"]

#: Half the size of the ellipse in the brightest part of the sky, and how far it lies from the middle, of the frame's.
_BRIGHT, _AWAY = 0.1, 0.38
#: Findings that an overlay of the frame itself shows.
_SWITCHES = {"Clipped cores": "clipped", "Stars drawn out": "stars", "Soft corners": "stars"}


def placed() -> list[str]:
    """Findings that have a place in the picture."""
    marked = (kind.answers for kind in registered() if kind.finding_overlay)
    return ["Borders", "Gradient", *marked, *_SWITCHES]


def pointed(about: str, found: Checkup, stack: Stack) -> Pointed:
    """What marks the place of a finding: overlays in pixels of the stack, or switches for those that there are.

    Parameters
    ----------
    about : str
        Of the advice, one of `placed`.
    found : Checkup
        Of the stack.
    stack : Stack

    Returns
    -------
    Pointed
    """
    height, width, _ = found.shape
    match about:
        case "Borders":
            b = found.borders
            inside = {"x0": b.left - 0.5, "y0": b.top - 0.5, "x1": width - b.right - 0.5, "y1": height - b.bottom - 0.5}
            words = "borders: inside the dashed line all frames overlap"
            return Pointed(about, (Outline(about, {"shape": "rectangle", **inside}, words),))
        case "Gradient":
            angle = np.deg2rad(found.gradient.direction_deg)
            x, y = width * (0.5 + _AWAY * np.cos(angle)), height * (0.5 - _AWAY * np.sin(angle))
            half = _BRIGHT * min(width, height)
            where = {"shape": "ellipse", "x": x, "y": y, "along": half, "across": half, "angle_deg": 0.0}
            words = "gradient: there the background is brightest"
            return Pointed(about, (Outline(about, where, words),))
        case _ if kind := answering(about):
            return _measured(about, kind, stack)
        case _:
            return Pointed(about, switches=(_SWITCHES[about],))


def _measured(about: str, kind: type[Operation], stack: Stack) -> Pointed:
    """What the operation that answers the finding says it would change in the stack."""
    operation, frame = kind(), Frame(stack.planes, coverage=stack.coverage)
    overlays = operation.shown(operation.measure(frame), frame.geometry)
    return Pointed(about, tuple(o for o in overlays if o.name == kind.finding_overlay))

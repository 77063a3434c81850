"""Where in the picture a finding of the check-up has its place."""

from __future__ import annotations

import numpy as np

from workbench.bench.events import Pointed
from workbench.checkup import Checkup
from workbench.operations.base import Frame
from workbench.operations.defects import MendPixels
from workbench.operations.drawing import Outline, Points
from workbench.stack import Stack

__all__ = ["PLACED", "pointed"]

#: Findings that have a place in the picture.
PLACED = ("Borders", "Gradient", "Hot pixels", "Clipped cores", "Stars drawn out", "Soft corners")
#: More marks than this only hide the picture.
_MOST = 3000
#: Half the size of the ellipse in the brightest part of the sky, and how far it lies from the middle, of the frame's.
_BRIGHT, _AWAY = 0.1, 0.38


def pointed(about: str, found: Checkup, stack: Stack) -> Pointed:
    """What marks the place of a finding: overlays in pixels of the stack, or switches for those that there are.

    Parameters
    ----------
    about : str
        Of the advice, one of `PLACED`.
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
            return Pointed(about, (Outline(about, {"shape": "rectangle", **inside}, words),), words)
        case "Gradient":
            angle = np.deg2rad(found.gradient.direction_deg)
            x, y = width * (0.5 + _AWAY * np.cos(angle)), height * (0.5 - _AWAY * np.sin(angle))
            half = _BRIGHT * min(width, height)
            where = {"shape": "ellipse", "x": x, "y": y, "along": half, "across": half, "angle_deg": 0.0}
            words = "gradient: there the background is brightest"
            return Pointed(about, (Outline(about, where, words),), words)
        case "Hot pixels":
            places = MendPixels().measure(Frame(stack.planes, coverage=stack.coverage)).places
            _, y, x = np.atleast_2d(places)[:, :_MOST].astype(np.float64)
            words = f"hot and dark pixels: {places.shape[1]:,} rings" + (" (the brightest)" * (places.shape[1] > _MOST))
            return Pointed(about, (Points(about, x, y, np.ones(len(x), bool)),), words)
        case "Clipped cores":
            return Pointed(about, switches=("clipped",))
        case _:
            return Pointed(about, switches=("stars",))

"""An operation on a frame that is one tile: measured, and applied by itself, without the engine."""

import numpy as np

from workbench.operations.base import Frame, Rect, Tile


def apply(operation, planes, coverage=None, facts=None):
    """Planes after an operation without reach, and its facts: those given, or measured in the planes."""
    planes = np.ascontiguousarray(planes, np.float32)
    frame = Frame(planes, operation.takes, coverage)
    facts = operation.measure(frame) if facts is None else facts
    out = np.empty_like(planes)
    core = Rect(0, 0, *planes.shape[1:])
    operation.apply(Tile(planes.copy(), core, 0, frame.geometry), operation.prepare(facts, frame.geometry), out)
    return out, facts

"""Facts for a view that cannot wait until they are measured on the full frame.

What a step found in a settled frame still serves a frame much like it. So while a slider moves only the moved step is
measured, on a small frame; the steps after it keep their facts until what they see has left the levels it had.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.engine.cache import Recent, facts_key
from workbench.engine.reducing import reduced
from workbench.engine.run import measures, safe_measure
from workbench.engine.state import State
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Frame, FrameOperation, Planes
from workbench.recipe.model import Step

__all__ = ["Draft", "Drafts"]

#: How many drafts, settled facts and frames that are measured are kept.
_DRAFTS, _SETTLED, _FRAMES = 64, 64, 8
#: Facts are kept while the medians of the channels move by at most so many of their interquartile ranges. The noise of
#: a reduced frame is a fraction of the full frame's, so this is about one standard deviation of a full pixel of sky.
_ALIKE = 4.0
#: Pixels across that levels are read from, and that a moved step is measured on.
_ACROSS, _SMALL = 150, 300


class Draft(NamedTuple):
    """What a step is bound with for a draft.

    Attributes
    ----------
    facts : Facts
    step : Step
        Its settings in pixels of the frame that the facts come from.
    scale : float
        Pixels of that frame across one of the view.
    name : str
        Tells these facts from others.
    full_frame : bool
        Whether the facts come from a full frame, or there are none.
    """

    facts: Facts
    step: Step
    scale: float
    name: str
    full_frame: bool = False


class _Settled(NamedTuple):
    facts: Facts
    name: str
    levels: NDArray[np.float64]


class Drafts:
    """Finds facts for drafts, and remembers those of settled views."""

    def __init__(self) -> None:
        self._settled: Recent[_Settled] = Recent(_SETTLED)
        self._last: Recent[Facts] = Recent(_SETTLED)
        self._drafts: Recent[Draft] = Recent(_DRAFTS)
        self._frames: Recent[Frame] = Recent(_FRAMES)

    def remember(self, step: Step, facts: Facts, name: str, planes: Planes) -> None:
        """Keep facts of the full frame with the levels of the reduced one (C, h, w) that the step sees."""
        about = (facts_key("", step), planes.shape)
        kept = self._settled.get(about)
        if kept is None or kept.facts is not facts:
            self._settled.put(about, _Settled(facts, name, _levels(planes)), 1)
            self._last.put(step.operation.id, facts, 1)

    def find(self, index: int, step: Step, state: State, key: str, scale: float) -> Draft:
        """Facts for a step that sees the reduced frame ``state`` with content key ``key``."""
        if not measures(step.operation):
            return Draft(Facts(), step.scaled(scale), 1.0, "", full_frame=True)
        own = (facts_key(key, step), scale)
        draft = self._drafts.get(own)
        if draft is None:
            draft = self._kept(step, state.planes, scale) or self._measured(index, step, state, key, scale)
            self._drafts.put(own, draft, 1)
        return draft

    def _kept(self, step: Step, planes: Planes, scale: float) -> Draft | None:
        kept = self._settled.get((facts_key("", step), planes.shape))
        if kept is None:
            return None
        (_, middle, _), (low, before, high) = _levels(planes), kept.levels
        moved = np.abs(middle - before).max() > _ALIKE * float((high - low).mean())
        return None if moved else Draft(kept.facts, step, scale, kept.name, full_frame=True)

    def _measured(self, index: int, step: Step, state: State, key: str, scale: float) -> Draft:
        width, last = state.planes.shape[-1], self._last.get(step.operation.id)
        # A step of this kind was seen at rest: now a slider moves, and time counts more than precision.
        if last is not None and width > _SMALL and not isinstance(step.operation, FrameOperation):
            further = width / _SMALL
            small = replace(step, operation=step.operation.drafted(last)).scaled(scale * further)
            try:
                facts = safe_measure(index, small, self._frame(state, key, scale, further))
            except WorkbenchError:
                pass  # too few stars are left on it, say
            else:
                return Draft(facts, small, 1 / further, f"small {key}")
        near = step.scaled(scale)
        return Draft(safe_measure(index, near, self._frame(state, key, scale, 1.0)), near, 1.0, f"view {key}")

    def _frame(self, state: State, key: str, scale: float, further: float) -> Frame:
        """The frame to measure; kept for the next move of a slider, with what was found in it."""
        of = (key, scale * further)
        frame = self._frames.get(of)
        if frame is None:
            planes = state.planes if further == 1 else reduced(state.planes, further)
            frame = replace(state, planes=planes).frame
            self._frames.put(of, frame, 1)
        return frame


def _levels(planes: Planes) -> NDArray[np.float64]:
    """Quartiles of the channels (3, C), from evenly thinned pixels."""
    step = max(1, planes.shape[-1] // _ACROSS)
    thinned = planes[:, ::step, ::step].reshape(len(planes), -1)
    return np.asarray(np.quantile(thinned, [0.25, 0.5, 0.75], axis=1), np.float64)

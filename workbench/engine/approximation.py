"""Approximate facts, for a view that cannot wait until a step is measured on the full frame.

At first sight of a step, its facts are measured on pixels of the full frame where they do not hang on places: noise and
stars on windows of it, levels on the reduced frame with the grain of the full one. Others, such as a list of stars, are
measured on the reduced frame; what is quickly measured in full and comes first, such as a gradient, is waited for.

While a slider moves, what was found a moment ago still serves a frame much like it: only the moved step is measured, on
a small frame, and the steps after it keep their facts until what they see has left the levels it had.

A step that changes the frame never gets approximate facts: where the picture ends is not a matter of taste.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.engine.cache import Cache, facts_key
from workbench.engine.chain import measure_facts
from workbench.engine.reduction import reduced
from workbench.engine.state import State
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Frame, Planes
from workbench.recipe.model import Step

__all__ = ["Approximate", "Approximations"]

#: Facts are kept while the medians of the channels move by at most so many of their interquartile ranges. The noise of
#: a reduced frame is a fraction of the full frame's, so this is about one standard deviation of a full pixel of sky.
_ALIKE = 4.0
#: Pixels across that levels are read from, and that a moved step is measured on.
_ACROSS, _SMALL = 150, 300


class Approximate(NamedTuple):
    """What a step is bound with for an approximation.

    Attributes
    ----------
    facts : Facts
    step : Step
        Its settings in pixels of the frame that the facts come from.
    source : str
        Tells these facts from others.
    scale : float or None
        Pixels of that frame across one of the view; None: they are pixels of the full frame, and so the facts serve
        that one too.
    """

    facts: Facts
    step: Step
    source: str
    scale: float | None = None


class _Remembered(NamedTuple):
    """Facts in pixels of the full frame, and the quartiles (3, C) of the reduced frame that the step saw with them."""

    found: Approximate
    levels: NDArray[np.float64]


class Approximations:
    """Finds approximate facts, and remembers those of steps that were seen before.

    Parameters
    ----------
    cache : Cache
        Keeps them, and the small frames that are measured.
    """

    def __init__(self, cache: Cache) -> None:
        self._cache = cache

    def remember(self, found: Approximate, state: State) -> None:
        """Keep facts in pixels of the full frame with the levels of the reduced frame that the step sees.

        Parameters
        ----------
        found : Approximate
        state : State
            The reduced frame.
        """
        about = self._about(found.step, state)
        kept: _Remembered | None = self._cache.get(about)
        if kept is None or kept.found.source != found.source:
            self._cache.put(about, _Remembered(found, _levels(state.planes)))
            self._cache.put(("last facts", found.step.operation.id), found.facts)

    def at_hand(self, step: Step, state: State) -> Approximate | None:
        """Facts of the very same settings that still serve the reduced frame ``state``.

        Parameters
        ----------
        step : Step
        state : State

        Returns
        -------
        Approximate or None
        """
        kept: _Remembered | None = self._cache.get(self._about(step, state))
        if kept is None:
            return None
        (_, middle, _), (low, before, high) = _levels(state.planes), kept.levels
        moved = np.abs(middle - before).max() > _ALIKE * float((high - low).mean())
        return None if moved else kept.found._replace(step=step)

    def known_kind(self, step: Step) -> bool:
        """Whether facts of such an operation were seen before: now a slider moves.

        Parameters
        ----------
        step : Step

        Returns
        -------
        bool
        """
        return self._cache.get(("last facts", step.operation.id)) is not None

    @staticmethod
    def sampled(index: int, step: Step, sample: Frame, key: str) -> Approximate | None:
        """Facts measured on a sample of the full frame; None where they cannot be.

        Parameters
        ----------
        index : int
            Place in the recipe, from 0.
        step : Step
        sample : Frame
        key : str
            Content key of what is measured.

        Returns
        -------
        Approximate or None
        """
        try:
            return Approximate(measure_facts(index, step, sample), step, f"sampled {key}")
        except WorkbenchError:
            return None  # too few stars are in it, say

    def measured(self, index: int, step: Step, state: State, key: str, scale: float) -> Approximate:
        """Facts measured on the reduced frame, or on a smaller one where time counts more than precision.

        Parameters
        ----------
        index : int
            Place in the recipe, from 0.
        step : Step
        state : State
            The reduced frame.
        key : str
            Content key of what is measured.
        scale : float
            How many pixels of the full frame are one of it.

        Returns
        -------
        Approximate
        """
        width, last = state.planes.shape[-1], self._cache.get(("last facts", step.operation.id))
        if last is not None and width > _SMALL:
            further = width / _SMALL
            small = replace(step, operation=step.operation.drafted(last)).scaled(scale * further)
            try:
                facts = measure_facts(index, small, self._frame(state, step, key, scale, further))
            except WorkbenchError:
                pass  # too few stars are left on it, say
            else:
                return Approximate(facts, small, f"small {key} {scale}", 1 / further)
        near = step.scaled(scale)
        facts = measure_facts(index, near, self._frame(state, step, key, scale, 1.0))
        return Approximate(facts, near, f"reduced {key} {scale}", 1.0)

    def _frame(self, state: State, step: Step, key: str, scale: float, further: float) -> Frame:
        """The frame to measure; kept for the next move of a slider, with what was found in it."""
        of = ("small frame", key, step.works_on if state.layers > 1 else "", scale * further)
        frame: Frame | None = self._cache.get(of)
        if frame is None:
            planes = state.planes if further == 1 else reduced(state.planes, further)
            frame = replace(state, planes=planes).frame_for(step)
            self._cache.put(of, frame, planes.nbytes)
        return frame

    @staticmethod
    def _about(step: Step, state: State) -> tuple[str, str, tuple[int, ...]]:
        return ("seen facts", facts_key("", step), state.planes.shape)


def _levels(planes: Planes) -> NDArray[np.float64]:
    """Quartiles of the channels (3, C), from evenly thinned pixels."""
    step = max(1, planes.shape[-1] // _ACROSS)
    thinned = planes[:, ::step, ::step].reshape(len(planes), -1)
    return np.asarray(np.quantile(thinned, [0.25, 0.5, 0.75], axis=1), np.float64)

"""The whole frame reduced to the screen: each step works on the reduced frame, with facts of the full one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from time import perf_counter
from typing import NamedTuple

from workbench.engine.cache import Recent, step_key
from workbench.engine.chain import Bound, bind
from workbench.engine.drafts import Draft, Drafts
from workbench.engine.passes import Crew
from workbench.engine.places import Array, carried, place_of, plain_grid
from workbench.engine.reducing import reduced, reduced_geometry
from workbench.engine.run import measures
from workbench.engine.settling import Link, Settling, Steps
from workbench.engine.state import State
from workbench.engine.tiles import POINTWISE_TILE
from workbench.operations.base import Facts, FrameOperation, Geometry, Planes
from workbench.recipe.model import Step

__all__ = ["Fitted", "Fitting"]

#: Frames up to this width are thumbnails, whose times say nothing about a step.
_SMALL = 128
#: Steps bound to reduced frames that are kept.
_BOUND = 64


class Fitted(NamedTuple):
    """A reduced frame.

    Attributes
    ----------
    planes : ndarray, shape (C, h, w), float32
    drafted : bool
        Whether any facts in it were not measured on the full frame.
    place : ndarray, shape (2, 3), or None
        Where its pixels lie on the stack, see `place_of`.
    full : (ndarray or None, Geometry) or None
        Where the pixels of the full frame lie on the stack, and that frame; None where a change of the frame was
        measured on a reduced one.
    """

    planes: Planes
    drafted: bool
    place: Array | None
    full: tuple[Array | None, Geometry] | None


class Fitting:
    """Makes reduced frames of one stack and keeps them by content. One thread at a time.

    Parameters
    ----------
    settling : Settling
        Knows the facts of the full frame.
    crew : Crew
        Does the work.
    cache_bytes : int
        Memory for reduced frames.
    """

    def __init__(self, settling: Settling, crew: Crew, cache_bytes: int) -> None:
        self._settling, self._crew = settling, crew
        self._frames: Recent[Planes] = Recent(cache_bytes)
        # A link stands for all that came before it too, so its step is bound to the same reduced frame each time.
        self._bound: Recent[tuple[Link, Bound]] = Recent(_BOUND)
        self._drafts = Drafts()
        self.seconds: Recent[float] = Recent(1000)  # that a step took on a reduced frame, by content key

    def frame(self, chain: Sequence[Link], unknown: Steps, scale: float) -> Fitted:
        """The frame after ``chain``, whose facts are known, and ``unknown``, whose are drafted."""
        state, settled = self._known(chain, scale), True
        steps: list[tuple[Step, Facts]] = [(link.bound.step, link.bound.facts) for link in chain]
        for (_, step), draft, _, after in self._drafted(state, chain, unknown, scale):
            state = after
            steps.append((step, draft.facts))
            settled = settled and (draft.full_frame or not isinstance(step.operation, FrameOperation))
        full = carried(self._settling.geometry, steps) if settled else None
        drafted = any(measures(step.operation) for _, step in unknown)
        return Fitted(state.planes, drafted, place_of(state.wcs), full)

    def at_hand(self, chain: Sequence[Link], scale: float) -> Planes | None:
        """The frame after ``chain`` if it was made already."""
        return self._frames.get((self._settling.key(chain), scale))

    def on_full_frame(self, chain: Sequence[Link], unknown: Steps, scale: float) -> list[Link] | None:
        """``chain`` and ``unknown``, all bound to the full frame, with the facts that `frame` uses.

        None where some of those were measured on a reduced frame: they do not serve the full one.
        """
        links = list(chain)
        for (index, step), draft, key, _ in self._drafted(self._known(chain, scale), chain, unknown, scale):
            if isinstance(step.operation, FrameOperation) or not draft.full_frame:
                return None
            size = links[-1].bound.size if links else POINTWISE_TILE
            links.append(Link(bind(index, step, draft.facts, self._settling.after(links), size), key))
        return links

    def _known(self, chain: Sequence[Link], scale: float) -> State:
        small = self._rebound(chain, scale)
        start, planes = self._latest(chain, scale)
        whole, geometry = self._settling.geometry, reduced_geometry(self._settling.geometry, scale)
        grid = plain_grid(whole.width / geometry.width, whole.height / geometry.height)
        state = replace(State.of(self._settling.stack, planes), coverage=None, wcs=grid).carried(small[:start], planes)
        # One step at a time: a view after a change to one step then starts from the frame before it.
        for link, bound in zip(chain[start:], small[start:], strict=True):
            if measures(link.bound.step.operation):
                self._drafts.remember(link.bound.step, link.bound.facts, link.key, state.planes)
            began = perf_counter()
            state = self._crew.flush(state, [bound], keep=True)
            if state.planes.shape[-1] > _SMALL:
                self.seconds.put(link.key, perf_counter() - began, 1)
            self._frames.put((link.key, scale), state.planes, state.planes.nbytes)
        return state

    def _drafted(
        self, state: State, chain: Sequence[Link], unknown: Steps, scale: float
    ) -> Iterator[tuple[tuple[int, Step], Draft, str, State]]:
        """Each unknown step, the draft it is bound with, the content key of the frame after it, and that frame."""
        key = self._settling.key(chain)
        for index, step in unknown:
            draft = self._drafts.find(index, step, state, key, scale)
            key = step_key(key, step, {"draft": draft.name, "scale": scale})
            planes = self._frames.get((key, scale))
            if planes is not None and not isinstance(step.operation, FrameOperation):
                state = replace(state, planes=planes, tone=step.operation.gives)
            else:
                geometry = replace(state.geometry, scale=draft.scale)
                bound = bind(index, draft.step, draft.facts, geometry, POINTWISE_TILE)
                if planes is None:
                    state = self._crew.flush(state, [bound], keep=True)
                    self._frames.put((key, scale), state.planes, state.planes.nbytes)
                else:
                    state = state.carried([bound], planes)
            yield (index, step), draft, key, state

    def _latest(self, chain: Sequence[Link], scale: float) -> tuple[int, Planes]:
        """How many steps the latest kept frame has behind it, and the frame."""
        for count in range(len(chain), 0, -1):
            planes = self.at_hand(chain[:count], scale)
            if planes is not None:
                return count, planes
        planes = self.at_hand([], scale)
        if planes is None:
            planes = reduced(self._settling.stack.planes, scale)
            self._frames.put((self._settling.key([]), scale), planes, planes.nbytes)
        return 0, planes

    def _rebound(self, chain: Sequence[Link], scale: float) -> list[Bound]:
        geometry = reduced_geometry(self._settling.geometry, scale)
        small: list[Bound] = []
        for link in chain:
            key = (id(link), scale)
            kept = self._bound.get(key)
            if kept is None or kept[0] is not link:
                b = link.bound
                size = small[-1].size if small else POINTWISE_TILE
                kept = link, bind(b.index, b.step, b.facts, geometry, size)
                self._bound.put(key, kept, 1)
            small.append(kept[1])
            geometry = small[-1].after
        return small

"""Seeing a recipe's result before it is made: any region exactly, the whole frame reduced to the screen."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import replace

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.engine.cache import facts_key
from workbench.engine.chain import fuse
from workbench.engine.fitting import Fitting
from workbench.engine.passes import Crew
from workbench.engine.progress import Cancel
from workbench.engine.regions import TileStore
from workbench.engine.settling import Link, Settling
from workbench.engine.state import State
from workbench.engine.views import CloseUp, View, display
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Planes, Rect
from workbench.operations.stretch import Stretch
from workbench.recipe.facts import Given, frozen_facts
from workbench.recipe.model import RecipeData, Step
from workbench.stack import Stack

__all__ = ["Preview"]


class Preview:
    """Views of what a recipe makes of a stack.

    Facts are measured on the full frame when first needed and kept by content, so a view after a change to the
    last step measures nothing again that came before it. Safe to use from several threads.

    Parameters
    ----------
    stack : Stack
    recipe : RecipeData
        May be set anew at any time.
    facts : mapping of int to Facts or dict, optional
        Frozen facts by place in the recipe (from 0), used in place of measuring.
    threads : int, optional
    cache_bytes : int
        Memory for tiles, and as much again for reduced frames.
    frames : int
        How many full frames to keep between measuring steps.

    Notes
    -----
    Where the recipe (or the part shown) ends linear, `fit` and `loupe` show it through a `Stretch` with its default
    settings; `region` never does.
    """

    def __init__(
        self,
        stack: Stack,
        recipe: RecipeData,
        *,
        facts: Mapping[int, Given] | None = None,
        threads: int | None = None,
        cache_bytes: int = 192 * 2**20,
        frames: int = 2,
    ) -> None:
        self.stack = stack
        # Views must not wait for facts being settled, so each kind of work has threads of its own.
        self._settling = Settling(stack, threads, frames)
        self.frozen = frozen_facts(enumerate(recipe), facts)
        self._crew, self._lock = Crew(threads), threading.RLock()
        self._fitting = Fitting(self._settling, self._crew, cache_bytes)
        self._tiles = TileStore(cache_bytes)
        self.recipe = recipe

    @property
    def recipe(self) -> RecipeData:
        """The recipe shown."""
        return self._recipe

    @recipe.setter
    def recipe(self, recipe: RecipeData) -> None:
        recipe.tones(self.stack.tone)
        frozen_facts(recipe.active, self.frozen)
        self._recipe = recipe

    def showing(self, recipe: RecipeData, facts: Mapping[int, Given] | None = None) -> Preview:
        """Another preview of the same stack, for another recipe, sharing everything that is known already."""
        other = copy(self)
        other.frozen = frozen_facts(enumerate(recipe), facts)
        other.recipe = recipe
        return other

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts of every step that is on, measured on the full frame where they are not known yet."""
        return _facts_of(self._settling.settled(self._recipe.active, self.frozen))

    def settle(self, *, upto: int | None = None, cancel: Cancel | None = None) -> dict[int, Facts]:
        """Measure all facts that a view needs on the full frame, and return them.

        Raises
        ------
        Cancelled
            When ``cancel`` is set meanwhile; what was measured until then is kept.
        """
        return _facts_of(self._settling.settled(self._shown_steps(upto), self.frozen, cancel))

    @property
    def known_facts(self) -> dict[int, Facts]:
        """Facts of the first steps, as far as they are known; measures nothing."""
        return _facts_of(self._settling.known(self._recipe.active, self.frozen))

    @property
    def seconds(self) -> dict[int, tuple[float | None, float | None]]:
        """Seconds that measuring each step's facts and then changing a reduced frame took, as far as it was done."""
        chain = self._settling.known(self._recipe.active, self.frozen)
        befores = [self._settling.key(chain[:i]) for i in range(len(chain))]
        return {
            link.bound.index: (
                self._settling.seconds.get(facts_key(before, link.bound.step)),
                self._fitting.seconds.get(link.key),
            )
            for before, link in zip(befores, chain, strict=True)
        }

    def shape(self, upto: int | None = None) -> tuple[int, int, int]:
        """(height, width, channels) after the first ``upto`` steps (default: all)."""
        after = self._settling.after(self._settling.settled(self._part(upto).active, self.frozen))
        return after.height, after.width, after.channels

    def tone(self, upto: int | None = None) -> Tone:
        """Tone after the first ``upto`` steps."""
        return self._part(upto).tones(self.stack.tone)[-1]

    def sky_solution(self, upto: int | None = None) -> WCS | None:
        """The sky solution of the frame after the first ``upto`` steps, where the stack has one."""
        chain = self._settling.settled(self._part(upto).active, self.frozen)
        start = replace(State.of(self.stack, self.stack.planes), coverage=None)
        return start.carried([link.bound for link in chain], start.planes).wcs

    def region(self, y0: int, x0: int, height: int, width: int, *, upto: int | None = None) -> NDArray[np.float32]:
        """Pixels (height, width, C) float32 of the result: bit for bit those of the finished image."""
        planes = self._region(
            self._settling.settled(self._part(upto).active, self.frozen), Rect(y0, x0, y0 + height, x0 + width)
        )
        return np.ascontiguousarray(np.moveaxis(planes, 0, 2))

    def loupe(self, y0: int, x0: int, height: int, width: int, *, upto: int | None = None) -> NDArray[np.uint8]:
        """A region at 1:1 ready for display: (height, width, 3) uint8, sRGB."""
        chain = self._settling.settled(self._shown_steps(upto), self.frozen)
        return display(self._region(chain, Rect(y0, x0, y0 + height, x0 + width)))

    def draft_loupe(
        self, y0: int, x0: int, height: int, width: int, *, view_width: float, upto: int | None = None
    ) -> CloseUp | None:
        """`loupe` with the facts of the draft `view` of ``view_width``: what a control in motion shows close up.

        None where the draft has facts that do not serve the full frame, such as those of a step just added.
        """
        steps = self._shown_steps(upto)
        chain = self._settling.soon_known(steps, self.frozen)
        with self._lock, self._crew.at_work():
            scale = self._scale(chain, view_width)
            links = self._fitting.on_full_frame(chain, steps[len(chain) :], scale)
        if links is None:
            return None
        shown = display(self._region(links, Rect(y0, x0, y0 + height, x0 + width)))
        return CloseUp(shown, draft=len(chain) < len(steps))

    def fit(self, width: int, *, upto: int | None = None) -> NDArray[np.uint8]:
        """The whole frame reduced to ``width`` pixels (never enlarged), ready for display: (h, w, 3) uint8, sRGB.

        The stack is averaged down first and every step then works on the reduced frame with full-resolution facts,
        so neighborhood steps are shown approximately; `loupe` is exact.
        """
        return self.view(width, upto=upto).pixels

    def view(self, width: float, *, upto: int | None = None, draft: bool = False) -> View:
        """`fit` with what belongs to it.

        Parameters
        ----------
        width : float
            In pixels; a fraction sets the scale more finely than whole pixels can.
        upto : int, optional
        draft : bool
            Whether facts that are not known yet may be those of a moment ago, where the frame is still much like it
            was, or measured on a reduced frame, which takes milliseconds where the full frame takes tenths of a second.
        """
        if width < 1:
            raise WorkbenchError(f"a view needs a width of at least 1 pixel, not {width}")
        steps = self._shown_steps(upto)
        of = self._settling.soon_known if draft else self._settling.settled
        chain = of(steps, self.frozen)
        scale = self._scale(chain, width)
        with self._lock, self._crew.at_work():
            planes, drafted, place, full = self._fitting.frame(chain, steps[len(chain) :], scale)
        if full is None:
            shape, full_place = (round(planes.shape[1] * scale), round(planes.shape[2] * scale), planes.shape[0]), None
        else:
            full_place, after = full
            shape = (after.height, after.width, after.channels)
        stretched = self.tone(upto) == Tone.LINEAR
        return View(display(planes), planes, scale, drafted, shape, stretched, place, full_place)

    def linear_planes(self, width: int, *, upto: int | None = None) -> Planes | None:
        """The reduced frame (C, h, w) float32 after ``upto`` steps behind a view of this width, if it is at hand."""
        chain = self._settling.known(self._shown_steps(None), self.frozen)
        scale = self._scale(chain, width)
        part = [link for link in chain if upto is None or link.bound.index < upto]
        return self._fitting.at_hand(part, scale)

    def full_planes(self, upto: int | None = None) -> Planes:
        """The full frame (C, H, W) float32 after the first ``upto`` steps, for measuring; must not be changed."""
        return self._settling.frame(self._part(upto).active, self.frozen)

    # -- facts and chains ------------------------------------------------------------------------------------

    def _part(self, upto: int | None) -> RecipeData:
        return self._recipe if upto is None else self._recipe.upto(upto)

    def _shown_steps(self, upto: int | None) -> list[tuple[int, Step]]:
        """The steps for display: where they end linear, with a stretch that is not part of the recipe."""
        steps = list(self._part(upto).active)
        if self.tone(upto) == Tone.LINEAR:
            steps.append((len(self._recipe), Step(Stretch())))
        return steps

    def _scale(self, chain: Sequence[Link], width: float) -> float:
        """Full-resolution pixels across one of a view of this width.

        The width refers to the frame shown; while its crop is not known, to that of the last known frame.
        """
        after = self._settling.after(chain)
        return max(1.0, after.width * after.scale / width)

    # -- pixels ----------------------------------------------------------------------------------------------

    def _region(self, chain: Sequence[Link], rect: Rect) -> Planes:
        after = self._settling.after(chain)
        if rect.height < 1 or rect.width < 1 or rect.clipped(after.height, after.width) != rect:
            raise WorkbenchError(
                f"the region {rect.height} x {rect.width} at row {rect.y0}, column {rect.x0} does not lie inside "
                f"the frame of {after.height} x {after.width}"
            )
        count, source = self._settling.latest(chain)
        keys = {link.bound.index: link.key for link in chain}
        groups = fuse([link.bound for link in chain[count:]])
        with self._lock:
            return self._tiles.region(self._crew, source, groups, keys, rect)


def _facts_of(chain: Sequence[Link]) -> dict[int, Facts]:
    return {link.bound.index: link.bound.facts for link in chain}

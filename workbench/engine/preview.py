"""Seeing a recipe's result before it is made.

There are three kinds of view:

* the *fit view*: the whole frame reduced to the screen, every step working on the reduced frame (`Preview.view`);
* the *exact region*: pixels at 1:1, bit for bit those of the finished picture (`Preview.region`, `Preview.loupe`);
* the *approximation*: either of them while facts are still to be measured on the full frame (`draft`). Its frame is
  the settled one's; levels and colors come very near.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.engine.cache import Cache
from workbench.engine.chain import Chain
from workbench.engine.exact_region import exact_region, near_region
from workbench.engine.fit_view import FitViews
from workbench.engine.full_frame import FullFrame, Unknown, changed_frame, with_sources
from workbench.engine.progress import Cancel
from workbench.engine.state import State, layer_of
from workbench.engine.tile_pool import TilePool
from workbench.engine.tiles import cut
from workbench.engine.transform import place_of
from workbench.engine.views import CloseUp, SeenMask, View, display
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Planes, Rect, Tile
from workbench.operations.viewing import screen_stretch
from workbench.recipe.facts import Given, frozen_facts
from workbench.recipe.model import Layer, RecipeData, Step
from workbench.stack import Stack

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["Preview"]

#: Full frames that fit into the cache by default, and bytes for everything else.
_FRAMES, _BESIDE = 2, 384 * 2**20


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
        Default: all cores; measuring obeys it too.
    cache_bytes : int, optional
        Memory for all that is kept: facts, bound steps, full and reduced frames, tiles. Default: two full frames and
        384 MiB.

    Notes
    -----
    Where the recipe (or the part shown) ends linear, `fit` and `loupe` show it through a stretch with its default
    settings; `region` never does.
    """

    def __init__(
        self,
        stack: Stack,
        recipe: RecipeData,
        *,
        facts: Mapping[int, Given] | None = None,
        threads: int | None = None,
        cache_bytes: int | None = None,
    ) -> None:
        self.stack = stack
        self.cache = Cache(_FRAMES * stack.pixels.nbytes + _BESIDE if cache_bytes is None else cache_bytes)
        # Views must not wait until the full frame is measured, so each kind of work has threads of its own.
        self._full = FullFrame(stack, threads, self.cache)
        self._pool, self._lock = TilePool(threads), threading.RLock()
        self._fit_views = FitViews(self._full, self._pool)
        self._frozen = with_sources(frozen_facts(enumerate(recipe), facts))
        self.recipe = recipe

    @property
    def frozen(self) -> dict[int, Facts]:
        """Facts by place in the recipe (from 0) that are used in place of measuring."""
        return {index: given.facts for index, given in self._frozen.items()}

    @frozen.setter
    def frozen(self, facts: dict[int, Facts]) -> None:
        self._frozen = with_sources(facts, self._frozen)

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
        """Another preview of the same stack, for another recipe, sharing everything that is known already.

        Parameters
        ----------
        recipe : RecipeData
        facts : mapping of int to Facts or dict, optional
            Frozen facts, by the place of their step (from 0).

        Returns
        -------
        Preview
        """
        other = copy(self)
        other.frozen = frozen_facts(enumerate(recipe), facts)
        other.recipe = recipe
        return other

    @property
    def facts(self) -> dict[int, Facts]:
        """Facts of every step that is on, measured on the full frame where they are not known yet."""
        return self._full.settled(self._recipe.active, self._frozen).facts

    def settle(
        self, *, upto: int | None = None, stand_in: bool = True, cancel: Cancel | None = None
    ) -> dict[int, Facts]:
        """Measure all facts that a view needs on the full frame, and return them.

        Parameters
        ----------
        upto : int, optional
            After how many of the recipe's steps; default: all.
        stand_in : bool
            Whether a linear frame is shown through a stretch that is not part of the recipe.
        cancel : Cancel, optional

        Returns
        -------
        dict of int to Facts
            By the place of the step, from 0.

        Raises
        ------
        Cancelled
            When ``cancel`` is set meanwhile; what was measured until then is kept.
        """
        return self._full.settled(self._shown_steps(upto, stand_in), self._frozen, cancel).facts

    @property
    def known_facts(self) -> dict[int, Facts]:
        """Facts of the first steps, as far as they are known; measures nothing."""
        return self._full.known(self._recipe.active, self._frozen).facts

    @property
    def seconds(self) -> dict[int, tuple[float | None, float | None]]:
        """Seconds that measuring each step's facts and then changing a reduced frame took, as far as it was done."""
        chain = self._full.known(self._recipe.active, self._frozen)
        return {
            bound.index: (
                self.cache.get(("seconds", chain.first(count).facts_key(bound.step))),
                self.cache.get(("seconds", bound.key)),
            )
            for count, bound in enumerate(chain.steps)
        }

    @property
    def chain(self) -> Chain:
        """All steps that are on, bound to the full frame; facts measured where they are not known yet."""
        return self._full.settled(self._recipe.active, self._frozen)

    def reduced_frames(self, scale: float, *, layer: Layer = "both") -> list[Planes]:
        """The stack averaged down ``scale`` times, and that frame after each step that is on.

        Where stars lie apart, ``layer`` is what is returned.

        Parameters
        ----------
        scale : float
            How many pixels of the stack become one; 1 or more.
        layer : {"both", "starless", "stars"}
            What is seen where stars lie apart.

        Returns
        -------
        list of ndarray, each of shape (C, h, w), float32
            Linear until the stretch, display after it; must not be changed.
        """
        chain = self.chain
        with self._lock, self._pool.working():
            states = [self._fit_views.settled_state(chain.first(n), scale) for n in range(len(chain) + 1)]
        return [state.layer(layer) for state in states]

    def shape(self, upto: int | None = None) -> tuple[int, int, int]:
        """(height, width, channels) after the first ``upto`` steps (default: all).

        Parameters
        ----------
        upto : int, optional
            After how many of the recipe's steps; default: all.

        Returns
        -------
        tuple of (int, int, int)
        """
        after = self._full.settled(self._part(upto).active, self._frozen).after
        return after.height, after.width, after.channels

    def tone(self, upto: int | None = None) -> Tone:
        """Tone after the first ``upto`` steps.

        Parameters
        ----------
        upto : int, optional
            After how many of the recipe's steps; default: all.

        Returns
        -------
        {"linear", "display"}
        """
        return self._part(upto).tones(self.stack.tone)[-1]

    def sky_solution(self, upto: int | None = None) -> WCS | None:
        """The sky solution of the frame after the first ``upto`` steps, where the stack has one.

        Parameters
        ----------
        upto : int, optional
            After how many of the recipe's steps; default: all.

        Returns
        -------
        astropy.wcs.WCS or None
            Row 0 is the top one.
        """
        chain = self._full.settled(self._part(upto).active, self._frozen)
        start = replace(State.of(self.stack, self.stack.planes), coverage=None)
        return start.carried(chain.steps, start.planes).wcs

    def region(
        self, y0: int, x0: int, height: int, width: int, *, upto: int | None = None, layer: Layer = "both"
    ) -> NDArray[np.float32]:
        """Pixels (height, width, C) float32 of the result: bit for bit those of the finished image.

        ``layer`` says what is seen of a result in which stars lie apart: the starless layer, the stars, or both joined.

        Parameters
        ----------
        y0, x0 : int
            First row and column, in pixels of the result.
        height, width : int
            In pixels; at most what is left of the frame.
        upto : int, optional
            After how many of the recipe's steps; default: all.
        layer : {"both", "starless", "stars"}
            What is seen where stars lie apart.

        Returns
        -------
        ndarray, shape (height, width, C), float32
            In the tone of the frame after those steps.
        """
        chain = self._full.settled(self._part(upto).active, self._frozen)
        planes = self._region(chain, Rect(y0, x0, y0 + height, x0 + width), layer)
        return np.ascontiguousarray(np.moveaxis(planes, 0, 2))

    def loupe(
        self,
        y0: int,
        x0: int,
        height: int,
        width: int,
        *,
        upto: int | None = None,
        layer: Layer = "both",
        stand_in: bool = True,
        cancel: Cancel | None = None,
    ) -> NDArray[np.uint8]:
        """A region at 1:1 ready for display: (height, width, 3) uint8, sRGB; see `view`.

        Parameters
        ----------
        y0, x0 : int
            First row and column, in pixels of the result.
        height, width : int
            In pixels; at most what is left of the frame.
        upto : int, optional
            After how many of the recipe's steps; default: all.
        layer : {"both", "starless", "stars"}
            What is seen where stars lie apart.
        stand_in : bool
            Whether a linear frame is shown through a stretch that is not part of the recipe.
        cancel : Cancel, optional

        Returns
        -------
        ndarray, shape (height, width, 3), uint8

        Raises
        ------
        Cancelled
            When ``cancel`` is set meanwhile.
        """
        chain = self._full.settled(self._shown_steps(upto, stand_in), self._frozen, cancel)
        return display(self._region(chain, Rect(y0, x0, y0 + height, x0 + width), layer, cancel=cancel))

    def draft_loupe(
        self,
        y0: int,
        x0: int,
        height: int,
        width: int,
        *,
        view_width: float,
        upto: int | None = None,
        layer: Layer = "both",
        stand_in: bool = True,
    ) -> CloseUp | None:
        """`loupe` with the facts of an approximate `view` of ``view_width``: what a control in motion shows close up.

        None where some of those facts were measured on a smaller frame and do not serve the full one.

        Parameters
        ----------
        y0, x0 : int
            First row and column, in pixels of the result.
        height, width : int
            In pixels; at most what is left of the frame.
        view_width : float
            Width of that view, in pixels.
        upto : int, optional
            After how many of the recipe's steps; default: all.
        layer : {"both", "starless", "stars"}
            What is seen where stars lie apart.
        stand_in : bool
            Whether a linear frame is shown through a stretch that is not part of the recipe.

        Returns
        -------
        CloseUp or None
        """
        steps = self._shown_steps(upto, stand_in)
        chain, unknown = self._full.known_soon(steps, self._frozen)
        rect = Rect(y0, x0, y0 + height, x0 + width)
        with self._lock, self._pool.working():
            whole = self._fit_views.on_full_frame(chain, unknown, self._scale(chain, unknown, view_width))
            if whole is None:
                return None
            # What is drafted will be made anew: none of its tiles is worth finishing.
            region = self._region(whole, rect, layer, near=bool(unknown))
        return CloseUp(display(region), draft=bool(unknown))

    def fit(self, width: int, *, upto: int | None = None, layer: Layer = "both") -> NDArray[np.uint8]:
        """The whole frame reduced to ``width`` pixels (never enlarged), ready for display: (h, w, 3) uint8, sRGB.

        The stack is averaged down first and every step then works on the reduced frame with full-resolution facts,
        so neighborhood steps are shown approximately; `loupe` is exact.

        Parameters
        ----------
        width : int
            In pixels.
        upto : int, optional
            After how many of the recipe's steps; default: all.
        layer : {"both", "starless", "stars"}
            What is seen where stars lie apart.

        Returns
        -------
        ndarray, shape (h, w, 3), uint8
        """
        return self.view(width, upto=upto, layer=layer).pixels

    def view(
        self,
        width: float,
        *,
        upto: int | None = None,
        draft: bool = False,
        layer: Layer = "both",
        stand_in: bool = True,
    ) -> View:
        """`fit` with what belongs to it.

        Parameters
        ----------
        width : float
            In pixels; a fraction sets the scale more finely than whole pixels can.
        upto : int, optional
        draft : bool
            Whether an approximation will do where facts are not known yet: those of a moment ago, where the frame is
            still much like it was, or facts measured on a sample of the full frame or on the reduced one, which takes
            milliseconds to tenths of a second where the full frame takes seconds.
        layer : {"both", "starless", "stars"}
            What is seen where stars lie apart; both are joined as `JoinStars` joins them with its default settings.
        stand_in : bool
            Whether a linear frame is shown through a stretch that is not part of the recipe; else it is shown as it
            is, which is nearly black.

        Returns
        -------
        View

        Raises
        ------
        WorkbenchError
            When ``width`` is below 1.
        """
        if width < 1:
            raise WorkbenchError(f"a view needs a width of at least 1 pixel, not {width}")
        steps = self._shown_steps(upto, stand_in)
        unknown: Sequence[Unknown] = ()
        if draft:
            chain, unknown = self._full.known_soon(steps, self._frozen)
        else:
            chain = self._full.settled(steps, self._frozen)
        scale = self._scale(chain, unknown, width)
        with self._lock, self._pool.working():
            made = self._fit_views.frame(chain, unknown, scale)
        shape = (made.full.height, made.full.width, made.full.channels)
        stretched = stand_in and self.tone(upto) == Tone.LINEAR
        seen = layer_of(made.planes, layer, made.full.layers)
        return View(display(seen), seen, scale, made.approximate, shape, stretched, made.place, made.full_place)

    def reduced_planes(self, width: int, *, upto: int | None = None) -> Planes | None:
        """The reduced frame (C, h, w) float32 after ``upto`` steps behind a view of this width, if it is at hand.

        Parameters
        ----------
        width : int
            In pixels.
        upto : int, optional
            After how many of the recipe's steps; default: all.

        Returns
        -------
        ndarray, shape (C, h, w), float32, or None
            Not to be changed.
        """
        steps = self._shown_steps(None)
        chain = self._full.known(steps, self._frozen)
        scale = self._scale(chain, (), width)
        count = sum(upto is None or bound.index < upto for bound in chain.steps)
        part = chain.first(count)
        planes = self._fit_views.at_hand(part, scale)
        return None if planes is None else layer_of(planes, "both", part.after.layers)

    def mask(self, index: int, width: float) -> SeenMask | None:
        """The mask of a step over the whole frame before it; None where there is none, or its facts are not known.

        Parameters
        ----------
        index : int
            Place of the step, from 0; it need not be on.
        width : float
            Of the view, in pixels.

        Returns
        -------
        SeenMask or None
        """
        step = self._recipe[index]
        steps = [(i, s) for i, s in self._recipe.active if i < index] + [(index, step)]
        chain = self._full.known(steps, self._frozen)
        if step.where is None or len(chain) < len(steps):
            return None
        before = chain.first(len(chain) - 1)
        scale = self._scale(before, (), width)
        with self._lock, self._pool.working():
            state = self._fit_views.settled_state(before, scale)
        bound, planes = chain.reduced(scale).steps[-1], state.layer(step.works_on)
        core = Rect(0, 0, *planes.shape[1:])
        around = core.grown(bound.reach)
        pixels = np.empty((len(planes), around.height, around.width), np.float32)
        cut(planes, around, pixels)
        place = place_of(state.wcs)
        if place is None:
            return None
        return SeenMask(step.where.weights(Tile(pixels, core, bound.reach, bound.before), bound.mask), place)

    # -- facts and chains ------------------------------------------------------------------------------------

    def _part(self, upto: int | None) -> RecipeData:
        return self._recipe if upto is None else self._recipe.upto(upto)

    def _shown_steps(self, upto: int | None, stand_in: bool = True) -> list[tuple[int, Step]]:
        """The steps for display: where they end linear, with a stretch that is not part of the recipe."""
        steps = list(self._part(upto).active)
        if stand_in and self.tone(upto) == Tone.LINEAR:
            steps.append((len(self._recipe), Step(screen_stretch())))
        return steps

    @staticmethod
    def _scale(chain: Chain, unknown: Sequence[Unknown], width: float) -> float:
        """Full-resolution pixels across one of a view of this width of the frame shown."""
        after = changed_frame(chain.after, unknown)
        return max(1.0, after.width * after.scale / width)

    def _region(
        self, chain: Chain, rect: Rect, layer: Layer, *, near: bool = False, cancel: Cancel | None = None
    ) -> Planes:
        made, source = self._full.latest(chain)
        make = near_region if near else exact_region
        with self._lock, self._pool.heeding(cancel or Cancel()):
            planes = make(self._pool, self.cache, chain, made, source, rect)
        return layer_of(planes, layer, chain.after.layers)

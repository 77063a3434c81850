"""What the two sides of the picture show, and how large one is beside the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypedDict

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.bench.model import Session
from workbench.engine import Cancel, CloseUp, Preview, View
from workbench.engine.transform import Transform
from workbench.outputs import Printer
from workbench.recipe.model import Layer

__all__ = ["Comparison", "Side", "same_size"]


class _Seen(TypedDict):
    """What of a preview is seen."""

    upto: int | None
    stand_in: bool
    layer: Layer


@dataclass(frozen=True, slots=True)
class Side:
    """What one side of the picture shows.

    Attributes
    ----------
    preview : Preview
        A recipe with its frozen facts.
    upto : int or None
        How many of its steps; None: all.
    brightened : bool
        Whether linear light is shown through a stretch that is not part of the recipe; else as it is, nearly black.
    layer : {"both", "starless", "stars"}
        What is seen where stars lie apart.
    printer : Printer or None
        As which printer will print it a finished picture is shown.
    """

    preview: Preview
    upto: int | None = None
    brightened: bool = True
    layer: Layer = "both"
    printer: Printer | None = None

    def view(self, width: float, *, draft: bool) -> View:
        """The whole frame, reduced.

        Parameters
        ----------
        width : float
            In pixels.
        draft : bool
            Whether an approximation will do.

        Returns
        -------
        View
        """
        return self.preview.view(width, draft=draft, **self._seen)

    def loupe(self, y0: int, x0: int, height: int, width: int, cancel: Cancel | None = None) -> NDArray[np.uint8]:
        """Pixels of a region at 1:1.

        Parameters
        ----------
        y0, x0 : int
            First row and column.
        height, width : int
            In pixels.
        cancel : Cancel, optional

        Returns
        -------
        ndarray, shape (height, width, 3), uint8
            sRGB.
        """
        return self.preview.loupe(y0, x0, height, width, cancel=cancel, **self._seen)

    def draft_loupe(self, y0: int, x0: int, height: int, width: int, view_width: float) -> CloseUp | None:
        """The same of a drafted view of this width.

        Parameters
        ----------
        y0, x0 : int
            First row and column.
        height, width : int
            In pixels.
        view_width : float
            In pixels.

        Returns
        -------
        CloseUp or None
        """
        return self.preview.draft_loupe(y0, x0, height, width, view_width=view_width, **self._seen)

    def on_paper(self, pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Pixels of this side as they are shown: linear light as it is, a finished picture as it will be printed.

        Parameters
        ----------
        pixels : ndarray, shape (h, w, 3), uint8
            sRGB.

        Returns
        -------
        ndarray, shape (h, w, 3), uint8
            sRGB.
        """
        return pixels if self.printer is None or self.linear else self.printer.printed(pixels)

    def settle(self, cancel: Cancel) -> None:
        """Measure all that is shown on the full frame.

        Parameters
        ----------
        cancel : Cancel
        """
        self.preview.settle(upto=self.upto, stand_in=self.brightened, cancel=cancel)

    @property
    def _seen(self) -> _Seen:
        return {"upto": self.upto, "stand_in": self.brightened, "layer": self.layer}

    @property
    def linear(self) -> bool:
        """Whether the frame shown is linear."""
        return self.preview.tone(self.upto) == Tone.LINEAR

    def transform(self, start: int | None, end: int | None) -> Transform | None:
        """From the frame after ``start`` steps to that after ``end`` (None: all); None while facts are missing.

        Parameters
        ----------
        start, end : int or None
            From 0.

        Returns
        -------
        Transform or None
        """
        # The recipe may be set anew meanwhile; facts must be those of the same one.
        still = self.preview.showing(self.preview.recipe, self.preview.frozen)
        return Transform.between(still.stack, still.recipe, still.known_facts, start, end)

    @property
    def stretch(self) -> int | None:
        """Place of the step that turns the shown frame from linear to display, or None."""
        steps = self.preview.recipe.steps[: self.upto]
        for i, step in enumerate(steps):
            if step.on and step.operation.takes == Tone.LINEAR and step.operation.gives == Tone.DISPLAY:
                return i
        return None


@dataclass(frozen=True, slots=True)
class Comparison:
    """What lies on either side of the divider.

    Attributes
    ----------
    step : int or None
        The far side shows the picture before this step.
    variant : str or None
        The far side shows this variant, whatever ``step`` says; with neither there is no divider.
    upto : int or None
        How many steps the near side shows; None: all.
    """

    step: int | None = None
    variant: str | None = None
    upto: int | None = None

    def state(self) -> dict[str, Any]:
        """What the panels are told."""
        kind = "variant" if self.variant is not None else "none" if self.step is None else "step"
        upto = None if kind == "none" else self.upto
        return {"kind": kind, "step": self.step, "name": self.variant, "upto": upto}

    def near_upto(self, session: Session) -> int | None:
        """How many steps the near side shows; None: all.

        Parameters
        ----------
        session : Session

        Returns
        -------
        int or None
        """
        upto = self.state()["upto"]
        return None if upto is None else min(upto, len(session.steps))

    def far(self, preview: Preview, session: Session) -> Side | None:
        """What the far side shows; None: nothing, or a variant that is no longer there.

        Parameters
        ----------
        preview : Preview
            Of the near side.
        session : Session

        Returns
        -------
        Side or None
        """
        if self.variant in session.variants:
            variant = session.variants[self.variant]
            return Side(preview.showing(variant.recipe, variant.frozen))
        if self.variant is None and self.step is not None:
            return Side(preview, min(self.step, len(session.steps)))
        return None


def same_size(now: Side, before: Side, width: float, most: float) -> float:
    """How wide a view of ``before`` shows things as large as one of ``now`` of this width does.

    It gets ``most`` times as many pixels at most: what a narrow crop cut away is not worth them.

    Parameters
    ----------
    now, before : Side
    width : float
        Of the view of ``now``, in pixels.
    most : float

    Returns
    -------
    float
        In pixels.
    """
    if before == now or (here := now.transform(now.upto, 0)) is None:
        return width
    if (there := before.transform(before.upto, 0)) is None:
        return width
    pixel = here.size * here.frame[1] / width  # of the view, on the stack
    pixels = [t.size**2 * t.frame[0] * t.frame[1] / pixel**2 for t in (here, there)]
    finer = min(1.0, np.sqrt(most * pixels[0] / pixels[1]))
    return float(max(1.0, finer * there.size * there.frame[1] / pixel))

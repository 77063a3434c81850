"""How linear light, nearly black as it is, is shown on a screen: by previews, the bench and lessons alike."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from workbench.measure.background.sky import common_level
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Rect, Tile
from workbench.operations.stretch import Stretch, StretchFacts

__all__ = ["LinearLight", "screen_stretch"]


def screen_stretch() -> Operation:
    """What shows a linear frame where the recipe has not made a picture of it.

    Returns
    -------
    Operation
        From linear to display, with its default settings.
    """
    return Stretch()


@dataclass(frozen=True, slots=True)
class LinearLight:
    """Linear frames in one light, so that what differs between two of them is not how they are shown.

    Attributes
    ----------
    stretch : Stretch
    facts : StretchFacts
        Where black and white lie, and the curve between.
    """

    stretch: Stretch
    facts: StretchFacts

    @classmethod
    def of(cls, steps: Iterable[tuple[Operation, Facts]], planes: Planes) -> Self:
        """The light of a run: its own stretch, or a default one where it has none.

        Parameters
        ----------
        steps : iterable of (Operation, Facts)
        planes : ndarray, shape (C, H, W), float32
            Linear; the default one is measured on it.

        Returns
        -------
        LinearLight
        """
        for operation, facts in steps:
            if isinstance(operation, Stretch) and isinstance(facts, StretchFacts):
                return cls(operation, facts)
        default = Stretch()
        return cls(default, default.measure(Frame(planes)))

    def on_sky_of(self, planes: Planes) -> Self:
        """The same light for a frame with another sky: black lies as far below it.

        Parameters
        ----------
        planes : ndarray, shape (C, H, W), float32
            Linear.

        Returns
        -------
        LinearLight
        """
        sky = [common_level(plane) for plane in planes]
        depth = [s - b for s, b in zip(self.facts.sky, self.facts.black, strict=True)]
        black = tuple(s - d for s, d in zip(sky, depth, strict=True))
        return replace(self, facts=self.facts.model_copy(update={"sky": tuple(sky), "black": black}))

    def shown(self, planes: Planes) -> Planes:
        """A linear frame made visible.

        Parameters
        ----------
        planes : ndarray, shape (C, H, W), float32

        Returns
        -------
        ndarray, shape (C, H, W), float32
            Display code values.
        """
        channels, height, width = planes.shape
        geometry = Geometry(height, width, channels)
        out = np.empty(planes.shape, np.float32)
        tile = Tile(np.array(planes, np.float32, order="C"), Rect(0, 0, height, width), 0, geometry)
        self.stretch.apply(tile, self.stretch.prepare(self.facts, geometry), out)
        return out

    def plain(self, planes: Planes) -> Planes:
        """The numbers of a linear frame between black and white as they are, without a curve.

        Parameters
        ----------
        planes : ndarray, shape (C, H, W), float32

        Returns
        -------
        ndarray, shape (C, H, W), float32
            0 to 1.
        """
        black = np.array(self.facts.black, np.float32)[:, None, None]
        numbers: Planes = np.clip((planes - black) / np.float32(self.facts.span), 0, 1)
        return numbers

"""Commands that limit a step to a part of the frame: masks added, changed, removed and combined."""

from __future__ import annotations

from typing import Any, get_args

from workbench.bench.commands.dispatch import command
from workbench.bench.limits import How, how_of, joined, made_mask, masks_of, start_of
from workbench.bench.model import Session
from workbench.errors import WorkbenchError
from workbench.masks import Mask

__all__ = ["MaskCommands"]


class MaskCommands:
    """The masks that limit a step."""

    session: Session

    @command
    def limit(self, index: int, where: Mask | dict[str, Any] | None) -> None:
        """Limit a step to a part of the frame; None: all of it.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        where : Mask or dict, or None
            In pixels of the frame before the step.

        Raises
        ------
        WorkbenchError
            When the step cannot be limited, or that is no part of a frame.
        """
        self.session.change(index, where=made_mask(where) if isinstance(where, dict) else where)

    @command
    def add_mask(self, index: int, kind: str) -> int:
        """Limit a step by one more mask, and return its number.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        kind : str
            "regions", "brush", "linear", "radial", "brightness", "color", "stars" or "object".

        Returns
        -------
        int
            From 0.

        Raises
        ------
        WorkbenchError
            When there is no such kind, or the step cannot be limited.
        """
        where = self.session.step(index).step.where
        masks = masks_of(where)
        new = start_of(kind, self.session.opened_stack().shape[:2])
        self.session.change(index, where=joined([*masks, new], how_of(where)))
        return len(masks)

    @command
    def change_mask(self, /, index: int, number: int, *, live: bool = False, **settings: Any) -> None:
        """Change settings of one of the masks that limit a step.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        number : int
            Which mask, from 0.
        live : bool
            True while a control is moving: all changes until the next one that is not live undo as one.
        **settings
            New values by name.

        Raises
        ------
        WorkbenchError
            When there is no such mask, or the values are not possible.
        """
        masks = self._masks(index, number)
        masks[number] = made_mask(masks[number].model_dump() | settings)
        self.session.change(index, live=live, where=joined(masks, how_of(self.session.step(index).step.where)))

    @command
    def remove_mask(self, index: int, number: int) -> None:
        """Take one of the masks that limit a step away; without any, it changes the whole frame.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        number : int
            Which mask, from 0.

        Raises
        ------
        WorkbenchError
            When there is no such mask.
        """
        masks = self._masks(index, number)
        del masks[number]
        self.session.change(index, where=joined(masks, how_of(self.session.step(index).step.where)))

    @command
    def combine_masks(self, index: int, how: How) -> None:
        """Say whether any of the masks that limit a step is enough, or all must hold.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        how : {"union", "intersection"}

        Raises
        ------
        WorkbenchError
            When it is neither.
        """
        if how not in get_args(How):
            raise WorkbenchError(f"masks are joined by union or intersection, not by {how!r}")
        self.session.change(index, where=joined(masks_of(self.session.step(index).step.where), how))

    def _masks(self, index: int, number: int) -> list[Mask]:
        """The masks of a step, among which there is this one."""
        masks = list(masks_of(self.session.step(index).step.where))
        if not 0 <= number < len(masks):
            raise WorkbenchError(f"there is no mask {number} (counted from 0) at step {index}; it has {len(masks)}")
        return masks

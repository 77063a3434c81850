"""What was done: all that undo and redo lead to."""

from __future__ import annotations

from collections.abc import Iterable

from workbench.bench.snapshot import Snapshot
from workbench.errors import WorkbenchError

__all__ = ["Timeline"]


class Timeline:
    """Snapshots one after the other, and which of them lies now.

    Parameters
    ----------
    now : Snapshot
        What it begins with.
    past, future : iterable of Snapshot, optional
        What was before it, and what was taken back, each with the nearest last.
    """

    def __init__(self, now: Snapshot, past: Iterable[Snapshot] = (), future: Iterable[Snapshot] = ()) -> None:
        before = list(past)
        self._line = [*before, now, *reversed(list(future))]
        self._here = len(before)
        self._moving: Snapshot | None = None  # what lies now while a control is in motion; no part of the line yet

    @property
    def now(self) -> Snapshot:
        """What lies now."""
        return self._moving or self._line[self._here]

    @property
    def here(self) -> int:
        """Place in the line of what lies now."""
        return self._here

    @property
    def past(self) -> list[Snapshot]:
        """What undo leads to, the nearest last."""
        return self._line[: self._here]

    @property
    def future(self) -> list[Snapshot]:
        """What redo leads to, the nearest last."""
        return self._line[: self._here : -1]

    @property
    def line(self) -> list[Snapshot]:
        """All of them, the oldest first."""
        return [*self._line[: self._here], self.now, *self._line[self._here + 1 :]]

    @property
    def can_undo(self) -> bool:
        """Whether there is something to take back."""
        return self._here > 0

    @property
    def can_redo(self) -> bool:
        """Whether something was taken back."""
        return self._here < len(self._line) - 1

    @property
    def last_change(self) -> tuple[Snapshot, Snapshot]:
        """What lay before and after what `undo` takes back; twice the same where there is nothing."""
        return (self.past or [self.now])[-1], self.now

    @property
    def next_change(self) -> tuple[Snapshot, Snapshot]:
        """What lies before and after what `redo` makes again; twice the same where there is nothing."""
        return self.now, (self.future or [self.now])[-1]

    def put(self, snapshot: Snapshot, *, live: bool = False) -> None:
        """Lay something else; what was taken back is forgotten.

        Parameters
        ----------
        snapshot : Snapshot
        live : bool
            While a control is moving: all that is put until the next one that is not live is one change.
        """
        self._moving = snapshot
        if not live:
            self.rest()

    def rest(self) -> None:
        """The control moves no more: what it has changed is one change, if it has changed anything."""
        moved = self._moving
        if moved is not None and moved != self._line[self._here]:
            self._line[self._here + 1 :] = [moved]
            self._here += 1
        self._moving = None  # last: other threads look at what lies now at any moment

    def undo(self) -> None:
        """Go one back.

        Raises
        ------
        WorkbenchError
            At the beginning.
        """
        self.rest()
        if not self.can_undo:
            raise WorkbenchError("there is nothing to undo")
        self._here -= 1

    def redo(self) -> None:
        """Go one forward.

        Raises
        ------
        WorkbenchError
            At the end.
        """
        self.rest()
        if not self.can_redo:
            raise WorkbenchError("there is nothing to redo")
        self._here += 1

    def go_to(self, place: int) -> None:
        """Go to a place of the line.

        Parameters
        ----------
        place : int
            From 0, the oldest.

        Raises
        ------
        WorkbenchError
            Where there is no such place.
        """
        self.rest()
        last = len(self._line) - 1
        if not 0 <= place <= last:
            raise WorkbenchError(f"there is no change {place} to go to (counted from 0); the last is {last}")
        self._here = place

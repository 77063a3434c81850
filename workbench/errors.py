"""The one error a person meets: a sentence saying what is wrong, with which file or step, and what to do."""

from __future__ import annotations

from typing import Self

__all__ = ["Cancelled", "WorkbenchError"]


class WorkbenchError(Exception):
    """A request or an input that cannot be used, told as one sentence for a photographer.

    Parameters
    ----------
    message : str
        The sentence.
    step : int, optional
        Place (from 0) of the step of the recipe that it is about.
    reason : str, optional
        The sentence without the words that name the step, for where the step is in sight. Default: ``message``.
    """

    def __init__(self, message: str = "", *, step: int | None = None, reason: str | None = None) -> None:
        super().__init__(message)
        self.step = step
        self.reason = message if reason is None else reason

    def at_step(self, index: int, name: str) -> Self:
        """The same error, naming the step (place from 0, and recipe id) at which it came up."""
        return type(self)(f"step {index + 1} ({name}): {self}", step=index, reason=str(self))


class Cancelled(WorkbenchError):  # noqa: N818 - it reports a wish, not a fault
    """The work was stopped on request; nothing was written."""

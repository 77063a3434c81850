"""The one error a person meets: a sentence saying what is wrong, with which file or step, and what to do."""

from __future__ import annotations

from typing import Self

__all__ = ["Cancelled", "WorkbenchError", "brief"]

_LONGEST = 60


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
        """The same error, naming the step (place from 0, and recipe id) at which it came up.

        Parameters
        ----------
        index : int
            Place of the step in the recipe, from 0.
        name : str
            Recipe id of its operation.

        Returns
        -------
        WorkbenchError
            Of the same class.
        """
        return type(self)(f"step {index + 1} ({name}): {self}", step=index, reason=str(self))


class Cancelled(WorkbenchError):  # noqa: N818 - it reports a wish, not a fault
    """The work was stopped on request; nothing was written."""


def brief(value: object) -> str:
    """A value from a person's file for a sentence; a long one is cut, and a number of thousands of digits counted.

    Parameters
    ----------
    value : object
        What stands in the file.

    Returns
    -------
    str
        At most 60 characters.
    """
    if isinstance(value, int) and abs(value) >= 10**_LONGEST:
        return "a number of very many digits"
    text = repr(value)
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 3]}..."

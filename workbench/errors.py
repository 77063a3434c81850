"""The one error a person meets: a sentence saying what is wrong, with which file or step, and what to do."""

from __future__ import annotations

__all__ = ["Cancelled", "WorkbenchError"]


class WorkbenchError(Exception):
    """A request or an input that cannot be used, told as one sentence for a photographer."""


class Cancelled(WorkbenchError):  # noqa: N818 - it reports a wish, not a fault
    """The work was stopped on request; nothing was written."""

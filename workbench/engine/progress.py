"""Saying how far a run is, and stopping it cleanly."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from workbench.errors import Cancelled
from workbench.lazy import on_first_use
from workbench.threads import Stopped, stoppable

if TYPE_CHECKING:
    import tqdm.auto as tqdm
else:
    tqdm = on_first_use("tqdm.auto")

__all__ = ["Cancel", "Progress", "progress_bar", "watched"]


class Progress(Protocol):
    """Told how far a run is: a share 0..1 of the work, and what is being done."""

    def __call__(self, share: float, doing: str) -> None: ...


class Cancel:
    """A wish to stop, heeded between two tiles or two parts of a measurement. May be set from any thread."""

    def __init__(self) -> None:
        self._event = threading.Event()

    def set(self) -> None:
        """Ask the run to stop."""
        self._event.set()

    @property
    def wanted(self) -> bool:
        """Whether stopping was asked for."""
        return self._event.is_set()

    def check(self) -> None:
        """Raise `Cancelled` when stopping was asked for.

        Raises
        ------
        Cancelled
            When it was.
        """
        if self._event.is_set():
            raise Cancelled("the run was stopped; nothing was written")

    @contextmanager
    def heeded(self) -> Iterator[None]:
        """Stop a measurement inside between two of its parts.

        Yields
        ------
        None

        Raises
        ------
        Cancelled
            When stopping was asked for meanwhile.
        """
        try:
            with stoppable(lambda: not self.wanted):
                yield
        except Stopped:
            self.check()
            raise


@contextmanager
def progress_bar(title: str, *, delay: float = 0.5) -> Iterator[Progress]:
    """A bar on the terminal or in the notebook; runs shorter than ``delay`` seconds show none.

    Parameters
    ----------
    title : str
    delay : float

    Yields
    ------
    callable
        Takes (share, doing).
    """
    form = "{desc} {percentage:3.0f}%|{bar}| {elapsed} of about {remaining} left{postfix}"
    with tqdm.tqdm(total=100.0, desc=title, delay=delay, bar_format=form, leave=False) as bar:

        def tell(share: float, doing: str) -> None:
            bar.set_postfix_str(doing, refresh=False)
            bar.update(max(0.0, 100.0 * share - bar.n))

        yield tell
        # Shares are rounded; a bar that ends short of full would look like a failure in a notebook.
        bar.update(100.0 - bar.n)


def watched() -> bool:
    """Whether a person is likely to see a progress bar: a terminal or a notebook."""
    return sys.stderr.isatty() or "ipykernel" in sys.modules

"""Which methods a page may call, which of them are kept in a log as Python, and who calls them for it."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from contextvars import ContextVar
from functools import wraps
from typing import Any, Literal, TypeVar, cast

from workbench.bench.code import literal
from workbench.bench.model import Session
from workbench.errors import WorkbenchError

__all__ = ["Dispatcher", "background", "beside", "command", "from_page", "lane_of", "request"]

F = TypeVar("F", bound=Callable[..., Any])

#: Where what a page asks for is done: at once, or on another thread because it takes longer than a blink. Looking at
#: pixels and commands in the background (opening, measuring) do not wait for each other.
Lane = Literal["now", "look", "background"]

#: Calls ``work`` at once or from another thread and hands the answer to the page.
Reply = Callable[[Callable[[], Any]], None]

_from_page: ContextVar[bool] = ContextVar("from_page", default=False)


def request(method: F) -> F:
    """Mark a method that the page may call and that changes only what is shown; nothing is logged.

    Parameters
    ----------
    method : callable

    Returns
    -------
    callable
        The marked method.
    """
    return _marked(method, "now")


def beside(lane: Lane) -> Callable[[F], F]:
    """Mark a method that the page may call and that takes a moment; nothing is logged.

    Parameters
    ----------
    lane : {"look", "background"}
        Which thread does it.

    Returns
    -------
    callable
        Marks a method.
    """

    def marked(method: F) -> F:
        return _marked(method, lane)

    return marked


def command(method: F) -> F:
    """Mark a method that a page and a cell may call, of an object that has a ``session``.

    Calls go one after the other, whichever thread they come from; each that succeeds is kept in the session's log as
    Python, but for those of a control still moving (``live``).

    Parameters
    ----------
    method : callable

    Returns
    -------
    callable
        The marked method.
    """

    @wraps(method)
    def one_at_a_time(self: Any, *args: Any, **kwargs: Any) -> Any:
        with self.session.lock:
            value = method(self, *args, **kwargs)
            if not kwargs.get("live"):
                _log(self.session, method.__name__, args, kwargs)
        return value

    return _marked(cast("F", one_at_a_time), "now")


def background(method: F) -> F:
    """Mark a command that takes long: logged like the others, it takes the lock itself where it changes things.

    Parameters
    ----------
    method : callable

    Returns
    -------
    callable
        The marked method.
    """

    @wraps(method)
    def logged(self: Any, *args: Any, **kwargs: Any) -> Any:
        value = method(self, *args, **kwargs)
        with self.session.lock:
            _log(self.session, method.__name__, args, kwargs)
        return value

    return _marked(cast("F", logged), "background")


def _marked(method: F, lane: Lane) -> F:
    method.lane = lane  # type: ignore[attr-defined]
    return method


class Dispatcher:
    """Does what pages ask for, by the name of a marked method of one of the ``owners``, the first that has it."""

    def __init__(self) -> None:
        self.owners: list[Any] = []
        self._threads = {
            name: ThreadPoolExecutor(1, thread_name_prefix=f"bench {name}") for name in ("look", "background")
        }

    def serve(self, owners: Iterable[Any]) -> None:
        """Do what these objects' marked methods do, too.

        Parameters
        ----------
        owners : iterable of object
        """
        self.owners.extend(owners)

    def handle(self, name: str, wanted: dict[str, Any], reply: Reply) -> None:
        """Do what a page asks for and reply, at once or, where it takes long, from another thread.

        Parameters
        ----------
        name : str
        wanted : dict
            Arguments by name.
        reply : callable
            Gets a function that does the work and gives its value.
        """

        def work() -> Any:
            mark = _from_page.set(True)
            try:
                return self.call(name, **wanted)
            finally:
                _from_page.reset(mark)

        lane = next((lane for owner in self.owners if (lane := lane_of(owner, name))), "now")
        if lane == "now":
            reply(work)
        else:
            self._threads[lane].submit(reply, work)

    def call(self, name: str, /, **wanted: Any) -> Any:
        """Call a marked method; arguments that do not fit are told in a sentence.

        Parameters
        ----------
        name : str
        **wanted
            Its arguments.

        Returns
        -------
        object

        Raises
        ------
        WorkbenchError
            When there is no such method, or the arguments do not fit.
        """
        owner = next((owner for owner in self.owners if lane_of(owner, name)), None)
        if owner is None:
            raise WorkbenchError(f"the page asked for {name!r}, which the bench does not know: reload the page")
        method = getattr(owner, name)
        try:
            inspect.signature(method).bind(**wanted)
        except TypeError as error:
            raise WorkbenchError(f"{name}: {error}") from None
        return method(**wanted)

    def close(self) -> None:
        """End the threads."""
        for threads in self._threads.values():
            threads.shutdown(wait=False, cancel_futures=True)


def from_page() -> bool:
    """Whether a page asked for what is being done, and not a cell."""
    return _from_page.get()


def lane_of(owner: Any, name: str) -> Lane | None:
    """Where a method asked for by the page is done; None when it is not for the page.

    Parameters
    ----------
    owner : object
    name : str

    Returns
    -------
    {"now", "look", "background"} or None
    """
    method = getattr(type(owner), name, None) if name.isidentifier() else None
    return getattr(method, "lane", None)


def _log(session: Session, name: str, args: tuple[Any, ...], kwargs: dict[str, Any]) -> None:
    told = [literal(a) for a in args] + [f"{k}={literal(v)}" for k, v in kwargs.items() if k != "live"]
    session.log.append(f"bench.{name}({', '.join(told)})")

"""Marking the methods that the page may call, and keeping a log of them as Python."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from functools import wraps
from typing import Any, Literal, TypeVar, cast

from workbench.bench.code import literal
from workbench.errors import WorkbenchError

__all__ = ["beside", "called", "errand", "gesture", "lane_of", "request"]

F = TypeVar("F", bound=Callable[..., Any])

#: Where a request of the page is done: at once, or beside the others because it takes longer than a blink. Looking at
#: pixels and errands (opening, measuring) do not wait for each other.
Lane = Literal["now", "look", "errand"]


def request(method: F) -> F:
    """Mark a method that the page may call and that changes only what is shown."""
    return _marked(method, "now")


def beside(lane: Lane) -> Callable[[F], F]:
    """Mark a method that the page may call and that takes a moment; nothing is logged."""

    def marked(method: F) -> F:
        return _marked(method, lane)

    return marked


def gesture(method: F) -> F:
    """Mark a method that the page and a cell may call.

    Calls go one after the other, whichever thread they come from; each that succeeds is kept in the object's ``log``
    as Python, but for those of a control still moving (``live``).
    """

    @wraps(method)
    def one_at_a_time(self: Any, *args: Any, **kwargs: Any) -> Any:
        with self.lock:
            value = method(self, *args, **kwargs)
            if not kwargs.get("live"):
                _log(self, method.__name__, args, kwargs)
        return value

    return _marked(cast("F", one_at_a_time), "now")


def errand(method: F) -> F:
    """Mark a gesture that takes long: logged like the others, it takes the lock itself where it changes things."""

    @wraps(method)
    def logged(self: Any, *args: Any, **kwargs: Any) -> Any:
        value = method(self, *args, **kwargs)
        with self.lock:
            _log(self, method.__name__, args, kwargs)
        return value

    return _marked(cast("F", logged), "errand")


def lane_of(owner: Any, name: str) -> Lane | None:
    """Where a method asked for by the page is done; None when it is not for the page."""
    method = getattr(type(owner), name, None) if name.isidentifier() else None
    return getattr(method, "lane", None)


def called(owner: Any, name: str, wanted: dict[str, Any]) -> Any:
    """Call a marked method with what the page sent; arguments that do not fit are told in a sentence."""
    method = getattr(owner, name)
    try:
        inspect.signature(method).bind(**wanted)
    except TypeError as error:
        raise WorkbenchError(f"{name}: {error}") from None
    return method(**wanted)


def _marked(method: F, lane: Lane) -> F:
    method.lane = lane  # type: ignore[attr-defined]
    return method


def _log(owner: Any, name: str, args: tuple[Any, ...], kwargs: dict[str, Any]) -> None:
    told = [literal(a) for a in args] + [f"{k}={literal(v)}" for k, v in kwargs.items() if k != "live"]
    owner.log.append(f"bench.{name}({', '.join(told)})")

"""Whatever goes wrong becomes one sentence and an exit code; a traceback is never the answer to a mistake."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from typing import Any

from typer import echo

from workbench.errors import Cancelled, WorkbenchError

__all__ = [
    "DONE",
    "FAILED_CHECK",
    "STOPPED",
    "TRACEBACK",
    "UNUSABLE",
    "ended_as_interrupted",
    "guarded",
    "in_words",
    "tell",
]

DONE, FAILED_CHECK, UNUSABLE = 0, 1, 2
STOPPED = 130  #: what shells report of a program stopped by its interrupt key

_STOPPED_EARLY = "stopped; nothing was written"

#: Set to anything to see the Python traceback of a fault of the program itself.
TRACEBACK = "WORKBENCH_TRACEBACK"


def tell(sentence: str) -> None:
    """Say something on standard error."""
    with contextlib.suppress(OSError):
        echo(f"workbench: {sentence}", err=True)


@contextlib.contextmanager
def ended_as_interrupted() -> Iterator[None]:
    """A request to end (``kill``, a terminal that closes) acts like the interrupt key, so that nothing is left behind.

    Python would otherwise end on the spot, with the temporary file of what was just being written. A signal that is
    ignored, as under ``nohup``, stays ignored.
    """
    asked = [getattr(signal, name, None) for name in ("SIGTERM", "SIGHUP", "SIGBREAK")]
    mine = threading.current_thread() is threading.main_thread()
    taken = [number for number in asked if mine and number and signal.getsignal(number) is signal.SIG_DFL]
    for number in taken:
        signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number in taken:
            signal.signal(number, signal.SIG_DFL)


def guarded(command: Callable[[], Any]) -> int:
    """Run a command and return its exit code; what it raises is told in a sentence."""
    try:
        with ended_as_interrupted():
            code = command()
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader (`head`, a pager) has seen enough. Python flushes once more at exit: give it somewhere to.
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except (KeyboardInterrupt, Cancelled) as stop:
        tell(str(stop) or _STOPPED_EARLY)
        return STOPPED
    except WorkbenchError as error:
        tell(_one_line(str(error)))
        return UNUSABLE
    except Exception as error:
        if os.environ.get(TRACEBACK):
            raise
        tell(in_words(error))
        return UNUSABLE
    if code == STOPPED:  # the command line's own parser heeds the interrupt key, and says nothing
        tell(_STOPPED_EARLY)
    return code if isinstance(code, int) else DONE


def in_words(error: Exception) -> str:
    """What to say of an error that is not one of our own sentences."""
    if hasattr(error, "format_message"):  # the command line could not be understood
        context = getattr(error, "ctx", None)
        path = context.command_path if context is not None else "workbench"
        message = _plain(error.format_message())
        if message.startswith(("Usage:", "Missing command")):
            return "no command was given; 'workbench --help' lists them"
        return f"{message[:1].lower()}{message[1:]}; see '{path} --help'"
    if type(error).__name__ == "Abort":
        return _STOPPED_EARLY
    if isinstance(error, MemoryError):
        return "there is not enough free memory for this; close other programs or bin the stack first"
    if isinstance(error, OSError) and error.strerror:
        place = f"{error.filename}: " if error.filename else ""
        return f"{place}{error.strerror}"
    kind = f"{type(error).__name__}: {_one_line(str(error))}"
    return f"a fault of the program, not of yours ({kind}); please report it, with {TRACEBACK}=1 set for the details"


#: Turns of phrase of the libraries that parse the command line, and what is said in their place.
_PHRASES = (
    (r"Value error, ", ""),
    (r"Input should be a valid integer.*", "it must be a whole number"),
    (r"Input should be a valid number.*", "it must be a number"),
    (r"Input should be ", "it must be "),
    (r"\.? \(?Did you mean ([^?)]*)\??\)?", r" (did you mean \1?)"),
    (r" \(Possible options: ([^)]*)\)", r" (did you mean one of \1?)"),
)


def _plain(message: str) -> str:
    """What the parser of the command line says, in plain words."""
    message = _one_line(message)
    for pattern, words in _PHRASES:
        message = re.sub(pattern, words, message)
    return message.rstrip(".")


def _one_line(message: str) -> str:
    return " ".join(message.split())

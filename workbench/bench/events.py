"""What happens on the bench, as objects: those who show things listen, and those who do things need not know them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from workbench.bench.snapshot import Snapshot
from workbench.checkup import Checkup
from workbench.operations.drawing import Overlay
from workbench.operations.facts import Facts

__all__ = [
    "Busy",
    "CheckedUp",
    "Event",
    "Failed",
    "FilesProgress",
    "Kept",
    "MoveRefused",
    "Opening",
    "OverlaysChanged",
    "Picked",
    "Pictured",
    "Pointed",
    "RecipeChanged",
    "Said",
    "SelectionChanged",
    "Settled",
    "StackOpened",
    "Tell",
    "VariantPictured",
    "VariantsChanged",
    "ViewChanged",
    "Written",
]


class Event:
    """Something that happened on the bench."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Opening(Event):
    """A stack is being read; ``name`` None: it could not be, or lies open now."""

    name: str | None


@dataclass(frozen=True, slots=True)
class StackOpened(Event):
    """Another stack lies on the bench; its recipe follows."""


@dataclass(frozen=True, slots=True)
class RecipeChanged(Event):
    """The recipe is another one; ``moving`` while a control is still in motion."""

    moving: bool = False


@dataclass(frozen=True, slots=True)
class MoveRefused(Event):
    """A step stayed where it was, because it does not fit at the place it was moved to."""

    index: int
    why: str


@dataclass(frozen=True, slots=True)
class SelectionChanged(Event):
    """Another step was chosen."""


@dataclass(frozen=True, slots=True)
class VariantsChanged(Event):
    """A variant was kept or forgotten."""


@dataclass(frozen=True, slots=True)
class ViewChanged(Event):
    """Something else is to be shown: another comparison, the frame of another step."""


@dataclass(frozen=True, slots=True)
class OverlaysChanged(Event):
    """Other overlays are to lie over the picture."""


@dataclass(frozen=True, slots=True)
class Busy(Event):
    """Views are being made."""


@dataclass(frozen=True, slots=True)
class Settled(Event):
    """All facts of what is shown are known."""


@dataclass(frozen=True, slots=True)
class Failed(Event):
    """Views could not be made."""

    error: BaseException


@dataclass(frozen=True, slots=True)
class Pictured(Event):
    """Small pictures of the frame after each step were made: JPEG files, for the steps with these keys."""

    pictures: dict[int, bytes]


@dataclass(frozen=True, slots=True)
class VariantPictured(Event):
    """A small picture of a variant was made: a JPEG file, of the steps that the variant was then."""

    name: str
    picture: bytes
    steps: Snapshot


@dataclass(frozen=True, slots=True)
class CheckedUp(Event):
    """A check-up was made."""

    report: Checkup


@dataclass(frozen=True, slots=True)
class Pointed(Event):
    """The place of a finding is to be seen; ``about`` None: of none any more.

    Attributes
    ----------
    about : str or None
        The finding.
    marks : tuple of Overlay
        In pixels of the stack.
    switches : tuple of str
        Overlays that show it.
    """

    about: str | None = None
    marks: tuple[Overlay, ...] = ()
    switches: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Picked(Event):
    """One of the points that an operation shows was picked, on the picture or in a plot; ``overlay`` empty: none.

    Attributes
    ----------
    overlay : str
        Of the points: the operation's id, a point, and the overlay's name.
    number : int
        Of the point, from 0.
    facts : Facts or None
        The measurement that it belongs to.
    """

    overlay: str = ""
    number: int = 0
    facts: Facts | None = None


@dataclass(frozen=True, slots=True)
class Said(Event):
    """A sentence for the person; ``text`` None takes the last one away."""

    text: str | None
    error: bool = False


@dataclass(frozen=True, slots=True)
class FilesProgress(Event):
    """How far a file is: a share 0..1 and what is being done; ``doing`` None: nothing is being written."""

    share: float = 0.0
    doing: str | None = None


@dataclass(frozen=True, slots=True)
class Written(Event):
    """A file was written."""

    path: str


@dataclass(frozen=True, slots=True)
class Kept(Event):
    """Where the recipe is kept by itself, in words."""

    where: str


#: Takes events, from any thread.
Tell = Callable[[Event], None]

"""Where work starts and leaves: opening a stack, advice, saving, progress and messages."""

from __future__ import annotations

from typing import Any, ClassVar

from workbench import io
from workbench.bench.panel import Handler, Panel

__all__ = ["FORMATS", "Shelf"]

#: Formats of a picture: suffix, words, and the options of `Result.save` that make it.
FORMATS: list[dict[str, Any]] = [
    {"suffix": kind.suffixes[0], "words": offer.words, "options": offer.options}
    for offer, kind in sorted(((o, f) for f in io.FORMATS.values() for o in f.offers), key=lambda pair: pair[0].rank)
]

_START: dict[str, Any] = {
    "stack": None,
    "advice": [],
    "measured": [],
    "placed": {},
    "folder": None,
    "progress": None,
    "saved": [],
    "message": None,
    "doing": None,
    "formats": FORMATS,
    "autosave": "",
}


class Shelf(Panel):
    """The strip above the table."""

    module = "shelf"
    parts: ClassVar[tuple[str, ...]] = ("shelf-open", "shelf-leave")

    def __init__(self, handler: Handler, **kwargs: Any) -> None:
        super().__init__(handler, state=dict(_START), **kwargs)

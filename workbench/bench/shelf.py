"""Where work starts and leaves: opening a stack, advice, saving, progress and messages."""

from __future__ import annotations

from typing import Any, ClassVar

from workbench.bench.panel import Handler, Panel

__all__ = ["FORMATS", "Shelf"]

#: Formats of a picture: suffix, words, and the options of `Result.save` that make it.
FORMATS: list[dict[str, Any]] = [
    {"suffix": ".tif", "words": "TIFF, 16 bits: for printing and archives", "options": {}},
    {
        "suffix": ".tif",
        "words": "TIFF, 32-bit floating point: for work in other programs",
        "options": {"float32": True},
    },
    {"suffix": ".png", "words": "PNG, 16 bits: exact and smaller", "options": {}},
    {"suffix": ".jpg", "words": "JPEG: for sending and the web", "options": {}},
    {"suffix": ".fits", "words": "FITS, 32-bit floating point: for measuring", "options": {"float32": True}},
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

"""The picture panel: takes frames from the threads that make them to every page that shows them."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, ClassVar

from workbench.bench.panel import Handler, Panel

__all__ = ["Viewer"]

_START: dict[str, Any] = {
    "frame": None,
    "tool": "look",
    "overlays": {},
    "overlay_data": {},
    "compare": {"kind": "none", "step": None, "name": None},
    "steps": [],
    "variants": [],
    "divider": 0.5,
    "busy": False,
    "message": "",
    "frame_of": None,
}


class Viewer(Panel):
    """The picture: zoom, exact pixels, before and after, overlays, and the gestures made on it.

    Parameters
    ----------
    handler : callable
        Gets what the page asks for, see `Panel`; the panel itself answers ``hello``, with which a page asks for the
        frames that went out before it was there.
    """

    module = "viewer"
    parts: ClassVar[tuple[str, ...]] = (
        "viewer-words",
        "viewer-view",
        "viewer-frames",
        "viewer-sides",
        "viewer-overlays",
        "viewer-closeups",
        "viewer-readout",
        "viewer-tools",
        "viewer-handles",
        "viewer-compare",
        "viewer-input",
        "viewer-layout",
    )

    def __init__(self, handler: Handler, **kwargs: Any) -> None:
        self._last: dict[str, tuple[dict[str, Any], list[bytes]]] = {}
        # Reentrant: a page that is gone may answer a send with a message of its own.
        self._sending = threading.RLock()

        def answered(name: str, wanted: dict[str, Any], reply: Callable[[Callable[[], Any]], None]) -> None:
            if name == "hello":
                reply(self.show_again)
            else:
                handler(name, wanted, reply)

        super().__init__(answered, state=dict(_START), **kwargs)

    def send_frame(self, message: dict[str, Any], buffers: list[bytes]) -> None:
        """Send pixels to the page, from any thread; the last whole frame of each side is kept for pages that come.

        Parameters
        ----------
        message : dict
            ``kind`` "fit" (a JPEG of the whole frame) or "loupe" (RGB bytes of a part), ``side`` "now" or "before",
            ``generation``, and what belongs to the kind. By the places on the stack that come with each fit view the
            page lines up the two sides.
        buffers : list of bytes
        """
        with self._sending:
            if message["kind"] == "fit":
                self._last[message["side"]] = (message, buffers)
            self.send(message, buffers)

    def show_again(self) -> int:
        """Send the last frames again, marked so that pages that have them do nothing; returns how many."""
        with self._sending:
            newest = max((message["generation"] for message, _ in self._last.values()), default=0)
            current = [frame for frame in self._last.values() if frame[0]["generation"] == newest]
            for message, buffers in current:
                self.send({**message, "again": True}, buffers)
        return len(current)

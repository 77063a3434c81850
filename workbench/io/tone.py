"""Is a file still linear? What speaks for and against it, and when that is enough."""

from __future__ import annotations

from workbench.acquisition import Tone
from workbench.io.decoded import Raw

__all__ = ["judge"]


def judge(raw: Raw) -> tuple[Tone, list[str]]:
    if raw.tone is not None:
        return raw.tone, []
    return Tone.LINEAR, []

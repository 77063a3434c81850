"""Libraries that decode files say what they find odd in them to the log; here they are kept quiet."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator

__all__ = ["calm_decoders"]


class _Mute(logging.Filter):
    def filter(self, record: logging.LogRecord) -> bool:
        return False


@contextlib.contextmanager
def calm_decoders() -> Iterator[None]:
    """Keep notes of tifffile and imagecodecs on odd files off the screen: what matters becomes a remark or an error."""
    loggers, mute = [logging.getLogger(name) for name in ("tifffile", "imagecodecs")], _Mute()
    for logger in loggers:
        logger.addFilter(mute)
    try:
        yield
    finally:
        for logger in loggers:
            logger.removeFilter(mute)

"""What a file may claim before any memory is taken for it."""

from __future__ import annotations

from workbench.errors import WorkbenchError

__all__ = ["MAX_PIXELS", "check_size"]

#: More pixels than any mosaic this project is made for (half a gigapixel: 6 GiB of RGB float32).
MAX_PIXELS = 1 << 29
#: Slack for tiny files, in bytes, when the claimed size is held against the file's.
_SLACK = 1 << 20


def check_size(name: str, height: int, width: int, samples: int, *, stored: int, available: int, ratio: int) -> None:
    """Refuse, before any memory is taken, a frame that the file cannot hold.

    Parameters
    ----------
    name : str
        File, for the message.
    height, width, samples : int
        What the header claims.
    stored : int
        Bytes the samples take when unpacked.
    available : int
        Bytes in the file.
    ratio : int
        The most that the file's compression can shrink (1: not compressed).

    Raises
    ------
    WorkbenchError
    """
    if height < 1 or width < 1 or samples < 1:
        raise WorkbenchError(f"{name} says it is {width} x {height} pixels: it holds no image")
    if height * width > MAX_PIXELS:
        raise WorkbenchError(
            f"{name} says it is {width} x {height} pixels, more than the {MAX_PIXELS / 1e6:.0f} million that can be "
            "read: the file is damaged, or needs to be cut into parts"
        )
    if stored > available * ratio + (_SLACK if ratio > 1 else 0):
        raise WorkbenchError(
            f"{name} says it is {width} x {height} pixels, but its {available} bytes cannot hold them: "
            "the file is cut off or damaged; copy or write it again"
        )

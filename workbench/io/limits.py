"""What a file may claim and how much of it is unpacked, so that no file takes the memory or the time of a computer.

The figures are far above what stacks need. A person who has a larger file gives a `Limits` of their own to
`workbench.read`, `workbench.io.decode` or `workbench.io.embedded`.
"""

from __future__ import annotations

from dataclasses import dataclass

from workbench.errors import WorkbenchError
from workbench.memory import free_memory, in_gigabytes

__all__ = ["STANDARD", "Limits", "check_memory", "check_size", "shown"]


@dataclass(frozen=True, slots=True)
class Limits:
    """The most that is taken from a file.

    Attributes
    ----------
    pixels : int
        Of the image: half a gigapixel, which is 6 GiB of RGB float32.
    scratch_pixels : int
        Of an image whose frame lies in scratch files: 34 gigapixels, 412 GB of RGB float32. The disk is asked.
    header_bytes : int
        Of one FITS header: 4 MB, which is 52 000 cards.
    skipped_bytes : int
        Unpacked bytes of a gzip file that are passed over on the way to the image: 1 GB, some three seconds.
    text_bytes : int
        Of an XMP packet, and of a text in it, when unpacked: 64 MB. Recipes have a few kB, records a few MB.
    text_elements : int
        XML elements of a packet: 50 000.
    scans : int
        Passes of a progressive JPEG over its image: 64. Writers make about ten.
    free_memory : int or None
        Bytes that may be taken for the frame; None: what the computer has free.
    """

    pixels: int = 1 << 29
    scratch_pixels: int = 1 << 35
    header_bytes: int = 4_000_000
    skipped_bytes: int = 1_000_000_000
    text_bytes: int = 64_000_000
    text_elements: int = 50_000
    scans: int = 64
    free_memory: int | None = None


STANDARD = Limits()
#: Slack for tiny files, in bytes, when the claimed size is held against the file's.
_SLACK = 1 << 20
ALWAYS_THERE = 1 << 28  #: frames of less than a quarter of a GB are not asked for


def check_size(
    name: str,
    height: int,
    width: int,
    samples: int,
    *,
    stored: int,
    available: int,
    ratio: float,
    limits: Limits = STANDARD,
) -> None:
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
    ratio : float
        The most that the file's compression can shrink (1: not compressed).
    limits : Limits

    Raises
    ------
    WorkbenchError
    """
    if height < 1 or width < 1 or samples < 1:
        raise WorkbenchError(f"{name} says it is {shown(width)} x {shown(height)} pixels: it holds no image")
    if height * width > limits.pixels:
        raise WorkbenchError(
            f"{name} says it is {shown(width)} x {shown(height)} pixels, more than the {limits.pixels / 1e6:.0f} "
            "million that are read into memory: the file is damaged, or --scratch FOLDER works on it on disk "
            "(in Python scratch=, or limits=Limits(pixels=...) raises the limit)"
        )
    if stored > available * ratio + (_SLACK if ratio > 1 else 0):
        raise WorkbenchError(
            f"{name} says it is {width} x {height} pixels, but its {available} bytes cannot hold them: "
            "the file is cut off or damaged; copy or write it again"
        )


def check_memory(name: str, height: int, width: int, needed: int, limits: Limits = STANDARD) -> None:
    """Refuse a frame for which there is not enough memory, before it is taken.

    Parameters
    ----------
    name : str
        File, for the message.
    height, width : int
        Pixels.
    needed : int
        Bytes of the float frame and of what is held beside it while reading.
    limits : Limits

    Raises
    ------
    WorkbenchError
    """
    if needed < ALWAYS_THERE and limits.free_memory is None:
        return
    free = limits.free_memory if limits.free_memory is not None else free_memory()
    if free is not None and needed > free:
        raise WorkbenchError(
            f"{name} has {width} x {height} pixels: reading it needs {in_gigabytes(needed)} of memory, "
            f"{in_gigabytes(free)} are free; close other programs, or work on disk with --scratch FOLDER "
            "(in Python scratch=)"
        )


def shown(number: int) -> str:
    """A number from a file for a sentence; long ones are cut.

    Parameters
    ----------
    number : int

    Returns
    -------
    str
    """
    if abs(number) < 10**12:
        return str(number)
    return f"{number:.3g}" if abs(number) < 10**300 else "far too many"

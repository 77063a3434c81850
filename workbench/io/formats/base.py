"""What a file format declares, and what its reader and its writer are given and give back."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Tone
from workbench.errors import WorkbenchError
from workbench.io.calm import calm_decoders
from workbench.io.float_frame import FloatFrame
from workbench.io.limits import STANDARD, Limits
from workbench.io.metadata.xmp import Carried, parse
from workbench.io.scratch import Scratch

if TYPE_CHECKING:
    from astropy.io import fits
    from astropy.wcs import WCS

#: How libraries say that a file is of a kind they do not know.
_UNSUPPORTED = re.compile(
    r"not (supported|implemented)|unsupported|is not a known|no such codec|could not import", re.IGNORECASE
)

__all__ = [
    "Embedded",
    "Format",
    "Offer",
    "Option",
    "RawFrame",
    "ReadRequest",
    "WriteRequest",
    "damaged",
    "embedded_in",
    "fault",
    "library_calls",
    "unsupported",
]


@dataclass(frozen=True, slots=True)
class ReadRequest:
    """What the caller laid down about reading.

    Attributes
    ----------
    white_level : float or None
        Stored value that becomes 1.0, in place of the rule in `workbench.io`.
    rows : {'top-down', 'bottom-up'} or None
        Which row the file stores first, in place of what the file or its format's convention says.
    limits : Limits
        The most that is taken from the file.
    scratch : Scratch or None
        Where a frame lies that may be larger than memory, for formats that are read in pieces.
    """

    white_level: float | None = None
    rows: str | None = None
    limits: Limits = STANDARD
    scratch: Scratch | None = None


@dataclass(slots=True)
class RawFrame:
    """A frame as read, before white level and missing samples are settled.

    Attributes
    ----------
    frame : FloatFrame
    sample : str
        Sample type in the file.
    bits : int
        Bits a sample uses.
    white_rule : str or None
        For integers, whose white level is known while reading; None for floats, settled afterwards.
    stated_white : float or None
        White level that the file states.
    acquisition : Acquisition
    wcs : astropy.wcs.WCS or None
        Sky solution with rows counted from the top.
    tone : Tone or None
        Tone that the file states in our own metadata.
    encoding : {'curved', 'straight'} or None
        What else in the file claims about tone, see ``claim``.
    claim : str
        Where the claim stands, such as "its ICC profile".
    always_display : bool
        The format holds nothing but finished pictures (JPEG).
    remarks : list of str
        What reading found worth saying.
    """

    frame: FloatFrame
    sample: str
    bits: int
    white_rule: str | None = None
    stated_white: float | None = None
    acquisition: Acquisition = field(default_factory=Acquisition)
    wcs: WCS | None = None
    tone: Tone | None = None
    encoding: str | None = None
    claim: str = ""
    always_display: bool = False
    remarks: list[str] = field(default_factory=list)

    def take(self, carried: Carried) -> None:
        """Put what a packet of ours says onto the frame; our own words win over the format's.

        Parameters
        ----------
        carried : Carried
        """
        if carried.unread:
            self.remarks.append(carried.unread)
        if carried.tone is not None:
            self.tone = carried.tone
        if carried.white_level is not None and self.white_rule is None:
            self.stated_white = carried.white_level
        if carried.acquisition is not None:
            self.acquisition = self.acquisition.merged(carried.acquisition)
        if carried.sky_header and self.wcs is None:
            self.wcs = carried.sky_solution(self.frame.pixels.shape[0])


@dataclass(frozen=True, slots=True)
class WriteRequest:
    """An image to be written, checked against what the format can hold.

    Attributes
    ----------
    pixels : ndarray, shape (H, W, C), C in {1, 3}
        float32 with 1.0 white; or uint16 / uint8 samples quantised over their full range.
    dtype : dtype
        Sample type of the file.
    carried : Carried
        What travels beside the pixels.
    wcs_header : astropy.io.fits.Header or None
        Sky solution with rows counted from the bottom, for formats with a place for it.
    coverage : ndarray, shape (H, W), uint8, or None
    packed : bool
        Wrap the whole file in gzip.
    profile : bytes or None
        Color profile of a picture; None: sRGB.
    dpi : float or None
        Pixels per inch of paper.
    options : dict
        Values of all the format's `Option`.
    """

    pixels: NDArray[Any]
    dtype: np.dtype[Any]
    carried: Carried = field(default_factory=Carried)
    wcs_header: fits.Header | None = None
    coverage: NDArray[np.uint8] | None = None
    packed: bool = False
    profile: bytes | None = None
    dpi: float | None = None
    options: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Embedded:
    """Texts inside a picture, each None when it carries none.

    Attributes
    ----------
    recipe : str or None
        The recipe that made it, JSON.
    record : str or None
        The record of that run, JSON.
    """

    recipe: str | None = None
    record: str | None = None


def embedded_in(packets: Iterable[bytes | None], limits: Limits = STANDARD) -> Embedded:
    """The first recipe and the first record among XMP packets.

    Parameters
    ----------
    packets : iterable of bytes or None
    limits : Limits

    Returns
    -------
    Embedded
    """
    found = [parse(packet, limits) for packet in packets]
    return Embedded(
        next((c.recipe for c in found if c.recipe is not None), None),
        next((c.record for c in found if c.record is not None), None),
    )


@dataclass(frozen=True, slots=True)
class Option:
    """A choice of one format's files, a keyword of `workbench.io.encode`.

    Attributes
    ----------
    name : str
    default : object
    allows : callable
        Whether a value can be used.
    words : str
        What the values are: "must be ...".
    elsewhere : bool
        Whether a value that is not the default passes for files of other formats, where it means nothing.
    span : tuple of (int, int) or None
        Least and most of a whole number that a person may choose; the bench has a field for it.
    """

    name: str
    default: Any
    allows: Callable[[Any], bool]
    words: str
    elsewhere: bool = True
    span: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Offer:
    """A way to save a picture, for lists.

    Attributes
    ----------
    words : str
        What it is good for.
    options : dict
        Arguments of `workbench.io.encode`.
    rank : int
        Place in the list of all formats' offers.
    """

    words: str
    options: dict[str, Any] = field(default_factory=dict)
    rank: int = 100


@dataclass(frozen=True, kw_only=True)
class Format:
    """A file format. Each is the constant ``FORMAT`` of one module in `workbench.io.formats`.

    Attributes
    ----------
    name : str
        As in `Source.format`.
    title : str
        As in sentences.
    magic : tuple of bytes
        First bytes of its files, any of them.
    folder : tuple of str
        Names of files, any of which tells that a folder is an image of this format.
    suffixes : tuple of str
        Ends of file names, lower case with the dot; the usual one first.
    bits : tuple of int
        Bits a sample that it can hold: of 8, 16 (integers), 32 (float).
    read : callable(path, request) -> RawFrame
        Raises `WorkbenchError` for files that cannot be used; runs calls of libraries in `library_calls`.
    write : callable(file, request)
        Writes a whole file to an open one; the caller sees to it that it appears whole or not at all.
    embedded : callable(path, limits) -> Embedded
    rank : int
        Place in lists.
    linear : bool
        Whether a linear stack is at home in it.
    gzip : bool
        Whether ``.gz`` may follow the suffix.
    options : tuple of Option
    offers : tuple of Offer
    """

    name: str
    title: str
    magic: tuple[bytes, ...]
    suffixes: tuple[str, ...]
    bits: tuple[int, ...]
    read: Callable[[Path, ReadRequest], RawFrame]
    write: Callable[[BinaryIO, WriteRequest], None]
    embedded: Callable[[Path, Limits], Embedded]
    rank: int
    linear: bool = True
    gzip: bool = False
    folder: tuple[str, ...] = ()
    options: tuple[Option, ...] = ()
    offers: tuple[Offer, ...] = ()


@contextlib.contextmanager
def library_calls(path: Path, title: str) -> Iterator[None]:
    """Surround calls of libraries on a file's bytes: what they raise on damaged ones has no common class.

    Nothing but such calls belongs inside: an error of the program must not pass for damage of a person's file.

    Parameters
    ----------
    path : Path
    title : str
        Of the format, as in sentences.

    Yields
    ------
    None

    Raises
    ------
    WorkbenchError
        In place of what a library raised.
    """
    with calm_decoders():
        try:
            yield
        except (WorkbenchError, MemoryError):
            raise
        except Exception as error:
            known = isinstance(error, NotImplementedError)
            raise (unsupported(path, title) if known else fault(path, title, str(error))) from error


def fault(path: Path, title: str, said: str) -> WorkbenchError:
    """The sentence about a file that a library could not read: of an unknown kind, or damaged, by what it said.

    Parameters
    ----------
    path : Path
    title : str
        Of the format, as in sentences.
    said : str

    Returns
    -------
    WorkbenchError
        To be raised.
    """
    return (unsupported if _UNSUPPORTED.search(said) else damaged)(path, title)


def damaged(path: Path, title: str) -> WorkbenchError:
    """The sentence about a file whose bytes make no sense.

    Parameters
    ----------
    path : Path
    title : str
        Of the format, as in sentences.

    Returns
    -------
    WorkbenchError
        To be raised.
    """
    return WorkbenchError(f"cannot read {path}: as a {title} file it is damaged; copy or write it again")


def unsupported(path: Path, title: str) -> WorkbenchError:
    """The sentence about a file that is sound, but packed or laid out in a way that the libraries do not know.

    Parameters
    ----------
    path : Path
    title : str
        Of the format, as in sentences.

    Returns
    -------
    WorkbenchError
        To be raised.
    """
    return WorkbenchError(
        f"cannot read {path}: it is a {title} file of a kind that is not supported; save it as TIFF, uncompressed"
    )

"""Reading FITS (standard 4.0): images wherever they lie, plain, packed with gzip, or compressed by tiles."""

from __future__ import annotations

import contextlib
import gzip
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.io import headers, solution
from workbench.io.canvas import Canvas, check_size, file_opener, row_blocks, stream_rows
from workbench.io.decoded import Raw, Wishes
from workbench.io.white import White, integer_white

__all__ = ["COVERAGE", "CREATOR", "RECIPE", "RECORD", "opened", "read_fits", "units"]

CREATOR = "post-stack workbench"  #: the header word CREATOR of our own files
COVERAGE, RECIPE, RECORD = "COVERAGE", "RECIPE", "RUNRECORD"  #: names of our own extensions
_COLOR = 3
_GZIP_RATIO = 1100
#: Tile compression: RICE and GZIP stay under about 1000, HCOMPRESS of a constant does not.
_TILE_RATIO = 50_000
_MAX_HDUS = 1000
_TYPES = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}
_TOP_DOWN, _BOTTOM_UP = "top-down", "bottom-up"


def read_fits(path: Path, wishes: Wishes) -> Raw:
    """Read the first image.

    Raises
    ------
    WorkbenchError
        When there is none, it is not gray or of three colors, or too damaged to read.
    """
    with solution.quiet(), opened(path) as hdus:
        index, hdu = _first_image(hdus)
        header = hdu.header
        layout = _layout(path, hdu)
        remarks = [f"the image lies in extension {index}"] if index else []
        bottom_up, note = _row_order(header, wishes)
        remarks.extend(note)
        stated = _stated_white(header)
        numbers = _Numbers.of(header, wishes.white_level, stated)
        canvas = Canvas(
            layout.height,
            layout.width,
            layout.planes * layout.samples,
            divisor=numbers.white.level if numbers.white else 1.0,
            orientation=4 if bottom_up else 1,
        )
        if isinstance(hdu, fits.CompImageHDU):
            _store_all(hdu.data, layout, numbers, canvas)
        else:
            _stream(path, hdu.fileinfo()["datLoc"], layout, numbers, canvas)
        rule = numbers.white.rule if numbers.white else None
        raw = Raw(canvas, numbers.sample, abs(int(header.get("BITPIX", 0))), rule, stated, remarks=remarks)
        raw.acquisition, doubts = headers.from_fits(header, lambda word: str(header.comments[word]))
        remarks.extend(doubts)
        if header.get("CREATOR") == CREATOR and isinstance(header.get("SITENAME"), str):
            raw.acquisition = replace(raw.acquisition, place=header["SITENAME"])
        raw.wcs = solution.from_header(header, layout.height, bottom_up=bottom_up)
        tone = str(header.get("TONE", "")).strip().lower()
        raw.tone = Tone(tone) if tone in {t.value for t in Tone} else None
        if not _is_gzip(path) or header.get("CREATOR") == CREATOR:
            _others(hdus, index, layout, canvas, bottom_up, remarks)
    return raw


@contextlib.contextmanager
def opened(path: Path) -> Iterator[fits.HDUList]:
    """Open a FITS file, packed or not, through a handle of our own: astropy leaves its own open when it fails."""
    open_it: Callable[[], Any] = partial(gzip.open if _is_gzip(path) else open, path, "rb")
    with open_it() as handle, fits.open(handle, memmap=False, lazy_load_hdus=True) as hdus:
        yield hdus


def units(hdus: fits.HDUList) -> Iterator[tuple[int, Any]]:
    """Number and unit of each header-data unit; a damaged size that leads back in the file ends the walk."""
    last = -1
    for index in range(_MAX_HDUS):
        try:
            hdu = hdus[index]
        except IndexError:
            return
        start = (hdu.fileinfo() or {}).get("hdrLoc", -1)
        if start <= last:
            return
        last = start
        yield index, hdu


def _first_image(hdus: fits.HDUList) -> tuple[int, Any]:
    for index, hdu in units(hdus):
        if hdu.is_image and not isinstance(hdu, fits.GroupsHDU) and len(hdu.shape) > 1:
            return index, hdu
    raise WorkbenchError("it holds no image, only headers or tables")


@dataclass(frozen=True, slots=True)
class _Layout:
    """Samples as stored: ``planes`` of rows of ``samples`` side by side."""

    planes: int
    height: int
    width: int
    samples: int


def _layout(path: Path, hdu: Any) -> _Layout:
    shape = [int(n) for n in hdu.shape]
    while len(shape) > _COLOR and shape[0] == 1:
        shape = shape[1:]
    if len(shape) == 2:
        layout = _Layout(1, shape[0], shape[1], 1)
    elif len(shape) == _COLOR and shape[0] == _COLOR:
        layout = _Layout(_COLOR, shape[1], shape[2], 1)
    elif len(shape) == _COLOR and shape[2] == _COLOR:
        layout = _Layout(1, shape[0], shape[1], _COLOR)
    elif len(shape) == _COLOR and shape[0] == 1:
        layout = _Layout(1, shape[1], shape[2], 1)
    elif len(shape) == _COLOR and shape[2] == 1:
        layout = _Layout(1, shape[0], shape[1], 1)
    else:
        size = " x ".join(str(n) for n in reversed(shape))
        raise WorkbenchError(f"its image is {size}: neither gray nor three colors; save one image per file")
    packed, tiled = _is_gzip(path), isinstance(hdu, fits.CompImageHDU)
    pixels = layout.planes * layout.height * layout.width * layout.samples
    ratio = _GZIP_RATIO if packed else 1
    check_size(
        path.name,
        layout.height,
        layout.width,
        layout.planes * layout.samples,
        stored=pixels * abs(int(hdu.header["BITPIX"])) // 8,
        available=path.stat().st_size,
        ratio=_TILE_RATIO if tiled else ratio,
    )
    return layout


@dataclass(frozen=True, slots=True)
class _Numbers:
    """What stored numbers stand for: value = zero + scale * stored, with ``blank`` for none (standard 4.4.2.5)."""

    dtype: np.dtype[Any]
    scale: float
    zero: float
    blank: int | None
    unsigned: bool
    white: White | None
    sample: str

    @classmethod
    def of(cls, header: fits.Header, given: float | None, stated: float | None) -> _Numbers:
        bitpix = int(header["BITPIX"])
        if bitpix not in _TYPES:
            raise WorkbenchError(f"its header says BITPIX = {bitpix}, which the FITS standard does not know")
        scale, zero = (_float(header, word, value) for word, value in (("BSCALE", 1.0), ("BZERO", 0.0)))
        whole = bitpix > 0 and scale == 1
        unsigned = whole and bitpix > 8 and zero == float(1 << (bitpix - 1))
        signed_byte = whole and bitpix == 8 and zero == -128
        blank = header.get("BLANK") if bitpix > 0 else None
        white, sample = None, f"float{abs(bitpix)}" if bitpix < 0 else f"int{bitpix}, scaled"
        if unsigned or signed_byte or (whole and zero == 0):
            signed = signed_byte or (bitpix > 8 and not unsigned)
            white = integer_white(bitpix, signed=signed, given=given, stated=stated)
            sample = f"{'' if signed else 'u'}int{bitpix}"
        return cls(
            np.dtype(_TYPES[bitpix]),
            scale,
            0.0 if unsigned else zero,
            int(blank) if isinstance(blank, int) else None,
            unsigned,
            white,
            sample,
        )

    def values(self, stored: NDArray[Any]) -> NDArray[Any]:
        """Physical values of a block (already unsigned where `unsigned` says so)."""
        plain = self.scale == 1 and self.zero == 0
        if plain and self.blank is None:
            return stored
        with np.errstate(all="ignore"):
            out = stored * np.float64(self.scale) + self.zero
        if self.blank is not None:
            out[stored == self.blank + ((1 << (8 * self.dtype.itemsize - 1)) if self.unsigned else 0)] = np.nan
        return out


def _float(header: fits.Header, word: str, default: float) -> float:
    value = header.get(word, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not np.isfinite(value):
        raise WorkbenchError(f"its header says {word} = {value!r}, which is not a number")
    return float(value)


def _stream(path: Path, offset: int, layout: _Layout, numbers: _Numbers, canvas: Canvas) -> None:
    packed = _is_gzip(path)
    opener: Callable[[], Any] = partial(gzip.open, path) if packed else file_opener(path)

    def store(block: NDArray[Any], y: int, plane: int) -> None:
        canvas.store(numbers.values(block), y, 0, plane)

    stream_rows(
        opener,
        offset,
        (layout.planes, layout.height, layout.width, layout.samples),
        numbers.dtype,
        store,
        flip_sign=numbers.unsigned,
        sequential=packed,
    )


def _store_all(data: NDArray[Any], layout: _Layout, numbers: _Numbers, canvas: Canvas) -> None:
    """Store an image that astropy unpacked and scaled; only blanks of unscaled integers are left to find."""
    frame = data.reshape(layout.planes, layout.height, layout.width, layout.samples)
    blank = numbers.blank if numbers.white is not None and frame.dtype.kind in "ui" else None
    if blank is not None and numbers.unsigned:
        blank += 1 << (8 * numbers.dtype.itemsize - 1)
    for plane in range(layout.planes):
        y = 0
        for block in row_blocks(frame[plane]):
            canvas.store(block if blank is None else np.where(block == blank, np.nan, block), y, 0, plane)
            y += len(block)


def _row_order(header: fits.Header, wishes: Wishes) -> tuple[bool, list[str]]:
    """Whether the first stored row is the lowest, as the standard recommends (5.1) unless the file says otherwise."""
    said = str(header.get("ROWORDER", "")).strip().lower()
    if wishes.rows is not None:
        return wishes.rows == _BOTTOM_UP, [f"rows were taken as {wishes.rows}, as asked"]
    if said == _TOP_DOWN:
        return False, ["the first row is the top one, as its header says (ROWORDER)"]
    if said == _BOTTOM_UP:
        return True, []
    remark = (
        "the first row is taken as the lowest, the FITS convention; if the picture is mirrored, top for bottom, "
        "use the step turn with two quarter turns and a mirror (in Python rows='top-down')"
    )
    return True, [remark]


def _stated_white(header: fits.Header) -> float | None:
    value = header.get("WHITELEV")
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and np.isfinite(value) and value > 0
    return float(value) if good else None


def _others(
    hdus: fits.HDUList, index: int, layout: _Layout, canvas: Canvas, bottom_up: bool, remarks: list[str]
) -> None:
    """Read our own coverage extension, and say which images were left."""
    try:
        rest = [hdu for at, hdu in units(hdus) if at > index and hdu.is_image and len(hdu.shape) > 1]
    except Exception:  # noqa: BLE001 - damage behind the image does not spoil it, and astropy raises many kinds
        remarks.append("what follows the image in the file is damaged and was not read")
        return
    left = 0
    for hdu in rest:
        if hdu.name == COVERAGE and tuple(hdu.shape) == (layout.height, layout.width) and hdu.header["BITPIX"] == 8:
            data = np.asarray(hdu.data, np.uint8)
            canvas.coverage = np.ascontiguousarray(data[::-1] if bottom_up else data)
        else:
            left += 1
    if left:
        remarks.append(f"the first image was read; {left} other image{'s were' if left > 1 else ' was'} not")


def _is_gzip(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(2) == b"\x1f\x8b"

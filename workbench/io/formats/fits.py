"""FITS (standard 4.0).

Images are read wherever they lie: plain, packed with gzip or compressed by tiles. Planes are written one after the
other, the first row lowest, as most FITS programs expect.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Tone
from workbench.errors import WorkbenchError, brief
from workbench.io.fits_tiles import check_tiles, header_as_before, unpacked
from workbench.io.fits_units import (
    BLOCK,
    GZIP,
    TITLE,
    Unit,
    checksum_remarks,
    header_comment,
    header_word,
    is_gzip,
    opened,
    units,
    whole_number,
)
from workbench.io.float_frame import FloatFrame
from workbench.io.formats.base import (
    Embedded,
    Format,
    Offer,
    RawFrame,
    ReadRequest,
    WriteRequest,
    library_calls,
)
from workbench.io.limits import Limits, check_memory, check_size
from workbench.io.metadata import headers, sky_solution, xmp
from workbench.io.streaming import file_opener, stream_rows
from workbench.io.strips import as_samples, in_order, row_blocks, strips
from workbench.io.white_level import White, integer_white
from workbench.lazy import on_first_use

if TYPE_CHECKING:
    from astropy.io import fits
else:
    fits = on_first_use("astropy.io.fits")

__all__ = ["FORMAT"]

_CREATOR = "post-stack workbench"  #: the header word CREATOR of our own files
_COVERAGE, _RECIPE, _RECORD = "COVERAGE", "RECIPE", "RUNRECORD"  #: names of our own extensions
_COLOR = 3
_GZIP_RATIO = 1100
#: Tile compression: RICE and GZIP stay under about 1000, HCOMPRESS of a constant does not.
_TILE_RATIO = 50_000
_TYPES = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}
_TOP_DOWN, _BOTTOM_UP = "top-down", "bottom-up"
_STRIP_BYTES = 1 << 20
_CARDS = (
    ("exposure_s", "EXPTIME", "[s] exposure of one frame"),
    ("frames", "NCOMBINE", "frames in the stack"),
    ("iso", "ISOSPEED", "ISO setting"),
    ("gain", "EGAIN", "electrons per data unit"),
    ("focal_length_mm", "FOCALLEN", "[mm] focal length"),
    ("pixel_size_um", "XPIXSZ", "[um] pixel pitch"),
    ("f_number", "FOCRATIO", "focal ratio"),
    ("filter", "FILTER", "filter"),
    ("camera", "INSTRUME", "camera"),
    ("date", "DATE-OBS", "start of the exposures"),
    ("place", "SITENAME", "place"),
)


def _read(path: Path, request: ReadRequest) -> RawFrame:
    """Read the first image.

    Raises
    ------
    WorkbenchError
        When there is none, it is not gray or of three colors, or too damaged to read.
    """
    with opened(path) as file:
        rest = units(path, file, request.limits)
        unit = next((u for u in rest if u.is_image), None)
        if unit is None:
            raise WorkbenchError("it holds no image, only headers or tables")
        layout = _layout(path, unit, request)
        if unit.compressed:
            check_tiles(path, file, unit)
        header = header_as_before(path, unit) if unit.compressed else unit.header
        remarks = [f"the image lies in extension {unit.index}"] if unit.index else []
        bottom_up, note = _row_order(header, request)
        remarks.extend(note)
        stated = _stated_white(header)
        numbers = _Numbers.of(header, request.white_level, stated)
        frame = FloatFrame(
            layout.height,
            layout.width,
            layout.planes * layout.samples,
            divisor=numbers.white.level if numbers.white else 1.0,
            orientation=4 if bottom_up else 1,
            scratch=request.scratch,
        )
        if unit.compressed:
            _store_all(unpacked(path, unit), layout, numbers, frame)
        else:
            _stream(path, unit.start, layout, numbers, frame)
        rule = numbers.white.rule if numbers.white else None
        bits = abs(whole_number(header_word(header, "BITPIX")))
        raw = RawFrame(frame, numbers.sample, bits, rule, stated, remarks=remarks)
        ours = header_word(header, "CREATOR") == _CREATOR
        raw.acquisition, doubts = headers.from_fits(partial(header_word, header), partial(header_comment, header))
        remarks.extend(doubts)
        place = header_word(header, "SITENAME")
        if ours and isinstance(place, str):
            raw.acquisition = replace(raw.acquisition, place=place)
        raw.wcs = sky_solution.from_header(header, layout.height, bottom_up=bottom_up)
        tone = str(header_word(header, "TONE", "")).strip().lower()
        raw.tone = Tone(tone) if tone in {t.value for t in Tone} else None
        with library_calls(path, TITLE):
            remarks.extend(checksum_remarks(file, unit))
        if not is_gzip(path) or ours:
            _others(rest, file, layout, frame, bottom_up, remarks)
    return raw


def _embedded(path: Path, limits: Limits) -> Embedded:
    """The texts in our own extensions: tables of one row and one column of bytes."""
    texts: dict[str, str] = {}
    with opened(path) as file:
        for unit in units(path, file, limits):
            form = str(unit.word("TFORM1", "")).strip()
            plain = unit.word("TTYPE1") == "TEXT" and unit.word("NAXIS2") == 1 and form.endswith("B")
            if unit.name in (_RECIPE, _RECORD) and unit.name not in texts and plain:
                with library_calls(path, TITLE):
                    file.seek(unit.start)
                    data = file.read(min(limits.text_bytes, max(0, whole_number(unit.word("NAXIS1")))))
                    texts[unit.name] = data.decode("utf-8", "surrogatepass")
    return Embedded(texts.get(_RECIPE), texts.get(_RECORD))


@dataclass(frozen=True, slots=True)
class _ImageLayout:
    """Samples as stored: ``planes`` of rows of ``samples`` side by side."""

    planes: int
    height: int
    width: int
    samples: int


def _layout(path: Path, unit: Unit, request: ReadRequest) -> _ImageLayout:
    shape = list(unit.shape)
    while len(shape) > _COLOR and shape[0] == 1:
        shape = shape[1:]
    if len(shape) == 2:
        layout = _ImageLayout(1, shape[0], shape[1], 1)
    elif len(shape) == _COLOR and shape[0] == _COLOR:
        layout = _ImageLayout(_COLOR, shape[1], shape[2], 1)
    elif len(shape) == _COLOR and shape[2] == _COLOR:
        layout = _ImageLayout(1, shape[0], shape[1], _COLOR)
    elif len(shape) == _COLOR and shape[0] == 1:
        layout = _ImageLayout(1, shape[1], shape[2], 1)
    elif len(shape) == _COLOR and shape[2] == 1:
        layout = _ImageLayout(1, shape[0], shape[1], 1)
    else:
        size = " x ".join(str(n) for n in reversed(shape))
        raise WorkbenchError(f"its image is {size}: neither gray nor three colors; save one image per file")
    pixels = layout.planes * layout.height * layout.width * layout.samples
    bits = abs(whole_number(unit.word("ZBITPIX" if unit.compressed else "BITPIX")))
    ratio = _GZIP_RATIO if is_gzip(path) else 1
    check_size(
        path.name,
        layout.height,
        layout.width,
        layout.planes * layout.samples,
        stored=pixels * bits // 8,
        available=path.stat().st_size,
        ratio=_TILE_RATIO if unit.compressed else ratio,
        limits=request.limits,
    )
    beside = pixels * bits // 8 * 2 if unit.compressed else 0
    in_floats = 4 * pixels if request.scratch is None else 0
    check_memory(path.name, layout.height, layout.width, in_floats + beside, request.limits)
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
        bitpix = whole_number(header_word(header, "BITPIX"))
        if bitpix not in _TYPES:
            raise WorkbenchError(f"its header says BITPIX = {bitpix}, which the FITS standard does not know")
        scale, zero = (_float(header, word, value) for word, value in (("BSCALE", 1.0), ("BZERO", 0.0)))
        whole = bitpix > 0 and scale == 1
        unsigned = whole and bitpix > 8 and zero == float(1 << (bitpix - 1))
        signed_byte = whole and bitpix == 8 and zero == -128
        blank = header_word(header, "BLANK") if bitpix > 0 else None
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
    value = header_word(header, word, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not np.isfinite(value):
        raise WorkbenchError(f"its header says {word} = {brief(value)}, which is not a number")
    return float(value)


def _stream(path: Path, offset: int, layout: _ImageLayout, numbers: _Numbers, frame: FloatFrame) -> None:
    packed = is_gzip(path)
    opener: Callable[[], Any] = partial(gzip.open, path) if packed else file_opener(path)

    def store(block: NDArray[Any], y: int, plane: int) -> None:
        frame.store(numbers.values(block), y, 0, plane)

    stream_rows(
        opener,
        offset,
        (layout.planes, layout.height, layout.width, layout.samples),
        numbers.dtype,
        store,
        flip_sign=numbers.unsigned,
        sequential=packed,
    )


def _store_all(data: NDArray[Any], layout: _ImageLayout, numbers: _Numbers, frame: FloatFrame) -> None:
    """Store an image that astropy unpacked and scaled; only blanks of unscaled integers are left to find."""
    stored = data.reshape(layout.planes, layout.height, layout.width, layout.samples)
    blank = numbers.blank if numbers.white is not None and stored.dtype.kind in "ui" else None
    if blank is not None and numbers.unsigned:
        blank += 1 << (8 * numbers.dtype.itemsize - 1)
    for plane in range(layout.planes):
        y = 0
        for block in row_blocks(stored[plane]):
            frame.store(block if blank is None else np.where(block == blank, np.nan, block), y, 0, plane)
            y += len(block)


def _row_order(header: fits.Header, request: ReadRequest) -> tuple[bool, list[str]]:
    """Whether the first stored row is the lowest, as the standard recommends (5.1) unless the file says otherwise."""
    said = str(header_word(header, "ROWORDER", "")).strip().lower()
    if request.rows is not None:
        return request.rows == _BOTTOM_UP, [f"rows were taken as {request.rows}, as asked"]
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
    value = header_word(header, "WHITELEV")
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and np.isfinite(value) and value > 0
    return float(value) if good else None


def _others(
    rest: Iterator[Unit], file: BinaryIO, layout: _ImageLayout, frame: FloatFrame, bottom_up: bool, remarks: list[str]
) -> None:
    """Read our own coverage extension, and say which images were left."""
    left = 0
    try:
        for unit in rest:
            if not unit.is_image:
                continue
            plain = unit.shape == (layout.height, layout.width) and unit.word("BITPIX") == 8 and not unit.compressed
            if unit.name == _COVERAGE and plain:
                file.seek(unit.start)
                stored = file.read(unit.size)
                if len(stored) < unit.size:
                    remarks.append("its coverage is cut off and was not read")
                    continue
                data = np.frombuffer(stored, np.uint8).reshape(unit.shape)
                frame.coverage = np.ascontiguousarray(data[::-1] if bottom_up else data)
            else:
                left += 1
    except WorkbenchError:  # damage behind the image does not spoil it
        remarks.append("what follows the image in the file is damaged and was not read")
    if left:
        remarks.append(f"the first image was read; {left} other image{'s were' if left > 1 else ' was'} not")


def _write(file: BinaryIO, request: WriteRequest) -> None:
    """Write one image, its coverage and its texts as extensions; gzip wraps all where it is asked for."""
    if request.packed:
        # mtime 0: the same stack has the same bytes on every day.
        with gzip.GzipFile(filename="", mode="wb", compresslevel=4, fileobj=file, mtime=0) as inner:
            _write_units(cast("BinaryIO", inner), request)
    else:
        _write_units(file, request)


def _write_units(file: BinaryIO, request: WriteRequest) -> None:
    pixels, dtype, carried, coverage = request.pixels, request.dtype, request.carried, request.coverage
    header = _header(
        pixels.shape,
        dtype,
        carried,
        request.wcs_header,
        extended=any(part is not None for part in (coverage, carried.recipe, carried.record)),
    )
    file.write(header.tostring().encode("ascii"))
    height, width, channels = pixels.shape
    parts = [
        (c, *rows) for c in range(channels) for rows in strips(height, width * dtype.itemsize * channels, _STRIP_BYTES)
    ]
    size = 0
    for data in in_order(lambda part: _plane_rows(pixels, dtype, *part), parts):
        size += file.write(data)
    file.write(bytes(-size % BLOCK))
    if coverage is not None:
        upside = np.ascontiguousarray(coverage[::-1])
        extension = fits.ImageHDU(upside, name=_COVERAGE).header
        extension["ROWORDER"] = "BOTTOM-UP"
        _unit(file, extension, upside.tobytes())
    for name, text in ((_RECIPE, carried.recipe), (_RECORD, carried.record)):
        if text is not None:
            data = text.encode("utf-8", "surrogatepass")
            column = fits.Column("TEXT", f"{len(data)}B", array=np.zeros((1, len(data)), np.uint8))
            extension = fits.BinTableHDU.from_columns([column], nrows=1, name=name).header
            extension["COMMENT"] = "one row: the bytes of a UTF-8 text"
            _unit(file, extension, data)


def _unit(file: BinaryIO, header: fits.Header, data: bytes) -> None:
    file.write(header.tostring().encode("ascii"))
    file.write(data)
    file.write(bytes(-len(data) % BLOCK))


def _header(
    shape: tuple[int, ...],
    dtype: np.dtype[Any],
    carried: xmp.Carried,
    wcs_header: fits.Header | None,
    *,
    extended: bool,
) -> fits.Header:
    height, width, channels = shape
    header = fits.Header()
    header["SIMPLE"] = True, "conforms to FITS standard"
    header["BITPIX"] = {"f": -32, "u": dtype.itemsize * 8}[dtype.kind]
    header["NAXIS"] = 2 if channels == 1 else 3
    header["NAXIS1"], header["NAXIS2"] = width, height
    if channels > 1:
        header["NAXIS3"] = channels
    header["EXTEND"] = extended
    if dtype == np.uint16:
        header["BSCALE"], header["BZERO"] = 1, 1 << 15
    header["ROWORDER"] = "BOTTOM-UP", "the first row is the lowest"
    header["WHITELEV"] = 1.0 if dtype.kind == "f" else float(np.iinfo(dtype).max), "stored value that is white"
    header["TONE"] = (carried.tone or Tone.LINEAR).value, "linear, or display (sRGB-encoded)"
    header["CREATOR"] = _CREATOR
    known = (carried.acquisition or Acquisition()).to_dict()
    if wcs_header is not None:
        header.extend(wcs_header, unique=True)
    for name, word, comment in _CARDS:
        if name in known:
            value = known[name]
            header[word] = (_ascii(value) if isinstance(value, str) else value), comment
    if carried.recipe is not None:
        header.add_history(f"made by post-stack workbench; its recipe is in the extension {_RECIPE}")
    return header


def _ascii(text: str) -> str:
    """Header words hold printable ASCII only (standard 4.2.1)."""
    return "".join(c if " " <= c <= "~" else "?" for c in text)


def _plane_rows(pixels: NDArray[Any], dtype: np.dtype[Any], channel: int, y0: int, y1: int) -> bytes:
    """Stored rows ``y0`` to ``y1`` of a plane: the frame's rows counted from its foot."""
    height = pixels.shape[0]
    rows = pixels[height - y1 : height - y0, :, channel][::-1]
    block = as_samples(np.ascontiguousarray(rows), dtype)
    if dtype == np.uint16:
        block = (block ^ np.uint16(0x8000)).view(np.int16)  # the standard stores unsigned less BZERO
    return block.astype(block.dtype.newbyteorder(">")).tobytes()


FORMAT = Format(
    name="fits",
    title=TITLE,
    magic=(b"SIMPLE  =", GZIP),
    suffixes=(".fits", ".fit", ".fts"),
    bits=(8, 16, 32),
    read=_read,
    write=_write,
    embedded=_embedded,
    rank=2,
    gzip=True,
    offers=(Offer("FITS, 32-bit floating point: for measuring", {"float32": True}, rank=5),),
)

"""Zarr (specifications of versions 2 and 3), in a folder or in one ZIP file: arrays in chunks packed one by one.

The layout that programs for very large images share. Read and written by this module alone: an array is a JSON text and
files of samples, and what a chunk may unpack to is known before it is unpacked. Of the codecs those are read that hold
plain samples, packed by zstd, gzip, zlib or Blosc, or not at all; written are 512 x 512 pixels a chunk, by zstd, in one
ZIP file, as a picture appears whole or not at all.

Rows and columns are the last two axes, or those before a last one of color; of the others one may count colors, and the
rest have length one, as in layouts of microscopes (time, color, depth, row, column: OME-Zarr). Of several images in a
hierarchy (the levels of a pyramid) the largest is read.
"""

from __future__ import annotations

import json
import math
import os
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError, brief
from workbench.io.float_frame import FloatFrame
from workbench.io.formats.base import (
    Embedded,
    Format,
    Offer,
    RawFrame,
    ReadRequest,
    WriteRequest,
    damaged,
    embedded_in,
    library_calls,
    unsupported,
)
from workbench.io.limits import Limits, check_memory, check_size
from workbench.io.metadata import xmp
from workbench.io.strips import as_samples, in_order, on_all_cores
from workbench.io.white_level import integer_white
from workbench.io.zarr_store import TITLE, Store, opened

__all__ = ["FORMAT"]

_PIXELS, _COVERAGE = "pixels", "coverage"  #: names of our own arrays
_PACKET = "xmp"  #: attribute of the root: the packet that other formats carry
_CHUNK = 512
_COLOR = 3
_RATIO = 50_000
LARGE_CHUNK = 1 << 22  #: samples; larger chunks than this belong to larger images
_SIDE = 1 << 40  #: samples along an axis; no image has so many
_DIGITS = len(str(_SIDE))
_LONG_AGO = (1980, 1, 1, 0, 0, 0)  # the same picture has the same bytes on every day
_TYPES = ("uint8", "int8", "uint16", "int16", "uint32", "int32", "float32", "float64")


@dataclass(frozen=True, slots=True)
class _Array:
    """An array as its JSON text describes it; a chunk's name is ``start`` and the numbers of its place, joined."""

    shape: tuple[int, ...]
    chunk: tuple[int, ...]
    dtype: np.dtype[Any]
    codec: str
    fill: float
    start: str
    joint: str

    @property
    def counts(self) -> tuple[int, ...]:
        """How many chunks there are along each axis."""
        return tuple(-(-whole // n) for whole, n in zip(self.shape, self.chunk, strict=True))

    def name(self, place: tuple[int, ...]) -> str:
        """Name of the chunk at a place."""
        return self.start + self.joint.join(map(str, place))

    def place(self, name: str) -> tuple[int, ...] | None:
        """Place of the chunk of this name; None where it is none of this array's."""
        numbers = name.removeprefix(self.start).split(self.joint)
        if len(numbers) != len(self.shape) or not all(n.isdecimal() and len(n) <= _DIGITS for n in numbers):
            return None
        place = tuple(map(int, numbers))
        inside = all(p < n for p, n in zip(place, self.counts, strict=True))
        return place if inside and self.name(place) == name else None


@dataclass(frozen=True, slots=True)
class _Layout:
    """An array as an image: its size, the axis of rows, which that of columns follows, and the axis of colors."""

    height: int
    width: int
    rows: int
    colors: int | None
    channels: int


def _read(path: Path, request: ReadRequest) -> RawFrame:
    """Read our own array, or the largest that is an image.

    Raises
    ------
    WorkbenchError
        When there is none, or it is packed in a way that is not known, or damaged.
    """
    with opened(path) as store:
        array, layout, remarks = _image(path, store, request.limits)
        height, width, channels = layout.height, layout.width, layout.channels
        limits, count = request.limits, math.prod(array.chunk)
        if count > max(LARGE_CHUNK, 4 * math.prod(array.shape)):
            raise damaged(path, TITLE)
        stored = math.prod(array.shape) * array.dtype.itemsize
        check_size(
            path.name, height, width, channels, stored=stored, available=store.stored, ratio=_RATIO, limits=limits
        )
        in_floats = 4 * channels * height * width if request.scratch is None else 0
        at_once = 2 * count * array.dtype.itemsize * (os.cpu_count() or 1)
        check_memory(path.name, height, width, in_floats + at_once, limits)
        bits, white = 8 * array.dtype.itemsize, None
        if array.dtype.kind != "f":
            white = integer_white(bits, signed=array.dtype.kind == "i", given=request.white_level, stated=None)
        frame = FloatFrame(
            height,
            width,
            channels,
            divisor=white.level if white else 1.0,
            orientation=4 if request.rows == "bottom-up" else 1,
            scratch=request.scratch,
        )
        absent = each_chunk(path, store, array, layout.rows, partial(_stored, frame, layout))
        if absent:
            value = "no value" if math.isnan(array.fill) else f"the value {array.fill:g}"
            count = math.prod(array.counts)
            remarks.append(f"chunks that are not stored: {absent} of {count}; their pixels have {value}")
        _coverage(path, store, layout, frame, limits)
        raw = RawFrame(frame, str(array.dtype), bits, white.rule if white else None, remarks=remarks)
        raw.take(xmp.parse(_packet(path, store, limits), limits))
    return raw


def _stored(frame: FloatFrame, layout: _Layout, block: NDArray[Any], at: tuple[int, ...]) -> None:
    """Put a part of the array, whose first sample is at a place, into the frame."""
    (y, x), (tall, wide) = (t[layout.rows : layout.rows + 2] for t in (at, block.shape))
    colors = layout.colors
    values = block if colors is None else np.moveaxis(block, colors, -1)
    frame.store(values.reshape(tall, wide, -1), y, x, 0 if colors is None else at[colors])


def _embedded(path: Path, limits: Limits) -> Embedded:
    with opened(path) as store:
        return embedded_in([_packet(path, store, limits)], limits)


def _text(path: Path, store: Store, name: str, limits: Limits) -> dict[str, Any]:
    """A JSON object of the hierarchy."""
    try:
        data = json.loads(store.read(name, 2 * limits.text_bytes))
    except (ValueError, RecursionError):
        raise damaged(path, TITLE) from None
    if not isinstance(data, dict):
        raise damaged(path, TITLE)
    return data


def _packet(path: Path, store: Store, limits: Limits) -> bytes | None:
    if "zarr.json" not in store.names:
        return None
    attributes = _text(path, store, "zarr.json", limits).get("attributes")
    packet = attributes.get(_PACKET) if isinstance(attributes, dict) else None
    return packet.encode("utf-8", "surrogatepass") if isinstance(packet, str) else None


def _image(path: Path, store: Store, limits: Limits) -> tuple[_Array, _Layout, list[str]]:
    """The array that is read, how it lies, and what is worth saying of others."""
    ours = f"{_PIXELS}/zarr.json" if f"{_PIXELS}/zarr.json" in store.names else None
    images: list[tuple[str, _Array, _Layout]] = []
    others, fault = 0, WorkbenchError(
        "it holds no array of rows and columns, gray or in three colors, that could be an image"
    )  # fmt: skip
    for name in sorted(store.names):
        folder, _, end = name.rpartition("/")
        if end not in ("zarr.json", ".zarray") or (ours and folder == _COVERAGE):
            continue
        data = _text(path, store, name, limits)
        if end == "zarr.json" and data.get("node_type") != "array":
            continue
        others += 1
        try:
            array = _array(path, data, folder)
        except WorkbenchError as error:  # such as words beside an image, in which it can be done without
            fault = error
            continue
        layout = _layout(array.shape)
        if layout is not None:
            images.append((name, array, layout))
    if not images:
        raise fault
    images.sort(key=lambda i: (i[0] != ours, -math.prod(i[1].shape), i[0].count("/"), i[0]))
    name, array, layout = images[0]
    said = f"the array {brief(name.rpartition('/')[0])} was read; {others - 1} more were not"
    return array, layout, [said] if others > 1 else []


def _array(path: Path, data: dict[str, Any], folder: str) -> _Array:
    """What a JSON text says of an array."""
    here = f"{folder}/" if folder else ""
    try:
        if data["zarr_format"] == 2:
            shape, chunk = data["shape"], data["chunks"]
            dtype = np.dtype(data["dtype"])
            codec = "" if data["compressor"] is None else str(data["compressor"]["id"])
            separator = data.get("dimension_separator", ".")
            start = here
            plain = data["order"] == "C" and not data.get("filters")
        else:
            shape, chunk = data["shape"], data["chunk_grid"]["configuration"]["chunk_shape"]
            steps = [(str(c["name"]), c.get("configuration") or {}) for c in data["codecs"]]
            encoding = data["chunk_key_encoding"]
            separator = (encoding.get("configuration") or {}).get("separator", "/")
            start = f"{here}c{separator}" if encoding["name"] == "default" else here
            plain = data["data_type"] in _TYPES and data["chunk_grid"]["name"] == "regular"
            plain &= (
                bool(steps) and steps[0][0] == "bytes" and len(steps) <= 2 and encoding["name"] in ("default", "v2")
            )
            order = ">" if steps and steps[0][1].get("endian") == "big" else "<"
            dtype = np.dtype(data["data_type"]).newbyteorder(order) if plain else np.dtype("u1")
            codec = steps[1][0] if len(steps) > 1 else ""
        if not plain or dtype.newbyteorder("=").name not in _TYPES or codec not in _CODECS:
            raise unsupported(path, TITLE)
        sizes = [*shape, *chunk]
        if not all(type(n) is int and 0 < n < _SIDE for n in sizes) or len(shape) != len(chunk):
            raise damaged(path, TITLE)
        if separator not in ("/", "."):
            raise damaged(path, TITLE)
        value = data.get("fill_value")
        fill = float(value) if isinstance(value, (int, float)) else math.nan if value == "NaN" else 0.0
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError):
        raise damaged(path, TITLE) from None
    return _Array(tuple(shape), tuple(chunk), dtype, codec, fill, start, separator)


def _layout(shape: tuple[int, ...]) -> _Layout | None:
    """Which axes are rows, columns and colors, told by their lengths; None for what is no image."""
    many = [axis for axis, length in enumerate(shape) if length != 1]
    last = len(shape) - 1
    if last >= 2 and shape[last] in (1, _COLOR) and not [axis for axis in many if axis < last - 2]:
        return _Layout(shape[last - 2], shape[last - 1], last - 2, last, shape[last])
    colors = [axis for axis in many if axis < last - 1]
    if last < 1 or len(colors) > 1 or (colors and shape[colors[0]] != _COLOR):
        return None
    axis, channels = (colors[0], _COLOR) if colors else (None, 1)
    return _Layout(shape[last - 1], shape[last], last - 1, axis, channels)


def each_chunk(
    path: Path, store: Store, array: _Array, rows: int, take: Callable[[NDArray[Any], tuple[int, ...]], object]
) -> int:
    """Unpack every chunk on all cores, cut to the array, with the place of its first sample.

    Those that are not there, whose number is given back, cost nothing each: a small file can claim any number of them.
    """
    size = math.prod(array.chunk) * array.dtype.itemsize
    places = sorted(place for place in map(array.place, store.names) if place is not None)
    absent = math.prod(array.counts) - len(places)
    if absent:
        _fill(array, rows, take)

    def work(place: tuple[int, ...]) -> None:
        at = tuple(p * n for p, n in zip(place, array.chunk, strict=True))
        part = tuple(slice(0, min(n, whole - a)) for n, whole, a in zip(array.chunk, array.shape, at, strict=True))
        packed = store.read(array.name(place), 2 * size + 4096)
        with library_calls(path, TITLE):
            data = _CODECS[array.codec](packed, size)
        if len(data) != size:
            raise damaged(path, TITLE)
        block = np.frombuffer(data, array.dtype).reshape(array.chunk)[part]
        take(block.astype(array.dtype.newbyteorder("="), copy=False), at)

    on_all_cores(work, places)
    return absent


def _fill(array: _Array, rows: int, take: Callable[[NDArray[Any], tuple[int, ...]], object]) -> None:
    """Hand out the value of chunks that are not there, everywhere, some rows of the axis ``rows`` at a time."""
    kind = array.dtype if not math.isnan(array.fill) else np.dtype(np.float32)
    height, at, shape = array.shape[rows], [0] * len(array.shape), list(array.shape)
    step = max(1, LARGE_CHUNK * height // math.prod(array.shape))
    for y in range(0, height, step):
        at[rows], shape[rows] = y, min(step, height - y)
        take(np.full(shape, array.fill, kind), tuple(at))


def _coverage(path: Path, store: Store, layout: _Layout, frame: FloatFrame, limits: Limits) -> None:
    """Read our own array of coverage."""
    if not {f"{_COVERAGE}/zarr.json", f"{_PIXELS}/zarr.json"} <= store.names:
        return
    array = _array(path, _text(path, store, f"{_COVERAGE}/zarr.json", limits), _COVERAGE)
    shape = layout.height, layout.width
    if array.shape != shape or array.dtype != np.uint8 or math.prod(array.chunk) > LARGE_CHUNK:
        raise damaged(path, TITLE)
    frame.open_coverage()
    each_chunk(path, store, array, 0, lambda block, at: frame.cover(block, at[0], at[1], 255.0))


def _gunzip(data: bytes, size: int) -> bytes:
    return zlib.decompressobj(zlib.MAX_WBITS | 32).decompress(data, size + 1)


def _zstd(data: bytes, size: int) -> bytes:
    return bytes(imagecodecs.zstd_decode(data, out=size))


def _blosc(data: bytes, size: int) -> bytes:
    if int.from_bytes(data[4:8], "little") != size:  # Blosc 1: bytes that it unpacks to
        raise ValueError("another size")
    return bytes(imagecodecs.blosc_decode(data, out=size))


_CODECS: dict[str, Callable[[bytes, int], bytes]] = {
    "": lambda data, _size: data,
    "zstd": _zstd,
    "gzip": _gunzip,
    "zlib": _gunzip,
    "blosc": _blosc,
}


def _write(file: BinaryIO, request: WriteRequest) -> None:
    """Write a group: the pixels, their coverage, and the packet as an attribute; what is packed are the chunks."""
    with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        packet = xmp.packet(request.carried).decode("utf-8", "surrogatepass")
        root = {"zarr_format": 3, "node_type": "group", "attributes": {_PACKET: packet}}
        _add(archive, "zarr.json", json.dumps(root).encode())
        _write_array(archive, _PIXELS, request.pixels, request.dtype)
        if request.coverage is not None:
            _write_array(archive, _COVERAGE, request.coverage, np.dtype(np.uint8))


def _write_array(archive: zipfile.ZipFile, name: str, values: NDArray[Any], dtype: np.dtype[Any]) -> None:
    height, width = values.shape[:2]
    chunk = (_CHUNK, _CHUNK, *values.shape[2:])
    data = {
        "zarr_format": 3,
        "node_type": "array",
        "shape": list(values.shape),
        "data_type": dtype.name,
        "chunk_grid": {"name": "regular", "configuration": {"chunk_shape": list(chunk)}},
        "chunk_key_encoding": {"name": "default", "configuration": {"separator": "/"}},
        "fill_value": 0,
        "codecs": [
            {"name": "bytes", "configuration": {"endian": "little"}},
            {"name": "zstd", "configuration": {"level": 3, "checksum": False}},
        ],
        "attributes": {},
        "dimension_names": ["y", "x", "c"][: values.ndim],
    }
    _add(archive, f"{name}/zarr.json", json.dumps(data).encode())

    def packed(place: tuple[int, int]) -> bytes:
        y, x = place[0] * _CHUNK, place[1] * _CHUNK
        block = as_samples(values[y : y + _CHUNK, x : x + _CHUNK], dtype)
        whole = np.zeros(chunk, dtype.newbyteorder("<"))
        whole[: block.shape[0], : block.shape[1]] = block
        return bytes(imagecodecs.zstd_encode(whole.tobytes(), level=3))

    places = list(product(range(-(-height // _CHUNK)), range(-(-width // _CHUNK))))
    last = "/0" * (values.ndim - 2)
    for (row, column), chunk_bytes in zip(places, in_order(packed, places), strict=True):
        _add(archive, f"{name}/c/{row}/{column}{last}", chunk_bytes)


def _add(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    archive.writestr(zipfile.ZipInfo(name, _LONG_AGO), data)


FORMAT = Format(
    name="zarr",
    title=TITLE,
    magic=(b"PK\x03\x04",),
    folder=("zarr.json", ".zarray", ".zgroup"),
    suffixes=(".zip",),
    bits=(8, 16, 32),
    read=_read,
    write=_write,
    embedded=_embedded,
    rank=5,
    offers=(Offer("Zarr, 16 bits: for programs that read very large images in pieces", rank=6),),
)

"""What facts are made of: groups of fields whose dimensions agree, and arrays that are the same again from a file.

Dimensions with the same name must agree, and ``channels`` must be those of the frame. Values are brought to their
declared form when the model is made, so what is written to a file and read again is the same to the last bit.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterator
from typing import Annotated, Any, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, GetJsonSchemaHandler, model_validator
from pydantic_core import CoreSchema, core_schema

__all__ = ["LARGEST", "Array", "FactsPart", "Real"]

#: Pixels are 32-bit numbers: no fact about them is larger.
LARGEST = float(np.finfo(np.float32).max)
#: A number that pixels can be compared with.
Real = Annotated[float, Field(ge=-LARGEST, le=LARGEST)]

_ENTRIES = {"dtype", "shape", "base64"}


class Array:
    """Marks a field as an array: ``Annotated[NDArray[np.float64], Array("<f8", "stars", "channels")]``.

    The model holds a read-only, C-contiguous array. In JSON it is
    ``{"dtype": "<f8", "shape": [N, C], "base64": "..."}``: the bytes of the little-endian numbers in C order. A plain
    list of numbers is taken too.

    Parameters
    ----------
    dtype : str
        Of the numbers, little-endian: ``"<f8"``, ``"<f4"``, ``"<i4"``, ``"<i8"``, ``"|u1"``.
    *shape : str or int
        One entry a dimension: its length, or a name; dimensions of a model with the same name are equally long.
        Without any, all shapes are taken.
    ge, le : float
        Least and greatest value allowed.
    """

    def __init__(self, dtype: str, *shape: str | int, ge: float = -LARGEST, le: float = LARGEST) -> None:
        self.dtype = np.dtype(dtype)
        self.shape = shape
        self.ge, self.le = ge, le

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.read,
            serialization=core_schema.plain_serializer_function_ser_schema(self.encoded, when_used="json"),
        )

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {
            "type": "object",
            "additionalProperties": False,
            "required": sorted(_ENTRIES),
            "properties": {
                "dtype": {"const": self.dtype.str},
                "shape": {"type": "array", "items": {"type": "integer", "minimum": 0}},
                "base64": {"type": "string", "contentEncoding": "base64"},
            },
            "shape": list(self.shape),
        }

    def encoded(self, values: NDArray[Any]) -> dict[str, Any]:
        """The array as JSON-able data.

        Parameters
        ----------
        values : ndarray of the declared shape (as many dimensions as are named)

        Returns
        -------
        dict
        """
        text = base64.b64encode(np.ascontiguousarray(values, self.dtype).tobytes()).decode("ascii")
        return {"dtype": self.dtype.str, "shape": list(values.shape), "base64": text}

    def read(self, value: Any) -> NDArray[Any]:
        """The array of a value: an array, a list of numbers or what `encoded` made; ValueError for anything else.

        Parameters
        ----------
        value : object

        Returns
        -------
        ndarray

        Raises
        ------
        ValueError
            When it is none of these, or of another shape than is declared.
        """
        values = self._decoded(value) if isinstance(value, dict) else self._cast(value)
        if values.size and not bool(((values >= self.ge) & (values <= self.le)).all()):
            raise ValueError(f"its numbers must lie between {self.ge:g} and {self.le:g}")
        wanted = len(self.shape) or values.ndim
        if values.size == 0 and values.ndim < wanted:
            values = values.reshape([n if isinstance(n, int) else 0 for n in self.shape])
        if values.ndim != wanted:
            raise ValueError(f"it must have {wanted} dimension{'s' * (wanted != 1)}, not {values.ndim}")
        for axis, (length, name) in enumerate(zip(values.shape, self.shape, strict=False)):
            if isinstance(name, int) and length != name:
                raise ValueError(f"dimension {axis + 1} must have length {name}, not {length}")
        values.flags.writeable = False
        return values

    def _decoded(self, data: dict[str, Any]) -> NDArray[Any]:
        if set(data) != _ENTRIES:
            raise ValueError("an array has the entries dtype, shape and base64")
        if data["dtype"] != self.dtype.str:
            raise ValueError(f"its dtype must be {self.dtype.str!r}")
        shape, text = data["shape"], data["base64"]
        if not isinstance(shape, list) or not all(type(n) is int and 0 <= n < 2**31 for n in shape):
            raise ValueError("its shape must be a list of whole numbers")
        if not isinstance(text, str):
            raise ValueError("its base64 must be text")  # noqa: TRY004 - pydantic reports ValueErrors
        try:
            raw = base64.b64decode(text, validate=True)
        except (binascii.Error, ValueError):
            raise ValueError("its base64 is damaged") from None
        count = 1
        for n in shape:
            count *= n
        if count * self.dtype.itemsize != len(raw):
            raise ValueError(f"its shape {shape} does not fit its {len(raw)} bytes")
        return np.array(np.frombuffer(raw, self.dtype).reshape(shape))

    def _cast(self, value: Any) -> NDArray[Any]:
        if not isinstance(value, list | tuple | np.ndarray):
            raise ValueError("it must be an array")  # noqa: TRY004
        try:
            given = np.asarray(value)
        except ValueError:
            raise ValueError("its rows must be equally long") from None
        if given.size and given.dtype.kind not in "iuf":
            raise ValueError("it must be an array of numbers")
        if given.size and self.dtype.kind in "iu":
            whole = given.dtype.kind in "iu" or bool(np.isfinite(given).all() and (given == np.rint(given)).all())
            limits = np.iinfo(self.dtype)
            if not (whole and given.min() >= limits.min and given.max() <= limits.max):
                raise ValueError("it must be an array of whole numbers")
        with np.errstate(over="ignore", invalid="ignore"):  # what does not fit is refused by its range
            return np.array(given, self.dtype, order="C")


class FactsPart(BaseModel):
    """A group of facts inside others; see `workbench.operations.facts`."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @model_validator(mode="after")
    def _dimensions_agree(self) -> Self:
        self.dimensions()
        return self

    def dimensions(self) -> dict[str, tuple[int, str]]:
        """Length of each named dimension and the field that has it; ValueError where two fields disagree.

        Raises
        ------
        ValueError
            When a field has other dimensions than it declares, or two disagree about one of the same name.
        """
        found: dict[str, tuple[int, str]] = {}
        for field, shape, value in self._shaped():
            try:
                lengths = np.shape(value)
            except ValueError:
                raise ValueError(f"rows of {field!r} have different lengths") from None
            for name, length in zip(shape, lengths, strict=False):
                known, where = found.setdefault(str(name), (length, field)) if isinstance(name, str) else (name, "")
                if known != length:
                    wanted = f"{where!r} has {known}" if where else f"it needs {known}"
                    unit = "entries" if isinstance(name, int) else name.removesuffix("s") if length == 1 else name
                    raise ValueError(f"{field!r} has {length} {unit}, {wanted}")
            if len(lengths) != len(shape) and 0 not in lengths:
                raise ValueError(f"{field!r} must have {len(shape)} dimensions, not {len(lengths)}")
        return found

    def _shaped(self) -> Iterator[tuple[str, tuple[str | int, ...], Any]]:
        """Name, declared shape and value of all fields with a shape, parts of parts included."""
        for name, info in type(self).model_fields.items():
            value = getattr(self, name)
            for part in value if isinstance(value, tuple) else (value,):
                if isinstance(part, FactsPart):
                    for inner, shape, held in part._shaped():  # noqa: SLF001 - of the same class
                        yield f"{name}.{inner}", shape, held
            arrays = [m for m in info.metadata if isinstance(m, Array)]
            extra = info.json_schema_extra
            declared = arrays[0].shape if arrays else extra.get("shape") if isinstance(extra, dict) else None
            if declared and value is not None:
                yield name, tuple(declared), value  # type: ignore[arg-type]

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        return all(_same(value, other.__dict__[name]) for name, value in self.__dict__.items())

    def __hash__(self) -> int:
        return hash((type(self), self.model_dump_json()))


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, np.ndarray):
        return isinstance(b, np.ndarray) and a.dtype == b.dtype and bool(np.array_equal(a, b))
    return bool(a == b)

"""Smooth surfaces over the frame: a few numbers each, linear in them, with a penalty on bending.

Positions are `u` (down) and `v` (across): zero at the frame's centre, one at the end of its longer side. A surface
is ``design(u, v) @ coefficients``; fitting minimises the weighted squared misfit plus the regularization weight times
``coefficients' @ bending @ coefficients``.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from workbench.lazy import on_first_use

if TYPE_CHECKING:
    from scipy import interpolate
else:
    interpolate = on_first_use("scipy.interpolate")

__all__ = [
    "Corner",
    "Mesh",
    "Polynomial",
    "Surface",
    "ThinPlate",
    "even_knots",
    "surface_from_dict",
    "term_degrees",
    "unit_positions",
]

F64 = NDArray[np.float64]

#: Nodes over the length of a corner's fall from which a spline paints it to a thousandth of its height.
_NODES_PER_LENGTH = 6


class Surface(Protocol):
    """What a fit and a painter need to know of a surface."""

    @property
    def size(self) -> int:
        """Number of coefficients."""

    @property
    def bending(self) -> F64:
        """Penalty matrix (size, size) of bending; zero for what is free."""

    @property
    def nodes(self) -> tuple[int, int]:
        """Nodes down and across (at least 4) from which a bicubic spline paints the surface well."""

    def design(self, u: F64, v: F64) -> F64:
        """Values of the basis at N positions: (N, size)."""

    def to_dict(self) -> dict[str, Any]:
        """Plain data, without the coefficients."""


def unit_positions(y: F64, x: F64, height: int, width: int) -> tuple[F64, F64]:
    """Pixel positions as (u, v): zero at the frame's centre, one at the end of the longer side."""
    half = max(height, width) / 2
    return (np.asarray(y, np.float64) - (height - 1) / 2) / half, (np.asarray(x, np.float64) - (width - 1) / 2) / half


@dataclass(frozen=True, slots=True)
class Corner:
    """A corner of the frame, and the length over which a glow there falls to 1/e."""

    u: float
    v: float
    length: float

    def fall(self, u: F64, v: F64) -> F64:
        """The glow at N positions, 1 in the corner: (N,)."""
        return np.asarray(np.exp(-np.hypot(u - self.u, v - self.v) / self.length))


@dataclass(frozen=True, slots=True)
class Polynomial:
    """Low-order surface: products of Chebyshev polynomials up to a total degree. Nothing in it is penalized.

    Glow in ``corners`` stands behind them in the basis.
    """

    degree: int
    corners: tuple[Corner, ...] = ()

    @property
    def size(self) -> int:
        return (self.degree + 1) * (self.degree + 2) // 2 + len(self.corners)

    @property
    def bending(self) -> F64:
        return np.zeros((self.size, self.size))

    @property
    def nodes(self) -> tuple[int, int]:
        per_length = max((2.0 / corner.length for corner in self.corners), default=0.0)
        count = max(8 * self.degree + 9, int(_NODES_PER_LENGTH * per_length) + 1)
        return count, count

    def design(self, u: F64, v: F64) -> F64:
        tu, tv = chebyshev.chebvander(u, self.degree), chebyshev.chebvander(v, self.degree)
        products = [tu[:, i] * tv[:, k - i] for k in range(self.degree + 1) for i in range(k + 1)]
        return np.stack([*products, *(corner.fall(u, v) for corner in self.corners)], axis=1)

    def to_dict(self) -> dict[str, Any]:
        return {"kind": "surface", "degree": self.degree, "corners": [asdict(corner) for corner in self.corners]}


def term_degrees(size: int) -> NDArray[np.intp]:
    """Total degree of each of the first products that a `Polynomial` sums, (size,)."""
    degrees = np.arange(int(np.sqrt(2 * size)) + 1)
    return np.repeat(degrees, degrees + 1)[:size]


@dataclass(frozen=True, slots=True)
class ThinPlate:
    """Smoothing thin plate: r^2 log r about each knot, plus a plane that is free.

    The surface of least bending energy that passes near the samples (Duchon 1977; Wahba 1990). Weights of the knots
    are kept orthogonal to planes by expressing them in a basis ``free`` of that space.
    """

    knots: tuple[tuple[float, float], ...]  #: (u, v) of each knot

    @property
    def size(self) -> int:
        return len(self.knots)

    @property
    def nodes(self) -> tuple[int, int]:
        side = 4 * int(np.ceil(np.sqrt(len(self.knots)))) + 9
        return side, side

    def _free(self) -> F64:
        k = np.asarray(self.knots)
        q, _ = np.linalg.qr(np.column_stack([np.ones(len(k)), k]), mode="complete")
        return np.asarray(q[:, 3:])

    @property
    def bending(self) -> F64:
        k = np.asarray(self.knots)
        free = self._free()
        out = np.zeros((self.size, self.size))
        out[3:, 3:] = free.T @ _plate(k[:, 0], k[:, 1], k) @ free
        return out

    def design(self, u: F64, v: F64) -> F64:
        plane = np.column_stack([np.ones(len(u)), u, v])
        return np.hstack([plane, _plate(u, v, np.asarray(self.knots)) @ self._free()])

    def to_dict(self) -> dict[str, Any]:
        return {"kind": "thin_plate", "knots": [list(k) for k in self.knots]}


def _plate(u: F64, v: F64, knots: F64) -> F64:
    """r^2 log r between N positions and K knots."""
    r2 = (u[:, None] - knots[:, 0]) ** 2 + (v[:, None] - knots[:, 1]) ** 2
    return 0.5 * r2 * np.log(np.maximum(r2, 1e-300))


@dataclass(frozen=True, slots=True)
class Mesh:
    """Mesh of bicubic splines with a penalty on second differences between neighbors (Eilers & Marx 1996)."""

    rows: int  #: intervals down
    columns: int  #: intervals across
    u_end: float  #: u runs from -u_end to u_end
    v_end: float

    @property
    def size(self) -> int:
        return (self.rows + 3) * (self.columns + 3)

    @property
    def nodes(self) -> tuple[int, int]:
        return max(4, 2 * self.rows + 1), max(4, 2 * self.columns + 1)

    @property
    def bending(self) -> F64:
        def second(n: int) -> F64:
            d = np.diff(np.eye(n), 2, axis=0)
            return np.asarray(d.T @ d)

        r, c = self.rows + 3, self.columns + 3
        return np.kron(second(r), np.eye(c)) + np.kron(np.eye(r), second(c))

    def design(self, u: F64, v: F64) -> F64:
        bu, bv = _splines(u, self.u_end, self.rows), _splines(v, self.v_end, self.columns)
        return (bu[:, :, None] * bv[:, None, :]).reshape(len(u), -1)

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": "mesh",
            "rows": self.rows,
            "columns": self.columns,
            "u_end": self.u_end,
            "v_end": self.v_end,
        }


def _splines(t: F64, end: float, intervals: int) -> F64:
    """Uniform cubic splines on ``-end .. end``: (N, intervals + 3)."""
    step = 2 * end / intervals
    knots = -end + step * np.arange(-3, intervals + 4)
    inside = np.clip(t, knots[3], knots[-4])  # the knots' own ends, which rounding may leave just inside ``end``
    return np.asarray(interpolate.BSpline.design_matrix(inside, knots, 3).toarray())


def surface_from_dict(data: dict[str, Any]) -> Surface:
    """Return the surface that `to_dict` described."""
    kind = data["kind"]
    if kind == "surface":
        return Polynomial(int(data["degree"]), tuple(Corner(**corner) for corner in data["corners"]))
    if kind == "thin_plate":
        return ThinPlate(tuple((float(a), float(b)) for a, b in data["knots"]))
    return Mesh(int(data["rows"]), int(data["columns"]), float(data["u_end"]), float(data["v_end"]))


def even_knots(u_end: float, v_end: float, count: int) -> tuple[tuple[float, float], ...]:
    """About ``count`` knots on an even grid over the frame, its edges included."""
    rows = max(2, round(np.sqrt(count * u_end / v_end)))
    columns = max(2, round(count / rows))
    return tuple(
        (round(float(a), 5), round(float(b), 5))
        for a in np.linspace(-u_end, u_end, rows)
        for b in np.linspace(-v_end, v_end, columns)
    )

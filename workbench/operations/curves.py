"""Stretching curves: from normalised linear light (0 black, 1 white) to display code values (0 black, 1 white).

Each curve is a small object with one parameter, its inverse, its slope at black, and the way to find the parameter
that brings a given light to a given code value. All are increasing, lead 0 to 0 and 1 to 1, and go on beyond 1,
where `Shoulder` bends them back. `lift` is the tile kernel of them all.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.lazy import on_first_use
from workbench.operations import fastmath

if TYPE_CHECKING:
    from scipy import optimize
else:
    optimize = on_first_use("scipy.optimize")

__all__ = ["CURVES", "Asinh", "Bias", "Curve", "Logarithm", "Power", "Shoulder", "bend", "lift"]

Row = NDArray[np.float32]
Numbers = Any  # a number or an array of any shape
f32 = np.float32
_ONE, _ZERO = f32(1), f32(0)


@dataclass(frozen=True, slots=True)
class Curve(ABC):
    """A stretching curve with one ``parameter``.

    Attributes
    ----------
    parameter : float
        What it means is said by each curve.
    """

    parameter: float

    number: ClassVar[int]  #: how `lift` knows it
    limits: ClassVar[tuple[float, float]]  #: strongest and weakest parameter

    @abstractmethod
    def forward(self, x: Numbers) -> Numbers:
        """Code value of light ``x >= 0``.

        Parameters
        ----------
        x : ndarray, shape (...), or float

        Returns
        -------
        ndarray, shape (...), or float
        """

    @abstractmethod
    def inverse(self, y: Numbers) -> Numbers:
        """Light of code value ``y``.

        Parameters
        ----------
        y : ndarray, shape (...), or float

        Returns
        -------
        ndarray, shape (...), or float
        """

    @abstractmethod
    def slope(self) -> float:
        """Derivative at 0 (infinite for a power below 1)."""

    @abstractmethod
    def constants(self) -> tuple[float, float]:
        """What `lift` needs, ready computed in double precision."""

    @classmethod
    def through(cls, light: float, code: float) -> Self:
        """The curve that brings ``light`` to ``code``, or the nearest this kind of curve can come.

        The code falls steadily from the strongest to the weakest parameter, so a bracketing root finder on the
        parameter's logarithm (Brent 1973) settles it.

        Parameters
        ----------
        light, code : float
            0..1.

        Returns
        -------
        Curve
        """

        def miss(log_parameter: float) -> float:
            return float(cls(float(np.exp(log_parameter))).forward(np.float64(light))) - code

        strongest, weakest = (float(np.log(p)) for p in cls.limits)
        if miss(strongest) <= 0:
            return cls(cls.limits[0])
        if miss(weakest) >= 0:
            return cls(cls.limits[1])
        return cls(float(np.exp(optimize.brentq(miss, strongest, weakest, xtol=1e-13, rtol=1e-13))))


class Asinh(Curve):
    """``asinh(x / a) / asinh(1 / a)``: straight below the softening ``a``, logarithmic above it.

    Lupton, R., Blanton, M. R., Fekete, G., et al. (2004), PASP 116, 133; normalised as in astropy.
    """

    number = 0
    limits = (1e-12, 1e3)

    def forward(self, x: Numbers) -> Numbers:
        return np.arcsinh(x / self.parameter) / np.arcsinh(1 / self.parameter)

    def inverse(self, y: Numbers) -> Numbers:
        return self.parameter * np.sinh(y * np.arcsinh(1 / self.parameter))

    def slope(self) -> float:
        return float(1 / (self.parameter * np.arcsinh(1 / self.parameter)))

    def constants(self) -> tuple[float, float]:
        return 1 / self.parameter, float(1 / np.arcsinh(1 / self.parameter))


class Logarithm(Curve):
    """``log(1 + x / a) / log(1 + 1 / a)``: like asinh with a softer bend at ``a``.

    The form that image viewers use, with ``1 / a`` as their exponent (astropy `LogStretch`).
    """

    number = 1
    limits = (1e-12, 1e3)

    def forward(self, x: Numbers) -> Numbers:
        return np.log1p(x / self.parameter) / np.log1p(1 / self.parameter)

    def inverse(self, y: Numbers) -> Numbers:
        return self.parameter * np.expm1(y * np.log1p(1 / self.parameter))

    def slope(self) -> float:
        return float(1 / (self.parameter * np.log1p(1 / self.parameter)))

    def constants(self) -> tuple[float, float]:
        return 1 / self.parameter, float(1 / np.log1p(1 / self.parameter))


class Power(Curve):
    """``x**g``: a straight line on a log-log plot, infinitely steep at black for ``g < 1``."""

    number = 2
    limits = (0.01, 1.0)

    def forward(self, x: Numbers) -> Numbers:
        return np.asarray(x) ** self.parameter

    def inverse(self, y: Numbers) -> Numbers:
        return np.asarray(y) ** (1 / self.parameter)

    def slope(self) -> float:
        return np.inf if self.parameter < 1 else float(self.parameter == 1)

    def constants(self) -> tuple[float, float]:
        return self.parameter, 0.0


class Bias(Curve):
    """``x / ((1/a - 2)(1 - x) + 1)``: a hyperbola through ``(1/2, a)``; the inverse has ``1 - a``.

    The steepness is kept as ``parameter = 1/a - 1``, which stays exact near ``a = 1`` where deep stretches lie:
    the curve is ``x / (p + (1 - p) x)``, identity at ``p = 1``, inverse with ``1 / p``.
    Schlick, C. (1994), "Fast alternatives to Perlin's bias and gain functions", Graphics Gems IV.
    """

    number = 3
    limits = (1e-9, 1.0)

    @classmethod
    def of(cls, a: float) -> Self:
        """The curve with Schlick's own parameter: the code value at half light.

        Parameters
        ----------
        a : float
            Above 0, below 1.

        Returns
        -------
        Bias
        """
        return cls(1 / a - 1)

    def forward(self, x: Numbers) -> Numbers:
        p = self.parameter
        return x / (p + (1 - p) * x)

    def inverse(self, y: Numbers) -> Numbers:
        p = 1 / self.parameter
        return y / (p + (1 - p) * y)

    def slope(self) -> float:
        return 1 / self.parameter

    def constants(self) -> tuple[float, float]:
        return self.parameter, 1 - self.parameter


#: The curves by the names that recipes use.
CURVES: dict[str, type[Curve]] = {"asinh": Asinh, "logarithm": Logarithm, "power": Power, "bias": Bias}


@dataclass(frozen=True, slots=True)
class Shoulder:
    """Bends code values above ``knee`` so that ``top`` (at least 1) arrives at 1; nothing changes below.

    With ``t = (y - knee) / (1 - knee)`` and ``T`` the same of ``top``: ``t (1 + t / T^2) / (1 + t)``, which starts
    with slope 1 and reaches 1 at ``T``. Reinhard, E., Stark, M., Shirley, P., Ferwerda, J. (2002), "Photographic
    tone reproduction for digital images", ACM TOG 21, 267, equation 4.
    """

    knee: float
    top: float

    @property
    def _scaled_top(self) -> float:
        return (max(self.top, 1.0) - self.knee) / (1 - self.knee)

    def forward(self, y: Numbers) -> Numbers:
        """Code values bent; above ``top`` all is white.

        Parameters
        ----------
        y : ndarray, shape (...), or float

        Returns
        -------
        ndarray, shape (...), or float
        """
        t = np.maximum((y - self.knee) / (1 - self.knee), 0)
        bent = self.knee + (1 - self.knee) * t * (1 + t / self._scaled_top**2) / (1 + t)
        return np.where(y <= self.knee, y, np.minimum(bent, 1))

    def inverse(self, y: Numbers) -> Numbers:
        """Code values before bending: the positive root of the quadratic that `forward` is.

        Parameters
        ----------
        y : ndarray, shape (...), or float

        Returns
        -------
        ndarray, shape (...), or float
        """
        s, square = (y - self.knee) / (1 - self.knee), self._scaled_top**2
        half = 0.5 * square * (1 - s)
        t = np.sqrt(half * half + square * np.maximum(s, 0)) - half
        return np.where(y <= self.knee, y, self.knee + (1 - self.knee) * t)

    def constants(self) -> tuple[float, float]:
        """What `bend` needs: the knee and ``1 / T^2``."""
        return self.knee, self._scaled_top**-2


@kernel
def lift(number: int, row: Row, p: Any, q: Any) -> None:
    """Replace light ``>= 0`` by code values in place: `Curve.forward` of curve ``number`` in float32.

    Parameters
    ----------
    number : int
        Of the curve.
    row : ndarray, shape (N,), float32
        Changed in place.
    p, q : float32
        Its two constants.
    """
    if number == 0:
        for i in range(row.size):
            row[i] = fastmath.asinh(row[i] * p) * q
    elif number == 1:
        for i in range(row.size):
            row[i] = fastmath.log1p(row[i] * p) * q
    elif number == 2:
        for i in range(row.size):
            row[i] = fastmath.power(row[i], p)
    else:
        for i in range(row.size):
            row[i] = row[i] / (p + q * row[i])


@kernel
def bend(row: Row, knee: Any, inverse_square: Any) -> None:
    """Replace code values by `Shoulder.forward` in place, float32.

    Parameters
    ----------
    row : ndarray, shape (N,), float32
        Changed in place.
    knee, inverse_square : float32
    """
    room = _ONE - knee
    scale = _ONE / room
    for i in range(row.size):
        t = max((row[i] - knee) * scale, _ZERO)
        bent = knee + room * t * (_ONE + t * inverse_square) / (_ONE + t)
        row[i] = row[i] if row[i] <= knee else min(bent, _ONE)

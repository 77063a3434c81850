"""Elementary functions for tile kernels: float32, without branches or tables, from ``+ - * /``, sqrt and bits only.

A compiler turns a loop over them into vector instructions, ten times faster than the library functions, and one
pixel's value never depends on its neighbors or on its place in a row. Division and square root are exactly
rounded everywhere, so two processors can differ only by fused multiply-add, in the last place.

The polynomials are minimax fits (weighted least squares with Lawson's weights on Chebyshev nodes, in double
precision); the reductions are the textbook ones (Muller, Elementary Functions, 2016). Largest relative errors, all
checked by tests against double precision: ``log2`` 2e-7 (absolute 2e-7 where log2 is near zero of a value near 1),
``log1p`` and ``asinh`` 4e-7, ``exp2`` 2e-7 for arguments within +-1, ``power`` 2e-6 over twelve decades,
``cbrt`` 2e-7, ``srgb_encode`` and ``srgb_decode`` 1e-6, a tenth of a 16-bit step.

These are scalar functions to be called from kernels; `workbench.operations.colorspace` has the array forms.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from workbench.compiled import kernel

__all__ = ["asinh", "cbrt", "exp2", "log1p", "log2", "power", "srgb_decode", "srgb_encode"]

f32, i32 = np.float32, np.int32

_TINY = f32(1.1754944e-38)  # smallest normal number: below it the exponent bits mean something else
_ONE, _HALF, _ZERO = f32(1), f32(0.5), f32(0)
_LN2 = f32(0.6931472)
_MANTISSA = i32(23)
_TWO_THIRDS = i32(0x3F2AAAAB)  # bits of 2/3: mantissas are taken from [2/3, 4/3)
_BIAS = i32(127)

#: atanh(s) 2/(ln 2 s) as a polynomial in s^2 for |s| <= 1/5, error 2e-11
_L0, _L1, _L2, _L3, _L4 = f32(2.88539008), f32(0.961796621), f32(0.577092529), f32(0.411197536), f32(0.348520246)
#: 2^r for |r| <= 1/2, error 2e-9
_E0, _E1, _E2, _E3 = f32(1), f32(0.693147206), f32(0.240226469), f32(0.0555032878)
_E4, _E5, _E6 = f32(0.00961848896), f32(0.00133999312), f32(0.000153458117)
#: (1 + c)^(-1/3) for c in [-.098, .109], error 1e-7
_R0, _R1, _R2, _R3, _R4 = f32(0.99999998), f32(-0.333329003), f32(0.222242601), f32(-0.174478461), f32(0.142334691)
_THIRD, _CBRT_BITS = f32(1 / 3), f32(0x54A258BF)
#: q^(5/3) for q = x^(1/4), x in [.0031, 1], error 3e-7
_S0, _S1, _S2, _S3 = f32(-0.00237198372), f32(0.102178058), f32(1.49049859), f32(-1.50229513)
_S4, _S5, _S6 = f32(2.09310305), f32(-2.21402512), f32(1.55936876)
_S7, _S8 = f32(-0.643568553), f32(0.117112612)
#: q^0.8 for q = u^(1/2), u in [.09, 1], error 5e-7
_D0, _D1, _D2, _D3 = f32(0.0276256146), f32(1.43525396), f32(-1.29677531), f32(2.0749664)
_D4, _D5, _D6, _D7 = f32(-2.44688328), f32(1.87124972), f32(-0.822820261), f32(0.157383702)
#: Where sRGB turns from a straight line into a power (IEC 61966-2-1).
_LINEAR_TOE, _CODE_TOE = f32(0.0031308), f32(0.04045)


@kernel
def log2(x: Any) -> Any:
    """Logarithm to base 2 of ``x > 0``; the value at the smallest normal number for anything below.

    Parameters
    ----------
    x : float32

    Returns
    -------
    float32
    """
    x = max(x, _TINY)
    bits = f32(x).view(i32)
    exponent = i32(i32(bits - _TWO_THIRDS) >> _MANTISSA)
    m = i32(bits - i32(exponent << _MANTISSA)).view(f32)
    s = (m - _ONE) / (m + _ONE)
    z = s * s
    p = _L4
    p = p * z + _L3
    p = p * z + _L2
    p = p * z + _L1
    p = p * z + _L0
    return f32(exponent) + s * p


@kernel
def log1p(t: Any) -> Any:
    """``log(1 + t)`` for ``t >= 0``, accurate for small ``t`` too.

    Parameters
    ----------
    t : float32

    Returns
    -------
    float32
    """
    u = _ONE + t
    lost = t - (u - _ONE)  # what rounding 1 + t dropped
    return _LN2 * log2(u) + lost / u


@kernel
def asinh(z: Any) -> Any:
    """Inverse hyperbolic sine for ``0 <= z < 1e18``.

    Parameters
    ----------
    z : float32

    Returns
    -------
    float32
    """
    return log1p(z + z * z / (_ONE + np.sqrt(_ONE + z * z)))


@kernel
def exp2(x: Any) -> Any:
    """``2**x`` for ``-126 <= x < 127``; arguments outside are brought to the nearer end.

    Parameters
    ----------
    x : float32

    Returns
    -------
    float32
    """
    x = min(max(x, f32(-126)), f32(126.999))
    whole = np.floor(x + _HALF)
    r = x - whole
    p = _E6
    p = p * r + _E5
    p = p * r + _E4
    p = p * r + _E3
    p = p * r + _E2
    p = p * r + _E1
    p = p * r + _E0
    return p * i32(i32(i32(whole) + _BIAS) << _MANTISSA).view(f32)


@kernel
def power(x: Any, exponent: Any) -> Any:
    """``x**exponent`` for ``x >= 0``.

    Parameters
    ----------
    x : float32
    exponent : float32

    Returns
    -------
    float32
    """
    y = exp2(exponent * log2(x))
    return y if x > _ZERO else _ZERO


@kernel
def cbrt(x: Any) -> Any:
    """Cube root, sign kept.

    Read as a whole number, a float is its own logarithm, straight between powers of two: subtracting a third of
    the bits from a constant gives ``y`` within 3.4 % of ``x**(-1/3)``. With ``c = x y^3 - 1`` the exact value is
    ``y (1 + c)**(-1/3)``, a polynomial in the small c. No division.

    Parameters
    ----------
    x : float32

    Returns
    -------
    float32
    """
    a = max(abs(x), _TINY)
    y = i32(_CBRT_BITS - f32(f32(a).view(i32)) * _THIRD).view(f32)
    c = a * y * y * y - _ONE
    p = _R4
    p = p * c + _R3
    p = p * c + _R2
    p = p * c + _R1
    p = p * c + _R0
    y = y * p
    return x * y * y


@kernel
def srgb_encode(x: Any) -> Any:
    """Linear light 0..1 to sRGB code value 0..1 (IEC 61966-2-1); values outside are clipped.

    Parameters
    ----------
    x : float32

    Returns
    -------
    float32
    """
    x = min(max(x, _ZERO), _ONE)
    q = np.sqrt(np.sqrt(x))
    p = _S8
    p = p * q + _S7
    p = p * q + _S6
    p = p * q + _S5
    p = p * q + _S4
    p = p * q + _S3
    p = p * q + _S2
    p = p * q + _S1
    p = p * q + _S0
    return f32(12.92) * x if x <= _LINEAR_TOE else min(f32(1.055) * p - f32(0.055), _ONE)


@kernel
def srgb_decode(code: Any) -> Any:
    """Code value of sRGB 0..1 to linear light 0..1 (IEC 61966-2-1); values outside are clipped.

    Parameters
    ----------
    code : float32

    Returns
    -------
    float32
    """
    code = min(max(code, _ZERO), _ONE)
    u = (code + f32(0.055)) * f32(1 / 1.055)
    q = np.sqrt(u)
    p = _D7
    p = p * q + _D6
    p = p * q + _D5
    p = p * q + _D4
    p = p * q + _D3
    p = p * q + _D2
    p = p * q + _D1
    p = p * q + _D0
    return code * f32(1 / 12.92) if code <= _CODE_TOE else min(u * u * p, _ONE)

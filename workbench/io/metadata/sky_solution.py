"""Sky solutions (celestial WCS) of files whose rows are counted from the bottom or from the top."""

from __future__ import annotations

import contextlib
import threading
import warnings
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.lazy import on_first_use

if TYPE_CHECKING:
    from astropy import wcs as solutions
    from astropy.io import fits
    from astropy.wcs import WCS, Sip
else:
    fits = on_first_use("astropy.io.fits")
    solutions = on_first_use("astropy.wcs")

__all__ = ["from_cards", "from_header", "header_of", "quiet", "text_of", "turned"]

_LOCK = threading.RLock()


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Silence astropy's remarks on headers; one thread at a time, as warning filters belong to the process."""
    with _LOCK, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def from_header(header: fits.Header, height: int, *, bottom_up: bool) -> WCS | None:
    """The celestial part of a header's sky solution for rows counted from the top, or None when there is none.

    Parameters
    ----------
    header : astropy.io.fits.Header
    height : int
        Rows of the frame.
    bottom_up : bool
        The stored rows are being turned, so the solution is too.

    Returns
    -------
    astropy.wcs.WCS or None
    """
    with quiet():
        try:
            full = solutions.WCS(header, naxis=[1, 2])
            if not full.has_celestial or full.naxis != 2:
                return None
            wcs = full.celestial
            area = solutions.utils.proj_plane_pixel_area(wcs)
            corner = wcs.all_pix2world([[0.0, 0.0]], 0)
        except Exception:  # noqa: BLE001 - wcslib's refusals have no common class, and a bad solution is no solution
            return None
        if not (np.isfinite(area) and area > 0) or corner.shape != (1, 2):
            return None
        return turned(wcs, height) if bottom_up else wcs


def turned(wcs: WCS, height: int) -> WCS | None:
    """The same sky solution with the rows counted from the other end; None when its distortion is a lookup table.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    height : int
        Rows of the frame.

    Returns
    -------
    astropy.wcs.WCS or None
    """
    if any(getattr(wcs, name, None) is not None for name in ("cpdis1", "cpdis2", "det2im1", "det2im2")):
        return None
    out = wcs.deepcopy()
    out.wcs.crpix = [wcs.wcs.crpix[0], height + 1 - wcs.wcs.crpix[1]]
    mirror = np.diag([1.0, -1.0])
    if wcs.wcs.has_cd():
        out.wcs.cd = wcs.wcs.cd @ mirror
    else:
        # PC is applied before CDELT: mirroring the pixel axis mirrors PC's second column.
        out.wcs.pc = wcs.wcs.get_pc() @ mirror
    if wcs.sip is not None:
        out.sip = _mirrored(wcs.sip, out.wcs.crpix)
    out.pixel_shape = wcs.pixel_shape
    out.wcs.set()
    return out


def _mirrored(sip: Sip, crpix: Any) -> Sip:
    """SIP polynomials (Shupe et al. 2005) in (u, -v): odd powers of v change sign, and so does the v correction."""

    def flip(coefficients: Any, sign: float) -> Any:
        if coefficients is None:
            return None
        powers = np.where(np.arange(coefficients.shape[1]) % 2, -1.0, 1.0)
        return sign * coefficients * powers[None, :]

    return solutions.Sip(flip(sip.a, 1), flip(sip.b, -1), flip(sip.ap, 1), flip(sip.bp, -1), crpix)


def header_of(wcs: WCS, height: int) -> fits.Header | None:
    """FITS header words of a sky solution, turned for rows counted from the bottom.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    height : int
        Rows of the frame.

    Returns
    -------
    astropy.io.fits.Header or None
    """
    with quiet():
        try:
            up = turned(wcs, height)
            return None if up is None else up.to_header(relax=True)
        except Exception:  # noqa: BLE001 - wcslib's refusals have no common class, and pixels matter more
            return None


def text_of(header: fits.Header) -> str:
    """Header words as text, one card a line.

    Parameters
    ----------
    header : astropy.io.fits.Header

    Returns
    -------
    str
    """
    return str(header.tostring(sep="\n", endcard=False, padding=False))


def from_cards(text: str, height: int) -> WCS | None:
    """Read back what `text_of` wrote, or another program's FITS header in the same place.

    Parameters
    ----------
    text : str
    height : int
        Rows of the frame.

    Returns
    -------
    astropy.wcs.WCS or None
    """
    with quiet():
        try:
            header = fits.Header.fromstring(text.strip(), sep="\n")
        except Exception:  # noqa: BLE001 - text from elsewhere may fail in any way
            return None
    return from_header(header, height, bottom_up=True)

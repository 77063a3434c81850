"""Stars of a frame that a catalogue knows and that stand alone, where need be with their neighbors taken off."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.measure.blocks import checked_coverage
from workbench.measure.stars import Stars, find_stars
from workbench.measure.stars.moffat import GAUSSIAN_FWHM
from workbench.measure.stars.neighbors import without_neighbors
from workbench.operations.base import Frame
from workbench.sky.around import pixels_of, stars_around
from workbench.sky.catalog import StarCatalog
from workbench.sky.matching import pairs_by_place

if TYPE_CHECKING:
    from scipy import spatial
else:
    spatial = on_first_use("scipy.spatial")

__all__ = ["BESIDE", "KNOWN_COLOR", "KnownStars", "known_stars", "share_beside"]

Floats = NDArray[np.float64]

#: Signal-to-noise ratio of stars that are asked, and the error of B-V up to which a star's color counts as known.
_LEAST_SNR, KNOWN_COLOR = 20.0, 0.1
#: A star is the catalogue's within so many px, or this share of its width.
_WITHIN_PX, _WITHIN_FWHM = 1.5, 0.5
#: Share of a star's light that others may have under its window, and that window's width over a star's.
BESIDE, _WINDOW = 0.03, 1.3
#: So many stars are kept, those with the least beside them, however crowded the field is.
_ENOUGH = 40
#: With fewer than these the others are taken off, which is worth it where it leaves so many times as many alone. Of the
#: stars that then stand alone the brightest are kept, so many that they seldom meet; others may have a larger share
#: beside them, for of what is taken off little is left.
_FEW_ALONE, _WORTH_FITTING, _MOST_ALONE, _BESIDE_FITTED = 100, 2, 400, 0.1
#: Stars and pixels that are fitted at most, in the middle of the frame: enough for `_MOST_ALONE`, in some 3 s.
_MOST_FITTED, _MOST_PIXELS = 6000, 1_000_000


class KnownStars(NamedTuple):
    """Stars of a frame that the catalogue knows, and that stand alone.

    Attributes
    ----------
    frame : Frame
        In which they are measured: where hardly any star stands alone, the frame without their neighbors.
    others : Stars
        All stars of that frame that are not saturated.
    stars : Stars
        Those that are known.
    known : StarCatalog
        The catalogue's row for each of them.
    """

    frame: Frame
    others: Stars
    stars: Stars
    known: StarCatalog


def known_stars(frame: Frame, saturation: float, catalog: StarCatalog | None = None) -> KnownStars:
    """Stars of a frame that are not saturated, that a catalogue knows, and that stand alone.

    In the densest fields few do, and hardly any star is seen above what seems noise. There the catalogue's other stars
    are fitted and taken off.

    Raises
    ------
    WorkbenchError
        When the frame has no sky solution.
    """
    if frame.wcs is None:
        raise WorkbenchError(
            "CalibrateColor: where the stack lies on the sky is not known, so no catalogue can be asked; "
            "find it first with 'workbench solve' (wb.solve in Python), or take reference='stars'"
        )
    around = stars_around(frame.wcs, frame.geometry.height, frame.geometry.width, frame.acquisition.date, catalog)
    found = _known_among(frame, saturation, around)
    if len(found.stars) >= _FEW_ALONE or not len(found.others):
        return found
    cleared = _cleared(found, saturation, around)
    if cleared is None:
        return found
    again = _known_among(cleared[0], saturation, cleared[1])
    return again if len(again.stars) > _WORTH_FITTING * len(found.stars) else found


def _known_among(frame: Frame, saturation: float, around: StarCatalog) -> KnownStars:
    """`known_stars` among those of a catalogue that may lie in the frame."""
    stars = find_stars(frame.planes, frame.coverage, threshold=_LEAST_SNR, saturation=saturation, crowded_field=False)
    width = float(np.median(stars.fwhm)) if len(stars) else 0.0
    places = pixels_of(frame.wcs, around.ra, around.dec)
    pairs = pairs_by_place(stars.x, stars.y, places, max(_WITHIN_PX, _WITHIN_FWHM * width))
    lone = share_beside(stars, width)[pairs.found] <= BESIDE
    good = lone & ~stars.saturated[pairs.found]
    # The catalogue knows of neighbors that drown in the light of others, too.
    among = _beside_by_catalog(places, around, width)
    beside = among[pairs.known[good]]
    most = max(BESIDE, float(np.sort(beside)[min(_ENOUGH, len(beside)) - 1])) if len(beside) else BESIDE
    good[good] = beside <= most
    return KnownStars(
        frame, stars.select(~stars.saturated), stars.select(pairs.found[good]), around.select(pairs.known[good])
    )


def _cleared(found: KnownStars, saturation: float, around: StarCatalog) -> tuple[Frame, StarCatalog] | None:
    """The frame with no stars but some of known color, which stand alone in it, and those; None where they are few."""
    frame = found.frame
    fwhm = float(np.median(found.others.fwhm))
    places = pixels_of(frame.wcs, around.ra, around.dec)
    _, height, width = frame.planes.shape
    (top, left), (bottom, right) = _fitted_part(places, height, width)
    edge = 4 * fwhm
    near = (places > np.array([left, top]) - edge) & (places < np.array([right, bottom]) + edge)
    here = np.flatnonzero(near.all(axis=1))
    x, y = places[here].T
    stays = around.color_error[here] <= KNOWN_COLOR
    stays &= _beside_by_catalog(places[here], around.select(here), fwhm) <= _BESIDE_FITTED
    cut = np.s_[top:bottom, left:right]
    planes, coverage = frame.planes[(slice(None), *cut)], checked_coverage(frame.coverage, height, width)
    column, row = (np.clip(np.rint(v).astype(np.int64), a, b - 1) for v, a, b in ((x, left, right), (y, top, bottom)))
    stays &= (planes[:, row - top, column - left] < saturation).all(axis=0)
    if np.count_nonzero(stays) <= _WORTH_FITTING * len(found.stars):
        return None
    # Brightest first, as the catalogue is.
    stays[np.flatnonzero(stays)[_MOST_ALONE:]] = False
    cleared, covered = without_neighbors(
        planes, coverage[cut] if coverage.size else coverage, x - left, y - top, stays, fwhm=fwhm, saturation=saturation
    )
    out, seen = frame.planes.copy(), np.zeros((height, width), np.uint8)
    out[(slice(None), *cut)], seen[cut] = cleared, covered
    return replace(frame, planes=out, coverage=seen, seen={}), around.select(here[stays])


def _fitted_part(places: Floats, height: int, width: int) -> tuple[tuple[int, int], tuple[int, int]]:
    """First row and column, and those after the last, of the middle that is as large as is fitted."""
    size = np.array([width, height])
    half = min(0.5, 0.5 * float(np.sqrt(_MOST_PIXELS / (width * height))))
    away = np.abs((places - (size - 1) / 2) / size).max(axis=1)
    away = np.sort(away[away <= half])
    half = float(away[_MOST_FITTED]) if len(away) > _MOST_FITTED else half
    left, top = (int(np.ceil((0.5 - half) * side)) for side in (width, height))
    return (top, left), (height - top, width - left)


def share_beside(stars: Stars, width: float) -> Floats:
    """Light of other stars under each star's window, as a share of its own: (N,)."""
    return _share(stars.x, stars.y, stars.flux, width)


def _beside_by_catalog(places: Floats, around: StarCatalog, width: float) -> Floats:
    """The same of a catalogue's stars, by its magnitudes: (M,), 0 of what lies behind the camera."""
    here = np.flatnonzero(np.isfinite(places).all(axis=1))
    share = np.zeros(len(around))
    x, y = places[here].T
    share[here] = _share(x, y, 10 ** (-0.4 * around.magnitude[here]), width)
    return share


def _share(x: Floats, y: Floats, flux: Floats, width: float) -> Floats:
    share = np.zeros(len(x))
    if len(x) < 2:
        return share
    spread = (1 + _WINDOW**2) * (width / GAUSSIAN_FWHM) ** 2
    near = spatial.cKDTree(np.c_[x, y]).query_pairs(4 * np.sqrt(spread), output_type="ndarray")
    i, j = near.T
    apart = np.exp(-((x[i] - x[j]) ** 2 + (y[i] - y[j]) ** 2) / (2 * spread))
    flux = np.maximum(flux, 1e-30)
    np.add.at(share, i, apart * flux[j] / flux[i])
    np.add.at(share, j, apart * flux[i] / flux[j])
    return share

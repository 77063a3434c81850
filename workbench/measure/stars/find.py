"""Stars of a frame: where, how bright, how large; found in one pass over strips by a matched blur.

How it works
------------
1. The detection image is the mean of the channels. A coarse mesh gives its sky level and noise everywhere.
2. A look at a few tiles tells the width of stars; a Gaussian of that width is the matched filter.
3. Local maxima of the filtered image above ``threshold`` times its noise are candidates. Each is measured under a
   Gaussian window of the same width (position by iteration, second moments, flux), above the median of a ring.
4. Candidates narrower than stars (hot pixels, cosmic rays) or broader (knots of nebula, galaxies) are left out.
5. Where there are hardly any, or very broad ones, stars are sought in the frame reduced to a quarter.
6. Where the ground is rough, on nebulae and galaxies and in crowds, a pass for crowded fields (`crowded`) fits
   the field's point spread on uneven ground: it adds stars that structure hid, and takes out what is no point.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure.blocks import Coverage, Planes, as_planes, checked_coverage
from workbench.measure.stars.crowded import CrowdedPass, crowded_field_pass
from workbench.measure.stars.detect import Candidates, find_candidates
from workbench.measure.stars.moffat import moffat_gamma
from workbench.measure.stars.saturated import SATURATED, measure_saturated, saturation_levels, tops
from workbench.measure.stars.sizes import LARGEST, SMALLEST, Sizes, sizes_of
from workbench.measure.stars.table import Stars

__all__ = ["find_stars"]

Floats = NDArray[np.float64]
Columns = dict[str, NDArray[Any]]

#: Longest a star may be, as a share of the field's FWHM at the place; faint ones scatter more.
_LONGEST = 2.2
_SCATTER = 1.5
#: With fewer bright stars than this, or wider ones (standard deviation, px), the frame is searched once more, reduced
#: by the last number: very broad stars (out of focus, long focal lengths) are no peaks of single pixels, only of grain.
_FEW, _WIDE, _REDUCED = 5, 4.0, 4
_LEAST_SIDE = 32
#: Bright spots of the reduced frame are stars when there are so many, wider than this (standard deviation, reduced px),
#: and half of them (all, where they are few) within this share of the median: galaxies and knots differ in size.
_FEW_BROAD, _BROAD, _ALIKE = 2, 0.85, 0.15


def find_stars(
    planes: NDArray[np.float32],
    coverage: NDArray[np.uint8] | None = None,
    *,
    threshold: float = 4.5,
    saturation: float | None = None,
    crowded_field: bool = True,
) -> Stars:
    """Find and measure the stars of a linear frame.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W) or (H, W), float32
        Channels are averaged for finding; 1.0 is the white level.
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.
    threshold : float
        Least signal-to-noise ratio of a star through the matched filter.
    saturation : float, optional
        Pixel value, in any channel, from which a star counts as saturated. Default: the height of the flat tops that
        saturated stars share, and never more than 0.98 of the white level.
    crowded_field : bool
        Whether to make a second pass where objects lie, for stars that are hard to tell from them. Not needed where
        some good stars will do.

    Returns
    -------
    Stars
        Brightest first; empty when nothing is found.

    Raises
    ------
    WorkbenchError
        When the arrays do not fit together or the threshold is not above zero.

    Notes
    -----
    About 0.2 s for a plane of 24 million pixels on two cores, and up to twice as long where an object fills much of
    it; memory is a few strips of 256 rows. Stars that only the second pass finds have the field's elongation. Those of
    other faint stars are biased high by noise; `workbench.measure.stars.psf.field_psf` gives the field's.
    """
    if not threshold > 0:
        raise WorkbenchError(f"the star threshold is a signal-to-noise ratio above 0, not {threshold}")
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    stars, widths = _found(planes, cov, threshold, saturation, crowded_field)
    if (widths.size < _FEW or np.median(widths) > _WIDE) and min(planes.shape[1:]) >= _REDUCED * _LEAST_SIDE:
        broad, widths = _found(*_reduced(planes, cov), threshold, saturation, crowded_field)
        if _are_stars(widths):
            return _enlarged(broad)
    return stars


def _found(
    planes: Planes, cov: Coverage, threshold: float, saturation: float | None, crowded_field: bool
) -> tuple[Stars, Floats]:
    """Stars of a frame, and the widths of the bright ones that told how wide stars are."""
    found = find_candidates(planes, cov, threshold)
    columns, sizes = _catalogue(planes, cov, found, saturation)
    added = crowded_field_pass(planes, cov, found.mesh, sizes, columns, threshold) if crowded_field else None
    if added is not None:
        columns = _with_crowded(planes, columns, sizes, added)
    order = np.argsort(-columns["flux"], kind="stable")
    return Stars(**{name: column[order] for name, column in columns.items()}), found.widths


def _are_stars(widths: Floats) -> bool:
    """Whether the bright spots of a reduced frame are stars: some, alike, and wider than the full frame shows."""
    if widths.size < _FEW_BROAD or not np.median(widths) > _BROAD:
        return False
    alike = np.mean(np.abs(widths / np.median(widths) - 1) < _ALIKE)
    return bool(alike >= (0.5 if widths.size >= _FEW else 1.0))


def _reduced(planes: Planes, coverage: Coverage) -> tuple[Planes, Coverage]:
    """Means of squares of `_REDUCED` pixels; covered where all of them are."""
    n = _REDUCED
    channels, height, width = planes.shape[0], planes.shape[1] // n, planes.shape[2] // n
    out = np.empty((channels, height, width), np.float32)
    for plane, to in zip(planes, out, strict=True):
        plane[: height * n, : width * n].reshape(height, n, width, n).mean(axis=(1, 3), out=to)
    if not coverage.size:
        return out, coverage
    covered = coverage[: height * n, : width * n].reshape(height, n, width, n).min(axis=(1, 3))
    return out, np.ascontiguousarray(covered)


def _enlarged(stars: Stars) -> Stars:
    """Stars of a reduced frame in pixels of the full one; the peak stays that of a square's mean."""
    n = _REDUCED
    x, y = ((axis + 0.5) * n - 0.5 for axis in (stars.x, stars.y))
    return replace(stars, x=x, y=y, flux=stars.flux * n**2, fwhm=stars.fwhm * n)


def _catalogue(
    planes: Planes, coverage: Coverage, found: Candidates, saturation: float | None
) -> tuple[Columns, Sizes]:
    """Candidates to stars: what is as large as a star, and one entry for each saturated plateau."""
    table, snr = found.table, found.snr
    top, low = tops(planes, coverage, np.ascontiguousarray(table["x"]), np.ascontiguousarray(table["y"]))
    levels = saturation_levels(planes, top, low, saturation)
    saturated = np.asarray((top >= levels).any(axis=1))
    sizes = sizes_of(planes, coverage, found, ~saturated)
    # A close pair is long but as narrow as a star; a knot is broad both ways; a cosmic ray is too narrow one way.
    narrow = sizes.fwhm / np.sqrt(sizes.elongation) / sizes.field
    long = sizes.fwhm * np.sqrt(sizes.elongation) / sizes.field
    slack = _SCATTER / np.maximum(snr, 1)
    star = ~saturated & (narrow > SMALLEST - slack) & (narrow < LARGEST + slack) & (long < _LONGEST + slack)
    columns: Columns = {
        "x": table["x"].copy(),
        "y": table["y"].copy(),
        "flux": table["window_sum"] / sizes.table.share_of(sizes.field),
        "peak": table["peak"].copy(),
        "background": table["background"].copy(),
        "snr": snr,
        "fwhm": sizes.fwhm,
        "elongation": sizes.elongation,
        "angle_deg": sizes.angle_deg,
        "saturated": saturated,
    }
    _put_saturated(planes, coverage, levels, columns, star, sizes)
    return {name: column[star] for name, column in columns.items()}, sizes


def _put_saturated(
    planes: Planes,
    coverage: Coverage,
    levels: Floats,
    columns: Columns,
    star: NDArray[np.bool_],
    sizes: Sizes,
) -> None:
    """Measure saturated candidates in place of what the window saw, and let one stand for each plateau."""
    at = np.flatnonzero(columns["saturated"])
    if at.size == 0:
        return
    seeds = (columns["x"][at], columns["y"][at], sizes.field[at], columns["background"][at])
    rows = np.empty(at.size, SATURATED)
    measure_saturated(planes, coverage, levels, *seeds, sizes.spread.alpha, rows)
    _, first = np.unique(rows["key"], return_index=True)
    first = first[rows["key"][first] >= 0]
    rows, at = rows[first], at[first]
    star[at] = True
    columns["x"][at], columns["y"][at] = rows["x"], rows["y"]
    known = np.isfinite(rows["flux"]) & (rows["flux"] > 0)
    columns["flux"][at[known]] = rows["flux"][known]
    columns["background"][at], columns["peak"][at] = rows["background"], rows["peak"]
    columns["fwhm"][at] = sizes.field[at]


def _with_crowded(planes: Planes, columns: Columns, sizes: Sizes, second: CrowdedPass) -> Columns:
    """The list after the pass for crowded fields: places moved, what is no point left out, points added."""
    columns["x"], columns["y"] = second.x, second.y
    new = second.added
    field = sizes.field_at(new["x"], new["y"])
    y, x = (
        np.clip(np.rint(new[axis]).astype(np.int64), 0, n - 1)
        for axis, n in zip(("y", "x"), planes.shape[1:], strict=True)
    )
    peak = new["height"] * sizes.spread.over(y - new["y"], x - new["x"], field)
    spread = sizes.spread
    added: Columns = {
        "x": new["x"],
        "y": new["y"],
        "flux": new["height"] * np.pi * moffat_gamma(field, spread.alpha) ** 2 / (spread.alpha - 1),
        "peak": peak,
        "background": planes[:, y, x].mean(axis=0, dtype=np.float64) - peak,
        "snr": new["snr"],
        "fwhm": field * np.clip(1 + new["growth"], SMALLEST, LARGEST),
        "elongation": np.full(len(new), spread.elongation),
        "angle_deg": np.full(len(new), spread.angle_deg),
        "saturated": np.zeros(len(new), bool),
    }
    return {name: np.concatenate([column[second.stays], added[name]]) for name, column in columns.items()}

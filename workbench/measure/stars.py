"""Stars of a frame: where, how bright, how large; found in one pass over strips by a matched blur.

How it works
------------
1. The detection image is the mean of the channels. A coarse mesh gives its sky level and noise everywhere.
2. A first look at a few tiles tells the width of stars; a Gaussian of that width is the matched filter.
3. Local maxima of the filtered image above ``threshold`` times its noise are candidates. Each is measured under a
   Gaussian window of the same width (position by iteration, second moments, flux), above the median of a ring.
4. Candidates narrower than stars (hot pixels, cosmic rays) or broader (knots of nebula, galaxies) are left out.
5. Where the ground is rough, on nebulae and galaxies and in crowds, a second look (`workbench.measure.rough`) fits
   the field's point spread on uneven ground: it adds stars that structure hid, and takes out what is no point.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure.blocks import Coverage, Planes, as_planes, checked_coverage, in_order
from workbench.measure.detect import window_sums
from workbench.measure.matched import Candidates, Filter, find_candidates, ring
from workbench.measure.moffat import GAUSSIAN_FWHM, WindowTable, moffat_gamma
from workbench.measure.plateau import FOUND, measure_plateaus, plateau_levels, tops
from workbench.measure.rough import Look, look_again
from workbench.measure.sizes import LARGEST, SMALLEST, TYPICAL_ALPHA, Sizes, sizes_of

__all__ = ["Stars", "find_stars", "star_colors"]

Floats = NDArray[np.float64]
Columns = dict[str, NDArray[Any]]

#: Width of the window of `star_colors` over that of a star: channels differ a little in sharpness.
_COLOR_WINDOW = 1.3

#: Longest a star may be, as a share of the field's FWHM at the place; faint ones scatter more.
_LONGEST = 2.2
_SCATTER = 1.5


@dataclass(frozen=True, slots=True)
class Stars:
    """A star list: arrays of one length, brightest first.

    Attributes
    ----------
    x, y : ndarray, float64
        Position in pixels: x along columns, y along rows, pixel centres at integers from 0.
    flux : ndarray, float64
        Total light above the local background, in units of the detection image (mean of channels) x pixels.
    peak : ndarray, float64
        Highest pixel above the local background.
    background : ndarray, float64
        Local background.
    snr : ndarray, float64
        Flux over its noise through the matched filter.
    fwhm : ndarray, float64
        Full width at half maximum in pixels, geometric mean of both axes.
    elongation : ndarray, float64
        Longer over shorter axis, 1 = round.
    angle_deg : ndarray, float64
        Direction of the longer axis, from +x towards +y (downwards on screen), -90 .. 90.
    saturated : ndarray, bool
        A pixel of the star reaches the saturation level: position is good, flux and FWHM are not.
    """

    x: Floats
    y: Floats
    flux: Floats
    peak: Floats
    background: Floats
    snr: Floats
    fwhm: Floats
    elongation: Floats
    angle_deg: Floats
    saturated: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.x.size)

    def select(self, which: NDArray[Any]) -> Stars:
        """The stars that a mask or an index array picks."""
        return Stars(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def to_dict(self) -> dict[str, Any]:
        """Plain lists by column."""
        return {f.name: getattr(self, f.name).tolist() for f in fields(self)}

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Stars:
        """Build from plain lists."""
        kinds: dict[str, Any] = {f.name: np.float64 for f in fields(cls)}
        kinds["saturated"] = np.bool_
        missing = sorted(set(kinds) - set(data))
        if missing or set(data) - set(kinds):
            raise WorkbenchError(f"a star list has the columns {', '.join(kinds)}; check {missing or sorted(data)}")
        columns = {name: np.asarray(data[name], kind) for name, kind in kinds.items()}
        if len({c.shape for c in columns.values()}) != 1 or columns["x"].ndim != 1:
            raise WorkbenchError("the columns of a star list must have one length")
        return cls(**columns)


def find_stars(
    planes: NDArray[np.float32],
    coverage: NDArray[np.uint8] | None = None,
    *,
    threshold: float = 4.5,
    saturation: float | None = None,
    second_look: bool = True,
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
    second_look : bool
        Whether to look again where objects lie, for stars that are hard to tell from them. Not needed where some
        good stars will do.

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
    it; memory is a few strips of 256 rows. Stars that only the second look finds have the field's elongation. Those of
    other faint stars are biased high by noise; `workbench.measure.psf.field_psf` gives the field's.
    """
    if not threshold > 0:
        raise WorkbenchError(f"the star threshold is a signal-to-noise ratio above 0, not {threshold}")
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    found = find_candidates(planes, cov, threshold)
    snr = found.table[:, 8] / np.where(found.noise > 0, found.noise, np.inf)
    keep = (found.table[:, 2] > 0) & (snr >= threshold)
    found = Candidates(found.table[keep], found.by, found.noise[keep], found.mesh)
    columns, sizes = _catalogue(planes, cov, found, snr[keep], saturation)
    look = look_again(planes, cov, found.mesh, sizes, columns, threshold) if second_look else None
    if look is not None:
        columns = _looked_again(planes, columns, sizes, look)
    order = np.argsort(-columns["flux"], kind="stable")
    return Stars(**{name: column[order] for name, column in columns.items()})


def _catalogue(
    planes: Planes, coverage: Coverage, found: Candidates, snr: Floats, saturation: float | None
) -> tuple[Columns, Sizes]:
    """Candidates to stars: what is as large as a star, and one entry for each saturated plateau."""
    table = found.table
    top, low = tops(planes, coverage, table[:, 0], table[:, 1])
    levels = plateau_levels(planes, top, low, saturation)
    saturated = np.asarray((top >= levels).any(axis=1))
    sizes = sizes_of(planes, coverage, found, snr, ~saturated)
    # A close pair is long but as narrow as a star; a knot is broad both ways; a cosmic ray is too narrow one way.
    narrow = sizes.fwhm / np.sqrt(sizes.elongation) / sizes.field
    long = sizes.fwhm * np.sqrt(sizes.elongation) / sizes.field
    slack = _SCATTER / np.maximum(snr, 1)
    star = ~saturated & (narrow > SMALLEST - slack) & (narrow < LARGEST + slack) & (long < _LONGEST + slack)
    columns: Columns = {
        "x": table[:, 0],
        "y": table[:, 1],
        "flux": table[:, 2] / sizes.table.share_of(sizes.field),
        "peak": table[:, 6],
        "background": table[:, 7],
        "snr": snr,
        "fwhm": sizes.fwhm,
        "elongation": sizes.elongation,
        "angle_deg": sizes.angle_deg,
        "saturated": saturated,
    }
    _put_plateaus(planes, coverage, levels, columns, star, sizes)
    return {name: column[star] for name, column in columns.items()}, sizes


def _put_plateaus(
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
    seeds = np.stack([columns["x"][at], columns["y"][at], sizes.field[at], columns["background"][at]], axis=1)
    rows = np.empty((at.size, len(FOUND)))
    measure_plateaus(planes, coverage, levels, seeds, sizes.spread.alpha, rows)
    _, first = np.unique(rows[:, 0], return_index=True)
    first = first[(rows[first, 0] >= 0)]
    rows, at = rows[first], at[first]
    star[at] = True
    columns["x"][at], columns["y"][at] = rows[:, 1], rows[:, 2]
    known = np.isfinite(rows[:, 4]) & (rows[:, 4] > 0)
    columns["flux"][at[known]] = rows[known, 4]
    columns["background"][at], columns["peak"][at] = rows[:, 5], rows[:, 6]
    columns["fwhm"][at] = sizes.field[at]


def _looked_again(planes: Planes, columns: Columns, sizes: Sizes, look: Look) -> Columns:
    """The list after a second look: places moved, what is no point left out, points added."""
    columns["x"], columns["y"] = look.x, look.y
    new = look.added
    field = sizes.field_at(new[:, 0], new[:, 1])
    y, x = (np.clip(np.rint(new[:, k]).astype(np.int64), 0, planes.shape[2 - k] - 1) for k in (1, 0))
    peak = new[:, 2] * sizes.spread.over(y - new[:, 1], x - new[:, 0], field)
    spread = sizes.spread
    added: Columns = {
        "x": new[:, 0],
        "y": new[:, 1],
        "flux": new[:, 2] * np.pi * moffat_gamma(field, spread.alpha) ** 2 / (spread.alpha - 1),
        "peak": peak,
        "background": planes[:, y, x].mean(axis=0, dtype=np.float64) - peak,
        "snr": new[:, 3],
        "fwhm": field * np.clip(1 + new[:, 4], SMALLEST, LARGEST),
        "elongation": np.full(len(new), spread.elongation),
        "angle_deg": np.full(len(new), spread.angle_deg),
        "saturated": np.zeros(len(new), bool),
    }
    return {name: np.concatenate([column[look.stays], added[name]]) for name, column in columns.items()}


def star_colors(planes: NDArray[np.float32], stars: Stars, coverage: NDArray[np.uint8] | None = None) -> Floats:
    """Light of each star in each channel, above the median of a ring around it.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W) or (H, W), float32
        The linear frame the stars were found in.
    stars : Stars
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    ndarray, shape (N, C), float64
        Fluxes in units of pixel values x pixels. Those of saturated stars are too small.

    Notes
    -----
    One round Gaussian window, somewhat wider than a star, lies at the same place in all channels, so ratios between
    channels do not hang on how well a star is centred or measured in each.
    """
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    out = np.zeros((len(stars), planes.shape[0]))
    if len(stars) == 0:
        return out
    fwhm = float(np.median(stars.fwhm))
    by = Filter(fwhm / GAUSSIAN_FWHM)
    window = _COLOR_WINDOW * by.sigma
    share = float(WindowTable(TYPICAL_ALPHA, window, by.ring_radii[0]).share_of(np.array([fwhm]))[0])
    xy = np.stack([stars.x, stars.y], axis=1)
    around = ring(by.ring_radii)

    def channel(c: int) -> None:
        sums = np.empty(len(stars))
        window_sums(planes[c], cov, xy, window, around, sums)
        out[:, c] = sums / share

    in_order(channel, list(range(planes.shape[0])))
    return out

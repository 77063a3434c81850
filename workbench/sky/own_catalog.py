"""A person's own star catalogue: a CSV file, a FITS table or a VOTable."""

from __future__ import annotations

import warnings
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.sky.catalog import GAIA_EPOCH, StarCatalog, bv_of_bp_rp

if TYPE_CHECKING:
    from astropy import table, units
else:
    table = on_first_use("astropy.table")
    units = on_first_use("astropy.units")

__all__ = ["read_catalog"]

Floats = NDArray[np.float64]

_FORMATS = {
    ".csv": "ascii.csv",
    ".fits": "fits",
    ".fit": "fits",
    ".xml": "votable",
    ".vot": "votable",
    ".votable": "votable",
}
#: Names that columns have in catalogues, lower case, without anything but letters and digits.
_NAMES = {
    "ra": ("ra", "radeg", "raicrs", "raj2000", "rightascension"),
    "dec": ("dec", "decdeg", "deicrs", "dej2000", "decj2000", "declination", "de"),
    "g": ("g", "gmag", "photgmeanmag"),
    "v": ("v", "vmag", "vtmag", "mag", "magnitude"),
    "bv": ("bv", "bminusv", "colorbv"),
    "bprp": ("bprp", "bpminusrp"),
    "error": ("ebv", "bverror", "errorbv"),
    "pmra": ("pmra",),
    "pmdec": ("pmdec", "pmde"),
    "epoch": ("epoch", "refepoch"),
}
_COLOR_ERROR = 0.04


def read_catalog(path: str | PathLike[str]) -> StarCatalog:
    """Read a star catalogue from a file.

    Parameters
    ----------
    path : path
        CSV with a row of names, FITS table or VOTable. It has the columns ``ra`` and ``dec`` (ICRS, degrees) and a
        magnitude ``G`` or ``V``; for colors ``B-V`` or ``BP-RP``; and may have ``pmra``, ``pmdec`` (milliarcseconds a
        year, that in right ascension times the cosine of the declination) and ``epoch`` (Julian year; else 2016).

    Returns
    -------
    StarCatalog

    Raises
    ------
    WorkbenchError
        When the file is missing or no table, or a column is missing.
    """
    path = Path(path)
    kind = _FORMATS.get(path.suffix.lower())
    if kind is None:
        raise WorkbenchError(f"{path} must be a CSV file, a FITS table or a VOTable: {', '.join(_FORMATS)}")
    if not path.is_file():
        raise WorkbenchError(f"the star catalogue {path} does not exist")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            read = table.Table.read(path, format=kind)
    except Exception as error:
        said = str(error).strip().splitlines()
        raise WorkbenchError(
            f"{path} cannot be read as a table: {said[0] if said else type(error).__name__}"
        ) from error
    columns = {_plain(name): name for name in read.colnames}
    found = {
        what: _numbers(read, columns[name], path)
        for what, names in _NAMES.items()
        if (name := next((n for n in names if n in columns), None)) is not None
    }
    return _catalog(found, path)


def _plain(name: str) -> str:
    return "".join(c for c in name.lower() if c.isalnum())


def _numbers(read: Any, name: str, path: Path) -> Floats:
    column = read[name]
    try:
        if getattr(column, "unit", None) == units.rad:
            column = column.to(units.deg)
        values = np.ma.filled(np.ma.asarray(column).astype(np.float64), np.nan)
    except (TypeError, ValueError) as error:
        raise WorkbenchError(f"{path}: the column {name!r} must hold numbers (degrees, magnitudes)") from error
    return np.asarray(values, np.float64)


def _catalog(found: dict[str, Floats], path: Path) -> StarCatalog:
    for what in ("ra", "dec"):
        if what not in found:
            raise WorkbenchError(f"{path} has no column {what!r}: a star catalogue needs ra and dec in degrees")
    magnitude = found.get("g", found.get("v"))
    if magnitude is None:
        raise WorkbenchError(f"{path} has no column 'G' or 'V': a star catalogue needs a magnitude")
    ra, dec = found["ra"], found["dec"]
    usable = np.isfinite(ra) & np.isfinite(dec) & np.isfinite(magnitude) & (np.abs(dec) <= 90)
    if not usable.any():
        raise WorkbenchError(f"{path} holds no star with ra, dec and a magnitude")
    unknown = np.full(len(ra), np.nan)
    color = found["bv"] if "bv" in found else bv_of_bp_rp(found["bprp"]) if "bprp" in found else unknown
    error = np.where(np.isfinite(color), found.get("error", np.full(len(ra), _COLOR_ERROR)), np.nan)
    epochs = found.get("epoch", np.full(1, GAIA_EPOCH))
    epoch = float(np.nanmedian(epochs)) if np.isfinite(epochs).any() else GAIA_EPOCH
    made = StarCatalog(
        ra=ra % 360,
        dec=dec,
        magnitude=magnitude,
        color=color,
        color_error=error,
        pm_ra=np.nan_to_num(found.get("pmra", np.zeros(len(ra)))),
        pm_dec=np.nan_to_num(found.get("pmdec", np.zeros(len(ra)))),
        hip=np.zeros(len(ra), np.int64),
        epoch=epoch,
        visual="g" not in found,
        title=path.name,
    )
    return made.select(usable)

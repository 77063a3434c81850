"""What is in a field that has a name: deep-sky objects and bright stars.

Objects are those of OpenNGC by Mattia Verga (CC BY-SA 4.0), which the package PyOngc carries (MIT). Names of stars are
those that the International Astronomical Union approved (its Catalog of Star Names; numbers in Hipparcos from memory,
held against their magnitudes and places by a test).
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.sky.catalog import StarCatalog, need_extra, visual_magnitude
from workbench.sky.sphere import directions, in_circle

__all__ = ["CREDIT", "STAR_NAMES", "SkyObject", "named_stars", "objects_in"]

Floats = NDArray[np.float64]

#: To be named where the names are shown.
CREDIT = "Names of objects: OpenNGC, M. Verga, CC BY-SA 4.0"
#: Duplicates and what turned out to be no object, or single stars, are not shown.
_LEFT_OUT = ("Dup", "NonEx", "*", "**", "Other", "Nova")
_QUERY = """
    SELECT name, type, ra, dec, majax, minax, pa, vmag, bmag, messier, commonnames FROM objects
    WHERE ra IS NOT NULL AND dec IS NOT NULL AND type NOT IN (?, ?, ?, ?, ?, ?)
"""

STAR_NAMES = {
    677: "Alpheratz", 746: "Caph", 1067: "Algenib", 2081: "Ankaa", 3179: "Schedar", 3419: "Diphda", 5447: "Mirach",
    7588: "Achernar", 8886: "Segin", 9640: "Almach", 9884: "Hamal", 10826: "Mira", 11767: "Polaris", 14135: "Menkar",
    14576: "Algol", 15863: "Mirfak", 17702: "Alcyone", 21421: "Aldebaran", 24436: "Rigel", 24608: "Capella",
    25336: "Bellatrix", 25428: "Elnath", 25930: "Mintaka", 26311: "Alnilam", 26727: "Alnitak", 27366: "Saiph",
    27989: "Betelgeuse", 28360: "Menkalinan", 30324: "Mirzam", 30438: "Canopus", 31681: "Alhena", 32349: "Sirius",
    33579: "Adhara", 34444: "Wezen", 36850: "Castor", 37279: "Procyon", 37826: "Pollux", 46390: "Alphard",
    49669: "Regulus", 50583: "Algieba", 53910: "Merak", 54061: "Dubhe", 54872: "Zosma", 57632: "Denebola",
    58001: "Phecda", 59774: "Megrez", 60718: "Acrux", 61084: "Gacrux", 62434: "Mimosa", 62956: "Alioth",
    63125: "Cor Caroli", 65378: "Mizar", 65474: "Spica", 67301: "Alkaid", 68702: "Hadar", 69673: "Arcturus",
    71683: "Rigil Kentaurus", 72105: "Izar", 72607: "Kochab", 76267: "Alphecca", 77070: "Unukalhai", 78401: "Dschubba",
    80763: "Antares", 84345: "Rasalgethi", 85927: "Shaula", 86032: "Rasalhague", 87833: "Eltanin",
    90185: "Kaus Australis", 91262: "Vega", 92420: "Sheliak", 92855: "Nunki", 95947: "Albireo", 97278: "Tarazed",
    97649: "Altair", 100453: "Sadr", 100751: "Peacock", 102098: "Deneb", 102488: "Aljanah", 105199: "Alderamin",
    106278: "Sadalsuud", 107315: "Enif", 109268: "Alnair", 113368: "Fomalhaut", 113881: "Scheat", 113963: "Markab",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class SkyObject:
    """A deep-sky object.

    Attributes
    ----------
    name : str
        As astronomers write it: ``M 42``, ``NGC 7000``, ``IC 434``.
    common : str
        What people call it; empty where they call it nothing.
    kind : str
        OpenNGC's word for what it is, such as ``G`` (galaxy) or ``OCl`` (open cluster).
    ra, dec : float
        ICRS, degrees.
    size : tuple of float
        Longer and shorter axis in degrees; 0 where it is not known.
    angle : float
        Direction of the longer axis, degrees from north over east.
    magnitude : float
        V, else B; 99 where neither is known.
    """

    name: str
    common: str
    kind: str
    ra: float
    dec: float
    size: tuple[float, float]
    angle: float
    magnitude: float

    @property
    def weight(self) -> float:
        """The lower, the sooner it is shown: by brightness and size; what Messier listed comes first."""
        listed = -6 if self.name.startswith("M ") else -3 if self.common else 0
        faint = self.magnitude if self.magnitude < 99 else 14.0
        return faint + listed - 2.5 * float(np.log10(max(self.size[0], 1 / 60) * 60))


def objects_in(ra: float, dec: float, radius: float) -> list[SkyObject]:
    """Deep-sky objects within a circle on the sky, those that should be shown first at the front.

    Parameters
    ----------
    ra, dec, radius : float
        In degrees.

    Returns
    -------
    list of SkyObject

    Raises
    ------
    WorkbenchError
        When the extra ``sky`` is not installed.
    """
    need_extra("pyongc")
    path = import_module("pyongc").DBPATH
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as base:
        rows = base.execute(_QUERY, _LEFT_OUT).fetchall()
    places = np.rad2deg(np.array([row[2:4] for row in rows], np.float64))
    inside = np.flatnonzero(in_circle(directions(*places.T), ra, dec, radius))
    found = [_object(rows[k], places[k]) for k in inside]
    return sorted(found, key=lambda one: one.weight)


def _object(row: tuple[Any, ...], place: Floats) -> SkyObject:
    name, kind, _, _, major, minor, angle, visual, blue, messier, common = row
    magnitude = visual if visual is not None else blue if blue is not None else 99.0
    return SkyObject(
        name=f"M {int(messier)}" if messier else _spaced(name),
        common=(common or "").split(",")[0],
        kind=kind,
        ra=float(place[0]),
        dec=float(place[1]),
        size=((major or 0.0) / 60, (minor or major or 0.0) / 60),
        angle=float(angle or 0.0),
        magnitude=float(magnitude),
    )


def _spaced(name: str) -> str:
    """``NGC0224`` and ``IC0434`` as astronomers write them."""
    letters = name.rstrip("0123456789")
    digits = name[len(letters) :]
    return f"{letters} {int(digits)}" if letters and digits else name


def named_stars(stars: StarCatalog) -> list[tuple[str, float, float, float]]:
    """Stars of a catalogue that have a name: the name, right ascension, declination, V; the brightest first.

    Parameters
    ----------
    stars : StarCatalog

    Returns
    -------
    list of (str, float, float, float)
    """
    visual = visual_magnitude(stars)
    named = [k for k in np.flatnonzero(stars.hip > 0) if int(stars.hip[k]) in STAR_NAMES]
    found = [(STAR_NAMES[int(stars.hip[k])], float(stars.ra[k]), float(stars.dec[k]), float(visual[k])) for k in named]
    return sorted(found, key=lambda star: star[3])

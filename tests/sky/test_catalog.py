"""The bundled catalogues against places and colors that were published, and a person's own catalogue in three forms."""

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import Distance, SkyCoord
from astropy.table import Table
from astropy.time import Time

import workbench as wb
from workbench.sky import bundled, catalog, read_catalog


def star(hip):
    found = bundled()
    return found.select(found.hip == hip)


@pytest.mark.parametrize(
    ("hip", "ra", "dec", "pm_ra", "pm_dec", "bv"),
    [
        # Hipparcos (van Leeuwen 2007, A&A 474, 653): J2000, motions in mas a year; B-V of ESA 1997. From memory.
        (91262, 279.234735, 38.783689, 200.94, 286.23, 0.00),  # Vega
        (32349, 101.287155, -16.716116, -546.01, -1223.07, 0.01),  # Sirius
        (87937, 269.452075, 4.693391, -798.58, 10328.12, 1.57),  # Barnard's star
        (27989, 88.792939, 7.407064, 27.54, 11.30, 1.50),  # Betelgeuse
    ],
)
def test_well_known_stars_stand_where_they_are_known_to_be(hip, ra, dec, pm_ra, pm_dec, bv):
    there = star(hip).at(2000.0)
    apart = SkyCoord(there.ra[0], there.dec[0], unit="deg").separation(SkyCoord(ra, dec, unit="deg"))
    assert apart.arcsec < 0.6  # Barnard's star quickens by 1 mas a year each year
    assert there.pm_ra[0] == pytest.approx(pm_ra, abs=1)
    assert there.pm_dec[0] == pytest.approx(pm_dec, abs=1)
    assert there.color[0] == pytest.approx(bv, abs=0.02)


def test_stars_move_as_astropy_moves_them():
    found = bundled()
    fast = found.select(np.argsort(-np.hypot(found.pm_ra, found.pm_dec))[:200])
    moved = fast.at(1996.0)
    reference = SkyCoord(
        fast.ra * u.deg,
        fast.dec * u.deg,
        distance=Distance(np.full(200, 10.0), u.pc),
        pm_ra_cosdec=fast.pm_ra * u.mas / u.yr,
        pm_dec=fast.pm_dec * u.mas / u.yr,
        obstime=Time(2016.0, format="jyear"),
    ).apply_space_motion(Time(1996.0, format="jyear"))
    apart = SkyCoord(moved.ra, moved.dec, unit="deg").separation(SkyCoord(reference.ra, reference.dec))
    assert apart.mas.max() < 1


def test_gaia_and_hipparcos_are_joined_star_by_star():
    found = bundled()
    assert len(found) == 482_176
    assert (found.hip > 0).sum() > 109_000
    assert np.isfinite(found.color).mean() > 0.9
    numbers = found.hip[found.hip > 0]
    assert len(np.unique(numbers)) == len(numbers)


def test_colors_of_gaia_become_b_minus_v_as_the_stars_of_both_catalogues_say():
    # The Sun: BP-RP 0.82 (Casagrande & VandenBerg 2018, MNRAS 479, L102), B-V 0.653 (Ramirez et al. 2012, ApJ 752, 5).
    assert catalog.bv_of_bp_rp(np.array([0.82]))[0] == pytest.approx(0.653, abs=0.02)
    gaia, hipparcos = catalog.gaia_stars(), catalog.hipparcos_stars()
    both = catalog.with_hipparcos(gaia, hipparcos)
    measured = dict(zip(hipparcos.hip.tolist(), range(len(hipparcos)), strict=True))
    at = np.array([measured[h] for h in both.hip[both.hip > 0].tolist()])
    bv, error, ours = hipparcos.color[at], hipparcos.color_error[at], gaia.color[both.hip > 0]
    sure = (error > 0) & (error < 0.02) & np.isfinite(ours)
    off = ours[sure] - bv[sure]
    assert abs(np.median(off)) < 0.01
    assert 1.4826 * np.median(np.abs(off)) < 0.04


def test_a_circle_holds_what_lies_in_it_the_brightest_first():
    found = bundled()
    near = found.around(56.75, 24.12, 2.0)
    apart = SkyCoord(found.ra, found.dec, unit="deg").separation(SkyCoord(56.75, 24.12, unit="deg")).deg
    assert len(near) == (apart <= 2.0).sum()
    assert near.hip[0] == 17702  # Alcyone
    assert (np.diff(near.magnitude) >= 0).all()


@pytest.mark.parametrize(("suffix", "form"), [(".csv", "ascii.csv"), (".fits", "fits"), (".vot", "votable")])
def test_a_catalogue_of_ones_own_is_read(tmp_path, suffix, form):
    table = Table({"RA": [10.5, 11.0], "DEC": [-3.0, 4.0], "Vmag": [7.5, 8.0], "B-V": [0.65, 1.2]})
    table.write(tmp_path / f"own{suffix}", format=form)
    own = read_catalog(tmp_path / f"own{suffix}")
    assert own.visual
    np.testing.assert_allclose(own.ra, [10.5, 11.0])
    np.testing.assert_allclose(own.color, [0.65, 1.2])
    np.testing.assert_allclose(catalog.visual_magnitude(own), [7.5, 8.0])


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("own.txt", "ra,dec,G\n", "must be a CSV file"),
        ("own.csv", "ra,dec\n1,2\n", "no column 'G' or 'V'"),
        ("own.csv", "ra,G\n1,2\n", "no column 'dec'"),
        ("own.csv", "ra,dec,G\n1,2,bright\n", "must hold numbers"),
        ("own.csv", "ra,dec,G\n1,200,5\n", "holds no star"),
        ("own.fits", "not a table", "cannot be read as a table"),
    ],
)
def test_a_file_that_is_no_catalogue_is_refused_in_a_sentence(tmp_path, name, text, said):
    (tmp_path / name).write_text(text)
    with pytest.raises(wb.WorkbenchError, match=said):
        read_catalog(tmp_path / name)

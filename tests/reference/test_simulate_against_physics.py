"""The simulated light against published physics and reference libraries."""

import astropy.units as u
import colour
import numpy as np
import pytest
from astropy.modeling.functional_models import Moffat2D
from astropy.modeling.physical_models import BlackBody

from workbench.simulate import simulate
from workbench.simulate.optics import draw_stars, moffat_fwhm, moffat_gamma, shapes, stamps
from workbench.simulate.scene import Optics
from workbench.simulate.spectrum import HYDROGEN, blackbody, gas_color, star_color, white_gains


@pytest.mark.parametrize("kelvin", [2856.0, 5772.0, 15000.0])
def test_the_blackbody_is_planck_s_law(kelvin):
    """Planck 1901, as in astropy.modeling.physical_models.BlackBody (per unit wavelength)."""
    nm = np.array([400.0, 560.0, 700.0])
    law = BlackBody(kelvin * u.K, scale=1.0 * u.erg / (u.cm**2 * u.s * u.AA * u.sr))
    expected = law(nm * u.nm).value
    np.testing.assert_allclose(blackbody(nm, kelvin), expected / expected[1], rtol=1e-5)


def test_the_blackbody_of_illuminant_a_has_its_chromaticity():
    """Illuminant A: a blackbody of 2848 K for c2 = 14350 um K (CIE 15 [from memory]), 2855.5 K with today's c2.

    Its chromaticity (0.44758, 0.40745) for the 1931 observer is taken from colour-science.
    """
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    kelvin = 2848.0 * 1.438776877e7 / 1.4350e7
    xyz = blackbody(cmfs.wavelengths, kelvin) @ cmfs.values
    expected = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["A"]
    np.testing.assert_allclose(xyz[:2] / xyz.sum(), expected, atol=2e-4)


def test_hotter_is_bluer_and_the_sun_is_white():
    """IAU 2015 resolution B3: the nominal solar effective temperature is 5772 K."""
    color = star_color([3500.0, 5772.0, 9000.0, 20000.0], 5772.0)
    np.testing.assert_allclose(color[1], 1.0)
    assert (np.diff(color[:, 0]) < 0).all()
    assert (np.diff(color[:, 2]) > 0).all()


@pytest.mark.parametrize("kelvin", [3500.0, 4500.0, 8000.0, 10125.0, 15000.0])
def test_star_colors_are_those_of_a_measured_camera(kelvin):
    """A consumer camera measured by the National Physical Laboratory, as colour-science ships it: within 12 %."""
    measured = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"]
    nm, response = measured.wavelengths, measured.values

    def channels(t):
        return (blackbody(nm, t) * nm) @ response

    expected = channels(kelvin) / channels(5772.0)
    np.testing.assert_allclose(star_color(kelvin, 5772.0)[0], expected / expected[1], rtol=0.12)


def test_hydrogen_glows_red_with_a_little_blue():
    """Case B: H-alpha 2.86 times H-beta (Osterbrock & Ferland 2006 [from memory])."""
    color = gas_color(HYDROGEN, 5772.0)
    assert color[0] == 1.0
    assert color[1] < color[2] < 1.0
    assert (gas_color(HYDROGEN, 5772.0, reddening=2.0)[1:] < color[1:]).all()


def test_green_records_most_of_a_white_star():
    """Common practice: raw red and blue of daylight need gains of about 1.2 to 2.5."""
    gains = white_gains(5772.0)
    assert gains[1] == 1.0
    assert 1 / 2.5 < gains[2] < gains[0] < 1 / 1.2


def test_the_moffat_width_follows_its_formula():
    """FWHM = 2 gamma sqrt(2^(1/alpha) - 1) (Moffat 1969, A&A 3, 455); astropy's Moffat2D agrees."""
    assert moffat_fwhm(2.0, 2.5) == pytest.approx(2.261001, abs=1e-6)
    assert moffat_fwhm(2.0, 2.5) == pytest.approx(Moffat2D(1, 0, 0, 2.0, 2.5).fwhm)
    assert moffat_fwhm(moffat_gamma(3.1, 4.0), 4.0) == pytest.approx(3.1)


def test_a_drawn_star_is_astropy_s_moffat():
    optics = Optics(fwhm_px=2.7, alpha=3.0, elongation=1.0, curvature=0.0, coma=0.0, halo_share=0.0)
    x, y = np.array([20.37]), np.array([18.81])
    out = np.zeros((3, 40, 41), np.float32)
    draw_stars(out, 0, stamps(optics, x, y, np.ones((1, 3)), shapes(optics, x, y, (40, 41)), faintest=1e-12))
    gamma = moffat_gamma(2.7, 3.0)
    row, col = np.mgrid[:40, :41]
    expected = Moffat2D(2.0 / (np.pi * gamma**2), 20.37, 18.81, gamma, 3.0)(col, row)
    np.testing.assert_allclose(out[1], expected, rtol=2e-5, atol=1e-9)


def test_photon_transfer_gives_back_the_gain():
    """Photon transfer (Janesick 2001, Scientific Charge-Coupled Devices): variance = signal / gain + read noise^2.

    Two stacks of the same light and different noise; half the variance of their difference against signal has the
    slope of one electron, once the smoothing of demosaicing and the number of frames are taken out.
    """
    signal, variance = [], []
    for level in (0.02, 0.1, 0.2, 0.4, 0.6):
        pair = [
            simulate(
                "hayfield_stars", shape=(256, 256), seed=seed,
                stars={"per_megapixel": 0.0}, sky={"level": level, "domes": (), "slope": (0.0, 0.0)},
                optics={"falloff": 0.0}, camera={"hot_pixels_per_megapixel": 0.0, "read_noise_e": 10.0},
                frames={"count": 16, "session_px": 0.0, "session_deg": 0.0, "dither_px": 0.0},
            )
            for seed in (1, 2)
        ]  # fmt: skip
        first, second = (p.stack.pixels[..., 1].astype(np.float64) for p in pair)
        signal.append(0.5 * (first.mean() + second.mean()))
        variance.append(0.5 * np.var(first - second) * 16)
    share = (pair[0].truth.noise_sigma[1] ** 2 * 16) / (signal[-1] / 12000 + (10 / 12000) ** 2)
    slope, floor = np.polyfit(signal, np.array(variance) / share, 1, w=1 / np.array(variance))
    assert 1 / slope == pytest.approx(12000, rel=0.03)
    assert np.sqrt(max(floor, 0)) * 12000 == pytest.approx(10.0, rel=0.15)

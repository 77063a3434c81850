"""Colors of stars: temperatures and chromaticities that were published, and a line through points with errors."""

import colour
import numpy as np
import pytest

from workbench.sky.camera_response import response_of
from workbench.sky.color_line import fit_line
from workbench.sky.star_light import camera_colors, channel_magnitudes, planck_photons, temperature


@pytest.mark.parametrize(
    ("bv", "kelvin"),
    # Ballesteros 2012, EPL 97, 34008; the Sun (B-V 0.65) is 5772 K (IAU 2015 resolution B3).
    [(0.0, 10125), (0.65, 5778), (1.5, 3794)],
)
def test_temperatures_are_those_of_the_formula(bv, kelvin):
    assert temperature(np.array([bv]))[0] == pytest.approx(kelvin, abs=1)


@pytest.mark.parametrize("kelvin", [3000, 5772, 10_000])
def test_spectra_have_the_chromaticity_of_black_bodies(kelvin):
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(colour.SpectralShape(380, 780, 5))
    nm = observer.wavelengths
    watts = planck_photons(np.array([kelvin]), nm)[0] / nm
    x, y, z = watts @ observer.values
    theirs = colour.XYZ_to_xy(
        colour.sd_to_XYZ(colour.sd_blackbody(kelvin, observer.shape), observer, method="Integration")
    )
    np.testing.assert_allclose([x / (x + y + z), y / (x + y + z)], theirs, atol=2e-4)


def test_a_star_like_the_sun_is_white_and_has_one_magnitude():
    sun = temperature(np.array([0.653]))
    np.testing.assert_allclose(camera_colors(sun), 0, atol=1e-12)
    np.testing.assert_allclose(channel_magnitudes(np.array([6.0]), np.array([0.653])), 6.0, atol=1e-12)
    red, _, blue = channel_magnitudes(np.array([6.0]), np.array([1.5]))[0]
    assert red < 6 < blue


def test_a_line_is_found_among_what_does_not_belong_and_says_how_sure_it_is():
    covered = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        true = rng.normal(0, 0.3, 80)
        x_error, y_error = np.full(80, 0.03), rng.uniform(0.01, 0.05, 80)
        x, y = true + rng.normal(0, x_error), -0.4 + 0.9 * true + rng.normal(0, y_error) + rng.normal(0, 0.02, 80)
        y[:10] += rng.uniform(0.5, 2, 10)
        line = fit_line(x, y, x_error, y_error)
        level, error = line.at(0.5)
        covered.append(abs(level - (-0.4 + 0.45)) <= 2 * error)
        assert abs(line.slope - 0.9) < 4 * line.slope_error
        assert (line.weight[:10] == 0).mean() > 0.9
    assert np.mean(covered) >= 0.9


@pytest.mark.parametrize(
    ("named", "key"), [("NIKON D5100", "Nikon 5100 (NPL)"), ("SIGMA SD1 Merrill", "Sigma SDMerill (NPL)")]
)
def test_a_measured_camera_has_the_colors_of_its_sensitivities(named, key):
    # By colour-science, at its own wavelengths: Darrodi et al. 2015, J. Opt. Soc. Am. A 32, 381.
    measured = colour.MSDS_CAMERA_SENSITIVITIES[key]
    kelvin = temperature(np.array([-0.2, 0.653, 1.4]))
    light = planck_photons(kelvin, np.asarray(measured.wavelengths)) @ np.clip(measured.values, 0, None)
    theirs = np.log(light[:, [0, 2]] / light[:, [1]])
    np.testing.assert_allclose(camera_colors(kelvin, response_of(named)), theirs - theirs[1], atol=0.01)


def test_other_cameras_have_no_measured_response():
    assert response_of(None) is None
    assert response_of("NIKON D5300") is None
    assert response_of("SIGMA DP2 Merrill") is None
    assert response_of("") is None

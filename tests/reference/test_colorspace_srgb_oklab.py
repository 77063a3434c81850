"""sRGB and Oklab against the standard, the publication, and two libraries that implement them."""

import colour
import numpy as np
import pytest
from skimage import color as skcolor

from workbench.operations.colorspace import (
    LAB_TO_ROOTS,
    LMS_TO_RGB,
    LUMINANCE,
    linear_to_oklab,
    oklab_to_linear,
    srgb_decode,
    srgb_encode,
)

GRID = np.linspace(0, 1, 4097)
RGB = np.random.default_rng(3).random((3, 5000))


# IEC 61966-2-1:1999; 18 % gray and half code are the worked values of many texts.
@pytest.mark.parametrize(("linear", "code"), [(0.0, 0.0), (1.0, 1.0), (0.18, 0.461356), (0.0031308, 0.040450)])
def test_encoding_has_the_values_of_the_standard(linear, code):
    assert srgb_encode(np.float64(linear)) == pytest.approx(code, abs=1e-6)


@pytest.mark.parametrize(("code", "linear"), [(0.5, 0.214041), (0.04045, 0.0031308), (1.0, 1.0)])
def test_decoding_has_the_values_of_the_standard(code, linear):
    assert srgb_decode(np.float64(code)) == pytest.approx(linear, abs=1e-6)


def test_encoding_agrees_with_colour_science():
    assert np.allclose(srgb_encode(GRID), colour.models.eotf_inverse_sRGB(GRID), atol=1e-12)
    assert np.allclose(srgb_decode(GRID), colour.models.eotf_sRGB(GRID), atol=1e-12)


def test_decoding_agrees_with_scikit_image():
    # rgb2xyz decodes sRGB and multiplies by a matrix; a gray's Y is its linear light.
    gray = np.repeat(GRID[None, :, None], 3, axis=2)
    assert np.allclose(srgb_decode(GRID), skcolor.rgb2xyz(gray)[0, :, 1], atol=1e-6)


def test_luminance_weights_are_those_of_the_standard():
    # ITU-R BT.709-6 (2015), item 3.2
    assert LUMINANCE == (0.2126, 0.7152, 0.0722)


# Björn Ottosson, "A perceptual color space for image processing" (2020): primaries of sRGB in Oklab, to 5 digits.
PRIMARIES = [
    ([1, 0, 0], [0.62796, 0.22486, 0.12585]),
    ([0, 1, 0], [0.86644, -0.23389, 0.17950]),
    ([0, 0, 1], [0.45201, -0.03246, -0.31153]),
    ([1, 1, 1], [1.0, 0.0, 0.0]),
]


@pytest.mark.parametrize(("rgb", "lab"), PRIMARIES)
def test_oklab_of_the_primaries_is_as_published(rgb, lab):
    assert np.allclose(linear_to_oklab(np.array(rgb, float)), lab, atol=6e-6)


def test_oklab_agrees_with_colour_science():
    # colour-science goes through XYZ with rounded matrices, hence a tolerance of a few 1e-4
    xyz = colour.RGB_to_XYZ(RGB.T, "sRGB", apply_cctf_decoding=False)
    assert np.allclose(linear_to_oklab(RGB).T, colour.XYZ_to_Oklab(xyz), atol=3e-4)


def test_oklab_returns_to_linear_light():
    assert np.allclose(oklab_to_linear(linear_to_oklab(RGB)), RGB, atol=1e-12)
    # the inverse matrices as published, Ottosson 2021-01-25
    assert np.allclose(LAB_TO_ROOTS[0], [1, 0.3963377774, 0.2158037573], atol=1e-7)
    assert np.allclose(LMS_TO_RGB[0], [4.0767416621, -3.3077115913, 0.2309699292], atol=1e-6)

"""Star profiles and star lists against formulas and other people's code."""

import numpy as np
import pytest
import sep
from astropy.modeling.models import Gaussian2D, Moffat2D
from astropy.stats import gaussian_fwhm_to_sigma
from photutils.detection import DAOStarFinder
from scipy.integrate import quad
from scipy.spatial import cKDTree
from skimage import data

from workbench.measure.stars import find_stars
from workbench.measure.stars.moffat import GAUSSIAN_FWHM, moffat_fwhm, moffat_gamma, moffat_profile
from workbench.simulate import simulate


def test_the_fwhm_of_a_moffat_profile_is_the_published_formula():
    # Source: Moffat 1969, A&A 3, 455 [from memory]: FWHM = 2 gamma sqrt(2^(1/alpha) - 1); astropy's Moffat2D.fwhm.
    assert moffat_fwhm(2, 2.5) == pytest.approx(2.261001, abs=1e-6)
    for gamma, alpha in ((2, 2.5), (1.3, 4.765), (3.1, 1.9)):
        assert moffat_fwhm(gamma, alpha) == pytest.approx(Moffat2D(1, 0, 0, gamma, alpha).fwhm, rel=1e-12)
        assert moffat_gamma(moffat_fwhm(gamma, alpha), alpha) == pytest.approx(gamma, rel=1e-12)


def test_the_moffat_profile_is_astropys_and_holds_unit_flux():
    r = np.linspace(0, 12, 40)
    profile = moffat_profile(r, 2.0, 2.5)
    np.testing.assert_allclose(profile / profile[0], Moffat2D(1, 0, 0, 2.0, 2.5)(r, 0), rtol=1e-12)
    flux, _ = quad(lambda q: 2 * np.pi * q * float(moffat_profile(q, 2.0, 2.5)), 0, np.inf)
    assert flux == pytest.approx(1, rel=1e-6)


def test_the_fwhm_of_a_gaussian_is_two_point_three_five_sigma():
    # Source: 2 sqrt(2 ln 2) = 2.3548...; astropy.stats.gaussian_fwhm_to_sigma.
    assert pytest.approx(2 * np.sqrt(2 * np.log(2)), rel=1e-12) == GAUSSIAN_FWHM
    assert pytest.approx(1 / gaussian_fwhm_to_sigma, rel=1e-12) == GAUSSIAN_FWHM


def test_gaussian_stars_have_their_fwhm_too():
    # The Moffat family holds the Gaussian as its limit; astropy draws the stars.
    rng = np.random.default_rng(4)
    image = rng.normal(0.1, 0.001, (400, 400))
    yy, xx = np.mgrid[:400, :400]
    places = np.stack(np.meshgrid(np.arange(20.0, 400, 40), np.arange(20.0, 400, 40)), axis=-1).reshape(-1, 2)
    at = places + rng.uniform(-0.5, 0.5, places.shape)
    for x, y in at:
        image += Gaussian2D(0.2, x, y, 1.4, 1.4)(xx, yy)
    stars = find_stars(image.astype(np.float32))
    assert len(stars) == len(at)
    assert np.median(stars.fwhm) == pytest.approx(1.4 * GAUSSIAN_FWHM, rel=0.02)
    assert np.median(stars.flux) == pytest.approx(0.2 * 2 * np.pi * 1.4**2, rel=0.03)


@pytest.fixture(scope="module")
def field():
    sim = simulate("hayfield_stars", shape=(800, 1100), seed=33)
    image = np.ascontiguousarray(sim.stack.planes.mean(axis=0))
    return sim, image, find_stars(image)


@pytest.fixture(scope="module")
def others(field):
    """Positions by sep (Barbary 2016, JOSS 1, 58) and DAOStarFinder (Stetson 1987, PASP 99, 191, in photutils)."""
    sim, image, _ = field
    noise = 1.4826 * np.median(np.abs(image - sim.truth.noiseless.mean(axis=0)))
    background = sep.Background(image)
    left = image - background.back()
    objects = sep.extract(left, 3.0, err=float(noise))
    dao = DAOStarFinder(threshold=3.0 * float(noise), fwhm=2.9)(left)
    return {
        "sep": np.c_[objects["x"], objects["y"]],
        "dao": np.c_[np.asarray(dao["x_centroid"]), np.asarray(dao["y_centroid"])],
    }


def wanted(sim):
    """True places of stars whose height is over ten standard deviations and that no brighter star blends with."""
    t = sim.truth.stars
    recorded = (t.flux * sim.truth.channel_gains).mean(axis=1)
    noise = (sim.stack.planes - sim.truth.noiseless).mean(axis=0)
    spread = 1.4826 * np.median(np.abs(noise))
    alpha = sim.scene.optics.alpha
    gamma = moffat_gamma(float(np.median(t.fwhm_px)), alpha)
    tall = recorded * (alpha - 1) / (np.pi * gamma**2) > 10 * spread
    at = np.c_[t.x, t.y]
    blended = np.zeros(len(at), bool)
    for i, j in cKDTree(at).query_pairs(2.5 * float(np.median(t.fwhm_px))):
        blended[i if recorded[i] < recorded[j] else j] = True
    inside = (t.x > 12) & (t.y > 12) & (t.x < 1087) & (t.y < 787)
    return at[tall & ~blended & inside]


@pytest.mark.parametrize("name", ["sep", "dao"])
def test_the_list_is_no_less_complete_and_no_less_exact_than(name, field, others):
    sim, _, stars = field
    truth = wanted(sim)
    distance = {
        key: cKDTree(places).query(truth)[0] for key, places in {**others, "ours": np.c_[stars.x, stars.y]}.items()
    }
    complete = {key: np.mean(d < 1.5) for key, d in distance.items()}
    assert complete["ours"] >= complete[name]
    assert np.median(distance["ours"]) <= 1.05 * np.median(distance[name])


@pytest.mark.parametrize("name", ["sep", "dao"])
def test_positions_agree_with(name, field, others):
    _, _, stars = field
    bright = stars.select((stars.snr > 60) & ~stars.saturated)
    distance, index = cKDTree(others[name]).query(np.c_[bright.x, bright.y])
    near = distance < 1
    assert near.mean() > 0.95
    offset = others[name][index[near]] - np.c_[bright.x, bright.y][near]
    assert np.abs(np.median(offset, axis=0)).max() < 0.03
    assert np.median(distance[near]) < 0.15


def test_a_real_photograph_of_the_sky_is_measured():
    # Source: the Hubble deep field as scikit-image ships it (a display picture: galaxies and a few stars).
    picture = data.hubble_deep_field()
    image = np.ascontiguousarray(picture.mean(axis=2, dtype=np.float32) / np.float32(255))
    stars = find_stars(np.moveaxis(picture, 2, 0).astype(np.float32) / 255)
    background = sep.Background(image)
    objects = sep.extract(image - background.back(), 5.0, err=background.globalrms)
    # A matched filter sees fainter ones than a threshold of pixels, but not twice as many.
    assert len(objects) < len(stars) < 2 * len(objects)
    bright = stars.select(np.argsort(-stars.snr)[:50])
    distance, _ = cKDTree(np.c_[objects["x"], objects["y"]]).query(np.c_[bright.x, bright.y])
    assert np.mean(distance < 3) > 0.8

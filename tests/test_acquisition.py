"""What follows from how the frames were taken."""

import astropy.units as u
import pytest

from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError


def test_the_image_scale_is_the_angle_of_a_pixel():
    """Against the units of astropy: pixel over focal length, as an angle."""
    scale = Acquisition(pixel_size_um=4.3, focal_length_mm=135).image_scale
    angle = (4.3 * u.um / (135 * u.mm)).to(u.arcsec, u.dimensionless_angles())
    assert scale.to_value(u.arcsec / u.pix) == pytest.approx(angle.value, rel=1e-6)


def test_the_field_of_a_50_mm_lens_on_the_small_film_format_is_the_one_that_lens_tables_print():
    """36 x 24 mm behind 50 mm: 39.6 x 27.0 degrees (common practice, as printed in lens tables) [from memory]."""
    height, width = Acquisition(pixel_size_um=6.0, focal_length_mm=50).field_of_view((4000, 6000, 3))
    assert width.to_value(u.deg) == pytest.approx(39.6, abs=0.05)
    assert height.to_value(u.deg) == pytest.approx(27.0, abs=0.05)


def test_the_total_exposure_is_frames_times_exposure():
    assert Acquisition(exposure_s=120, frames=72).total_exposure.to_value(u.hour) == pytest.approx(2.4)


@pytest.mark.parametrize("known", [{}, {"exposure_s": 120}, {"focal_length_mm": 135}, {"pixel_size_um": 4.3}])
def test_what_is_not_known_is_not_made_up(known):
    taken = Acquisition(**known)
    assert taken.image_scale is None
    assert taken.field_of_view((100, 100)) is None
    assert taken.total_exposure is None
    assert taken.to_dict() == known


def test_what_another_knows_is_put_over_it():
    merged = Acquisition(iso=800, camera="one").merged(Acquisition(camera="two", frames=5))
    assert merged == Acquisition(iso=800, camera="two", frames=5)
    assert Acquisition.from_dict(merged.to_dict()) == merged


def test_an_unknown_name_is_refused_with_the_known_ones():
    with pytest.raises(WorkbenchError, match=r"'exposure'; it may have: .*exposure_s"):
        Acquisition.from_dict({"exposure": 3})

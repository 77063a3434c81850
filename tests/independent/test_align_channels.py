"""Channels are brought together on scenes drawn by GalSim, the lens's own law not being the model's."""

import numpy as np
import pytest
from photutils.aperture import CircularAperture, aperture_photometry

from independent.lens import Lens, make_lens_scene, shifts
from independent.pictures import apply
from independent.scenes import Plan
from workbench.measure.lateral_color import lateral_color, shift_terms, unit_places
from workbench.measure.stars import find_stars
from workbench.operations.lens import AlignChannels

SHAPE = (400, 600)
SCENES = {
    "2 px, a cubic off the middle, and air": Lens(
        Plan(seed=11, shape=SHAPE, glow="dome", objects=("emission",), brightness=30.0),
        stars=380, fwhm=2.4, lateral=(2.0, -1.6), middle=(0.08, -0.06), refraction=(0.2, 0.3),
    ),
    "0.3 px": Lens(Plan(seed=12, shape=SHAPE, glow="plane"), stars=380, fwhm=3.0, lateral=(0.3, -0.3)),
}  # fmt: skip


@pytest.fixture(scope="module", params=list(SCENES))
def scene(request):
    made = make_lens_scene(SCENES[request.param])
    return made, apply(AlignChannels(), made.stack)


def brightest(made, count=60):
    """Unclipped stars 12 px from the edges."""
    height, width = SHAPE
    inside = (np.minimum(made.x, width - 1 - made.x) > 12) & (np.minimum(made.y, height - 1 - made.y) > 12)
    good = np.flatnonzero(inside & ~made.clipped)
    return good[np.argsort(-made.flux[good, 1])][:count]


def light(pixels, x, y, radius):
    """Light of stars in each channel within a radius, by photutils, above the median of the frame around them."""
    out = []
    for plane in np.moveaxis(pixels.astype(float), 2, 0):
        sky = [
            np.median(plane[int(b) - 11 : int(b) + 12, int(a) - 11 : int(a) + 12]) for a, b in zip(x, y, strict=True)
        ]
        aperture = CircularAperture(np.column_stack([x, y]), radius)
        out.append(aperture_photometry(plane, aperture)["aperture_sum"].value - np.array(sky) * aperture.area)
    return np.stack(out, axis=1)


def test_the_measured_shift_is_that_of_the_lens(scene):
    made, result = scene
    y, x = (a.ravel().astype(float) for a in np.mgrid[0 : SHAPE[0] : 20, 0 : SHAPE[1] : 20])
    terms = shift_terms(*unit_places(x, y, SHAPE))
    facts = result.record.steps[0].facts
    for channel, true in zip((0, 2), shifts(made.lens, x, y), strict=True):
        left = np.hypot(*(terms @ facts.coefficients[channel] - true))
        assert np.sqrt((left**2).mean()) < 0.04
        assert left.max() < 0.1
        assert np.sqrt((left**2).mean()) < 3 * facts.error[channel]


def test_a_shift_that_turns_back_in_the_corners_is_measured_about_the_axis_of_all_channels():
    # With the fifth power about the middle of the frame 0.18 px were left in the corner farthest from the axis.
    lens = Lens(
        Plan(seed=911, shape=SHAPE, glow="plane", brightness=20.0),
        stars=440, fwhm=2.9, lateral=(1.05, -0.8), shape="sine", middle=(-0.008, -0.071), refraction=(0.1, 0.1),
    )  # fmt: skip
    planes = np.ascontiguousarray(make_lens_scene(lens).stack.planes)
    y, x = (a.ravel().astype(float) for a in np.mgrid[0 : SHAPE[0] : 20, 0 : SHAPE[1] : 20])
    terms = shift_terms(*unit_places(x, y, SHAPE))
    found = lateral_color(planes, find_stars(planes))
    for channel, true in zip((0, 2), shifts(lens, x, y), strict=True):
        assert np.hypot(*(terms @ found[channel].coefficients - true)).max() < 0.1


def test_stars_lie_together_afterwards(scene):
    _, result = scene
    planes = np.ascontiguousarray(np.moveaxis(result.image.pixels, 2, 0))
    again = lateral_color(planes, find_stars(planes))
    assert max(shift.corner for shift in again if shift is not None) < 0.1


def test_colors_of_stars_scatter_half_as_much_and_their_light_is_kept(scene):
    made, result = scene
    chosen = brightest(made)
    x, y, true = made.x[chosen], made.y[chosen], made.flux[chosen]
    small = [light(pixels, x, y, 2.0) for pixels in (made.stack.pixels, result.image.pixels)]
    if made.lens.lateral[0] >= 1:
        scatter = [
            np.std(np.log(flux[:, c] / flux[:, 1] / (true[:, c] / true[:, 1]))) for flux in small for c in (0, 2)
        ]
        assert scatter[2] < 0.5 * scatter[0]
        assert scatter[3] < 0.5 * scatter[1]
    # Surfaces keep their brightness, as flats measure it, so light changes as the area over which it is spread.
    off = shifts(made.lens, x, y)
    across, down = shifts(made.lens, x + 1, y) - off, shifts(made.lens, x, y + 1) - off
    for k, channel in enumerate((0, 2)):
        area = (1 + across[k, 0]) * (1 + down[k, 1]) - across[k, 1] * down[k, 0]
        before = light(made.stack.pixels, x + off[k, 0], y + off[k, 1], 6.0)[:, channel]
        after = light(result.image.pixels, x, y, 6.0)[:, channel]
        assert abs(np.median(after * area / before) - 1) < 0.002


def test_no_star_gets_a_dark_ring(scene):
    made, result = scene
    noise = made.noise[..., (0, 2)].mean(axis=(0, 1))
    before, after = (
        p[..., (0, 2)] - made.sky[..., (0, 2)] - made.objects[..., (0, 2)]
        for p in (made.stack.pixels, result.image.pixels)
    )
    assert (after.min(axis=(0, 1)) > before.min(axis=(0, 1)) - 0.5 * noise).all()


def test_where_colors_lie_together_nothing_changes():
    made = make_lens_scene(Lens(Plan(seed=13, shape=SHAPE, glow="dome"), stars=300))
    result = apply(AlignChannels(), made.stack)
    np.testing.assert_array_equal(result.image.pixels, made.stack.pixels)

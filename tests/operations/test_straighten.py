"""Turning by any angle: what fits, one resampling that keeps light, north up, and what follows the frame."""

import numpy as np
import pytest
from astropy.wcs import WCS
from photutils.aperture import CircularAperture, aperture_photometry
from scipy import ndimage

import workbench as wb
from workbench.engine.transform import Transform
from workbench.operations._turning import Turning, inner_size, outer_size
from workbench.operations.base import Geometry
from workbench.operations.straighten import Straighten

ANGLES = (0.4, 7.3, -31.0, 45.0, 61.0, 90.0, 135.0)


def stack_of(image, **more):
    return wb.Stack(np.ascontiguousarray(np.asarray(image, np.float32)[..., None]), **more)


def turned(image, angle, **settings):
    return wb.Recipe([Straighten(angle_deg=angle, **settings)]).run(stack_of(image), progress=False).image


def star_field(fwhm, beta=3.5, size=330, step=42):
    """Moffat stars (Moffat 1969, A&A 3, 455) over a sky of 0.05, averaged over pixels, and their places (x, y)."""
    rng = np.random.default_rng(2)
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    fine = (np.arange(size * 5) - 2) / 5
    image, places = np.full((size, size), 0.05), []
    for row in range(60, size - 60, step):
        for column in range(60, size - 60, step):
            x, y = column + rng.uniform(), row + rng.uniform()
            rows, columns = slice(row - 20, row + 21), slice(column - 20, column + 21)
            fy, fx = (fine[5 * s.start : 5 * s.stop] for s in (rows, columns))
            light = (1 + ((fy[:, None] - y) ** 2 + (fx - x) ** 2) / alpha**2) ** -beta
            image[rows, columns] += 0.5 * light.reshape(41, 5, 41, 5).mean(axis=(1, 3))
            places.append((x, y))
    return image, np.array(places)


def light_of(image, places, radius):
    """Light in circles by photutils (Bradley et al., photutils), over the sky."""
    circles = CircularAperture(places, radius)
    return np.asarray(aperture_photometry(image - 0.05, circles, method="subpixel", subpixels=10)["aperture_sum"])


def moved(places, angle, before, after):
    turn = np.exp(1j * np.deg2rad(angle))
    at = turn * ((places[:, 0] - (before[1] - 1) / 2) + 1j * (places[:, 1] - (before[0] - 1) / 2))
    return np.column_stack([at.real + (after[1] - 1) / 2, at.imag + (after[0] - 1) / 2])


@pytest.mark.parametrize(("fwhm", "wider"), [(1.6, 0.02), (3.0, 0.004)])
def test_stars_keep_their_light_and_their_width(fwhm, wider):
    image, places = star_field(fwhm)
    after = turned(image, 7.3).pixels[..., 0]
    there = moved(places, 7.3, image.shape, after.shape)
    inside = ((there > 12) & (there < np.array(after.shape)[::-1] - 13)).all(axis=1)
    assert inside.sum() >= 9
    ratio = light_of(after, there[inside], 8) / light_of(image, places[inside], 8)
    np.testing.assert_allclose(ratio, 1, atol=5e-4)
    assert abs(ratio.mean() - 1) < 1e-4
    near = 0.7 * fwhm
    share_before = light_of(image, places[inside], near) / light_of(image, places[inside], 8)
    share_after = light_of(after, there[inside], near) / light_of(after, there[inside], 8)
    # The light within a radius goes with its square: half as much is lost by a star as it is wider, and more.
    assert abs((share_before / share_after).mean() - 1) < 2 * wider
    assert after.min() > 0.05 - 1e-6, "no dark rings"


@pytest.mark.parametrize(("angle", "corners"), [(23.0, "crop"), (-131.0, "keep")])
def test_it_is_the_cubic_spline_of_scipy(angle, corners):
    # scipy.ndimage.map_coordinates (Virtanen et al. 2020, Nature Methods 17, 261)
    image = np.random.default_rng(1).normal(0.3, 0.1, (150, 190)).astype(np.float32)
    turning = Turning.of(150, 190, angle, whole=corners == "keep")
    row, column = np.mgrid[: turning.out_height, : turning.out_width]
    x, y = (turning.source[k, 0] * column + turning.source[k, 1] * row + turning.source[k, 2] for k in (0, 1))
    spline = ndimage.map_coordinates(image.astype(float), [y, x], order=3, mode="mirror")
    corner = [np.floor(v).astype(int) for v in (y, x)]
    around = [
        ndimage.map_coordinates(image, [corner[0] + dy, corner[1] + dx], order=0, mode="mirror")
        for dy in range(-1, 3)
        for dx in range(-1, 3)
    ]
    inside = (abs(x - 94.5) <= 95) & (abs(y - 74.5) <= 75)
    expected = np.where(inside, np.maximum(spline, np.min(around, axis=0)), 0)
    np.testing.assert_allclose(turned(image, angle, corners=corners).pixels[..., 0], expected, atol=1e-6)


def test_noise_is_a_little_softer_and_even():
    noise = np.random.default_rng(5).normal(0.5, 0.01, (400, 400))
    after = turned(noise, 7.3).pixels[..., 0]
    assert after.std() / 0.01 == pytest.approx(0.87, abs=0.02)
    assert after.mean() == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
@pytest.mark.parametrize("corners", ["crop", "keep"])
def test_quarter_turns_are_those_of_turn_to_the_last_bit(quarters, corners):
    image = np.random.default_rng(1).normal(0.1, 0.05, (40, 57))
    angle = (90 * quarters + 180) % 360 - 180
    there = turned(image, angle, corners=corners)
    expected = wb.Recipe([wb.Turn(quarter_turns=quarters)]).run(stack_of(image), progress=False).image
    np.testing.assert_array_equal(there.pixels, expected.pixels)
    assert there.coverage is None or (there.coverage > 0).all()


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize("size", [(60, 90), (90, 60), (30, 200)])
def test_the_cropped_frame_is_the_largest_that_fits(size, angle):
    height, width = size
    h, w = inner_size(height, width, angle)

    def fits(rows, columns):
        y, x = (rows - 1) / 2 * np.array([-1, -1, 1, 1]), (columns - 1) / 2 * np.array([-1, 1, -1, 1])
        at = (x + 1j * y) * np.exp(-1j * np.deg2rad(angle))
        inside = (abs(at.real) <= (width - 1) / 2 + 1e-6) & (abs(at.imag) <= (height - 1) / 2 + 1e-6)
        return inside.all(axis=-1)

    assert fits(h, w)
    # Every other size that fits is no larger, but for the part of a pixel that each side is rounded down by.
    rows, columns = np.arange(1, 220)[:, None, None], np.arange(1, 220)[:, None]
    largest = (rows * columns)[..., 0][fits(rows, columns)].max()
    assert largest <= (h + 1) * (w + 1)
    out_h, out_w = outer_size(height, width, angle)
    assert out_h >= h
    assert out_w >= w


def test_kept_corners_are_black_and_not_covered():
    image = turned(np.full((80, 120), 0.3), 20.0, corners="keep")
    assert image.coverage is not None
    np.testing.assert_array_equal(image.pixels[0, 0], 0)
    empty = image.coverage == 0
    assert (image.pixels[empty] == 0).all()
    np.testing.assert_allclose(image.pixels[~empty], 0.3, rtol=1e-5)
    assert abs((~empty).sum() / (80 * 120) - 1) < 0.01
    assert turned(np.full((80, 120), 0.3), 20.0).coverage is None


def sky(angle, *, mirrored=False):
    """A solution whose north points ``angle`` degrees clockwise from up."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix = [83.6, 22.0], [60.5, 40.5]
    t = np.deg2rad(angle)
    north, east = np.array([np.sin(t), -np.cos(t)]), np.array([-np.cos(t), -np.sin(t)])
    pixels = np.column_stack([-east if mirrored else east, north])  # pixels of a degree to the east, to the north
    wcs.wcs.cd = 3e-4 * np.linalg.inv(pixels)
    wcs.wcs.set()
    return wcs


@pytest.mark.parametrize("angle", [0.0, 23.0, -100.0, 179.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_north_is_put_up(angle, mirrored):
    stack = stack_of(np.zeros((80, 120)), wcs=sky(angle, mirrored=mirrored))
    result = wb.Recipe([Straighten(by="north", corners="keep")]).run(stack, progress=False)
    assert result.record.facts[0].angle_deg == pytest.approx(-angle, abs=0.02)
    wcs, (h, w, _) = result.image.wcs, result.image.shape
    ra, dec = wcs.all_pix2world((w - 1) / 2, (h - 1) / 2, 0)
    x, y = wcs.all_world2pix(ra, dec + 0.001, 0)
    assert x == pytest.approx((w - 1) / 2, abs=0.01)
    assert y < (h - 1) / 2


def test_north_without_a_sky_solution_is_refused():
    with pytest.raises(wb.WorkbenchError, match=r"step 1 \(straighten\).*no sky solution: solve the stack first"):
        wb.Recipe([Straighten(by="north")]).run(stack_of(np.zeros((20, 30))), progress=False)


@pytest.mark.parametrize(
    ("line", "angle"),
    [((0, 0, 100, 10), -5.711), ((100, 10, 0, 0), -5.711), ((0, 10, 100, 0), 5.711), ((0, 0, 10, 100), 5.711)],
)
def test_a_drawn_line_becomes_level_or_upright(line, angle):
    (level,) = Straighten.drawn
    drawn = dict(zip(("x0", "y0", "x1", "y1"), line, strict=True))
    changes = level.changes({}, drawn)
    assert changes == {"angle_deg": angle, "by": "angle"}
    turning = Turning.of(200, 300, angle, whole=True)
    way = turning.matrix @ np.subtract(line[2:], line[:2])
    assert min(abs(way)) < 1e-2


def test_what_is_drawn_follows_as_its_corners_do():
    steps = [wb.Step(Straighten(angle_deg=30.0))]
    facts = [Straighten(angle_deg=30.0).measure(wb.Frame(np.zeros((1, 80, 120), np.float32)))]
    way = Transform.to_stack(Geometry(80, 120, 1), zip(steps, facts, strict=True))
    box = way.region({"shape": "rectangle", "x0": 10, "y0": 5, "x1": 30, "y1": 15})
    assert box["shape"] == "polygon"
    corners = np.array(box["points"])
    np.testing.assert_allclose(corners[:2], way.points([10, 30], [5, 5]).T)
    sides = np.hypot(*np.diff(np.vstack([corners, corners[:1]]), axis=0).T)
    np.testing.assert_allclose(sides, [20, 10, 20, 10])
    assert not way.upright

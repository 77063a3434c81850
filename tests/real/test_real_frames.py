"""What photutils and sep say of real frames at the same threshold, and what must not happen to them.

Faults that are known today are marked with the sentence that names them; who mends one takes the mark away.
"""

import numpy as np
import pytest
import sep
from photutils.psf import fit_fwhm
from scipy.ndimage import maximum_filter, minimum_filter, uniform_filter
from scipy.spatial import cKDTree

import workbench as wb
from real.frames import FILES, FINISHED, LINEAR, finished, frame, overscan_cut, taken
from workbench.measure.noise import noise
from workbench.measure.stars import find_stars

pytestmark = pytest.mark.filterwarnings("ignore")  # photutils and astropy say much about fits and headers


def first_plane(stack):
    return np.ascontiguousarray(stack.pixels[:, :, 0])


def above_sky(stack, box=32):
    plane = first_plane(stack)
    mesh = sep.Background(plane, bw=box, bh=box)
    return plane - mesh.back(), mesh.globalrms


def sep_stars(stack, threshold=6.0):
    """Objects of sep: round ones of three or more pixels, away from the rim."""
    plane, noise = above_sky(stack)
    found = sep.extract(plane, threshold, err=noise, minarea=3)
    height, width = plane.shape
    inner = (found["x"] > 6) & (found["x"] < width - 7) & (found["y"] > 6) & (found["y"] < height - 7)
    return found[inner & (found["a"] < 2 * found["b"])], noise


# --- read


@pytest.mark.parametrize("name", FILES)
def test_linear_frames_are_read_as_linear_and_finished_ones_as_pictures(name):
    stack = frame(name)
    assert stack.tone == ("display" if name in FINISHED else "linear")
    assert np.isfinite(stack.pixels).all()
    assert stack.pixels.max() <= 1


@pytest.mark.parametrize("name", FINISHED)
def test_a_finished_picture_gets_a_sentence_and_no_recipe(name):
    with pytest.raises(wb.WorkbenchError, match="finished picture"):
        wb.suggest(frame(name))


# --- measured


@pytest.mark.parametrize("name", ["saao", "emmi"])
def test_the_noise_of_a_plain_field_is_seps(name):
    stack = taken(name)
    assert wb.check(stack).noise[0] == pytest.approx(above_sky(stack)[1], rel=0.1)


@pytest.mark.parametrize("name", ["emmi", "m13", "dss"])
def test_the_same_stars_are_as_wide_as_photutils_finds_them(name):
    stack = taken(name)
    plane, _ = above_sky(stack)
    stars = find_stars(stack.planes, threshold=6.0)
    height, width = plane.shape
    inner = (stars.x > 6) & (stars.x < width - 7) & (stars.y > 6) & (stars.y < height - 7)
    bright = inner & ~stars.saturated & (stars.flux > np.median(stars.flux))
    theirs = fit_fwhm(plane, xypos=np.c_[stars.x, stars.y][bright], fit_shape=9)
    assert bright.sum() >= 8
    assert np.median(stars.fwhm[bright]) == pytest.approx(np.nanmedian(theirs), rel=0.15)


@pytest.mark.parametrize("name", ["emmi", "m13"])
def test_stars_that_sep_sees_well_are_in_the_list(name):
    stack = taken(name)
    theirs, noise = sep_stars(stack)
    well = theirs[theirs["cpeak"] > 12 * noise]
    ours = find_stars(stack.planes, threshold=6.0)
    near, _ = cKDTree(np.c_[ours.x, ours.y]).query(np.c_[well["x"], well["y"]])
    assert len(well) >= 15
    assert np.mean(near < 2) >= 0.8


def test_broad_bright_stars_are_in_the_list():
    stack = overscan_cut()
    theirs, _ = sep_stars(stack)
    brightest = theirs[np.argsort(-theirs["flux"])[:2]]
    ours = find_stars(stack.planes, threshold=6.0)
    near, _ = cKDTree(np.c_[ours.x, ours.y]).query(np.c_[brightest["x"], brightest["y"]])
    assert (near < 3).all()


@pytest.mark.parametrize("name", LINEAR)
def test_a_frame_that_is_covered_everywhere_has_no_borders(name):
    # None was put together from shifted frames; a row or two of a bad rim may be called one.
    assert max(wb.check(taken(name)).borders.to_dict().values()) <= 2


# --- run whole


@pytest.mark.parametrize("name", FILES)
def test_a_real_frame_runs_whole_and_leaves_a_picture(name):
    picture = finished(name).image
    assert picture.tone == "display"
    assert np.isfinite(picture.pixels).all()
    assert 0.02 < np.median(picture.pixels) < 0.6
    plane = taken(name).pixels.max(axis=2)
    level, noise = np.median(plane), wb.check(taken(name)).noise[0]
    black = np.mean(picture.pixels.max(axis=2) <= 0)
    assert black <= np.mean(plane <= max(plane.min(), level - 5 * noise)) + 1e-3


def cropped(name):
    """What of the stack the suggested recipe leaves, as slices of it."""
    result = finished(name)
    height, width, _ = taken(name).shape
    for step in result.record.steps:
        if step.do == "crop":
            top, right, bottom, left = step.facts.margins
            return slice(top, height - bottom), slice(left, width - right)
    return slice(0, height), slice(0, width)


@pytest.mark.parametrize("name", ["saao", "emmi", "m13", "dss"])
def test_no_dark_pits_or_rings_lie_around_stars(name):
    rows, cols = cropped(name)
    picture = finished(name).image.pixels.mean(axis=2)
    sky = np.median(picture)
    smooth = uniform_filter(picture, 3)
    before = uniform_filter(taken(name).pixels.mean(axis=2), 3)[rows, cols]
    noise = above_sky(taken(name))[1]
    stars, _ = sep_stars(taken(name))
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    dark = []
    for cx, cy in zip(stars["x"] - cols.start, stars["y"] - rows.start, strict=True):
        ring = (np.hypot(x - cx, y - cy) < 10) & (np.hypot(x - cx, y - cy) > 2)
        # Only what was not dark in the stack.
        level = np.median(before[ring])
        ring &= before > level - noise
        # A cluster that fills the frame fades toward its corners: what counts is the sky around the star.
        around = picture[(np.hypot(x - cx, y - cy) < 25) & (np.hypot(x - cx, y - cy) > 10)]
        if ring.any():
            dark.append(smooth[ring].min() / min(sky, np.median(around)))
    assert np.median(dark) > 0.6
    assert np.quantile(dark, 0.05) > 0.5


# A plate star without the wings of the rest; galaxies whose cores are cut off. Columns and rows.
RINGED = {"m13": [(36, 72)], "hubble": [(288, 184), (378, 114), (394, 131)]}


@pytest.mark.parametrize("name", RINGED)
def test_smaller_stars_stand_in_no_darker_ring(name):
    stack = taken(name)
    after = wb.Recipe([wb.ReduceStars()]).run(stack, progress=False).image.pixels.mean(axis=2)
    before = stack.pixels.mean(axis=2)
    noise = wb.check(stack).noise[0]
    y, x = np.mgrid[: before.shape[0], : before.shape[1]]
    for column, row in RINGED[name]:
        r = np.hypot(x - column, y - row)
        around = np.median(after[(r > 26) & (r < 40)])
        rings = [(r >= inner) & (r < inner + 1) for inner in range(2, 26)]
        darkest = min(after[ring].mean() - min(around, before[ring].mean()) for ring in rings)
        assert darkest > -0.3 * noise  # it was -1.0 on the plate, -0.6 to -1.5 around the galaxies


def test_the_core_of_a_galaxy_and_its_knots_are_no_stars():
    stack = taken("m51")
    stars = wb.Recipe([wb.SplitStars(method="classical")]).run(stack, progress=False).stars.pixels[:, :, 0]
    above = stack.pixels[:, :, 0] - np.median(stack.pixels)
    # Looked up in the frame: the core (257, 253), three knots of the arms, and four stars of 2.3 to 2.4 px.
    for x, y in ((257, 253), (362, 386), (162, 78), (263, 171)):
        assert stars[y, x] < 0.05 * above[y, x]
    for x, y in ((347, 323), (404, 238), (441, 102), (464, 450)):
        assert stars[y, x] > 0.7 * above[y, x]


def test_the_light_of_a_galaxy_that_fills_the_frame_stays():
    result = finished("m51")
    at = next(i for i, step in enumerate(result.record.recipe["steps"]) if step["do"] == "remove_gradient")
    recipe = wb.suggest(taken("m51"))
    before, after = (
        wb.Recipe(recipe.steps[:n]).run(taken("m51"), progress=False).image.pixels[:, :, 0] if n else taken("m51")
        for n in (at, at + 1)
    )
    y, x = np.mgrid[: before.shape[0], : before.shape[1]]
    cy, cx = np.unravel_index(uniform_filter(before, 9).argmax(), before.shape)
    r = np.hypot(y - cy, x - cx)
    far = r > np.quantile(r, 0.97)
    light = [p[r < 180].sum(dtype=float) - np.median(p[far]) * np.count_nonzero(r < 180) for p in (before, after)]
    assert 0.85 < light[1] / light[0] < 1.1


def test_columns_that_saw_no_light_are_uncovered_and_do_not_bend_the_sky():
    stack = frame("saao")
    lit = np.s_[8:520, 16:528]
    wanted = np.zeros(stack.shape[:2], bool)
    wanted[lit] = True
    np.testing.assert_array_equal(stack.coverage > 0, wanted)
    assert any("saw no light" in remark for remark in stack.source.remarks)
    image = wb.Recipe([wb.RemoveGradient()]).run(stack, progress=False).image.pixels[:, :, 0]
    blocks = [np.median(p[lit].reshape(8, 64, 8, 64), axis=(1, 3)) for p in (stack.pixels[:, :, 0], image)]
    assert np.ptp(blocks[1]) < 1.5 * np.ptp(blocks[0])


@pytest.mark.parametrize("name", ["saao", "emmi", "m51", "m13", "hubble"])
def test_stars_are_not_taken_for_hot_pixels(name):
    stack = taken(name)
    image = wb.Recipe([wb.MendPixels()]).run(stack, progress=False).image.pixels
    stars, noise = sep_stars(stack, threshold=10)
    rows, cols = np.round(stars["y"]).astype(int), np.round(stars["x"]).astype(int)
    was, now = (p[:, :, 0][rows, cols] for p in (stack.pixels, image))
    # Three pixels wide or more: no hot pixel.
    wide = (stars["npix"] >= 9) & (stars["b"] > 0.9)
    assert wide.any()
    assert np.count_nonzero((was - now)[wide] > 0.2 * (was - np.median(stack.pixels[:, :, 0]))[wide]) == 0
    assert noise > 0


@pytest.mark.parametrize("name", LINEAR)
def test_checking_says_how_noisy_a_frame_is_and_where_its_sky_lies(name):
    told = wb.check(taken(name)).to_dict()
    plane = first_plane(taken(name))
    assert plane.min() <= told["sky"][0] <= np.quantile(plane, 0.6)
    assert told["noise"][0] > 0


#: Share of dark holes beside the fifty brightest peaks; without a floor 0.089, 0.0047 and 0.0011, 58 noise deep.
HOLES = {"m51": 0.02, "m13": 0.0005, "emmi": 0.0002}


@pytest.mark.parametrize("name", HOLES)
def test_deconvolving_digs_no_holes_around_stars(name):
    before = first_plane(taken(name))
    after = first_plane(wb.Recipe([wb.Deconvolve()]).run(taken(name), progress=False).image)
    y, x = np.nonzero(maximum_filter(before, 15) == before)
    bright = np.argsort(before[y, x])[-50:]
    hole = after < minimum_filter(before, 11) - 3 * noise(before).sigma
    near = [
        hole[max(r - 6, 0) : r + 7, max(c - 6, 0) : c + 7].mean() for r, c in zip(y[bright], x[bright], strict=True)
    ]
    assert np.mean(near) < HOLES[name]

"""A finished picture is told from a linear stack, and heavy light pollution is no evidence."""

import numpy as np
import pytest
import tifffile

from workbench import stack
from workbench.acquisition import Tone
from workbench.io.metadata import icc
from workbench.measure.linearity import star_growth

SIDE = 700


def field(seed, sky=0.1, fwhm=2.6, noise=3e-4):
    """A linear star field: Moffat stars of one profile, power-law counts, a sky gradient, noise growing with light."""
    rng = np.random.default_rng(seed)
    frame = np.full((SIDE, SIDE), sky)
    frame *= 1 + 0.15 * np.linspace(-1, 1, SIDE)[:, None]
    y, x = np.mgrid[-15:16, -15:16]
    gamma = fwhm / 2 / np.sqrt(2 ** (1 / 3.0) - 1)
    for _ in range(900):
        cy, cx = rng.uniform(16, SIDE - 17, 2)
        iy, ix = int(cy), int(cx)
        peak = 2e-3 / rng.random() ** 1.2
        star = peak * (1 + ((y + iy - cy) ** 2 + (x + ix - cx) ** 2) / gamma**2) ** -3.0
        frame[iy - 15 : iy + 16, ix - 15 : ix + 16] += star
    frame += rng.normal(0, 1, frame.shape) * noise * np.sqrt(frame / sky)
    return np.clip(frame, 0, 1).astype(np.float32)


def stretched(frame, sky_to=0.15):
    """Black just below the sky, then asinh to a usual sky brightness."""
    dark = np.percentile(frame, 0.5)
    out = np.clip((frame - dark) / (1 - dark), 0, 1)
    middle = np.median(out)
    scales = np.geomspace(1e-6, 1, 400)
    levels = np.arcsinh(middle / scales) / np.arcsinh(1 / scales)
    best = scales[np.argmin(np.abs(levels - sky_to))]
    return (np.arcsinh(out / best) / np.arcsinh(1 / best)).astype(np.float32)


def srgb(frame):
    return np.where(frame <= 0.0031308, 12.92 * frame, 1.055 * frame ** (1 / 2.4) - 0.055).astype(np.float32)


def read(tmp_path, frame, dtype=np.uint16, **options):
    data = np.rint(frame * np.iinfo(dtype).max).astype(dtype)
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="minisblack", **options)
    return stack.read(tmp_path / "a.tif")


@pytest.mark.parametrize("sky", [0.005, 0.1, 0.35])
@pytest.mark.parametrize("seed", [1, 2])
def test_linear_stacks_stay_linear_however_bright_the_sky(tmp_path, sky, seed):
    frame = field(seed, sky=sky)
    growth = star_growth(frame[:, :, None])
    assert growth.stars >= 24
    assert growth.ratio < 1.1
    for profile in (None, icc.srgb_profile(1)):
        got = read(tmp_path, frame, iccprofile=profile)
        assert got.tone is Tone.LINEAR
        assert bool(got.source.remarks) == (profile is not None)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_stretched_picture_is_recognised_by_its_stars_alone(tmp_path, seed):
    got = read(tmp_path, stretched(field(seed, sky=0.02)))
    assert got.tone is Tone.DISPLAY
    said = " ".join(got.source.remarks)
    assert "not linear any more" in said
    assert "times as wide" in said
    assert "tone='linear'" in said


def test_a_profile_and_the_stars_together_give_away_a_plain_srgb_curve(tmp_path):
    got = read(tmp_path, srgb(field(4, sky=0.05)), iccprofile=icc.srgb_profile(1))
    assert got.tone is Tone.DISPLAY
    assert "ICC profile has a tone curve" in " ".join(got.source.remarks)


def test_a_linear_profile_is_no_evidence(tmp_path):
    from PIL import ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("XYZ")).tobytes()
    assert icc.tone_curve(profile) is None
    assert not read(tmp_path, field(1), iccprofile=profile).source.remarks


def test_eight_bits_are_said_but_do_not_decide_alone(tmp_path):
    got = read(tmp_path, field(1), np.uint8)
    assert got.tone is Tone.LINEAR
    assert "8 bits" in " ".join(got.source.remarks)


def test_eight_bits_with_a_tone_curve_are_a_finished_picture_where_no_stars_speak(tmp_path, rng):
    got = read(tmp_path, rng.uniform(0, 1, (90, 90)), np.uint8, iccprofile=icc.srgb_profile(1))
    assert got.tone is Tone.DISPLAY
    assert len(got.source.remarks) == 1


def test_uncovered_pixels_do_not_make_stars(tmp_path):
    frame = field(1)
    plain = star_growth(frame[:, :, None])
    coverage = np.full(frame.shape, 255, np.uint8)
    coverage[:, :300] = 0
    some = star_growth(frame[:, :, None], coverage)
    assert some is None or some.stars < plain.stars


@pytest.mark.parametrize("shape", [(1, 1, 1), (5, 400, 3), (40, 40, 1)])
def test_frames_without_room_for_stars_say_nothing(shape, rng):
    assert star_growth(rng.uniform(0, 1, shape).astype(np.float32)) is None
    assert star_growth(np.full(shape, 0.3, np.float32)) is None

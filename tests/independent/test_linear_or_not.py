"""Linear stacks stay linear, however sharp their stars, on scenes that `workbench.simulate` did not make."""

import pytest

from independent.scenes import Grain, Optics, Plan, make_scene
from workbench.acquisition import Tone
from workbench.measure.linearity import judge


@pytest.mark.parametrize("fwhm", [0.8, 1.0, 1.2, 1.4, 1.7, 2.2, 3.0, 5.0])
def test_a_linear_stack_is_linear_however_sharp_its_stars(fwhm):
    for channels, hot in ((1, 150), (3, 0)):
        plan = Plan(
            seed=int(10 * fwhm),
            shape=(420, 630),
            channels=channels,
            stars=500,
            optics=Optics(fwhm=(fwhm,) * 3),
            hot=hot,
            hot_kind="gray",
            noise=0.006,
            grain=Grain(kernel="none"),
        )
        tone, _ = judge(make_scene(plan).stack.pixels)
        assert tone == Tone.LINEAR

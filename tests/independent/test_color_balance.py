"""Color balance on a picture that the simulator had no part in: a cast of the shadows goes, the rest stays."""

import numpy as np

from independent.pictures import apply, make_picture, oklab
from independent.scenes import Plan
from workbench.operations.color import ColorBalance


def test_a_cast_of_the_sky_is_taken_off_and_the_nebula_keeps_its_color():
    made = make_picture(Plan(seed=21, shape=(300, 420), stars=150, objects=("reflection",), brightness=150.0))
    before = oklab(made.stack)
    sky = np.median(before[:, made.sky], axis=1)
    # The setting that undoes what the sky's median shows, in the shadows alone.
    red, yellow = (float(np.clip(-v / sky[0] / 0.1, -1, 1)) for v in sky[1:])
    after = oklab(apply(ColorBalance(shadows_red=red, shadows_yellow=yellow), made.stack).image)
    cast, left = (np.hypot(*np.median(lab[1:, made.sky], axis=1)) for lab in (before, after))
    assert left < 0.2 * cast
    bright = before[0] > 0.5
    assert bright.any()
    assert np.abs(after - before)[:, bright].max() < 1e-3

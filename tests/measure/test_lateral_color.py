"""The error told of lateral color holds where objects scatter beyond the error of their places (drawn by NumPy)."""

import numpy as np
import pytest

from workbench.measure import lateral_color as measured
from workbench.measure.stars import Stars
from workbench.measure.stars.channel_places import ChannelPlaces
from workbench.operations.lens import worth_moving

SHAPE = (500, 500)
COUNT = 130
NOTHING = np.zeros(measured.TERMS)
LARGER = np.array([0.1, 0, 0.4, 0, 0, 0.4, *(0,) * (measured.TERMS - 6)])


def one_sky(rng, own, true, monkeypatch):
    """What is measured where red lies by `true` and each object by `own` px its own way, bright and faint alike."""
    x, y = rng.uniform(20, 480, (2, COUNT))
    error = np.exp(rng.normal(np.log(0.03), 0.9, COUNT))
    off = measured.shift_terms(*measured.unit_places(x, y, SHAPE)) @ true
    off += rng.normal(size=(2, COUNT)) * np.hypot(error, own)
    none = np.zeros(COUNT)
    places = ChannelPlaces(*(np.stack([a + d, a], axis=1) for a, d in zip((x, y), off, strict=True)),
                           np.stack([error, none], axis=1))  # fmt: skip
    monkeypatch.setattr(measured, "channel_places", lambda *_: places)
    fields = [x, y, *(np.full(COUNT, v) for v in (1.0, 1.0, 0.0, 100.0, 3.0, 1.0, 0.0)), none.astype(bool)]
    return measured.lateral_color(np.zeros((2, *SHAPE), np.float32), Stars(*fields))[0]


@pytest.mark.parametrize("own", [0.0, 0.05, 0.15])
@pytest.mark.parametrize("true", [NOTHING, LARGER], ids=["nothing", "larger"])
def test_the_error_told_is_not_smaller_than_the_error_made(monkeypatch, own, true):
    rng = np.random.default_rng(5)
    y, x = (a.ravel().astype(float) for a in np.mgrid[0:500:25, 0:500:25])
    terms = measured.shift_terms(*measured.unit_places(x, y, SHAPE))
    found = [one_sky(rng, own, true, monkeypatch) for _ in range(60)]
    made = [np.sqrt((np.hypot(*(terms @ (shift.coefficients - true))) ** 2).mean()) for shift in found]
    assert np.sqrt(np.mean([(m / shift.error) ** 2 for m, shift in zip(made, found, strict=True)])) < 1
    if true is NOTHING:
        assert not any(worth_moving(shift) for shift in found)

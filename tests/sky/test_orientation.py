"""Where north is in a frame, against position angles by astropy."""

import astropy.units as u
import numpy as np
import pytest
from independent.sky import Camera

import workbench as wb
from workbench.sky.orientation import orientation

SHAPE = (600, 900)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize(("turn", "dec"), [(0.0, 10.0), (37.0, -40.0), (130.0, 60.0), (-100.0, 89.6), (179.0, -3.0)])
def test_north_is_where_astropy_has_it(turn, dec, mirrored):
    wcs = Camera(200.0, dec, SHAPE, 30.0, turn=turn, mirrored=mirrored, axis=(31.0, -17.0)).solution()
    found = orientation(wcs, *SHAPE)
    middle, above = wcs.pixel_to_world([449.5, 449.5], [299.5, 298.5])
    angle = middle.position_angle(above).wrap_at(180 * u.deg).deg
    assert (found.rotation - angle + 180) % 360 - 180 == pytest.approx(0, abs=0.02)
    assert found.mirrored == mirrored


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn", [20.0, 80.0, 160.0, -70.0])
def test_a_turn_by_what_is_said_puts_north_at_the_top(turn, mirrored):
    stack = wb.Stack.from_array(
        np.zeros((*SHAPE, 1), np.float32), wcs=Camera(120.0, 35.0, SHAPE, 30.0, turn=turn, mirrored=mirrored).solution()
    )
    before = orientation(stack.wcs, *SHAPE)
    turned = wb.Recipe([wb.Turn(quarter_turns=before.turns_to_north)]).run(stack, progress=False).image
    after = orientation(turned.wcs, *turned.shape[:2])
    assert abs(after.to_north) <= 45
    assert after.to_north == pytest.approx((before.to_north - 90 * before.turns_to_north + 180) % 360 - 180, abs=1e-6)

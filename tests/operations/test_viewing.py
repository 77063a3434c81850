"""Linear light on a screen: the same for every frame of a run, whatever its sky."""

import ast
from pathlib import Path

import numpy as np
import pytest

import workbench
from workbench.operations.base import REGISTRY, Frame
from workbench.operations.stretch import Stretch
from workbench.operations.viewing import LinearLight, screen_stretch


@pytest.fixture
def planes(rng):
    sky = np.array([0.02, 0.03, 0.04], np.float32)[:, None, None]
    made = sky + rng.normal(0, 0.001, (3, 80, 120)).astype(np.float32)
    made[:, 30:50, 40:80] += 0.2
    return made


def test_frames_that_differ_by_their_sky_alone_look_alike(planes):
    light = LinearLight.of([], planes)
    other = planes + np.array([0.01, -0.005, 0.02], np.float32)[:, None, None]
    np.testing.assert_allclose(light.on_sky_of(other).shown(other), light.on_sky_of(planes).shown(planes), atol=2e-3)
    assert np.abs(light.shown(other) - light.shown(planes)).max() > 0.05


def test_a_runs_own_stretch_is_preferred_to_the_default_one(planes):
    own = Stretch(sky=0.3)
    facts = own.measure(Frame(planes))
    assert LinearLight.of([(own, facts)], planes) == LinearLight(own, facts)
    assert LinearLight.of([], planes).stretch == screen_stretch()


def test_the_frame_is_left_as_it_was_and_the_sky_is_as_bright_as_wanted(planes):
    kept = planes.copy()
    shown = LinearLight.of([], planes).shown(planes)
    np.testing.assert_array_equal(planes, kept)
    assert np.median(shown) == pytest.approx(Stretch().sky, abs=0.02)


def test_plain_numbers_run_in_proportion_from_black_to_white(planes):
    light = LinearLight.of([], planes)
    black, span = np.array(light.facts.black)[:, None, None], light.facts.span
    for share in (0, 0.25, 1):
        level = (black + share * span).astype(np.float32) * np.ones((1, 4, 5), np.float32)
        np.testing.assert_allclose(light.plain(level), share, atol=1e-5)


@pytest.mark.parametrize("layer", ["engine", "teach"])
def test_the_engine_and_lessons_know_no_operation_by_name(layer):
    families = {operation.__module__ for operation in REGISTRY.values()}
    assert "workbench.operations.stretch" in families
    for path in sorted((Path(workbench.__file__).parent / layer).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                assert node.module not in families, path

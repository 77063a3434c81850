"""Scenes are data: they survive JSON, and mistakes in them are told by name."""

import numpy as np
import pytest

from workbench.errors import WorkbenchError
from workbench.simulate import SCENES, Scene, simulate


@pytest.mark.parametrize("name", SCENES)
def test_a_scene_survives_json(name):
    scene = SCENES[name]
    assert scene.name == name
    assert Scene.model_validate_json(scene.model_dump_json()) == scene
    assert scene.title
    assert scene.story


def test_there_is_a_scene_of_every_kind():
    kinds = {item.kind for scene in SCENES.values() for item in scene.objects}
    assert {"emission_nebula", "spiral_galaxy", "star_cluster", "reflection", "faint_nebulosity"} <= kinds
    assert any(not scene.objects for scene in SCENES.values())


def test_a_dict_changes_only_the_fields_it_names():
    scene = SCENES["hayfield_stars"]
    changed = scene.changed(frames={"count": 7})
    assert changed.frames.count == 7
    assert changed.frames.dither_px == scene.frames.dither_px
    assert changed.sky == scene.sky
    assert scene.frames.count != 7


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"moon": 1}, "moon"),
        ({"frames": {"count": 0}}, "frames.count"),
        ({"frames": {"counts": 3}}, "frames.counts"),
        ({"optics": {"fwhm_px": float("nan")}}, "optics.fwhm_px"),
        ({"shape": (4, 4)}, "shape"),
        ({"objects": ({"kind": "comet"},)}, "objects"),
        ({"sky": 3}, "sky"),
    ],
)
def test_a_mistake_in_a_scene_is_told_by_name(changes, word):
    with pytest.raises(WorkbenchError, match=word):
        simulate("hayfield_stars", **changes)


def test_an_unknown_scene_is_told_with_the_known_ones():
    with pytest.raises(WorkbenchError, match="hayfield_stars"):
        simulate("hayfeild_stars")


def test_a_frame_over_sixty_megapixels_is_refused():
    with pytest.raises(WorkbenchError, match="60 million"):
        simulate("hayfield_stars", shape=(8000, 9000))


def test_the_stack_says_how_it_was_taken():
    made = simulate("millwheel_galaxy", shape=(64, 96))
    a = made.stack.acquisition
    assert (a.frames, a.exposure_s, a.focal_length_mm) == (made.scene.frames.count, 120.0, 300.0)
    assert a.image_scale.value == pytest.approx(206.264806 * 4.3 / 300)
    assert np.isfinite(made.stack.pixels).all()

"""Something to try follows from the declarations, and can be done."""

from typing import ClassVar, Literal

import pytest
from pydantic import Field

import workbench as wb
from workbench.acquisition import Tone
from workbench.operations.base import REGISTRY, Operation, Purpose, registered
from workbench.teach.tasks import tasks_of, to_begin_with


@pytest.fixture
def made_up():
    """An operation of our own, taken away again."""

    class MadeUp(Operation):
        """Do a thing."""

        purpose: ClassVar[Purpose] = "stars"
        secret: float = Field(1.0, ge=0, le=10, description="Hidden", json_schema_extra={"expert": True})
        kind: Literal["one_way", "other"] = Field("one_way", description="Way of doing it")
        endless: float = Field(3.0, ge=0, description="Without a top")
        share: float = Field(0.8, ge=0, le=1, description="How much of it.")
        count: int = Field(0, ge=0, le=30, description="How many")

        def apply(self, tile, plan, out):
            out[...] = tile.inner

    yield MadeUp
    del REGISTRY[MadeUp.id]


def only(step):
    return tasks_of(wb.Recipe([step]))[0]


def test_a_number_with_both_ends_is_tried_first_and_stays_inside(made_up):
    task = only(made_up())
    assert (task.setting, task.change, task.does) == ("share", "from 0.8 down to 0.4", "how much of it")
    assert task.step.operation == made_up(share=0.4)
    assert only(made_up(share=0.3)).change == "from 0.3 up to 0.6"


def test_what_the_recipe_chose_comes_before_the_rest(made_up):
    assert only(made_up(count=3)).change == "from 3 up to 6"
    assert only(made_up(kind="other")).change == "from other to one way"


def test_the_place_to_look_at_follows_from_the_purpose(made_up):
    assert only(made_up()).look == "where stars are dense, pixel by pixel"
    assert only(wb.RemoveGradient()).look == "the whole frame, its corners too"
    assert "faint light" in only(wb.Denoise()).look


def test_a_step_without_numbers_or_choices_is_left_out_where_the_others_can_do_without():
    crop, stretch = tasks_of(wb.Recipe([wb.Crop(), wb.Stretch()]))
    assert not crop.setting
    assert not crop.step.on
    assert stretch.setting == "sky"


def test_steps_that_are_off_are_no_task_and_notes_and_places_stay():
    where = wb.RegionMask(regions=[{"shape": "rectangle", "x0": 0, "y0": 0, "x1": 9, "y1": 9}])
    recipe = wb.Recipe([wb.Step(wb.LevelSky(), on=False), wb.Step(wb.Denoise(), where=where, note="n")])
    (task,) = tasks_of(recipe)
    assert (task.index, task.step.where, task.step.note) == (1, where, "n")


def test_settings_that_need_each_other_are_not_torn_apart():
    """A white region cannot be asked for without saying which."""
    task = only(wb.CalibrateColor())
    assert not (task.setting == "reference" and task.step.operation.reference == "region")


@pytest.mark.parametrize("operation", list(registered()), ids=lambda o: o.id)
def test_every_task_is_a_step_that_differs_and_a_recipe_file_can_hold(operation):
    recipe = wb.Recipe([operation()])
    for task in tasks_of(recipe, operation.takes):
        changed = recipe.with_steps([task.step])
        assert changed != recipe
        assert wb.Recipe.loads(changed.dumps()) == changed
        assert task.change or not task.step.on


def test_to_begin_with_comes_what_makes_light_a_picture():
    assert to_begin_with(tasks_of(wb.Recipe([wb.Denoise(), wb.Stretch(), wb.Saturate()]))).index == 1
    assert to_begin_with(tasks_of(wb.Recipe([wb.Denoise(), wb.Crop()]))).index == 0
    assert to_begin_with(tasks_of(wb.Recipe([wb.Saturate()]), Tone.DISPLAY)).index == 0
    assert to_begin_with([]) is None

"""Recipes are immutable lists of steps in an order that makes sense."""

import pytest

from workbench import Recipe, Step, Tone, WorkbenchError
from workbench.operations.base import REGISTRY


def some(name, **settings):
    return REGISTRY[name](**settings)


def test_editing_gives_a_new_recipe():
    recipe = Recipe([some("crop"), some("stretch")], title="t")
    edited = recipe.replaced(0, some("turn"))
    assert [s.operation.id for s in recipe] == ["crop", "stretch"]
    assert [s.operation.id for s in edited] == ["turn", "stretch"]
    assert (edited.title, len(edited.upto(1)), edited[1].on) == ("t", 1, True)
    assert not recipe.switched(1, on=False)[1].on


def test_the_order_of_tones_is_checked_and_told():
    recipe = Recipe([some("stretch"), some("remove_gradient")])
    with pytest.raises(WorkbenchError, match=r"step 2 \(remove_gradient\).*move it before the stretch"):
        recipe.tones(Tone.LINEAR)
    with pytest.raises(WorkbenchError, match=r"step 1 \(saturate\).*put a stretch before it"):
        Recipe([some("saturate")]).tones(Tone.LINEAR)
    assert Recipe([some("crop"), some("stretch")]).tones(Tone.LINEAR) == [Tone.LINEAR, Tone.LINEAR, Tone.DISPLAY]


def test_a_step_that_is_off_does_not_count_for_the_order():
    Recipe([Step(some("stretch"), on=False), some("remove_gradient")]).tones(Tone.LINEAR)


def test_differences_are_told_step_by_step():
    a = Recipe([some("crop"), some("denoise"), some("stretch")], title="one")
    b = Recipe([some("crop", safety=9), Step(some("stretch"), on=False, note="later")], title="two")
    told = a.diff(b)
    assert "title: 'one' becomes 'two'" in told
    assert "step 2 (denoise) is gone" in told
    assert "step 1 (crop): safety 4 becomes 9" in told
    assert "step 3 -> 2 (stretch): switched off" in told
    assert "step 3 -> 2 (stretch): note '' becomes 'later'" in told


def test_anything_but_operations_and_steps_is_refused():
    with pytest.raises(WorkbenchError, match="made of operations and steps, not str"):
        Recipe(["stretch"])
    with pytest.raises(WorkbenchError, match="201 steps"):
        Recipe([some("crop")] * 201)

"""A recipe written as Python builds the same recipe again."""

import pytest

import workbench as wb
from workbench.operations.base import REGISTRY
from workbench.recipe.code import call_of, listed, recipe_code, step_code, step_lines

LONG = "It's long: " + "every word of it matters, and the last one too. " * 4
WHERE = wb.IntersectionMask(
    masks=[
        wb.RegionMask(regions=[{"shape": "ellipse", "x": 1, "y": 2, "along": 300.5, "across": 4}], feather=20),
        wb.StarMask(outside=True),
    ]
)
REGIONS = [{"shape": "rectangle", "x0": n, "y0": 0, "x1": n + 9, "y1": 9} for n in range(0, 60, 10)]
STEPS = {
    "plain": wb.Step(wb.LevelSky()),
    "settings": wb.Step(wb.Stretch(curve="power", sky=0.123456789)),
    "note": wb.Step(wb.Crop(top=3), note="why"),
    "long note": wb.Step(wb.Crop(top=3), note=LONG),
    "note of many lines": wb.Step(wb.Crop(), note="a\n  b  " + "c " * 80),
    "off": wb.Step(wb.Denoise(amount=0.5), on=False, note=LONG),
    "opacity": wb.Step(wb.Sharpen(), opacity=0.35),
    "where": wb.Step(wb.Denoise(), where=WHERE),
    "regions": wb.Step(REGISTRY["remove_gradient"].model_validate({"exclude": REGIONS})),
    "all": wb.Step(REGISTRY["remove_gradient"].model_validate({"exclude": REGIONS}), where=WHERE, on=False, note=LONG),
}


def built(code):
    return eval(code, {"wb": wb})  # the code is ours


def as_step(value):
    return value if isinstance(value, wb.Step) else wb.Step(value)


@pytest.mark.parametrize("name", list(STEPS))
def test_code_builds_the_step_again(name):
    step = STEPS[name]
    assert as_step(built(step_code(step))) == step
    assert as_step(built(step_lines(step))) == step
    assert "\n" not in step_code(step)


@pytest.mark.parametrize("name", list(STEPS))
def test_lines_are_short_enough_to_be_read(name):
    assert max(map(len, step_lines(STEPS[name], 8).splitlines())) <= 88


def test_only_what_was_chosen_is_written():
    assert step_lines(STEPS["plain"]) == "wb.LevelSky()"
    assert call_of(wb.Stretch(sky=0.2)) == "wb.Stretch(sky=0.2)"


def test_a_recipe_is_built_again():
    recipe = wb.Recipe(STEPS.values(), title="it's all")
    assert built(recipe_code(recipe)) == recipe
    assert built(recipe_code(wb.Recipe())) == wb.Recipe()


@pytest.mark.parametrize("count", [0, 1, 8, 30])
def test_a_list_is_written_on_as_many_lines_as_it_needs(count):
    items = [f"{10**n % 9973 + n}" for n in range(count)]
    code = listed("given = wb.Recipe(", items, ")")
    assert max(map(len, code.splitlines())) <= 88
    assert built(code.removeprefix("given = wb.Recipe")) == [int(n) for n in items]

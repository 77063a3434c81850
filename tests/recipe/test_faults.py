"""What is wrong with a recipe is told in words of the trade, never in those of the library that checks it."""

import json

import pytest

from workbench.engine import Recipe
from workbench.errors import WorkbenchError
from workbench.recipe.model import VERSION


def told(do, where=None, **settings):
    step = {"do": do, "with": settings, "where": where}
    text = json.dumps({"kind": "post-stack recipe", "version": VERSION, "steps": [step]})
    with pytest.raises(WorkbenchError) as caught:
        Recipe.loads(text)
    return str(caught.value)


@pytest.mark.parametrize(
    ("do", "settings", "sentence"),
    [
        ("stretch", {"sky": 7}, "sky cannot be 7 (allowed: 0.01 to 0.6)"),
        ("stretch", {"sky": "bright"}, "sky must be a number, not 'bright' (allowed: 0.01 to 0.6)"),
        ("stretch", {"sky": None}, "sky must be a number, not None (allowed: 0.01 to 0.6)"),
        ("stretch", {"curve": "magic"}, "curve must be 'asinh', 'logarithm', 'power' or 'bias', not 'magic'"),
        ("stretch", {"parameter": 0}, "parameter cannot be 0 (allowed: above 0 to 1000)"),
        ("crop", {"top": 1.5}, "top must be a whole number, not 1.5 (allowed: at least 0)"),
        ("crop", {"top": -1}, "top cannot be -1 (allowed: at least 0)"),
        ("turn", {"mirror": "perhaps"}, "mirror must be true or false, not 'perhaps'"),
        ("calibrate_color", {"gains": [1, 2]}, "gains, entry 3 is missing"),
        ("calibrate_color", {"gains": [1, 1, 1, 1]}, "gains has 4 entries (allowed: at most 3)"),
        ("calibrate_color", {"gains": [1, -1, 1]}, "gains, entry 2 cannot be -1 (allowed: above 0)"),
        ("remove_gradient", {"exclude": 3}, "exclude must be a list, not 3"),
        ("remove_gradient", {"exclude": [3]}, "exclude, entry 1 must be an object, not 3"),
        ("remove_gradient", {"exclude": [{"shape": "star"}]}, "exclude, entry 1 cannot have the shape 'star'"),
    ],
)
def test_a_wrong_setting_is_told_with_what_it_may_be(do, settings, sentence):
    said = told(do, **settings)
    assert said.startswith(f"step 1 ({do}): {sentence}")
    assert not any(word in said.lower() for word in ("input", "valid", "field", "tuple", "parse", "instance"))


def test_the_name_that_was_probably_meant_is_told():
    assert told("strech").endswith("(did you mean stretch?)")
    assert told("stretch", skyy=1).endswith("(did you mean sky?)")
    assert "did you mean" not in told("nothing")


def test_a_fault_in_the_part_of_the_frame_is_told_as_such():
    assert told("denoise", where={"x0": 1}) == "step 1 (denoise): where: it must say its kind"
    stars = {"kind": "stars", "size": 99}
    assert told("denoise", where=stars) == "step 1 (denoise): where: stars.size cannot be 99 (allowed: at most 5)"
    line = {"kind": "linear", "x0": 1, "y0": 1, "x1": 1, "y1": 1}
    assert told("denoise", where=line) == "step 1 (denoise): where: linear: its two points must lie apart"

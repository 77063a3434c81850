"""What a step is limited to is told in the same words by lessons and the bench."""

from workbench.bench.panels.steps.panel import step_states
from workbench.bench.snapshot import Snapshot
from workbench.engine import Recipe
from workbench.masks import RegionMask
from workbench.operations.noise import Denoise
from workbench.recipe.model import Step
from workbench.recipe.words import layer_words
from workbench.teach.account import StepWords

PART = RegionMask(regions=[{"shape": "rectangle", "x0": 10, "y0": 20, "x1": 90.5, "y1": 60}], feather=5)


def test_a_part_of_the_frame_is_told_by_its_side_shape_and_edge():
    assert PART.words() == "inside the rectangle x 10 to 90.5, y 20 to 60, edge 5 px soft"
    sharp = PART.model_copy(update={"feather": 0, "outside": True})
    assert sharp.words() == "outside the rectangle x 10 to 90.5, y 20 to 60"


def test_lessons_and_cards_say_the_same():
    step = Step(Denoise(), where=PART, layer="stars")
    card = step_states(Snapshot.of(Recipe([step])), {}, None, {})[0]
    lesson = StepWords.of(0, step, "", frozen=False)
    for told in (card["where"], lesson.where):
        assert PART.words() in told
    assert card["layer"].endswith(layer_words("stars"))
    assert lesson.where.endswith(layer_words("stars"))


def test_opacity_is_told_by_cards_and_lessons():
    step = Step(Denoise(), opacity=0.4)
    card = step_states(Snapshot.of(Recipe([step])), {}, None, {})[0]
    assert card["opacity"] == "40 % of the change"
    assert StepWords.of(0, step, "", frozen=False).where == "the frame by 40 % of the change"


def test_a_step_that_changes_everything_is_limited_to_nothing():
    assert StepWords.of(0, Step(Denoise()), "", frozen=False).where == ""

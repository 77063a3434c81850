"""What the cells of a lesson show: one step at a time, in the light of the finished recipe."""

import base64

import cv2
import numpy as np
import pytest

import workbench as wb
from workbench.simulate import simulate
from workbench.teach import Lesson
from workbench.teach.pictures import Shown, side_by_side


@pytest.fixture(scope="module")
def stack():
    return simulate("lantern_nebula", shape=(300, 430)).stack


@pytest.fixture(scope="module")
def goal():
    steps = [
        wb.Crop(top=10, right=0, bottom=6, left=20),
        wb.LevelSky(),
        wb.Step(wb.CalibrateColor(reference="given", gains=(1.3, 1.0, 1.7)), note="by hand"),
        wb.Step(wb.Turn(), on=False),
        wb.Stretch(),
        wb.Saturate(),
    ]
    return wb.Recipe(steps, title="Lantern")


@pytest.fixture(scope="module")
def lesson(stack, goal):
    return Lesson(stack, goal)


def jpeg(shown):
    data, metadata = shown._repr_mimebundle_()
    assert metadata["image/jpeg"]["alt"] == data["text/plain"] == repr(shown) == shown.alt
    return cv2.imdecode(np.frombuffer(base64.b64decode(data["image/jpeg"]), np.uint8), cv2.IMREAD_COLOR)[:, :, ::-1]


def test_a_shown_picture_is_a_jpeg_close_to_its_pixels(rng):
    smooth = cv2.resize(rng.integers(0, 256, (6, 9, 3), np.uint8), (90, 60), interpolation=cv2.INTER_CUBIC)
    back = jpeg(Shown(smooth, "A test."))
    assert back.shape == smooth.shape
    assert np.abs(back.astype(int) - smooth).mean() < 2.0


def test_two_pictures_stand_side_by_side_unchanged_with_their_names_above(rng):
    left, right = (rng.integers(0, 256, (h, w, 3), np.uint8) for h, w in ((100, 90), (60, 120)))
    both = side_by_side(left, right, ("before", "after"))
    height, width, _ = both.shape
    head = height - 100
    assert (both[head:, 15:105] == left).all()
    assert (both[head + 20 : head + 80, width - 120 :] == right).all()
    for x0, x1 in ((0, width // 2), (width // 2, width)):
        assert both[:head, x0:x1].max() > 150, "a name in light letters"
    assert both[0].max() < 30


def test_a_look_has_the_words_of_a_run_and_the_pictures_of_the_step(stack, goal, lesson):
    found = {s.index: s.found for s in goal.run(stack, progress=False).record.steps}
    for count in (1, 2, 3, 5, 6):
        look = lesson.look(goal.upto(count))
        assert " ".join(str(look).split()).startswith(found[count - 1].rstrip("."))
        assert f"step {count}" in look.pictures[0].alt
        assert max(map(len, str(look).splitlines())) <= 88
    assert len(lesson.look(goal.upto(1)).pictures) == 1
    assert [p.pixels.shape[1] for p in lesson.look(goal.upto(3)).pictures] == [2 * 410 + 8, 2 * 380 + 8]
    assert "the line" in str(lesson.look(goal.upto(1)))


def test_a_step_that_is_off_is_passed_over(goal, lesson):
    assert lesson.look(goal.upto(4)).words == lesson.look(goal.upto(3)).words


def test_titles_and_notes_change_nothing(goal, lesson):
    bare = wb.Recipe([wb.Step(s.operation, s.on) for s in goal])
    assert jpeg(lesson.look(bare).pictures[0]).tobytes() == jpeg(lesson.look(goal).pictures[0]).tobytes()
    assert lesson.compare(bare).words.startswith("Nothing differs.")


def test_facts_of_a_run_are_not_measured_again(stack, goal, lesson, monkeypatch):
    facts = goal.run(stack, progress=False).record.facts

    def refuse(self, frame):
        raise AssertionError("measured again")

    for kind in (wb.Crop, wb.LevelSky, wb.CalibrateColor, wb.Stretch, wb.Saturate):
        monkeypatch.setattr(kind, "measure", refuse)
    kept = Lesson(stack, goal, facts)
    for count in (2, 3, 6):
        ours, theirs = kept.look(goal.upto(count)), lesson.look(goal.upto(count))
        assert ours.words == theirs.words
        assert all((a.pixels == b.pixels).all() for a, b in zip(ours.pictures, theirs.pictures, strict=True))


def test_a_changed_step_is_measured_and_what_follows_it_too(stack, goal, lesson):
    mine = goal.replaced(0, wb.Crop(top=60, right=50, bottom=30, left=0)).upto(3)
    look = lesson.look(mine)
    run = mine.run(stack, progress=False)
    assert look.words.splitlines()[0].startswith(run.record.steps[-1].found.rstrip("."))
    assert look.pictures[0].pixels.shape[1] == 2 * 380 + 8


def test_a_comparison_says_what_differs_and_shows_both(stack, goal, lesson):
    look = lesson.compare(goal.replaced(4, wb.Stretch(sky=0.3)))
    assert look.words.startswith("Step 5 (stretch): sky 0.1 becomes 0.3.")
    whole = look.pictures[0].pixels
    left, right = (np.median(whole[26:, x : x + 400]) / 255 for x in (0, 418))
    assert right > left + 0.1
    same = lesson.compare(goal).pictures[0].pixels[26:]
    assert (same[:, :410] == same[:, 418:]).all()


@pytest.mark.parametrize(
    "change",
    [
        lambda goal: goal.switched(0, on=False),
        lambda goal: goal.switched(3, on=True),
        lambda goal: goal.with_steps([*goal.steps[:2], wb.Resample(), *goal.steps[2:]]),
        lambda goal: goal.replaced(0, wb.Crop(top=200, left=300, right=0, bottom=0)),
        lambda goal: goal.upto(2),
        lambda goal: wb.Recipe(),
    ],
    ids=["not cropped", "turned", "smaller", "a corner", "linear", "nothing"],
)
def test_recipes_of_any_kind_can_be_compared(change, goal, lesson):
    assert lesson.compare(change(goal)).pictures


def test_pictures_of_results_are_those_of_the_recipe(stack, goal, lesson):
    image = goal.run(stack, progress=False).image
    shown = jpeg(lesson.picture(image)).astype(int)
    assert shown.shape == (*image.shape[:2], 3)  # a small frame is not enlarged
    assert np.abs(shown - np.round(image.pixels * 255)).mean() < 3
    assert np.abs(jpeg(lesson.goal).astype(int) - shown).mean() < 1


def test_a_gray_stack_and_a_recipe_that_ends_linear_are_shown(stack):
    gray = wb.Stack.from_array(stack.pixels[:, :, 1])
    goal = wb.Recipe([wb.LevelSky(), wb.Denoise()])
    lesson = Lesson(gray, goal)
    assert jpeg(lesson.look(goal).pictures[0]).mean() > 10
    assert jpeg(lesson.picture(goal.run(gray, progress=False).image)).mean() > 10


def test_mistakes_are_told_in_a_sentence(lesson):
    with pytest.raises(wb.WorkbenchError, match="no step to look at"):
        lesson.look(wb.Recipe([wb.Step(wb.LevelSky(), on=False)]))
    with pytest.raises(wb.WorkbenchError, match="saturate"):
        lesson.look(wb.Recipe([wb.Saturate()]))

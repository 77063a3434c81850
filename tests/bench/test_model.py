"""Every command of the session changes the recipe as said, and can be undone and redone."""

import contextlib

import pytest
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from workbench import Recipe, Step, Tone, WorkbenchError
from workbench.bench.commands import RecipeCommands
from workbench.bench.model import Session
from workbench.operations.base import REGISTRY
from workbench.operations.frame import CropFacts

FOUND = CropFacts(top=3, right=0, bottom=0, left=0, measured=("top",))


def some(name, **settings):
    return REGISTRY[name](**settings)


def ids(table):
    return [s.operation.id for s in table.session.recipe]


@pytest.fixture
def table():
    return RecipeCommands(
        Session(Recipe([some("crop"), some("remove_gradient"), some("stretch"), some("saturate")], title="t"))
    )


def test_a_step_is_added_where_its_tone_fits(table):
    assert table.add("denoise") == 2
    assert table.add("saturate", amount=2.0) == 5
    assert ids(table) == ["crop", "remove_gradient", "denoise", "stretch", "saturate", "saturate"]


def test_a_step_that_fits_nowhere_is_refused_and_nothing_changes():
    table = RecipeCommands(Session(Recipe([]), Tone.LINEAR))
    with pytest.raises(WorkbenchError, match="put a stretch before it"):
        table.add("saturate")
    assert ids(table) == []
    assert not table.session.timeline.can_undo


def test_moving_a_step_against_the_tone_rule_is_refused_and_nothing_changes(table):
    with pytest.raises(WorkbenchError, match="works on a"):
        table.move(2, 0)
    assert ids(table) == ["crop", "remove_gradient", "stretch", "saturate"]


def test_steps_are_moved_removed_duplicated_switched_and_noted(table):
    table.move(1, 0)
    table.duplicate(1)
    table.switch(0)
    table.note(2, "twice")
    assert ids(table) == ["remove_gradient", "crop", "crop", "stretch", "saturate"]
    assert [s.on for s in table.session.recipe] == [False, True, True, True, True]
    assert table.session.recipe[2].note == "twice"
    table.remove(0)
    assert ids(table) == ["crop", "crop", "stretch", "saturate"]


def test_a_place_where_no_step_is_gets_told_which_there_are(table):
    with pytest.raises(WorkbenchError, match=r"no step 4 \(counted from 0\); the last is 3"):
        table.remove(4)
    with pytest.raises(WorkbenchError, match=r"no step 0 \(counted from 0\); the recipe has none yet"):
        RecipeCommands(Session()).set(0, amount=2)


def test_settings_are_checked_as_in_a_recipe_file(table):
    table.set(3, amount=2.5)
    assert table.session.recipe[3].operation.amount == 2.5
    with pytest.raises(WorkbenchError, match=r"saturate: amount.*allowed: 0 to 4"):
        table.set(3, amount=99)
    with pytest.raises(WorkbenchError, match="there is no setting 'vigour'"):
        table.set(3, vigour=1)
    table.reset(3, ["amount"])
    assert table.session.recipe[3].operation == some("saturate")


def test_a_drag_is_undone_as_one_change(table):
    for value in (1.5, 1.7, 1.9):
        table.set(3, live=True, amount=value)
    table.set(3, amount=2.0)
    table.undo()
    assert table.session.recipe[3].operation == some("saturate")
    table.redo()
    assert table.session.recipe[3].operation.amount == 2.0


def test_a_new_change_after_undo_forgets_what_was_undone(table):
    table.remove(3)
    table.undo()
    table.rename("other")
    assert not table.session.timeline.can_redo
    with pytest.raises(WorkbenchError, match="nothing to redo"):
        table.redo()


def test_every_line_of_what_was_done_leads_back_and_forward(table):
    states = [table.session.now]
    for change in (lambda: table.remove(3), lambda: table.rename("other"), lambda: table.switch(0)):
        change()
        states.append(table.session.now)
    for place in (1, 3, 0, 2):
        table.go_to(place)
        assert table.session.now == states[place]
        assert (table.session.timeline.line, table.session.timeline.here) == (states, place)
    table.undo()
    assert table.session.now == states[1]
    table.redo()
    table.redo()
    assert table.session.now == states[3]
    with pytest.raises(WorkbenchError, match="there is no change 4"):
        table.go_to(4)


def test_frozen_facts_stay_with_their_step_when_it_moves(table):
    table.session.hold(0, frozen=FOUND)
    table.move(0, 1)
    assert table.session.now.frozen == {1: FOUND}
    table.session.recipe = Recipe([*table.session.recipe][:2])
    assert table.session.now.frozen == {1: FOUND}
    table.measure_again(1)
    assert table.session.now.frozen == {}


def test_variants_are_kept_used_and_dropped(table):
    table.keep_variant("vivid ")
    table.remove(3)
    table.use_variant("vivid")
    assert ids(table)[-1] == "saturate"
    table.undo()
    assert ids(table)[-1] == "stretch"
    table.drop_variant("vivid")
    with pytest.raises(WorkbenchError, match="no variant 'vivid'"):
        table.use_variant("vivid")


def test_the_whole_table_survives_as_plain_data(table):
    table.session.hold(0, frozen=FOUND)
    table.keep_variant("one")
    table.remove(1)
    table.undo()
    other = RecipeCommands(Session(Recipe([])))
    other.session.restore(table.session.to_dict())
    assert other.session.to_dict() == table.session.to_dict()
    other.redo()
    assert ids(other) == ["crop", "stretch", "saturate"]
    assert other.session.now.frozen == {0: FOUND}


@pytest.mark.parametrize(
    "junk", [None, 3, {}, {"variants": 3}, {"variants": {}, "layout": {"recipe": 1, "frozen": {}}}]
)
def test_damaged_state_is_refused_and_nothing_changes(table, junk):
    before = table.session.to_dict()
    with pytest.raises(WorkbenchError):
        table.session.restore(junk)
    assert table.session.to_dict() == before


class Commands(RuleBasedStateMachine):
    """Whatever is done can be undone to the start and redone to the end."""

    def __init__(self):
        super().__init__()
        self.table = RecipeCommands(Session(Recipe([some("stretch")])))
        self.start = self.table.session.recipe

    def attempt(self, command, *args, **kwargs):
        with contextlib.suppress(WorkbenchError):
            command(*args, **kwargs)

    @rule(name=st.sampled_from(["crop", "denoise", "saturate", "turn", "stretch"]))
    def add(self, name):
        self.attempt(self.table.add, name)

    @rule(index=st.integers(0, 6), to=st.integers(0, 6))
    def move(self, index, to):
        self.attempt(self.table.move, index, to)

    @rule(index=st.integers(0, 6))
    def remove(self, index):
        self.attempt(self.table.remove, index)

    @rule(index=st.integers(0, 6))
    def switch(self, index):
        self.attempt(self.table.switch, index)

    @precondition(lambda self: self.table.session.timeline.can_undo)
    @rule()
    def undo_and_redo(self):
        before = self.table.session.recipe
        self.table.undo()
        self.table.redo()
        assert self.table.session.recipe == before

    @invariant()
    def the_order_of_tones_holds(self):
        self.table.session.recipe.tones(Tone.LINEAR)

    def teardown(self):
        end, steps = self.table.session.recipe, 0
        while self.table.session.timeline.can_undo:
            self.table.undo()
            steps += 1
        assert self.table.session.recipe == self.start
        for _ in range(steps):
            self.table.redo()
        assert self.table.session.recipe == end


TestCommands = Commands.TestCase
TestCommands.settings = hypothesis_settings(max_examples=40, stateful_step_count=25, deadline=None)


def test_steps_given_as_steps_keep_their_notes():
    table = RecipeCommands(Session(Recipe([Step(some("stretch"), note="why")])))
    assert table.session.recipe[0].note == "why"

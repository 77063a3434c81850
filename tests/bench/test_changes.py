"""What an undo takes back, in words."""

import pytest

import workbench as wb
from workbench.bench.changes import change_words
from workbench.bench.commands import RecipeCommands
from workbench.bench.model import Session
from workbench.masks import RegionMask
from workbench.operations.frame import CropFacts


@pytest.fixture
def bench():
    return RecipeCommands(Session(wb.Recipe([wb.Crop(), wb.RemoveGradient(), wb.Stretch(), wb.Saturate()], "night")))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda s: s.add("denoise"), "Denoise added"),
        (lambda s: s.duplicate(3), "Saturate added"),
        (lambda s: s.remove(1), "Remove gradient removed"),
        (lambda s: s.move(0, 1), "Remove gradient moved"),
        (lambda s: s.switch(3), "Saturate switched off"),
        (lambda s: s.set(2, sky=0.25), "Stretch: sky 0.1 → 0.25"),
        (lambda s: s.set(0, top=4), "Crop: top automatic → 4"),
        (lambda s: s.set(2, curve="power"), "Stretch: curve asinh → power"),
        (lambda s: s.set(2, sky=0.25, black=2), "Stretch: 2 settings"),
        (lambda s: s.note(2, "as in the last night"), "Stretch: its note"),
        (
            lambda s: s.limit(3, RegionMask(regions=[{"shape": "rectangle", "x0": 1, "y0": 2, "x1": 30, "y1": 40}])),
            "Saturate: its part of the frame",
        ),
        (lambda s: s.fade(3, 0.4), "Saturate: opacity 1 → 0.4"),
        (lambda s: s.rename("another night"), "the title"),
        (lambda s: setattr(s.session, "recipe", wb.Recipe([], "night")), "4 steps removed"),
        (lambda s: setattr(s.session, "recipe", wb.Recipe([wb.Turn()])), "another recipe"),
    ],
)
def test_an_undo_says_what_it_takes_back_and_a_redo_what_it_makes_again(bench, change, words):
    assert change_words(*bench.session.timeline.last_change) == ""
    change(bench)
    assert change_words(*bench.session.timeline.last_change) == words
    assert change_words(*bench.session.timeline.next_change) == ""
    bench.undo()
    assert change_words(*bench.session.timeline.last_change) == ""
    assert change_words(*bench.session.timeline.next_change) == words


def test_a_movement_of_a_slider_is_one_change(bench):
    for value in (0.12, 0.2, 0.31):
        bench.set(2, live=True, sky=value)
    bench.set(2, sky=0.3)
    assert change_words(*bench.session.timeline.last_change) == "Stretch: sky 0.1 → 0.3"


def test_measurements_that_are_kept_are_said(bench):
    bench.session.hold(0, frozen=CropFacts(top=3, right=0, bottom=0, left=0, measured=("top",)))
    assert change_words(*bench.session.timeline.last_change) == "Crop: measurements kept"
    bench.measure_again(0)
    assert change_words(*bench.session.timeline.last_change) == "Crop: measured again"

"""What is said of operations comes from their declarations."""

from typing import ClassVar, Literal

import pytest
from pydantic import Field

import workbench.operations  # noqa: F401 - defining the operations fills the registry
from workbench.operations.base import REGISTRY, Operation, registered
from workbench.operations.describe import Story, facts_of, range_words, settings_of, title_of, unit_words, value_words


class _Sample(Operation):
    """Do a thing.

    Do it when ``x`` is
    wanted.

    y = a x (Author 1999).

    Another detail.
    """

    id: ClassVar[str] = "sample_thing"
    amount: float = Field(0.5, ge=0, le=2, description="How much", json_schema_extra={"unit": "px"})
    above: float = Field(1.0, gt=0, description="Open upwards")
    kind: Literal["a", "b"] = Field("a", description="Which", json_schema_extra={"expert": True})
    size: int | None = Field(None, ge=1, description="How large")
    pair: tuple[int, float] = Field((1, 2.0), description="Two")
    names: tuple[str, ...] = Field((), description="Many")
    on: bool = Field(True, description="Whether")


def test_a_docstring_is_told_in_its_parts():
    story = Story.of(_Sample)
    assert story.summary == "Do a thing."
    assert story.why == "Do it when x is wanted."
    assert story.details == ("y = a x (Author 1999).", "Another detail.")


def test_settings_are_told_with_range_unit_and_default():
    rows = {s.name: s for s in settings_of(_Sample)}
    assert list(rows) == ["amount", "above", "kind", "size", "pair", "names", "on"]
    assert rows["amount"].allowed == "number, 0 to 2"
    assert (rows["amount"].unit, rows["amount"].default) == ("px", "0.5")
    assert rows["above"].allowed == "number, above 0"
    assert rows["kind"].allowed == "a | b"
    assert rows["kind"].expert
    assert not rows["amount"].expert
    assert rows["size"].allowed == "whole number, at least 1 or empty (automatic)"
    assert rows["size"].default == "automatic"
    assert rows["pair"].allowed == "2 of: whole number, number"
    assert rows["names"].allowed == "list of text"
    assert rows["on"].allowed == "yes | no"


def test_facts_are_told_with_shape_and_unit_parts_included():
    rows = {f.name: f for f in facts_of(REGISTRY["reduce_stars"])}
    assert (rows["found"].shape, rows["found"].unit) == ("", "stars")
    assert (rows["snr"].shape, rows["snr"].unit) == ("stars", "noise units")
    assert rows["stars.ground"].shape == "stars x channels x 6"
    assert rows["stars.x"].description == "Column of the center"
    assert not {"doubts", "stars.fwhm.step"} & set(rows)
    assert facts_of(REGISTRY["turn"]) == []


@pytest.mark.parametrize("operation", list(registered()), ids=lambda o: o.id)
def test_every_operation_tells_why_and_how(operation):
    story = Story.of(operation)
    assert story.summary.endswith(".")
    assert len(story.why) > 100, "the paragraph for a beginner"
    for setting in settings_of(operation):
        assert setting.description, setting.name
        assert setting.allowed
    assert title_of(operation)[0].isupper()


@pytest.mark.parametrize(
    ("value", "words"),
    [(None, "automatic"), (True, "yes"), (0.30000001, "0.3"), ((1, 2.5), "1, 2.5"), ([], "none"), ("a", "a")],
)
def test_values_are_written_as_people_do(value, words):
    assert value_words(value) == words


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        ({}, ""),
        ({"ge": 0, "le": 0.5}, "0 to 0.5"),
        ({"gt": 0, "lt": 2000000}, "above 0 to below 2000000"),
        ({"ge": 1}, "at least 1"),
        ({"gt": 1}, "above 1"),
        ({"le": 3}, "at most 3"),
        ({"lt": 3}, "below 3"),
    ],
)
def test_ranges_are_told_in_one_way(bounds, words):
    assert range_words(bounds) == words


def test_a_choice_of_shapes_is_told_by_its_parts():
    rows = {s.name: s for s in settings_of(REGISTRY["remove_gradient"])}
    assert "{shape, " in rows["exclude"].allowed
    assert " or " in rows["exclude"].allowed


def test_units_are_told_in_words_that_need_no_statistics():
    assert unit_words("sigma") == "noise units"
    assert unit_words("px") == "px"

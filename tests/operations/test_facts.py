"""Facts are typed: they come back from JSON as they were, and what is not theirs is refused in a sentence."""

import dataclasses
import json
from pathlib import Path
from typing import Annotated, get_args

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pydantic import Field, ValidationError

import workbench as wb
from workbench import Recipe, WorkbenchError
from workbench.engine.record import Record
from workbench.operations.base import REGISTRY, Geometry, Operation
from workbench.operations.facts import LARGEST, Array, Facts, FactsPart, Real
from workbench.recipe.facts import MIGRATIONS, frozen_facts

FILES = Path(__file__).parents[1] / "engine" / "files"
JUNK = [
    *[
        None,
        True,
        "x",
        "",
        -1,
        0,
        7,
        0.5,
        1e-320,
        1e308,
        -1e308,
        1e39,
        [],
        {},
        [[]],
        [0],
        [-1e308],
        [[0.0]],
        [[1], [1, 2]],
    ],
    *[["a"], [0.0] * 3, [1e30] * 3, [-1e38] * 3, list(range(2000))],
    *[{"dtype": "<f8"}, {"dtype": "<f8", "shape": [1], "base64": "AAAA"}, {"kind": "surface", "degree": 39}],
    {"kind": "mesh", "rows": 4096, "columns": 4096, "u_end": 1.0, "v_end": 1.0},
]


@pytest.fixture(scope="module")
def stack():
    return wb.read(FILES / "record-1.tif")


@pytest.fixture(scope="module")
def old():
    return Record.load(FILES / "record-1.record.json")


@pytest.fixture(scope="module")
def recipe(old):
    return Recipe.loads(json.dumps(old.recipe))


def models(kind):
    """A facts model and the models inside it."""
    yield kind
    for info in kind.model_fields.values():
        for inner in _classes(info.annotation):
            yield from models(inner)


def _classes(annotation):
    if isinstance(annotation, type) and issubclass(annotation, FactsPart):
        yield annotation
    for part in get_args(annotation):
        yield from _classes(part)


@pytest.mark.parametrize("name", REGISTRY)
def test_every_fact_says_what_it_is(name):
    operation = REGISTRY[name]
    assert (operation.facts_type is not Facts) == operation.measures()
    for model in models(operation.facts_type):
        assert model.__doc__
        for field, info in model.model_fields.items():
            assert info.description, (model, field)
    json.dumps(operation.facts_type.model_json_schema())


def test_facts_come_back_from_json_as_they_were(old, recipe, stack):
    fresh = recipe.run(stack, progress=False).record
    for step in (*old.steps, *fresh.steps):
        facts, kind = step.facts, REGISTRY[step.do].facts_type
        assert type(facts) is kind
        again = kind.model_validate_json(facts.model_dump_json())
        assert again == facts
        assert again.model_dump_json() == facts.model_dump_json()
        assert hash(again) == hash(facts)
        assert dataclasses.replace(step, facts=again) == step
    assert Record.loads(fresh.dumps()).facts == fresh.facts


def test_every_migration_leads_to_a_version_that_is_read():
    for name, version in MIGRATIONS:
        assert 1 <= version < REGISTRY[name].facts_type.version
    for name, operation in REGISTRY.items():
        assert {v for n, v in MIGRATIONS if n == name} == set(range(1, operation.facts_type.version))


def paths(data, at=()):
    """Every place in JSON data."""
    if isinstance(data, dict):
        for name, value in data.items():
            yield (*at, name)
            yield from paths(value, (*at, name))
    elif isinstance(data, list):
        for index in range(min(len(data), 3)):
            yield (*at, index)
            yield from paths(data[index], (*at, index))


def _replaced(data, path, value):
    copy = json.loads(json.dumps(data))
    inner = copy
    for name in path[:-1]:
        inner = inner[name]
    inner[path[-1]] = value
    return copy


def _removed(data, path):
    copy = json.loads(json.dumps(data))
    inner = copy
    for name in path[:-1]:
        inner = inner[name]
    del inner[path[-1]]
    return copy


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_wrong_facts_are_used_or_refused_in_a_sentence(data, old, recipe, stack):
    """Any entry of any step's facts replaced or taken out: a result of finite pixels or one sentence, nothing else."""
    step = data.draw(st.sampled_from([s for s in old.steps if REGISTRY[s.do].measures()]))
    facts = step.facts.to_data()
    path = data.draw(st.sampled_from(list(paths(facts))))
    number = st.floats(width=64, allow_nan=False) | st.integers(-(2**70), 2**70)
    value = data.draw(st.sampled_from(JUNK) | number | st.text(max_size=4) | st.lists(number, max_size=4))
    removed = data.draw(st.sampled_from([True, False, False, False]))
    wrong = _removed(facts, path) if removed else _replaced(facts, path, value)
    given_facts = {s.index: s.facts for s in old.steps} | {step.index: wrong}
    first = Recipe(list(recipe)[: step.index + 1])
    with np.errstate(all="ignore"):
        try:
            image = first.run(stack, facts=given_facts, progress=False).image
        except WorkbenchError as refusal:
            told = str(refusal)
            assert (told.startswith(f"step {step.index + 1} ({step.do}): "), "\n" in told) == (True, False)
        else:
            assert image.pixels.dtype == np.float32


@pytest.mark.parametrize(
    ("do", "changes", "says"),
    [
        ("stretch", {"black": None}, "the frozen facts are wrong: 'black' must be a list, not None"),
        ("stretch", {"span": 0}, "'span' cannot be 0 (allowed: "),
        ("stretch", {"span": -1e308}, "'span' cannot be -1e+308 (allowed: "),
        ("stretch", {"black": [0.1, 0.1]}, "do not agree: 'black' has 2 channels, 'sky' has 3"),
        ("stretch", {"version": 9}, "have version 9; this program reads versions 1 to 1"),
        ("level_sky", {"levels": [0.1]}, "do not fit this frame: 'levels' has 1 channel, but the frame has 3"),
        ("crop", {"top": 111, "bottom": 1}, "margins of top 111, right 0, bottom 1, left 0 px leave nothing"),
        ("mend_pixels", {"places": [[3], [0], [0]]}, "'places' lie outside the frame of 144 x 109 px"),
        ("remove_gradient", {"shape": [50, 60]}, "'shape' is 60 x 50 px, but the frame is 144 x 109 px"),
        (
            "remove_gradient",
            {"coefficients": [[0.1]] * 3},
            "'coefficients' has 1 for each channel, but the surface needs",
        ),
        ("reduce_stars", {"snr": [1.0, 2.0]}, "'stars.x' has 13 stars, 'snr' has 2"),
        ("denoise", {"field": [1, 0]}, "'field' has 2 entries, it needs 6"),
    ],
)
def test_a_refusal_names_step_and_field(do, changes, says, old, recipe, stack):
    step = next(s for s in old.steps if s.do == do)
    wrong = step.facts.to_data() | changes
    with pytest.raises(WorkbenchError) as refusal:
        recipe.run(stack, facts=old.facts | {step.index: wrong}, progress=False)
    assert str(refusal.value).startswith(f"step {step.index + 1} ({do}): the frozen facts ")
    assert says in str(refusal.value)


def test_facts_of_another_step_are_refused(old, recipe):
    stretch = next(s for s in old.steps if s.do == "stretch")
    with pytest.raises(WorkbenchError, match=r"step 1 \(crop\): the frozen facts are StretchFacts, not CropFacts"):
        frozen_facts(recipe.active, {0: stretch.facts})


# -- a model of one's own ----------------------------------------------------------------------------------------


class Lamp(FactsPart):
    """A lamp."""

    y: float = Field(ge=0, description="Row", json_schema_extra={"unit": "px"})
    light: tuple[Real, ...] = Field(description="Light", json_schema_extra={"shape": ["channels"]})


class GlowFacts(Facts):
    """Lamps near the frame."""

    sky: tuple[Real, ...] = Field(description="Sky", json_schema_extra={"shape": ["channels"]})
    lamps: tuple[Lamp, ...] = Field((), description="Lamps")
    table: Annotated[NDArray[np.float32], Array("<f4", "rows", 2)] = Field(description="Table")
    which: Annotated[NDArray[np.int32], Array("<i4", "rows", ge=0)] = Field(description="Which")


class _Glow(Operation):
    """Does nothing."""

    facts_type = GlowFacts


def _glow(**changes):
    return GlowFacts(**{"sky": (0.1, 0.2), "table": np.ones((3, 2)), "which": [0, 1, 2]} | changes)


def test_arrays_are_brought_to_their_form():
    facts = _glow(table=np.asfortranarray(np.ones((3, 2))))
    assert facts.table.dtype == np.float32
    assert facts.table.flags.c_contiguous
    assert not facts.table.flags.writeable
    assert facts.which.dtype == np.int32
    assert _glow(table=[], which=[]).table.shape == (0, 2)


def test_what_was_given_stays_the_callers():
    mine = np.ones((3, 2), np.float32)
    facts = _glow(table=mine)
    mine[:] = 5
    assert facts.table.max() == 1
    assert mine.flags.writeable


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"table": np.ones((2, 2))}, "'which' has 3 rows, 'table' has 2"),
        ({"table": np.ones((3, 3))}, "dimension 2 must have length 2, not 3"),
        ({"table": np.ones(3)}, "must have 2 dimensions, not 1"),
        ({"table": [[1, 2], [3]]}, "rows must be equally long"),
        ({"table": np.full((3, 2), np.nan)}, "must lie between"),
        ({"table": np.full((3, 2), 1e39)}, "must lie between"),
        ({"table": "AAAA"}, "must be an array"),
        ({"table": np.array([["a", "b"]] * 3)}, "must be an array of numbers"),
        ({"which": [0.5, 1, 2]}, "whole numbers"),
        ({"which": [2**40, 1, 2]}, "whole numbers"),
        ({"which": [-1, 1, 2]}, "must lie between 0 and"),
        ({"lamps": [{"y": 1, "light": [1.0]}]}, "'lamps.light' has 1 channel, 'sky' has 2"),
    ],
)
def test_what_does_not_fit_is_refused(changes, says):
    with pytest.raises(ValidationError, match=says.replace("(", r"\(")):
        _glow(**changes)


def test_channels_are_those_of_the_frame():
    _glow().fits(Geometry(10, 10, 2))
    with pytest.raises(WorkbenchError, match="'sky' has 2 channels, but the frame has 3"):
        _glow().fits(Geometry(10, 10, 3))


def test_doubts_are_part_of_all_facts():
    facts = _glow(doubts=["Only two lamps were seen."])
    assert GlowFacts.model_validate_json(facts.model_dump_json()).doubts == ("Only two lamps were seen.",)
    assert facts != _glow()


@given(
    st.lists(st.floats(-LARGEST, LARGEST, width=64), max_size=12),
    st.lists(st.integers(-(2**31), 2**31 - 1), max_size=12),
)
def test_any_numbers_come_back_to_the_last_bit(reals, whole):
    class Both(Facts):
        """Both."""

        reals: Annotated[NDArray[np.float64], Array("<f8", "reals")] = Field(description="Reals")
        plain: tuple[Real, ...] = Field(description="Reals", json_schema_extra={"shape": ["reals"]})
        whole: Annotated[NDArray[np.int32], Array("<i4", "whole")] = Field(description="Whole")

    facts = Both(reals=reals, plain=reals, whole=whole)
    again = Both.model_validate_json(facts.model_dump_json())
    assert again.reals.tobytes() == facts.reals.tobytes()
    assert np.array(again.plain).tobytes() == np.array(reals, float).tobytes()
    assert again.whole.tolist() == whole

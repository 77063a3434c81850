"""What is kept: by content, under one budget of bytes, and what leaves first."""

import numpy as np
import pytest
from pydantic import BaseModel

from workbench import Preview, Recipe, Stack, Step, Stretch
from workbench.engine.cache import Cache, step_key, weight


def test_all_entries_together_stay_within_the_budget():
    cache = Cache(10_000)
    for n in range(50):
        cache.put(("tile", n), np.zeros(100, np.uint8))
    assert cache.size <= 10_000
    assert cache.get(("tile", 49)) is not None
    assert cache.get(("tile", 0)) is None


def test_a_large_thing_that_nobody_asks_for_leaves_before_many_small_ones():
    cache = Cache(10_000)
    cache.put(("facts",), "found")
    cache.put(("full frame", "old"), np.zeros(5000, np.uint8))
    cache.put(("full frame", "new"), np.zeros(5000, np.uint8))
    assert cache.get(("full frame", "old")) is None
    assert cache.get(("facts",)) == "found"
    cache.get(("full frame", "new"))
    cache.put(("tile",), np.zeros(2000, np.uint8))
    assert cache.get(("full frame", "new")) is not None, "what is in use stays"


def test_the_latest_entry_stays_however_large():
    cache = Cache(1)
    cache.put(("a",), np.zeros(9))
    cache.put(("b",), np.zeros(9))
    assert (len(cache), cache.get(("a",)), cache.get(("b",)) is not None) == (1, None, True)


def test_an_entry_put_again_is_counted_once():
    cache = Cache(10_000)
    for _ in range(3):
        cache.put(("a",), np.zeros(1000, np.uint8))
    assert 1000 <= cache.size < 1400


class _Model(BaseModel):
    values: list[float]
    name: str = "four"


@pytest.mark.parametrize(
    ("value", "least", "most"),
    [
        (np.zeros((3, 10), np.float32), 120, 120),
        ({"stars": [1.0] * 1000, "name": "x"}, 24_000, 40_000),
        (_Model(values=[1.0] * 1000), 24_000, 40_000),
        ((), 1, 100),
    ],
)
def test_what_a_value_weighs(value, least, most):
    assert least <= weight(value) <= most


def test_a_key_tells_settings_and_where_facts_come_from_and_no_notes():
    step = Step(Stretch())
    assert step_key("frame", step, "measured") == step_key("frame", Step(Stretch(), note="why"), "measured")
    keys = {
        step_key("frame", step, "measured"),
        step_key("frame", step, "sampled"),
        step_key("other frame", step, "measured"),
        step_key("frame", Step(Stretch(sky=0.3)), "measured"),
    }
    assert len(keys) == 4


def test_frozen_facts_are_told_apart_by_what_they_say_and_not_by_which_object_they_are():
    stack = Stack.from_array(np.random.default_rng(4).normal(0.1, 0.01, (60, 90, 3)).astype(np.float32))
    preview = Preview(stack, Recipe([Stretch()]))
    facts = preview.facts
    again = Preview(stack, Recipe([Stretch()])).facts
    shown = [preview.showing(preview.recipe, given) for given in (facts, again)]
    assert shown[0].chain.key == shown[1].chain.key
    other = Preview(stack, Recipe([Stretch(sky=0.3)])).facts
    assert preview.showing(preview.recipe, other).chain.key != shown[0].chain.key

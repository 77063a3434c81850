"""Facts stay known while settings change that measuring does not look at; so those settings must not change them."""

import numpy as np
import pytest
from annotated_types import Ge, Gt, Le, Lt

from workbench.acquisition import Tone
from workbench.engine.cache import facts_key
from workbench.operations.base import REGISTRY, Frame
from workbench.recipe.model import Step

DECLARED = [kind for kind in REGISTRY.values() if kind.measured_by is not None]


def other_value(info):
    """A value of a number setting that is allowed and not the default."""
    ends = [
        getattr(m, n)
        for m in info.metadata
        for c, n in ((Ge, "ge"), (Le, "le"), (Gt, "gt"), (Lt, "lt"))
        if isinstance(m, c)
    ]
    return next(end for end in ends if end != info.default)


@pytest.fixture
def frames(color_stack):
    linear = Frame(color_stack.planes)
    shown = np.clip((color_stack.planes - 0.05) * 4, 0, 1).astype(np.float32)
    return {Tone.LINEAR: linear, Tone.DISPLAY: Frame(shown, Tone.DISPLAY)}


def test_some_operations_say_what_measuring_looks_at():
    assert {"denoise", "reduce_stars", "stretch", "saturate"} <= {kind.id for kind in DECLARED}


@pytest.mark.parametrize("kind", DECLARED, ids=lambda kind: kind.id)
def test_settings_that_measuring_does_not_look_at_change_no_facts(kind, frames):
    names = set(kind.model_fields) - set(kind.measured_by)
    assert set(kind.measured_by) < set(kind.model_fields)
    frame = frames[kind.takes]
    usual = kind()
    for name in names:
        changed = usual.model_copy(update={name: other_value(kind.model_fields[name])})
        assert changed.measure(frame) == usual.measure(frame)
        assert facts_key("frame", Step(changed)) == facts_key("frame", Step(usual))


@pytest.mark.parametrize("kind", DECLARED, ids=lambda kind: kind.id)
def test_settings_that_measuring_looks_at_have_facts_of_their_own(kind):
    for name in kind.measured_by:
        whole = kind.model_fields[name].annotation is int
        changed = kind().model_copy(update={name: "bias" if name == "curve" else 3 if whole else 0.375})
        assert facts_key("frame", Step(changed)) != facts_key("frame", Step(kind()))


def test_what_was_found_in_a_frame_is_found_once_and_stays_the_same(frames):
    frame = frames[Tone.LINEAR]
    kind = REGISTRY["stretch"]
    first = kind().measure(frame)
    kind(sky=0.3, black=9).measure(frame)
    assert kind().measure(frame) == first == kind().measure(Frame(frame.planes))
    assert frame.once("joint sky", lambda: pytest.fail("found twice")) is not None

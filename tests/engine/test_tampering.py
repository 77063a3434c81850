"""No other picture, and no record that was changed, passes for the same.

Pictures are made by running the recipe on a stack that was changed, or by changing what the run left; records are
changed as text. Those of the second kind get their seal made anew, so that it is not the seal that catches them.
"""

import copy
import json

import numpy as np
import pytest

import workbench as wb
from workbench import Record, Stack, WorkbenchError
from workbench.engine.comparison import require_comparable
from workbench.engine.fingerprint import COARSE, Fingerprint
from workbench.engine.record import seal
from workbench.engine.trace import Trace
from workbench.operations.base import Geometry, Rect

STEPS = [
    wb.Crop(top=4, right=0, bottom=0, left=5),
    wb.Turn(quarter_turns=2),
    wb.CalibrateColor(),
    wb.Stretch(),
    wb.Saturate(),
]


@pytest.fixture(scope="module")
def stack():
    rng = np.random.default_rng(8)
    h, w = 260, 330
    y, x = np.mgrid[:h, :w].astype(np.float32)
    pixels = np.stack([0.10 + 1e-5 * x, 0.08 + 1e-5 * y, 0.06 + 0 * x], axis=2)
    for cy, cx, peak in rng.uniform((10, 10, 0.05), (250, 320, 0.8), (60, 3)):
        pixels += (peak * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / 4))[..., None] * np.float32([1, 0.9, 0.7])
    return Stack.from_array(pixels + rng.normal(0, 0.002, pixels.shape))


@pytest.fixture(scope="module")
def result(stack):
    return wb.Recipe(STEPS).run(stack)


@pytest.fixture(scope="module")
def earlier(result):
    return Record.loads(result.record.dumps())


def other_pixels(earlier, pixels):
    """The record of a run that is said to be the same but left these pixels."""
    data = json.loads(earlier.dumps())
    planes = np.ascontiguousarray(np.moveaxis(pixels, 2, 0))
    _, height, width = planes.shape
    trace = Trace(Geometry(height, width, planes.shape[0]))
    trace.see(Rect(0, 0, height, width), planes, 0.0)
    data["steps"][-1] |= {
        "digest": trace.digest(),
        "fingerprint": Fingerprint.of(planes, COARSE).encoded(),
        "shape": list(pixels.shape),
    }
    data["output"] |= {
        "digest": wb.engine.digest.digest(pixels),
        "fingerprint": Fingerprint.of(planes).encoded(),
        "shape": list(pixels.shape),
    }
    return sealed(data)


def sealed(data):
    """A record of changed data, its seal made anew."""
    return Record.loads(json.dumps(data | {"seal": seal(data)}))


def _shuffled(p):
    rng = np.random.default_rng(1)
    return rng.permutation(p.reshape(-1, 3)).reshape(p.shape)


def _shuffled_within_squares(p):
    """What leaves every statistic of every square as it was."""
    p, rng = p.copy(), np.random.default_rng(1)
    for y in range(0, p.shape[0], 64):
        for x in range(0, p.shape[1], 64):
            square = p[y : y + 64, x : x + 64]
            p[y : y + 64, x : x + 64] = rng.permutation(square.reshape(-1, 3)).reshape(square.shape)
    return p


def _at(rows, columns, change):
    def made(p):
        p = p.copy()
        p[rows, columns] = change(p[rows, columns])
        return p

    return made


def _squares_swapped(p):
    p = p.copy()
    p[:64, :64], p[64:128, 64:128] = p[64:128, 64:128].copy(), p[:64, :64].copy()
    return p


def _two_pixels_swapped(p):
    p = p.copy()
    bright, dark = (np.unravel_index(f(p[..., 1]), p.shape[:2]) for f in (np.argmax, np.argmin))
    p[bright], p[dark] = p[dark].copy(), p[bright].copy()
    return p


PICTURES = {
    "mirrored left to right": lambda p: p[:, ::-1],
    "mirrored top to bottom": lambda p: p[::-1],
    "half a turn": lambda p: p[::-1, ::-1],
    "a quarter turn": np.rot90,
    "cut by a row": lambda p: p[1:],
    "shifted by a row": lambda p: np.roll(p, 1, axis=0),
    "shifted by a column": lambda p: np.roll(p, 1, axis=1),
    "shifted by a square": lambda p: np.roll(p, 64, axis=1),
    "shuffled": _shuffled,
    "shuffled within squares": _shuffled_within_squares,
    "two squares swapped": _squares_swapped,
    "two pixels swapped": _two_pixels_swapped,
    "red and blue swapped": lambda p: p[..., ::-1],
    "turned gray": lambda p: np.repeat(p.mean(axis=2, keepdims=True), 3, axis=2),
    "one channel only": lambda p: p[..., :1],
    "black": np.zeros_like,
    "inverted": lambda p: 1 - p,
    "brighter by three 16-bit steps": lambda p: p + 3 / 65535,
    "brighter by a thousandth": lambda p: p * 1.001,
    "one pixel changed by a hundredth": _at(100, 117, lambda v: v + 0.01),
    "one pixel of one channel changed": _at((200,), (64,), lambda v: v + np.float32([0, 0, 0.01])),
    "the last pixel changed": _at(-1, -1, lambda v: v + 0.01),
    "a star taken out": _at(slice(60, 69), slice(90, 99), lambda v: v * 0 + v.min()),
    "a star put in": _at(slice(200, 205), slice(20, 25), lambda v: v + 0.1),
    "a row blanked": _at(128, slice(None), lambda v: v * 0),
    "a column doubled": _at(slice(None), 129, lambda v: v * 1.05),
    "a checkerboard laid over": lambda p: p + 1e-3 * np.indices(p.shape).sum(axis=0) % 2e-3,
    "other noise": lambda p: p + np.random.default_rng(3).normal(0, 2e-4, p.shape),
    "slightly blurred": lambda p: (p + np.roll(p, 1, axis=0)) / 2,
    "8 bits": lambda p: np.round(p * 255) / 255,
}


@pytest.mark.parametrize("name", list(PICTURES))
def test_another_picture_is_never_the_same(name, result, earlier):
    pixels = np.ascontiguousarray(PICTURES[name](result.image.pixels), np.float32)
    verdict = earlier.compare(other_pixels(earlier, pixels))
    assert verdict.same == "different", verdict.says
    assert verdict.step == 4
    assert "step 5 (saturate)" in verdict.says


@pytest.mark.parametrize("name", list(PICTURES))
def test_another_stack_is_never_the_same(name, stack, result):
    """With frozen facts, so that nothing but pixels can tell."""
    pixels = np.ascontiguousarray(PICTURES[name](stack.pixels), np.float32)
    if pixels.shape[2] == 1:
        with pytest.raises(WorkbenchError):
            wb.Recipe(STEPS).run(Stack.from_array(pixels), facts=result.record)
        return
    verdict = result.record.compare(wb.Recipe(STEPS).run(Stack.from_array(pixels), facts=result.record).record)
    assert verdict.same == "different", verdict.says


def _set(*path, to):
    def changed(data):
        place = data
        for name in path[:-1]:
            place = place[name]
        place[path[-1]] = to(place[path[-1]]) if callable(to) else to

    return changed


def _without(*path):
    def changed(data):
        place = data
        for name in path[:-1]:
            place = place[name]
        del place[path[-1]]

    return changed


ZEROS, OTHER = "0" * 32, "0123456789abcdef" * 2
SPOILED = {
    "output empty": _set("output", to={}),
    "output without shape": _without("output", "shape"),
    "output without tone": _without("output", "tone"),
    "output without digest": _without("output", "digest"),
    "output with another digest": _set("output", "digest", to=OTHER),
    "output with a digest of zeros": _set("output", "digest", to=ZEROS),
    "output with a short digest": _set("output", "digest", to="abc"),
    "output with no text as digest": _set("output", "digest", to=7),
    "output of another shape": _set("output", "shape", to=[10, 10, 3]),
    "output of an impossible shape": _set("output", "shape", to=[-1, 1e300, None]),
    "output of another tone": _set("output", "tone", to="linear"),
    "output of an unknown tone": _set("output", "tone", to="gray"),
    "output without fingerprint": _without("output", "fingerprint"),
    "a fingerprint that is empty": _set("output", "fingerprint", to=""),
    "a fingerprint that is no text": _set("output", "fingerprint", to=[1]),
    "a fingerprint that is cut": _set("output", "fingerprint", to=lambda t: t[:-8]),
    "a fingerprint of zeros": _set("output", "fingerprint", to=lambda t: "A" * len(t)),
    "a fingerprint of another frame": _set("output", "fingerprint", to=lambda t: t[24:48] + t[24:]),
    "input empty": _set("input", to={}),
    "input of another shape": _set("input", "shape", to=[9, 9, 3]),
    "input of another tone": _set("input", "tone", to="display"),
    "input without digest": _without("input", "pixels"),
    "input with a digest of zeros": _set("input", "pixels", to=ZEROS),
    "no steps": _set("steps", to=[]),
    "a step left out": _without("steps", 2),
    "a step twice": _set("steps", to=lambda s: [*s, s[-1]]),
    "steps in another order": _set("steps", to=lambda s: s[::-1]),
    "a step under another number": _set("steps", 1, "index", to=7),
    "a step under another name": _set("steps", 4, "do", to="saturated"),
    "a step of another shape": _set("steps", 1, "shape", to=[5, 5, 3]),
    "a step with a digest of zeros": _set("steps", 1, "digest", to=ZEROS),
    "a last step with another digest": _set("steps", 4, "digest", to=OTHER),
    "a step's fingerprint cut": _set("steps", 1, "fingerprint", to=lambda t: t[:-8]),
    "a step's fingerprint empty": _set("steps", 1, "fingerprint", to=""),
    "a step's facts changed": _set("steps", 3, "facts", "black", to=lambda v: np.multiply(v, 1.5).tolist()),
    "a step's facts empty": _set("steps", 3, "facts", to={}),
    "a recipe of nothing": _set("recipe", to={}),
    "a recipe without steps": _set("recipe", "steps", to=[]),
    "another setting": _set("recipe", "steps", 3, "with", "sky", to=0.31),
    "a mirror": _set("recipe", "steps", 1, "with", "mirror", to=True),
    "a setting left out": _without("recipe", "steps", 1, "with", "mirror"),
    "a step switched off": _set("recipe", "steps", 1, "on", to=False),
    "a step limited to a part": _set("recipe", "steps", 4, "where", to={"shape": "rectangle", "x0": 1, "x1": 9}),
    "a recipe of another version": _set("recipe", "version", to=77),
}


def _judged(data, result):
    """How a changed record comes out: refused, or what the comparison says."""
    try:
        record = sealed(data)
        require_comparable(record)
        return record.compare(result.record).same
    except WorkbenchError:
        return "refused"


@pytest.mark.parametrize("name", list(SPOILED))
def test_a_changed_record_never_passes(name, result, earlier):
    data = json.loads(earlier.dumps())
    assert _judged(copy.deepcopy(data), result) == "identical"
    SPOILED[name](data)
    assert _judged(data, result) in {"refused", "different"}


@pytest.mark.parametrize("name", [*SPOILED, "software"])
def test_a_record_is_sealed(name, earlier):
    data = json.loads(earlier.dumps())
    (SPOILED | {"software": _set("software", "numpy", to="9.9")})[name](data)
    try:
        record = Record.loads(json.dumps(data))
    except WorkbenchError:
        return
    assert not record.intact
    with pytest.raises(WorkbenchError, match="changed after it was written"):
        require_comparable(record)
    assert not Record.loads(record.dumps()).intact  # and saving it makes no seal


def test_times_are_not_sealed_and_the_picture_carries_the_same_seal(result, tmp_path):
    assert Record.loads(result.record.timeless().dumps()).intact
    result.save(tmp_path / "p.png")
    carried = Record.loads(wb.io.embedded(tmp_path / "p.png").record)
    assert carried.compare(result.record).same == "identical"


def test_an_empty_recipe_on_a_stack_of_another_size_is_not_the_same(stack):
    one = wb.Recipe([]).run(stack).record
    assert one.compare(wb.Recipe([]).run(stack).record).same == "identical"
    other = wb.Recipe([]).run(Stack.from_array(stack.pixels[:100])).record
    verdict = one.compare(other)
    assert verdict.same == "different"
    assert "another shape" in verdict.says
    shuffled = wb.Recipe([]).run(Stack.from_array(_shuffled(stack.pixels))).record
    assert one.compare(shuffled).same == "different"


def test_half_a_turn_is_not_half_a_turn_mirrored(stack):
    plain, mirrored = (wb.Recipe([wb.Turn(quarter_turns=2, mirror=m)]).run(stack).record for m in (False, True))
    verdict = plain.compare(mirrored)
    assert verdict.same == "different"
    assert "step 1 (turn) on: its settings are others: mirror false becomes true" in verdict.says


def test_facts_and_pixels_are_told_apart(stack, result):
    nearly = Stack.from_array(stack.pixels * np.float32(1 + 1e-7) + np.float32(3e-9))
    now = wb.Recipe(STEPS).run(nearly).record
    verdict = result.record.compare(now)
    assert verdict.same == "within tolerance", verdict.says
    assert verdict.pixels_from == 0
    assert verdict.facts_from == 2
    assert "facts differ from step 3 (calibrate_color) on" in verdict.says
    frozen = result.record.compare(wb.Recipe(STEPS).run(nearly, facts=result.record).record)
    assert frozen.facts_from is None
    assert "pixels differ from step 1 (crop) on, facts do not" in frozen.says


def test_the_same_pixels_from_other_facts_are_not_the_same(result, earlier):
    data = json.loads(earlier.dumps())
    data["steps"][3]["facts"]["doubts"] = ["not sure at all"]
    verdict = sealed(data).compare(result.record)
    assert verdict.same == "different"
    assert "step 4 (stretch) on: every pixel is the same, but what was measured does not" in verdict.says

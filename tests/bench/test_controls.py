"""Controls come from an operation's declaration, and every declaration of the project gets one."""

import json
from typing import ClassVar, Literal

import pytest
from pydantic import BaseModel, Field, create_model

from workbench import Recipe, Step
from workbench.bench.model import Session
from workbench.bench.panels.export.panel import stem_of
from workbench.bench.panels.settings.fields import fields_of
from workbench.bench.panels.settings.panel import settings_state
from workbench.bench.panels.steps.panel import addable_operations, step_states
from workbench.bench.panels.toolbar.panel import stack_state
from workbench.bench.snapshot import Snapshot
from workbench.operations.base import REGISTRY, Facts, Operation
from workbench.operations.describe import label_of, plain_facts
from workbench.operations.frame import Crop, CropFacts
from workbench.operations.gradient import RemoveGradient
from workbench.operations.stretch import Stretch
from workbench.operations.white import CalibrateColor, CalibrateColorFacts
from workbench.stack import Stack


class Everything(BaseModel):
    """A setting of each kind."""

    plain: float = Field(0.5, ge=0, le=1, description="a share")
    wide: float = Field(1.0, ge=0.001, le=1000)
    crowded: int = Field(5, ge=0, le=1000, json_schema_extra={"unit": "stars"})
    open_low: float | None = Field(None, gt=0, le=1000, json_schema_extra={"expert": True})
    endless: int | None = Field(None, ge=0)
    few: int = Field(2, ge=1, le=4)
    shape: Literal["round", "square"] = "round"
    on: bool = True
    words: str = "hello"
    place: tuple[int, int] | None = Field(None, json_schema_extra={"parts": ["row", "column"]})
    places: tuple[tuple[float, float], ...] = ()
    odd: dict[str, float] = Field(default={"a": 1.0})


@pytest.fixture
def fields():
    return {f["name"]: f for f in fields_of(Everything())}


def test_each_kind_of_setting_gets_its_control(fields):
    kinds = {name: f["kind"] for name, f in fields.items()}
    assert kinds == {
        "plain": "number",
        "wide": "number",
        "crowded": "integer",
        "open_low": "number",
        "endless": "integer",
        "few": "integer",
        "shape": "choice",
        "on": "switch",
        "words": "text",
        "place": "numbers",
        "places": "list",
        "odd": "data",
    }


def test_ranges_units_help_and_expertise_are_those_declared(fields):
    assert (fields["plain"]["min"], fields["plain"]["max"], fields["plain"]["help"]) == (0, 1, "A share")
    assert fields["crowded"]["unit"] == "stars"
    assert [name for name, f in fields.items() if f["expert"]] == ["open_low"]
    assert fields["shape"]["choices"] == [["round", "Round"], ["square", "Square"]]
    assert fields["place"]["parts"] == ["row", "column"]
    assert {n for n, f in fields.items() if f["optional"]} == {"open_low", "endless", "place"}


def test_a_wide_range_gets_a_logarithmic_slider_and_a_crowded_one_finer_steps_near_zero(fields):
    assert {n: fields[n]["scale"] for n in ("plain", "wide", "crowded", "open_low", "few")} == {
        "plain": "linear",
        "wide": "log",
        "crowded": "root",
        "open_low": "log",
        "few": "linear",
    }


def test_a_range_open_at_zero_has_a_slider_that_stays_above_it(fields):
    field = fields["open_low"]
    assert field["min"] is None
    assert 0 < field["low"] < field["start"] < field["high"] == 1000


def test_without_an_upper_end_there_is_no_slider_but_an_entry(fields):
    assert (fields["endless"]["low"], fields["endless"]["high"]) == (None, None)
    assert fields["endless"]["min"] == 0


@pytest.mark.parametrize(("low", "high", "step"), [(0, 1, 0.005), (0.2, 4, 0.01), (1, 6, 0.02), (-1, 1, 0.01)])
def test_steps_are_round_and_about_two_hundred_reach_over_the_slider(low, high, step):
    from pydantic import create_model

    model = create_model("Some", value=(float, Field(low, ge=low, le=high)))
    field = fields_of(model())[0]
    assert field["step"] == pytest.approx(step)
    assert 190 <= (high - low) / field["step"] <= 500


def test_a_measured_value_stands_where_a_setting_is_left_empty():
    field = {f["name"]: f for f in fields_of(Crop(), CropFacts(top=17, right=0, bottom=0, left=0, measured=("top",)))}[
        "top"
    ]
    assert (field["value"], field["measured"], field["start"]) == (None, 17, 17)


@pytest.mark.parametrize("kind", list(REGISTRY.values()), ids=list(REGISTRY))
def test_every_operation_gives_controls_that_take_its_own_values_back(kind):
    operation = kind()
    fields = fields_of(operation)
    assert [f["name"] for f in fields] == list(kind.model_fields)
    assert kind.model_validate({f["name"]: f["value"] for f in fields}) == operation
    for field in fields:
        assert field["help"], f"{kind.id}.{field['name']} has no description"
        if field["kind"] in {"number", "integer"} and field["low"] is not None:
            assert field["low"] <= field["start"] <= field["high"]
            for end in (field["low"], field["high"], field["start"]):
                kind.model_validate({**operation.model_dump(), field["name"]: end})
    json.dumps(fields)


def test_regions_are_listed_in_words():
    region = {"shape": "rectangle", "x0": 1, "y0": 2, "x1": 30.5, "y1": 40}
    fields = {f["name"]: f for f in fields_of(RemoveGradient(exclude=[region]))}
    assert fields["exclude"]["items"] == ["rectangle: x0 1, y0 2, x1 30.5, y1 40"]


def test_the_settings_of_a_card_tell_why_and_when_and_how_it_works():
    card = Snapshot.of(Recipe([Stretch(sky=0.2)])).steps[0]
    state = settings_state(card, 0, None)
    assert state["title"] == "Stretch"
    assert state["summary"].startswith("Make the linear light visible")
    assert "Do it after everything that belongs in linear light" in state["why"][0]
    assert "Lupton et al. 2004" in state["details"][0]
    assert state["drafted"]
    assert state["measures"]
    json.dumps(state)


def test_only_steps_that_keep_the_tone_and_the_frame_may_be_limited_to_a_part():
    cards = Snapshot.of(Recipe([Crop(), RemoveGradient(), Stretch()])).steps
    assert [settings_state(c, i, None)["where"]["possible"] for i, c in enumerate(cards)] == [
        False,
        True,
        False,
    ]


def test_only_steps_that_keep_the_tone_and_the_frame_have_an_opacity():
    cards = Snapshot.of(Recipe([Crop(), Step(RemoveGradient(), opacity=0.5), Stretch()])).steps
    fields = [settings_state(c, i, None)["opacity"] for i, c in enumerate(cards)]
    assert fields[0] is fields[2] is None
    assert (fields[1]["value"], fields[1]["low"], fields[1]["high"]) == (0.5, 0.0, 1.0)


def facts_of(**values):
    fields = {name: (type(value), ...) for name, value in values.items()}
    return create_model("Found", __base__=Facts, **fields)(**values)


def test_facts_are_told_in_plain_numbers_and_long_data_is_left_out():
    rows = plain_facts(
        facts_of(
            sky_level=0.123456,
            stars=1653,
            gains=(1.2, 1.0, 1.75),
            used=True,
            many=tuple(range(1000)),
            borders=facts_of(top=3, left=4),
            samples=facts_of(y=(0.0,) * 50, kind="grid"),
        )
    )
    assert rows == [
        ["Sky level", "0.1235"],
        ["Stars", "1653"],
        ["Gains", "1.2, 1, 1.75"],
        ["Used", "yes"],
        ["Borders: top", "3"],
        ["Borders: left", "4"],
        ["Samples: kind", "grid"],
    ]


def test_small_measurements_are_told_in_millionths():
    assert plain_facts(facts_of(noise=(6.24e-5, 0.0), level=0.0012)) == [
        ["Noise", "62.4 millionths, 0"],
        ["Level", "0.0012"],
    ]


def test_a_choice_that_needs_another_setting_first_says_how_it_comes_by_it():
    def told(facts=None, **settings):
        card = Snapshot.of(Recipe([CalibrateColor(**settings)])).steps[0]
        return {f["name"]: f for f in settings_state(card, 0, facts)["fields"]}

    found = {"gains": (1.25, 1.0, 1.6789), "uncertainty": (0.1, 0.0, 0.1), "sky": (0.1, 0.1, 0.1), "clip": (1, 1, 1)}
    fields = told(CalibrateColorFacts(reference="stars", samples=9, **found))
    first = fields["reference"]["first"]
    assert first == {"region": {"tool": "calibrate_color.region"}, "given": {"with": {"gains": [1.25, 1.0, 1.679]}}}
    CalibrateColor(reference="given", **first["given"]["with"])
    assert [fields[name]["empty"] for name in ("region", "gains", "reference")] == ["not given"] * 2 + ["automatic"]
    assert told(region=(1, 2, 30, 40), gains=(1, 1, 2))["reference"]["first"] == {}


def test_cards_say_what_was_found_how_long_it_took_and_what_is_wrong(color_stack):
    from workbench.operations.base import Frame

    stretch = Stretch()
    facts = stretch.measure(Frame(color_stack.planes))
    layout = Snapshot.of(Recipe([Crop(), Step(stretch, note="as dark as I like")]))
    thumbs = {layout.steps[1].key: "data:image/jpeg;base64,AA"}
    first, second = step_states(layout, {1: facts}, 1, thumbs, {1: (0.5, 0.01)}, (0, "too small"))
    assert first["problem"] == "too small"
    assert (first["found"], first["thumb"], first["selected"], first["seconds"]) == ("", None, False, [None, None])
    assert second["found"] == stretch.explain(facts)
    assert (second["note"], second["thumb"], second["selected"]) == ("as dark as I like", thumbs[second["key"]], True)
    assert second["seconds"] == [0.5, 0.01]


def test_adding_offers_first_what_fits_and_gives_the_reason_for_the_rest():
    groups = {g["purpose"]: g["operations"] for g in addable_operations(Session(Recipe()))}
    color = {o["id"]: o for o in groups["color"]}
    assert color["calibrate_color"]["fits"]
    assert not color["saturate"]["fits"]
    assert "put a stretch before it" in color["saturate"]["reason"]
    fits = [o["fits"] for o in groups["color"]]
    assert fits == sorted(fits, reverse=True)
    assert {o["id"] for ops in groups.values() for o in ops} == set(REGISTRY)


def test_a_stretched_recipe_offers_no_second_stretch():
    table = Session(Recipe([Stretch()]))
    entry = next(o for g in addable_operations(table) for o in g["operations"] if o["id"] == "stretch")
    assert "linear image" in entry["reason"]


def test_an_operation_of_ones_own_appears_with_its_controls():
    class DimHalf(Operation):
        """Make all light weaker.

        For trying things out.
        """

        purpose: ClassVar = "tone"
        by: float = Field(0.5, ge=0, le=1, description="factor")

    try:
        entry = next(o for g in addable_operations(Session(Recipe())) for o in g["operations"] if o["id"] == "dim_half")
        assert entry["first_line"] == "Make all light weaker."
        assert fields_of(DimHalf())[0]["label"] == "By"
    finally:
        del REGISTRY["dim_half"]


def test_a_stack_is_told_in_words(color_stack, tmp_path):
    state = stack_state(color_stack, tmp_path / "night.one.tif")
    assert state["size"].startswith("331 x 217 px")
    assert state["name"] == "night.one.tif"
    assert stem_of(color_stack, tmp_path / "night.one.tif") == str(tmp_path / "night.one")
    assert stack_state(Stack.from_array(color_stack.pixels[..., :1]), None)["size"].split(", ")[1] == "gray"


def test_labels_are_words():
    assert label_of("keep_sky") == "Keep sky"


def test_settings_drawn_on_the_picture_name_their_tool():
    fields = {f["name"]: f for f in settings_state(Snapshot.of(Recipe([CalibrateColor()])).steps[0], 0, None)["fields"]}
    assert fields["region"]["tool"] == "calibrate_color.region"
    assert fields["gains"]["tool"] is None

"""The pages of the documentation that follow from declarations say all of it."""

import sys
from pathlib import Path

import pytest

import workbench
from workbench.operations import describe
from workbench.operations.base import registered

DOCS = Path(workbench.__file__).parents[1] / "docs"
pytest.importorskip("sphinx", reason="the documentation's tools are an extra of their own")
pytestmark = pytest.mark.skipif(not DOCS.exists(), reason="the documentation lies in the sources only")


@pytest.fixture(scope="module")
def pages():
    sys.path.insert(0, str(DOCS / "extensions"))
    try:
        import made_pages
    finally:
        sys.path.pop(0)
    return made_pages


OWN = [op for op in registered() if op.__module__.startswith("workbench.")]


@pytest.mark.parametrize("op", OWN, ids=lambda op: op.id)
def test_an_operations_page_has_every_setting_and_fact_and_its_source(pages, op):
    page = pages.operation_page(op, pictured=True)
    for name in op.model_fields:
        assert f"\n| `{name}` |" in page
    for fact in describe.facts_of(op):
        assert f"\n| `{fact.name}` |" in page
    assert f"pictures/{op.id}.jpg" in page
    story = describe.Story.of(op, marked=True)
    assert story.why
    assert pages.marked(story.why) in page
    assert all(pages.marked(d) in page for d in story.details)


def test_every_operation_is_listed_in_a_family_and_takes_part_in_the_example(pages):
    index = pages.operations_index(OWN)
    assert [op.id for op in OWN if f"]({op.id}.md)" not in index] == []
    assert {step.operation.id for step in pages.recipe_of(OWN)} == {op.id for op in OWN}


def test_text_with_marks_stays_text(pages):
    assert pages.plain("a * b [c] <d> #e $f | g_h") == r"a \* b \[c\] \<d\> \#e \$f \| g\_h"


def test_every_module_is_on_the_map(pages):
    page = pages.modules_page()
    for path in Path(workbench.__file__).parent.rglob("*.py"):
        if "node_modules" not in path.parts:
            assert f"- `{path.name}`: " in page

"""The house is what the notes for developers say: files named there exist, and a class name means one thing."""

import ast
import re
from collections import Counter, defaultdict
from pathlib import Path

import pytest

import workbench

ROOT = Path(workbench.__file__).parent
NOTES = ROOT.parent / "DEVELOPERS.md"

#: Names that two modules may share, because they mean the same: module without "workbench." -> why.
SAME_IDEA = {
    # Pixels to cut from each side. The simulator states the truth and must not import what is tested against it.
    "Borders": {"measure.borders.find", "simulate.framing"},
}


#: Names that three files or more may have, because each is the same in its folder: what it is there.
SAME_ROLE = {
    "__init__": "what the folder hands out",
    "panel": "a panel of the bench",
    "base": "what a kind of things declares",
    "facts": "what is measured, as models",
    "fit": "a model fitted to what was measured",
}


def modules():
    return [p for p in ROOT.rglob("*.py") if "node_modules" not in p.parts]


def dotted(path):
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def map_of_files():
    """Every file and folder that DEVELOPERS.md names in code marks."""
    text = NOTES.read_text(encoding="utf-8")
    return sorted(set(re.findall(r"`([\w/.-]+(?:\.py|\.ts|\.css|\.json|/))`", text)))


def test_a_class_name_means_one_thing():
    homes = defaultdict(set)
    for path in modules():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef):
                homes[node.name].add(dotted(path))
    shared = {name: where for name, where in homes.items() if len(where) > 1}
    assert shared == SAME_IDEA


def test_no_name_is_that_of_three_files():
    count = Counter(path.stem for path in modules())
    assert {name for name, files in count.items() if files > 2} == set(SAME_ROLE)


@pytest.mark.skipif(not NOTES.exists(), reason="the notes lie in the sources only")
def test_every_file_that_the_notes_name_exists():
    there = {p.relative_to(ROOT.parent).as_posix() for p in ROOT.rglob("*") if "node_modules" not in p.parts}
    for top in ("tests", "benchmarks", "docs"):
        there |= {p.relative_to(ROOT.parent).as_posix() for p in (ROOT.parent / top).rglob("*")}
    ends = {"/".join(parts[n:]) for parts in (tuple(p.split("/")) for p in there) for n in range(len(parts))}
    ends |= {"workbench", "tests", "benchmarks", "docs/made"}  # the last is made by the site
    named = map_of_files()
    assert len(named) > 50
    assert [name for name in named if name.rstrip("/") not in ends] == []


@pytest.mark.skipif(not NOTES.exists(), reason="the notes lie in the sources only")
def test_the_notes_name_every_layer():
    layers = NOTES.read_text(encoding="utf-8").split("## Layers")[1].split("## Where to look")[0]
    tops = {p.stem for p in ROOT.glob("*.py")} | {p.parent.name for p in ROOT.glob("*/__init__.py")}
    assert {name for name in tops if f"`{name}`" not in layers} == {"__init__", "__main__"}


def test_every_module_says_in_its_first_line_what_it_is_for():
    silent = [dotted(p) for p in modules() if not ast.get_docstring(ast.parse(p.read_text(encoding="utf-8")))]
    assert silent == []


@pytest.mark.skipif(not NOTES.exists(), reason="the notes lie in the sources only")
def test_no_half_made_merge_is_left_in_the_notes():
    for page in ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "SECURITY.md"):
        text = (ROOT.parent / page).read_text(encoding="utf-8")
        assert not re.search(r"^(<<<<<<<|=======|>>>>>>>)", text, re.MULTILINE), page


@pytest.mark.skipif(not NOTES.exists(), reason="the notes lie in the sources only")
def test_what_is_checked_before_a_change_is_what_readers_are_told_to_run():
    (asked,) = re.findall(
        r"^tests=\$\(grep -m 1 '(.*)' README\.md\)$", (ROOT.parent / ".ci/run").read_text(), re.MULTILINE
    )
    readme = (ROOT.parent / "README.md").read_text(encoding="utf-8")
    told = [block.strip() for block in re.findall(r"^```\n(.*?)^```$", readme, re.MULTILINE | re.DOTALL)]
    commands = [block for block in told if re.search(asked, block)]
    assert commands == [line for line in readme.splitlines() if re.search(asked, line)]
    assert len(commands) == 1

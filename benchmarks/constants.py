"""Every tuned number of the workbench: what it means, and what happens at half and at double.

    python benchmarks/constants.py                             the list, and how many have a word
    python benchmarks/constants.py --without                   only those without one
    python benchmarks/constants.py --try "measure/borders/*"   half and double of these, on scenes with truth
    python benchmarks/constants.py --try "*" --hours 8 --kept constants.json --write docs/constants.md

A number is one that stands at the top of a module under a name in capitals; its word is the comment above it or behind
it, or above a line that it follows without a gap. Tried are those of operations and measurements: the whole suggested
recipe is run on scenes that the simulator had no part in (`benchmarks/anywhere.py`), with the number as it is, halved
and doubled. Shown is by how much the scenes' mean figure moves, in the figure's unit; where nothing moves, the number
hardly matters for these scenes. Not tried are numbers that no function names which these scenes run through, those that
kernels use (they are compiled into them) and those that others are computed from when a module is loaded. ``--kept``
holds what was tried, so that a run goes on where the last one ended.
"""

from __future__ import annotations

import argparse
import ast
import json
import re
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatch
from functools import cache
from importlib import import_module
from inspect import CO_OPTIMIZED
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

import numpy as np
from anywhere import judge
from measuring import table

ROOT = Path(__file__).resolve().parents[1] / "workbench"
#: Parts whose numbers are tried, and decorators of what is compiled.
_TRIED, _COMPILED = ("operations", "measure"), {"kernel", "summing_kernel"}
#: Figures that are looked at, and the smallest change of each that is told (its unit is that of `anywhere.py`).
_FIGURES = {"left": 0.05, "kept": 0.5, "hole": 0.1, "color": 0.1, "noise": 0.1, "border": 0.25}


@dataclass(frozen=True)
class Number:
    """One number: its module's path below the package, its name there and place in a tuple, value and word."""

    file: str
    name: str
    place: int | None
    value: float
    word: str
    compiled: bool

    @property
    def label(self) -> str:
        """Name, with the place in a tuple."""
        return self.name if self.place is None else f"{self.name}[{self.place}]"

    @property
    def module(self) -> str:
        """The module's name."""
        return "workbench." + self.file.removesuffix(".py").replace("/", ".").removesuffix(".__init__")


# --- the list


def _value(node: ast.expr) -> Any:
    """What an expression of literals alone is worth; None for any other."""
    try:
        return eval(compile(ast.Expression(node), "", "eval"), {"__builtins__": {}})
    except Exception:  # noqa: BLE001 - names, calls
        return None


def _parts(target: ast.expr, value: Any) -> Iterator[tuple[str, int | None, float]]:
    """Names, places and numbers of an assignment."""
    if isinstance(target, ast.Tuple) and isinstance(value, tuple) and len(target.elts) == len(value):
        for one, part in zip(target.elts, value, strict=True):
            yield from _parts(one, part)
    elif isinstance(target, ast.Name) and target.id.lstrip("_").isupper():
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            yield target.id, None, float(value)
        elif isinstance(value, tuple):
            for place, part in enumerate(value):
                if isinstance(part, (int, float)) and not isinstance(part, bool):
                    yield target.id, place, float(part)


def _word(lines: list[str], first: int, last: int, before: str) -> str:
    """The comment of an assignment from line ``first`` to ``last`` (from 1); ``before``: of one right above it."""
    said: list[str] = []
    row = first - 2
    while row >= 0 and lines[row].startswith("#"):
        said.insert(0, lines[row].lstrip("#: "))
        row -= 1
    if not said and first >= 2 and lines[first - 2].strip():
        said = [before] if before else []
    behind = re.search(r"  #:? (?!fmt|noqa|type)(.*)", lines[last - 1])
    return " ".join([*said, behind[1]] if behind else said)


def _in_kernels(tree: ast.Module) -> set[str]:
    """Names that compiled functions use."""
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    compiled = [f for f in functions if any(isinstance(d, ast.Name) and d.id in _COMPILED for d in f.decorator_list)]
    return {node.id for f in compiled for node in ast.walk(f) if isinstance(node, ast.Name)}


def numbers() -> list[Number]:
    """All of them, file by file."""
    found = []
    for path in sorted(ROOT.rglob("*.py")):
        text = path.read_text()
        lines, tree, before, ended = text.splitlines(), ast.parse(text), "", 0
        inside = _in_kernels(tree)
        for node in tree.body:
            target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
            if target is None or not isinstance(node, (ast.Assign, ast.AnnAssign)) or node.value is None:
                continue
            word = _word(lines, node.lineno, node.end_lineno, before if node.lineno == ended + 1 else "")
            before, ended = word, node.end_lineno
            for name, place, value in _parts(target, _value(node.value)):
                file = str(path.relative_to(ROOT))
                found.append(Number(file, name, place, value, word, name in inside))
    return found


# --- half and double


def figures(seeds: list[int], shape: tuple[int, int]) -> dict[str, float]:
    """Mean figures of the scenes; a scene that fails counts as a figure of its own."""
    rows = [judge(seed, shape) for seed in seeds]
    out = {"failed": float(sum("failed" in row for row in rows))}
    for name in _FIGURES:
        values = [row.get(name) for row in rows]
        if name == "border":
            values = [float(np.mean(np.abs(row["border_off"]))) for row in rows if "border_off" in row]
        if known := [float(v) for v in values if v is not None]:
            out[name] = float(np.mean(known))
    return out


def _names(code: CodeType) -> Iterator[str]:
    """Names of globals and attributes that a function's code uses, those inside it too."""
    yield from code.co_names
    for part in code.co_consts:
        if isinstance(part, CodeType):
            yield from _names(part)


def used(seeds: list[int], shape: tuple[int, int]) -> set[tuple[str, str]]:
    """Modules and the names that any of their functions uses which ran, on whatever thread."""
    ran: dict[CodeType, str] = {}

    def began(frame: FrameType, event: str, _: Any) -> None:
        if event == "call" and frame.f_code.co_flags & CO_OPTIMIZED:  # a function, no module or class
            ran[frame.f_code] = frame.f_globals.get("__name__", "")

    threading.setprofile(began)
    sys.setprofile(began)
    try:
        figures(seeds, shape)
    finally:
        sys.setprofile(None)
        threading.setprofile(None)
    return {(module, name) for code, module in ran.items() if module.startswith("workbench.") for name in _names(code)}


@cache
def _importers() -> dict[tuple[str, str], list[str]]:
    """Modules that take a name from a module: by that module and the name."""
    found: dict[tuple[str, str], list[str]] = {}
    for path in ROOT.rglob("*.py"):
        here = Number(str(path.relative_to(ROOT)), "", None, 0, "", False).module
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and node.module:
                for alias in node.names:
                    found.setdefault((node.module, alias.name), []).append(here)
    return found


def _holders(number: Number) -> list[str]:
    """Its module, and those that import it by name."""
    return [number.module, *_importers().get((number.module, number.name), [])]


def _everywhere(number: Number, value: Any) -> None:
    """Set a number in its module and in those that were loaded and imported it by name."""
    for name in _holders(number):
        module = import_module(name) if name == number.module else sys.modules.get(name)
        if module is not None and hasattr(module, number.name):
            setattr(module, number.name, value)


def changed(number: Number, factor: float, seeds: list[int], shape: tuple[int, int]) -> dict[str, float]:
    """Figures with a number multiplied by ``factor``."""
    was = getattr(import_module(number.module), number.name)

    def scaled(value: Any) -> Any:
        return type(value)(round(value * factor)) if isinstance(value, int) else value * factor

    new = (
        scaled(was)
        if number.place is None
        else (*was[: number.place], scaled(was[number.place]), *was[number.place + 1 :])
    )
    _everywhere(number, new)
    try:
        return figures(seeds, shape)
    finally:
        _everywhere(number, was)


def moved(now: dict[str, float], as_is: dict[str, float]) -> str:
    """By how much figures moved, in words of a table."""
    said = []
    if now["failed"] > as_is["failed"]:
        said.append("fails")
    for name, least in _FIGURES.items():
        if name in now and name in as_is and abs(now[name] - as_is[name]) >= least:
            said.append(f"{name} {now[name] - as_is[name]:+.2g}")
    return ", ".join(said) or "-"


def trials(chosen: list[Number], args: argparse.Namespace) -> dict[str, list[dict[str, float]]]:
    """Half and double of the ``chosen``, as far as time goes; those that were kept are not tried again."""
    shape = (args.height, args.width)
    where = f"{args.seeds} {shape}"
    kept = json.loads(args.kept.read_text()) if args.kept and args.kept.exists() else {}
    done = kept.setdefault(where, {})
    until = time.monotonic() + 3600 * args.hours
    if "as it is" not in done:
        done["as it is"] = [figures(args.seeds, shape)]
    names = used(args.seeds, shape)
    for number in chosen:
        key = f"{number.file} {number.label} {number.value:g}"
        if number.compiled or not any((module, number.name) in names for module in _holders(number)):
            done[key] = []
        elif not done.get(key) and number.value != 0 and time.monotonic() < until:
            done[key] = [changed(number, factor, args.seeds, shape) for factor in (0.5, 2.0)]
            told = " | ".join(moved(now, done["as it is"][0]) for now in done[key])
            print(f"{key}: {told}", file=sys.stderr, flush=True)
            if args.kept:
                args.kept.write_text(json.dumps(kept, indent=1))
    return done


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--without", action="store_true", help="only numbers without a word")
    parser.add_argument(
        "--try", dest="tried", metavar="PATTERN", help="files, below the package, whose numbers are tried"
    )
    parser.add_argument("--seeds", type=int, nargs="+", default=[3000, 3001, 3005, 3009])
    parser.add_argument("--height", type=int, default=320)
    parser.add_argument("--width", type=int, default=480)
    parser.add_argument("--hours", type=float, default=1.0, help="no number is begun after so long")
    parser.add_argument("--kept", type=Path, help="file that holds what was tried")
    parser.add_argument("--write", type=Path, help="also write the table there")
    args = parser.parse_args()
    every = numbers()
    tunable = [n for n in every if n.file.split("/")[0] in _TRIED]
    told = sum(bool(n.word) for n in every)
    summary = (
        f"{len(every)} numbers, {told} with a word, {len(every) - told} without; "
        f"of operations and measurements {len(tunable)}, {sum(bool(n.word) for n in tunable)} with a word"
    )
    shown, done = [n for n in every if not n.word] if args.without else every, {}
    if args.tried:
        shown = [n for n in tunable if fnmatch(n.file, args.tried)]
        done = trials(shown, args)
    rows = []
    for n in shown:
        key = f"{n.file} {n.label} {n.value:g}"
        effect = [moved(now, done["as it is"][0]) for now in done.get(key, [])]
        if args.tried and not effect:
            effect = ["compiled in" if n.compiled else "not run" if key in done else "", ""]
        rows.append([n.file, n.label, f"{n.value:g}", n.word.replace("|", "/"), *(effect if args.tried else [])])
    head = ["file", "name", "value", "meaning", *(["half", "double"] if args.tried else [])]
    text = f"{table(head, rows)}\n\n{summary}\n"
    print(text)
    if args.write:
        args.write.write_text(f"# Tuned numbers\n\nBy `benchmarks/constants.py`, which says how.\n\n{text}")


if __name__ == "__main__":
    main()

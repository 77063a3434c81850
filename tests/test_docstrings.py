"""Docstrings say what goes in and what comes out, in the layout of numpydoc; the examples in them are run.

The rule holds for every public function, class and method of the package, found by walking it:

- each has a docstring; one that takes arguments has Parameters, which name all of them, and Returns (or Yields) where
  it gives something back;
- one whose own body raises has Raises;
- an argument that is an array has its shape in parentheses.

Public is what stands in ``__all__`` of a module whose path has no underscore, and methods without one. Left out are
methods that a base class declares (its docstring is theirs), validators that pydantic calls, commands of the command
line (their help is for people at a terminal), and `workbench.learned.training`, which needs PyTorch.
"""

import ast
import doctest
import importlib
import inspect
import pkgutil
import re
import textwrap
from pathlib import Path

import numpy as np
import pytest
from numpydoc.docscrape import NumpyDocString

import workbench

ROOT = Path(workbench.__file__).parent

#: Names of arrays in annotations.
ARRAYS = re.compile(r"\b(NDArray|ndarray|Planes|Plane|Coverage|ArrayLike)\b")
#: What a caller has no use for knowing.
UNSPOKEN = {"NotImplementedError", "AssertionError", "StopIteration"}


def modules():
    """Every public module of the package, imported."""
    for info in pkgutil.walk_packages(workbench.__path__, "workbench."):
        parts = info.name.split(".")
        if any(part.startswith("_") for part in parts) or parts[1:3] == ["learned", "training"] or parts[1] == "cli":
            continue
        yield importlib.import_module(info.name)


def plain(member):
    """The function behind a method, a wrapped one or a compiled one; None for anything else."""
    if isinstance(member, classmethod | staticmethod):
        member = member.__func__
    member = getattr(member, "py_func", member)
    member = inspect.unwrap(member) if callable(member) else member
    return member if inspect.isfunction(member) else None


def public(module):
    """(name, function) of all that others may call; (name, class) of the classes."""
    for name in getattr(module, "__all__", ()):
        thing = getattr(module, name)
        if getattr(plain(thing) or thing, "__module__", None) != module.__name__:
            continue
        if inspect.isclass(thing):
            yield name, thing
            checks = getattr(thing, "__pydantic_decorators__", None)
            validators = {*checks.field_validators, *checks.model_validators} if checks else set()
            for inner, member in vars(thing).items():
                inherited = any(inner in vars(base) for base in thing.__mro__[1:])
                function = plain(member)
                foreign = getattr(function, "__module__", None) != module.__name__
                if inner.startswith("_") or inherited or inner in validators or foreign:
                    continue
                yield f"{name}.{inner}", plain(member)
        elif plain(thing) is not None:
            yield name, plain(thing)


def raised(function):
    """Whether the function's own body raises something a caller should know of."""
    [node] = ast.parse(textwrap.dedent(inspect.getsource(function))).body
    waiting = list(node.body)
    while waiting:
        inner = waiting.pop()
        if isinstance(inner, ast.FunctionDef | ast.ClassDef | ast.Lambda):
            continue
        if isinstance(inner, ast.Raise) and inner.exc is not None:
            made = inner.exc.func if isinstance(inner.exc, ast.Call) else inner.exc
            if getattr(made, "id", "") not in UNSPOKEN:
                return True
        waiting.extend(ast.iter_child_nodes(inner))
    return False


def unsaid(thing):
    """What the docstring of a function or class does not say."""
    text = inspect.getdoc(thing) if inspect.isclass(thing) else thing.__doc__
    if not text:
        return ["a docstring"]
    if inspect.isclass(thing):
        return []
    doc = NumpyDocString(inspect.cleandoc(text))
    wanted = [p for n, p in inspect.signature(thing).parameters.items() if n not in {"self", "cls"}]
    told = {n.strip().lstrip("*"): p for p in doc["Parameters"] for n in p.name.split(",")}
    missing = [p.name for p in wanted if p.name not in told]
    for p in wanted:
        if p.name in told and ARRAYS.search(str(p.annotation)):
            words = f"{told[p.name].type} {' '.join(told[p.name].desc)}"
            if not re.search(r"\(.*\)", words):
                missing.append(f"shape of {p.name}")
    gives = thing.__annotations__.get("return") not in {None, "None", "NoReturn"}
    if wanted and gives and not (doc["Returns"] or doc["Yields"]):
        missing.append("Returns")
    if raised(thing) and not doc["Raises"]:
        missing.append("Raises")
    return missing


@pytest.mark.parametrize("module", list(modules()), ids=lambda module: module.__name__.removeprefix("workbench."))
def test_docstrings_say_what_goes_in_what_comes_out_and_what_is_raised(module):
    assert [(name, what) for name, thing in public(module) if (what := unsaid(thing))] == []


def complete(planes: np.ndarray, share: float = 1) -> float:
    """Do it.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W)
    share : float

    Returns
    -------
    float

    Raises
    ------
    ValueError
    """
    if share > 1:
        raise ValueError
    return share * planes.max()


@pytest.mark.parametrize(
    ("taken", "missing"),
    [
        ("", []),
        ("    share : float\n", ["share"]),
        (", shape (C, H, W)", ["shape of planes"]),
        ("    Returns\n    -------\n    float\n", ["Returns"]),
        ("    Raises\n    ------\n    ValueError\n", ["Raises"]),
    ],
)
def test_the_check_sees_what_is_missing(taken, missing, monkeypatch):
    monkeypatch.setattr(complete, "__doc__", complete.__doc__.replace(taken, "") if taken else complete.__doc__)
    assert unsaid(complete) == missing


def with_examples():
    for path in sorted(ROOT.rglob("*.py")):
        if path == ROOT / "__init__.py":  # its examples read a file of one's own
            continue
        if "node_modules" not in path.parts and ">>> " in path.read_text(encoding="utf-8"):
            parts = path.relative_to(ROOT.parent).with_suffix("").parts
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@pytest.mark.parametrize("module", list(with_examples()))
def test_examples_in_docstrings_run(module):
    home = importlib.import_module(module)
    result = doctest.testmod(home, optionflags=doctest.ELLIPSIS)
    assert result.failed == 0
    assert result.attempted > 0 or "+SKIP" in Path(home.__file__).read_text(encoding="utf-8")

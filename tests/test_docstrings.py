"""Docstrings say what goes in and what comes out, in the layout of numpydoc; the examples in them are run.

Held to this are the modules in `COMPLETE`, which grows: in a module that is listed, every function in ``__all__`` and
every public method of a class in ``__all__`` names all its parameters, and what it returns. The others are not yet
looked at.
"""

import ast
import doctest
import importlib
from pathlib import Path

import pytest
from numpydoc.docscrape import NumpyDocString

import workbench

ROOT = Path(workbench.__file__).parent

COMPLETE = (
    "engine/cache.py",
    "engine/reduction.py",
    "engine/tiles.py",
    "errors.py",
    "measure/blocks.py",
    "measure/clipping.py",
    "measure/starlet.py",
    "measure/surface.py",
    "measure/uncovered.py",
    "stack.py",
)


def public(tree):
    """(name, node) of functions and methods that others may call."""
    exported = next(
        set(ast.literal_eval(n.value))
        for n in tree.body
        if isinstance(n, ast.Assign) and getattr(n.targets[0], "id", "") == "__all__"
    )
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and node.name in exported:
            yield node.name, node
        if isinstance(node, ast.ClassDef) and node.name in exported:
            for inner in node.body:
                if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_"):
                    yield f"{node.name}.{inner.name}", inner


def parameters(node):
    a = node.args
    named = [p.arg for p in (*a.posonlyargs, *a.args, *a.kwonlyargs) if p.arg not in {"self", "cls"}]
    named += [f"*{a.vararg.arg}"] if a.vararg else []
    return named + ([f"**{a.kwarg.arg}"] if a.kwarg else [])


def gives(node):
    return not (node.returns is None or (isinstance(node.returns, ast.Constant) and node.returns.value is None))


def unsaid(source):
    """(function, what its docstring does not say) in a module's source."""
    for name, node in public(ast.parse(source)):
        wanted = parameters(node)
        if not wanted:
            continue
        doc = NumpyDocString(ast.get_docstring(node) or "")
        told = {n.strip() for p in doc["Parameters"] for n in p.name.split(",")}
        yield from ((name, p) for p in wanted if p not in told)
        if gives(node) and not (doc["Returns"] or doc["Yields"]):
            yield name, "Returns"


@pytest.mark.parametrize("path", COMPLETE)
def test_parameters_and_what_is_returned_are_named(path):
    assert list(unsaid((ROOT / path).read_text(encoding="utf-8"))) == []


def test_the_check_sees_what_is_missing():
    source = (
        '__all__ = ["f"]\ndef f(a, *, b=1) -> int:\n    """F.\n\n    Parameters\n    ----------\n    a : int\n    """\n'
    )
    assert list(unsaid(source)) == [("f", "b"), ("f", "Returns")]


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

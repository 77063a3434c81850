"""Every notebook runs from top to bottom, is stored without outputs, and leaves the checkout as it was."""

import re
from itertools import pairwise
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
#: Folders of the checkout that a careless notebook could write into.
WATCHED = ("notebooks", "sample_stacks", "workbench")


every = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)


def contents():
    """Files of the watched folders with size and time; compiled kernels and caches come and go."""
    return {
        p: (p.stat().st_size, p.stat().st_mtime_ns)
        for name in WATCHED
        for p in (ROOT / name).rglob("*")
        if p.is_file() and not any(part.startswith(("__pycache__", ".")) for part in p.parts)
        and p.suffix in {".ipynb", ".tif", ".json"}
    }  # fmt: skip


def test_there_are_eight_notebooks_numbered_in_reading_order():
    assert [p.name[:2] for p in NOTEBOOKS] == [f"{n:02}" for n in range(1, 9)]


@every
def test_a_notebook_is_stored_without_outputs_and_with_stable_cells(path):
    book = nbformat.read(path, as_version=4)
    nbformat.validate(book)
    assert book.nbformat_minor >= 5, "cells have ids from this format on"
    assert not any(cell.get("outputs") or cell.get("execution_count") for cell in book.cells)
    assert not any(cell.metadata for cell in book.cells)
    assert all(re.fullmatch(r"[a-z0-9-]+", cell.id) for cell in book.cells)
    assert book.metadata.kernelspec.name == "python3"


@every
def test_a_notebook_opens_with_what_is_learned_and_ends_with_something_to_try(path):
    cells = nbformat.read(path, as_version=4).cells
    assert cells[0].source.startswith("# ")
    assert "**What you will learn**" in cells[0].source
    assert cells[-1].source.startswith("## Something to try")


def test_each_notebook_leads_to_the_next():
    for here, following in pairwise(NOTEBOOKS):
        assert following.name in nbformat.read(here, as_version=4).cells[-1].source


@pytest.fixture
def kernel_environment(monkeypatch, tmp_path):
    for name in ("TMPDIR", "TEMP", "TMP"):
        monkeypatch.setenv(name, str(tmp_path))
    monkeypatch.setenv("PYTHONWARNINGS", "ignore::DeprecationWarning")
    monkeypatch.setenv("PYDEVD_DISABLE_FILE_VALIDATION", "1")  # or the kernel's debugger warns about frozen modules
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    return tmp_path


@every
@pytest.mark.timeout(300)
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_notebook_runs_and_shows_figures(path, kernel_environment):
    before = contents()
    work = kernel_environment / "here"
    work.mkdir()
    book = nbformat.read(path, as_version=4)
    NotebookClient(book, kernel_name="python3", timeout=240, resources={"metadata": {"path": str(work)}}).execute()

    outputs = [output for cell in book.cells for output in cell.get("outputs", [])]
    said = [o.text for o in outputs if o.output_type == "stream" and o.name == "stderr" and "Warning" in o.text]
    assert not said, "a beginner should meet no warning"
    shown = [kind for output in outputs for kind in output.get("data", {})]
    assert "image/png" in shown
    assert ("application/vnd.jupyter.widget-view+json" in shown) == any("wb.Bench(" in c.source for c in book.cells)
    assert list(work.iterdir()) == []
    assert contents() == before

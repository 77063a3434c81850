"""Every notebook runs from top to bottom to the outputs that are stored with it, and leaves the checkout as it was."""

import importlib.util
import re
from itertools import pairwise
from pathlib import Path

import nbformat
import pytest
from jupyter_client.manager import start_new_kernel
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
#: Folders of the checkout that a careless notebook could write into.
WATCHED = ("notebooks", "sample_stacks", "workbench")

_FORM = importlib.util.spec_from_file_location("store_outputs", ROOT / "notebooks" / "store_outputs.py")
store_outputs = importlib.util.module_from_spec(_FORM)
_FORM.loader.exec_module(store_outputs)

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


def test_there_are_ten_notebooks_numbered_in_reading_order():
    assert [p.name[:2] for p in NOTEBOOKS] == [f"{n:02}" for n in range(1, 11)]


@every
def test_a_notebook_is_stored_with_what_it_shows_and_with_stable_cells(path):
    book = nbformat.read(path, as_version=4)
    nbformat.validate(book)
    assert book.nbformat_minor >= 5, "cells have ids from this format on"
    code = [cell for cell in book.cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in code] == list(range(1, len(code) + 1))
    assert any(kind.startswith("image/") for cell in code for output in cell.outputs for kind in output.get("data", {}))
    assert not any(cell.metadata for cell in book.cells)
    assert all(re.fullmatch(r"[a-z0-9-]+", cell.id) for cell in book.cells)
    assert book.metadata.kernelspec.name == "python3"
    outputs = [output for cell in code for output in cell.outputs]
    text = [
        output.get("text", "") + "".join(v for k, v in output.get("data", {}).items() if "text" in k)
        for output in outputs
    ]
    assert not any(word in line for line in text for word in ("/home/", "/tmp/", "Traceback", str(ROOT)))


def test_all_notebooks_together_are_small_enough_for_a_repository():
    assert sum(path.stat().st_size for path in NOTEBOOKS) <= store_outputs.MOST_BYTES


@every
def test_a_notebook_opens_with_what_is_learned_and_ends_with_something_to_try(path):
    cells = nbformat.read(path, as_version=4).cells
    assert cells[0].source.startswith("# ")
    assert "**What you will learn**" in cells[0].source
    assert cells[-1].source.startswith("## Something to try")


def test_each_notebook_leads_to_the_next():
    for here, following in pairwise(NOTEBOOKS):
        assert following.name in nbformat.read(here, as_version=4).cells[-1].source


@pytest.fixture(scope="module")
def kernel(tmp_path_factory):
    """One kernel for all notebooks, as starting it and loading what they use takes as long as some of them."""
    home = tmp_path_factory.mktemp("kernel")
    with pytest.MonkeyPatch.context() as patch:
        for name in ("TMPDIR", "TEMP", "TMP"):
            patch.setenv(name, str(home))
        for name, value in store_outputs.ENVIRONMENT.items():
            patch.setenv(name, value)
        patch.setenv("IPYTHONDIR", str(home / "ipython"))
        manager, client = start_new_kernel(kernel_name="python3")
        client.stop_channels()
        yield manager
        manager.shutdown_kernel()


#: Makes a kernel that has run another notebook like a new one, in a folder; its figures are packed hastily.
AFRESH = """%reset -f
%config InlineBackend.print_figure_kwargs = {{"bbox_inches": "tight", "pil_kwargs": {{"compress_level": 1}}}}
import os, sys
os.chdir({folder!r})
if "matplotlib.pyplot" in sys.modules:
    sys.modules["matplotlib.pyplot"].close("all")
    sys.modules["matplotlib"].rcdefaults()
    from matplotlib_inline.config import InlineBackend
    get_ipython().run_line_magic("matplotlib", "inline")
del os, sys
"""


@every
@pytest.mark.timeout(300)
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_notebook_runs_to_the_outputs_that_are_stored(path, kernel, tmp_path):
    before = contents()
    client = kernel.client()  # a new one: what another was not asked for fills its queue
    client.start_channels()
    client.wait_for_ready(timeout=60)
    reply = client.execute_interactive(AFRESH.format(folder=str(tmp_path)), timeout=60)
    client.stop_channels()
    assert reply["content"]["status"] == "ok"
    stored = nbformat.read(path, as_version=4)
    book = nbformat.read(path, as_version=4)
    runner = NotebookClient(book, km=kernel, timeout=240, coalesce_streams=True, store_widget_state=False)
    try:
        runner.execute()
    finally:  # else sockets of a notebook that fails are found open in a later test
        runner.kc.stop_channels()

    outputs = [output for cell in book.cells for output in cell.get("outputs", [])]
    said = [o.text for o in outputs if o.output_type == "stream" and o.name == "stderr" and "Warning" in o.text]
    assert not said, "a beginner should meet no warning"
    shown = [kind for output in outputs for kind in output.get("data", {})]
    assert ("application/vnd.jupyter.widget-view+json" in shown) == any("wb.Bench(" in c.source for c in book.cells)
    assert list(tmp_path.iterdir()) == []
    assert contents() == before
    assert store_outputs.form(store_outputs.stored(book)) == store_outputs.form(stored), (
        "run: python notebooks/store_outputs.py"
    )

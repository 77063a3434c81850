"""``workbench bench``: the notebook beside a stack, and every refusal; `tests/browser` drives the whole command."""

import contextlib
import json
import os
import socket
import subprocess
import sys
import threading
from pathlib import Path

import nbformat
import pytest
from jupyter_client.connect import write_connection_file
from nbformat.sign import NotebookNotary

import workbench as wb
from workbench.cli import bench as command
from workbench.cli import bench_notebook, jupyter, main
from workbench.cli.bench_notebook import BenchNotebook
from workbench.cli.jupyter_server import Kernel, UnansweredError
from workbench.errors import WorkbenchError

VIEW = {"application/vnd.jupyter.widget-view+json": {"model_id": "abc", "version_major": 2, "version_minor": 0}}
OUTPUT = {"output_type": "execute_result", "execution_count": 1, "metadata": {}, "data": VIEW}


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """A home of its own: signatures of notebooks lie there."""
    home = tmp_path / "home"
    home.mkdir()
    for name in ("HOME", "USERPROFILE"):
        monkeypatch.setenv(name, str(home))
    for name in ("JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "JUPYTER_CONFIG_DIR"):
        monkeypatch.setenv(name, str(home / name.lower()))
    return home


@pytest.fixture
def stack(tmp_path):
    path = tmp_path / "night.tif"
    wb.Stack.from_array([[[0.1, 0.1, 0.1]] * 40] * 30).save(path)
    return path


@pytest.fixture
def nothing_starts(monkeypatch):
    """JupyterLab must not be started."""
    monkeypatch.setattr(command, "begun", lambda *_: pytest.fail("JupyterLab was started"))


def written(stack):
    notebook = BenchNotebook.of(stack)
    notebook.write(1, [nbformat.from_dict(OUTPUT)])
    return notebook


def test_the_notebook_is_new_beside_the_stack_and_found_again(stack):
    notebook = written(stack)
    assert notebook.path == stack.with_name("night.tif.bench.ipynb")
    book = nbformat.read(notebook.path, as_version=4)
    nbformat.validate(book)
    hint, code = book.cells[0].source.split("\n", 1)
    assert hint.startswith("# Run this cell (Shift+Enter)")  # the one line that is seen of folded code
    assert code == 'import workbench as wb\n\nbench = wb.Bench("night.tif")\nbench'
    again = BenchNotebook.of(stack)
    assert (again.path, again.widget, again.may_run) == (notebook.path, "abc", True)


def test_what_it_shows_is_trusted_as_jupyter_trusts_notebooks(stack):
    assert NotebookNotary().check_signature(nbformat.read(written(stack).path, as_version=4))


@pytest.mark.parametrize("content", [b"", b"mine", b"[]", b'{"cells": []}', b'{"metadata": {}, "cells": []}'])
def test_a_file_without_the_mark_is_never_touched(stack, content):
    own = stack.with_name("night.tif.bench.ipynb")
    own.write_bytes(content)
    assert written(stack).path.name == "night.tif.bench-2.ipynb"
    assert own.read_bytes() == content
    assert BenchNotebook.of(stack).path.name == "night.tif.bench-2.ipynb"


def test_cells_that_the_person_added_stay_and_so_does_what_was_saved_meanwhile(stack):
    path = written(stack).path
    open_for_long = BenchNotebook.of(stack)
    book = nbformat.read(path, as_version=4)
    book.cells.append(nbformat.v4.new_code_cell("bench.recipe", outputs=[]))
    nbformat.write(book, path)
    open_for_long.write(2, [nbformat.from_dict(OUTPUT)])
    cells = nbformat.read(path, as_version=4).cells
    assert [cell.source for cell in cells[1:]] == ["bench.recipe"]
    assert cells[0].execution_count == 2


def test_code_that_this_machine_has_not_seen_is_not_run(stack):
    """Opening a folder from the net must not run what a stranger put beside the stack."""
    path = written(stack).path
    book = nbformat.read(path, as_version=4)
    book.cells[0].source = "import os; os.abort()"
    nbformat.write(book, path)
    assert not BenchNotebook.of(stack).may_run
    NotebookNotary().sign(book)  # what Jupyter does once the person has run it
    assert BenchNotebook.of(stack).may_run


def test_the_output_of_a_stranger_is_not_trusted_by_being_written_again(stack):
    path = written(stack).path
    book = nbformat.read(path, as_version=4)
    page = nbformat.v4.new_output("display_data", data={"text/html": "<script>alert(1)</script>"})
    book.cells.append(nbformat.v4.new_code_cell("1", outputs=[page]))
    nbformat.write(book, path)
    written(stack)
    assert not NotebookNotary().check_signature(nbformat.read(path, as_version=4))


def test_the_person_may_take_the_cell_out(stack):
    path = written(stack).path
    book = nbformat.read(path, as_version=4)
    book.cells[0].id = "mine"
    nbformat.write(book, path)
    assert BenchNotebook.of(stack).source is None
    assert not BenchNotebook.of(stack).may_run


def test_where_the_folder_cannot_be_written_the_notebook_lies_in_a_folder_of_the_person(stack, home, monkeypatch):
    monkeypatch.setattr(bench_notebook, "writable", lambda folder: False)
    notebook = written(stack)
    assert notebook.path == home / "workbench-notebooks" / "night.tif.bench.ipynb"
    assert json.dumps(str(stack)) in notebook.source
    assert BenchNotebook.of(stack).path == notebook.path
    other = stack.parent / "other" / "night.tif"
    other.parent.mkdir()
    other.write_bytes(stack.read_bytes())
    assert BenchNotebook.of(other).path.name == "night.tif.bench-2.ipynb"


def test_a_name_that_needs_quotes_can_be_opened(tmp_path):
    stack = tmp_path / 'M 31 "best" \\ möwe.tif'
    wb.Stack.from_array([[[0.1, 0.1, 0.1]] * 40] * 30).save(stack)
    names = {}
    exec(BenchNotebook.of(stack).source.replace("wb.Bench(", "str(").replace("import workbench as wb", ""), names)
    assert names["bench"] == stack.name


def refused(capsys, *arguments):
    """The sentence with which the request was refused."""
    assert main(["bench", *map(str, arguments)]) == 2
    said = capsys.readouterr().err
    assert said.startswith("workbench: ")
    assert said.count("\n") == 1
    return said


@pytest.mark.usefixtures("nothing_starts")
def test_every_refusal_is_one_sentence_and_leaves_nothing(tmp_path, stack, capsys, monkeypatch):
    text = tmp_path / "notes.tif"
    text.write_text("not a picture")
    assert "no such file" in refused(capsys, tmp_path / "gone.tif")
    assert "is a folder" in refused(capsys, tmp_path)
    assert "notes.tif" in refused(capsys, text)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert f"port {port} is in use" in refused(capsys, stack, "--port", port)
    monkeypatch.setattr(jupyter, "find_spec", lambda name: None)
    assert "pip install jupyterlab" in refused(capsys, stack)
    assert not list(tmp_path.glob("*.ipynb"))


def test_a_lab_that_ends_at_once_is_told_and_nothing_is_written(stack, capfd, monkeypatch):
    ends = [sys.executable, "-c", "raise SystemExit(1)"]
    monkeypatch.setattr(command, "begun", lambda *_: subprocess.Popen(ends))
    monkeypatch.setattr(command, "prepare", lambda *_: None)
    assert main(["bench", str(stack), "--no-browser"]) == 2
    assert "JupyterLab ended with code 1" in capfd.readouterr().err
    assert not list(stack.parent.glob("*.ipynb"))


def test_what_the_kernel_says_of_a_damaged_stack_is_the_answer(stack, monkeypatch):
    class Kernel(contextlib.nullcontext):
        def __enter__(self):
            assert self.enter_result == "7"
            return self

        def run(self, source, say):
            return 1, [{"output_type": "error", "ename": ename, "evalue": evalue, "traceback": []}]

    class Server:
        def begin_session(self, *_):
            return {"id": "s", "kernel": {"id": "7"}}

        def ask(self, *what):
            asked.append(what)

    asked = []
    monkeypatch.setattr(command, "Kernel", Kernel)
    ename, evalue = "WorkbenchError", "night.tif is cut off"
    with pytest.raises(WorkbenchError, match="is cut off"):
        command.run_bench(Server(), BenchNotebook.of(stack))
    ename, evalue = "ModuleNotFoundError", "No module named 'workbench'"
    with pytest.raises(UnansweredError, match="another Python"):
        command.run_bench(Server(), BenchNotebook.of(stack))
    assert asked == [("DELETE", "api/sessions/s")] * 2
    assert not list(stack.parent.glob("*.ipynb"))


@pytest.fixture
def connection(home):
    """The file by which kernel 7 is found."""
    folder = home / "jupyter_runtime_dir"
    folder.mkdir()
    return write_connection_file(str(folder / "kernel-7.json"))[0]


def test_a_kernel_that_is_slow_to_start_is_waited_for(connection):
    begun = []
    late = threading.Timer(
        3, lambda: begun.append(subprocess.Popen([sys.executable, "-m", "ipykernel", "-f", connection]))
    )
    with Kernel("7") as kernel:
        late.start()
        try:
            count, outputs = kernel.run("6 * 7", print)
        finally:
            late.join()
            begun[0].kill()
            begun[0].wait()
    assert (count, outputs[0].data["text/plain"]) == (1, "42")


def test_a_kernel_that_never_comes_up_is_told(connection, monkeypatch):
    monkeypatch.setattr("workbench.cli.jupyter_server.START", 1)
    with Kernel("7") as kernel, pytest.raises(UnansweredError, match="does not come up"):
        kernel.run("6 * 7", print)


def test_our_defaults_stand_before_those_of_others_and_change_no_file_of_theirs(home, monkeypatch):
    monkeypatch.setenv("JUPYTER_CONFIG_PATH", "/elsewhere")
    with jupyter.our_defaults(layout=True) as environment:
        ours, other = environment["JUPYTER_CONFIG_PATH"].split(os.pathsep)
        assert other == "/elsewhere"
        settings = json.loads((Path(ours) / "labconfig" / "default_setting_overrides.json").read_text())
        assert settings == {
            "@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False}
        }
    assert not Path(ours).exists()
    assert list(home.iterdir()) == []


def test_notebooks_say_of_their_kernel_what_jupyter_says():
    """Else JupyterLab takes a notebook that is only looked at for changed, and asks in other tabs what to do."""
    from jupyter_client.manager import start_new_kernel

    manager, client = start_new_kernel(kernel_name=jupyter.KERNEL)
    try:
        told = client.kernel_info(reply=True, timeout=30)["content"]["language_info"]
    finally:
        client.stop_channels()
        manager.shutdown_kernel(now=True)
    metadata = jupyter.language_of_kernels()
    assert metadata["language_info"] == told
    assert metadata["kernelspec"]["display_name"] == manager.kernel_spec.display_name

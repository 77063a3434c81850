"""``workbench lab``: notebooks of one's own, from a checkout and from an installed package."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
import zipfile
from pathlib import Path

import pytest

from workbench.cli import jupyter, lab, main
from workbench.cli.jupyter import language_of_kernels
from workbench.errors import WorkbenchError

ROOT = Path(__file__).resolve().parents[2]
NAMES = tuple(p.name for p in sorted((ROOT / "notebooks").glob("*.ipynb")))


@pytest.fixture
def started(monkeypatch):
    """Commands that would have started JupyterLab, which ends well at once."""
    commands = []
    monkeypatch.setattr(lab, "begun", lambda command, environment: commands.append(command))
    monkeypatch.setattr(lab, "waited_for", lambda child: 0)
    return commands


def content(path):
    """Cells of a notebook; of its kernel, a delivered one says what its reader's JupyterLab would add."""
    return json.loads(path.read_bytes())["cells"]


def not_run(path):
    """Cells of a notebook as they are before it was run."""
    empty = {"code": {"outputs": [], "execution_count": None}}
    return [cell | empty.get(cell["cell_type"], {}) for cell in content(path)]


def test_copies_of_all_notebooks_are_delivered(tmp_path):
    assert lab.deliver(tmp_path).new == NAMES
    for name in NAMES:
        assert content(tmp_path / name) == not_run(ROOT / "notebooks" / name)
        metadata = json.loads((tmp_path / name).read_bytes())["metadata"]
        assert metadata == language_of_kernels()


def test_a_second_delivery_changes_nothing(tmp_path):
    lab.deliver(tmp_path)
    times = {p: p.stat().st_mtime_ns for p in tmp_path.glob("*.ipynb")}
    assert lab.deliver(tmp_path).same == NAMES
    assert {p: p.stat().st_mtime_ns for p in tmp_path.glob("*.ipynb")} == times


def test_a_notebook_that_the_person_changed_is_never_replaced(tmp_path):
    lab.deliver(tmp_path)
    mine = tmp_path / NAMES[1]
    mine.write_text(mine.read_text().replace("What you will learn", "What I have learned"))
    changed = mine.read_bytes()
    for _ in range(2):
        done = lab.deliver(tmp_path)
        assert done.kept == (NAMES[1],)
        assert mine.read_bytes() == changed


def test_a_file_that_was_there_before_is_never_replaced(tmp_path):
    (tmp_path / NAMES[0]).write_text("my own")
    assert lab.deliver(tmp_path).kept == (NAMES[0],)
    assert (tmp_path / NAMES[0]).read_text() == "my own"


def test_an_untouched_notebook_of_an_older_version_is_renewed(tmp_path, monkeypatch):
    older = tmp_path / "older"
    older.mkdir()
    (older / NAMES[0]).write_text('{"cells": [], "metadata": {}}')
    with monkeypatch.context() as patch:
        patch.setattr(lab, "notebooks", lambda: [older / NAMES[0]])
        lab.deliver(tmp_path)
    done = lab.deliver(tmp_path)
    assert done.renewed == (NAMES[0],)
    assert content(tmp_path / NAMES[0]) == not_run(ROOT / "notebooks" / NAMES[0])


@pytest.mark.parametrize("text", ["", "[]", "{", '{"01-first-picture.ipynb": 3}'])
def test_a_damaged_list_of_deliveries_costs_no_notebook(tmp_path, text):
    lab.deliver(tmp_path)
    (tmp_path / NAMES[0]).write_text("mine")
    (tmp_path / ".delivered.json").write_text(text)
    assert lab.deliver(tmp_path).kept == (NAMES[0],)
    assert (tmp_path / NAMES[0]).read_text() == "mine"


def test_the_options_reach_jupyterlab(tmp_path, started, capsys):
    assert main(["lab", str(tmp_path / "mine"), "--no-browser", "--option=--allow-root"]) == 0
    (command,) = started
    assert command == [str(tmp_path / "mine" / NAMES[0]), "--no-browser", "--allow-root"]
    assert f"{len(NAMES)} notebooks copied into" in capsys.readouterr().out


def test_the_folder_has_a_name_of_its_own_when_none_is_given(tmp_path, started, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["lab"]) == 0
    assert sorted(p.name for p in (tmp_path / "workbench-notebooks").glob("*.ipynb")) == list(NAMES)


def test_what_was_kept_is_said(tmp_path, started, capsys):
    (tmp_path / NAMES[2]).write_text("mine")
    assert main(["lab", str(tmp_path)]) == 0
    assert f"Left as you changed it: {NAMES[2]}" in capsys.readouterr().out


def refused(capsys, *arguments):
    """The sentence with which the request was refused."""
    assert main(["lab", *arguments]) == 2
    said = capsys.readouterr().err
    assert said.startswith("workbench: ")
    assert said.count("\n") == 1
    return said


def test_a_port_in_use_is_told_before_anything_is_written(tmp_path, started, capsys):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert f"port {port} is in use" in refused(capsys, str(tmp_path / "mine"), "--port", str(port))
    assert not (tmp_path / "mine").exists()
    assert started == []
    assert main(["lab", str(tmp_path / "mine"), "--port", str(port)]) == 0
    assert f"--ServerApp.port={port}" in started[0]


def test_a_missing_jupyterlab_is_told_with_what_to_do(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(jupyter, "find_spec", lambda name: None)
    assert "pip install jupyterlab" in refused(capsys, str(tmp_path))


def test_a_file_in_place_of_the_folder_is_told(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert "is a file, not a folder" in refused(capsys, str(tmp_path / "file"))


def test_notebooks_that_are_not_there_are_told(tmp_path, monkeypatch):
    monkeypatch.setattr(lab, "__file__", str(tmp_path / "workbench" / "cli" / "lab.py"))
    with pytest.raises(WorkbenchError, match="has no notebooks"):
        lab.notebooks()


@pytest.mark.parametrize(("ended", "code"), [(0, 0), (1, 2), (-signal.SIGINT, 130), (130, 130)])
def test_how_jupyterlab_ended_becomes_the_exit_code(tmp_path, monkeypatch, capsys, ended, code):
    monkeypatch.setattr(lab, "begun", lambda command, environment: None)
    monkeypatch.setattr(lab, "waited_for", lambda child: ended)
    assert main(["lab", str(tmp_path)]) == code
    assert ("ended with code 1" in capsys.readouterr().err) == (code == 2)


def test_a_program_is_waited_for_and_signals_are_given_back():
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    assert jupyter.waited_for(subprocess.Popen([sys.executable, "-c", "raise SystemExit(3)"])) == 3
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """The package as a wheel holds it, unpacked."""
    place = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "pip", "wheel", str(ROOT), "--no-deps", "-q", "-w", str(place)]
    # Built with what is here where that will do: no download for a test.
    if subprocess.run([sys.executable, "-c", "import hatchling"], capture_output=True, check=False).returncode == 0:
        build.append("--no-build-isolation")
    made = subprocess.run(build, capture_output=True, text=True, check=False)
    if made.returncode and "hatchling" in made.stderr + made.stdout:
        pytest.skip("no hatchling here and none can be fetched")
    assert made.returncode == 0, made.stderr
    (wheel,) = place.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(place / "unpacked")
    return wheel, place / "unpacked"


def test_a_wheel_holds_the_notebooks_and_no_sample_stacks(installed):
    wheel, _ = installed
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    assert sorted(n.rsplit("/", 1)[1] for n in names if n.endswith(".ipynb")) == list(NAMES)
    assert not [n for n in names if n.endswith((".tif", ".pyc", ".nbi", ".nbc"))]
    # Of these the network's weights are 3.8 MB, the notebooks' pictures 2.
    assert wheel.stat().st_size < 7_000_000


def test_a_wheel_holds_every_file_of_the_package(installed):
    wheel, _ = installed
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    # The page's sources are bundled into bench/static; who installs needs only the bundles.
    sources = {"__pycache__", "node_modules", "page"}
    files = [p for p in (ROOT / "workbench").rglob("*") if p.is_file() and not sources & set(p.parts)]
    files = [p for p in files if not (p.parent.parent.name == "panels" and p.suffix in {".ts", ".css"})]
    assert {".py", ".js", ".css", ".html", ".json", ".typed"} <= {p.suffix for p in files}
    assert {p.relative_to(ROOT).as_posix() for p in files} <= names


def test_an_installed_package_delivers_its_notebooks(installed, tmp_path):
    _, package = installed
    program = (
        "from pathlib import Path; import workbench.cli.lab as lab, json; "
        "print(json.dumps([lab.__file__, lab.deliver(Path('.')).new]))"
    )
    environment = {k: v for k, v in os.environ.items() if not k.startswith("COV_")} | {"PYTHONPATH": str(package)}
    run = [sys.executable, "-c", program]
    ran = subprocess.run(run, cwd=tmp_path, env=environment, capture_output=True, text=True, check=True)
    file, new = json.loads(ran.stdout)
    assert Path(file).is_relative_to(package)
    assert tuple(new) == NAMES


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_jupyterlab_comes_up_on_the_notebooks_and_shuts_down(tmp_path):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    home = {"HOME": str(tmp_path), "JUPYTER_RUNTIME_DIR": str(tmp_path / "run"), "JUPYTER_CONFIG_DIR": str(tmp_path)}
    options = ["--allow-root", "--IdentityProvider.token=garden"]
    command = [sys.executable, "-m", "workbench", "lab", "mine", "--no-browser", "--port", str(port)]
    with (tmp_path / "log").open("w") as log:
        server = subprocess.Popen(
            command + [f"--option={o}" for o in options], cwd=tmp_path, env=os.environ | home, stdout=log, stderr=log
        )
    try:
        listed = _asked(f"http://127.0.0.1:{port}/api/contents?token=garden", server)
        assert sorted(entry["name"] for entry in listed["content"]) == list(NAMES)
    finally:
        server.terminate()
        code = server.wait(30)
    assert code in {0, 130}, (tmp_path / "log").read_text()


def _asked(url, server, patience=60.0):
    """The answer of a server that is just starting, as data."""
    end = time.monotonic() + patience
    while True:
        try:
            with urllib.request.urlopen(url, timeout=5) as answer:
                return json.load(answer)
        except OSError:
            assert server.poll() is None, "the server ended"
            assert time.monotonic() < end, "no answer"
            time.sleep(0.3)

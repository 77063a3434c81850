"""``workbench bench``: from a stack to its bench in a browser."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from typer import echo

from workbench.cli.bench_notebook import BenchNotebook
from workbench.cli.faults import DONE, tell
from workbench.cli.jupyter import begun, check_installed, finished, our_defaults, port_options, waited_for
from workbench.cli.jupyter_server import Kernel, Server, UnansweredError, door, running, server_of, show
from workbench.errors import WorkbenchError
from workbench.io import checked_image
from workbench.io.formats import identified
from workbench.lazy import load_behind
from workbench.prepared import prepare

__all__ = ["bench"]


def bench(stack: Path, *, browser: bool, port: int | None, options: Sequence[str] = ()) -> int:
    """Open the bench on a stack; returns when JupyterLab is shut down, at once where it ran already.

    Parameters
    ----------
    stack : Path
    browser : bool
        Whether to open a browser window.
    port : int, optional
        Default: the first that is free.
    options : sequence of str
        Handed to JupyterLab as they are, where it has to be started.

    Returns
    -------
    int
        Exit code.

    Raises
    ------
    WorkbenchError
        When the stack cannot be read, JupyterLab is missing or does not start, or the notebook cannot be written.
    """
    check_installed()
    listening = port_options(port)
    identified(checked_image(stack))
    notebook = BenchNotebook.of(stack)
    if port is None and _opened_where_it_runs(notebook, browser=browser):
        return DONE
    command = ["--no-browser", f"--ServerApp.root_dir={notebook.path.parent}", "--Application.log_level=WARN"]
    with our_defaults(layout=True) as environment:
        child = begun([*command, *listening, *options], environment)
        server = None
        try:
            tell(f"opening {stack.name} on the bench")
            # While JupyterLab starts:
            load_behind("nbformat", "nbformat.sign", "jupyter_client.blocking.client")
            prepare("look", tell)
            server = server_of(child)
            if server.password:  # that of JupyterLab's own settings; we do not know it
                tell("JupyterLab asks for your password; then run the first cell")
                if not notebook.path.exists():
                    notebook.write()
            else:
                run_bench(server, notebook)
            _tell_where(server, notebook, browser=browser)
            echo("Ctrl-C here shuts JupyterLab down; what you do on the bench is kept beside the stack.")
            return finished(waited_for(child))
        except UnansweredError as why:
            if child.poll() is not None:
                return finished(child.returncode or 1)
            raise WorkbenchError(f"JupyterLab was started but cannot be used: {why}") from None
        finally:
            _ended(child)
            if server is not None:
                door(server).unlink(missing_ok=True)


def _ended(child: subprocess.Popen[bytes]) -> None:
    """A server that is not waited for to its end ends with us, and its kernels with it."""
    if child.poll() is None:
        child.terminate()
        with suppress(subprocess.TimeoutExpired):
            child.wait(10)
            return
        child.kill()


def _opened_where_it_runs(notebook: BenchNotebook, *, browser: bool) -> bool:
    """Show the bench in a JupyterLab that runs and can show the notebook; False where none can."""
    servers = [s for s in running() if not s.password and notebook.path.parent.is_relative_to(s.root)]
    for server in sorted(servers, key=lambda each: len(each.root.parts), reverse=True):
        with suppress(UnansweredError):
            server.ask("GET", "lab/api/translations")  # there are servers without JupyterLab
            session = server.session(notebook.path)
            if session is None or not _shown(session, notebook):
                prepare("look", tell)
                run_bench(server, notebook, session)
            echo("JupyterLab runs already: the bench is shown there.")
            _tell_where(server, notebook, browser=browser)
            return True
    return False


def _shown(session: dict[str, Any], notebook: BenchNotebook) -> bool:
    """Whether the notebook has its bench, or is in the person's hands, so that its cell is theirs to run."""
    if session["kernel"].get("connections"):
        return True
    if notebook.widget is None:
        return False
    with Kernel(session["kernel"]["id"]) as kernel:
        return kernel.has_widget(notebook.widget) is not False


def run_bench(server: Server, notebook: BenchNotebook, session: dict[str, Any] | None = None) -> None:
    """Run the notebook's cell and write what it gave into the notebook; what hinders the bench is raised."""
    if not notebook.may_run or notebook.source is None:
        tell("the notebook was changed, or comes from another computer: look at its cells, then run them")
        return
    begun_here = session is None
    session = session or server.begin_session(notebook.path, notebook.kernel)
    with Kernel(session["kernel"]["id"]) as kernel:
        count, outputs = kernel.run(notebook.source, tell)
    error = next((each for each in outputs if each["output_type"] == "error"), None)
    if error is not None:
        other = error["ename"] == "ModuleNotFoundError" and "'workbench'" in error["evalue"]
        if begun_here and (other or error["ename"] == "WorkbenchError"):
            server.ask("DELETE", f"api/sessions/{session['id']}")
        if other:
            raise UnansweredError("its kernel runs another Python, in which the workbench is not installed")
        if error["ename"] == "WorkbenchError":
            raise WorkbenchError(error["evalue"])
        tell(f"the first cell of the notebook failed, as is told there: {error['ename']}")
    notebook.write(count, outputs)


def _tell_where(server: Server, notebook: BenchNotebook, *, browser: bool) -> None:
    if browser and show(server, notebook.path):
        echo(f"The bench is in your browser; its notebook is {notebook.path}")
        return
    if browser:
        tell("no browser was found")
    echo(f"Open this address in a browser on this machine: {server.address(notebook.path, token=True)}")

"""A Jupyter server of this person: found where it runs, asked for kernels, shown in a browser.

It is asked with the token that Jupyter keeps for the person, in a file that only they can read. Jupyter's own function
that lists servers takes long to load, so the files are read here.
"""

from __future__ import annotations

import html
import json
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from queue import Empty
from typing import TYPE_CHECKING, Any, Self

from workbench.lazy import on_first_use

if TYPE_CHECKING:
    from jupyter_client.blocking import client
    from jupyter_core import paths
    from nbformat import v4
else:
    client = on_first_use("jupyter_client.blocking.client")
    paths = on_first_use("jupyter_core.paths")
    v4 = on_first_use("nbformat.v4")

__all__ = ["Kernel", "Server", "UnansweredError", "door", "running", "server_of", "show"]

#: Seconds for an answer of a server that runs, and for one that starts.
_ANSWER, START = 10.0, 90.0

_OUTPUTS = {"display_data", "execute_result", "error"}

#: Asked directly, whatever proxy other addresses need: all of it is on this machine.
_opened = urllib.request.build_opener(urllib.request.ProxyHandler({})).open


class UnansweredError(Exception):
    """A server, or a kernel, did not do what it was asked for; the words say why."""


@dataclass(frozen=True)
class Server:
    """A Jupyter server of this person on this machine.

    Parameters
    ----------
    url : str
        With a slash at its end.
    token : str
        Empty where the server wants a password, or nothing.
    root : Path
        The folder that it shows.
    pid : int
    password : bool
        Whether it wants one.
    """

    url: str
    token: str
    root: Path
    pid: int
    password: bool

    def ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        """What the server answers to a request of its interface.

        Parameters
        ----------
        method : str
            Of HTTP.
        path : str
            Below its address.
        body : dict, optional

        Returns
        -------
        object
            As decoded from JSON; None where the answer has no body.

        Raises
        ------
        UnansweredError
        """
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"token {self.token}", "Content-Type": "application/json"}
        # Addresses come from Jupyter's own file, which only this person can write.
        request = urllib.request.Request(self.url + path, data, headers, method=method)  # noqa: S310
        try:
            with _opened(request, timeout=_ANSWER) as answer:
                text = answer.read()
            return json.loads(text) if text else None
        except (OSError, ValueError) as error:
            raise UnansweredError(str(error)) from error

    def session(self, notebook: Path) -> dict[str, Any] | None:
        """The session that runs a notebook, where there is one.

        Parameters
        ----------
        notebook : Path

        Returns
        -------
        dict or None
        """
        path = self.path_of(notebook)
        return next((each for each in self.ask("GET", "api/sessions") if each["path"] == path), None)

    def begin_session(self, notebook: Path, kernel: str) -> dict[str, Any]:
        """Start a kernel for a notebook.

        Parameters
        ----------
        notebook : Path
        kernel : str
            Its name.

        Returns
        -------
        dict
        """
        wanted = {"path": self.path_of(notebook), "name": notebook.name, "type": "notebook"}
        made: dict[str, Any] = self.ask("POST", "api/sessions", wanted | {"kernel": {"name": kernel}})
        return made

    def path_of(self, file: Path) -> str:
        """A file's path as the server names it.

        Parameters
        ----------
        file : Path
            Below the server's folder.

        Returns
        -------
        str
        """
        return file.resolve().relative_to(self.root).as_posix()

    def address(self, notebook: Path, *, token: bool = False) -> str:
        """Where the notebook stands alone in JupyterLab, in its simple view.

        Parameters
        ----------
        notebook : Path
        token : bool
            Whether the address opens without being asked for it.

        Returns
        -------
        str
        """
        query = "?" + urllib.parse.urlencode({"token": self.token}) if token and self.token else ""
        return f"{self.url}doc/tree/{urllib.parse.quote(self.path_of(notebook))}{query}"


def running(pid: int | None = None) -> list[Server]:
    """Servers of this person that answer.

    Parameters
    ----------
    pid : int, optional
        That of one process alone.

    Returns
    -------
    list of Server
    """
    found = []
    for file in sorted(Path(paths.jupyter_runtime_dir()).glob(f"jpserver-{pid or '*'}.json")):
        with suppress(OSError, ValueError, KeyError, TypeError, UnansweredError):
            told = json.loads(file.read_text(encoding="utf-8"))
            root = Path(told["root_dir"]).resolve()
            server = Server(told["url"], told["token"] or "", root, told["pid"], bool(told.get("password")))
            if server.url.startswith(("http://", "https://")) and server.ask("GET", "api"):
                found.append(server)
    return found


def server_of(child: subprocess.Popen[bytes]) -> Server:
    """The server that was just started, once it answers.

    Parameters
    ----------
    child : subprocess.Popen

    Returns
    -------
    Server

    Raises
    ------
    UnansweredError
        When it ends, or takes too long.
    """
    end = time.monotonic() + START
    while time.monotonic() < end:
        if found := running(child.pid):
            return found[0]
        with suppress(subprocess.TimeoutExpired):
            child.wait(0.2)
            break
    raise UnansweredError("it does not answer")


def show(server: Server, notebook: Path) -> bool:
    """Open a notebook in the person's browser.

    The browser is led there by a page that only this person can read: so the token is in no list of processes.

    Parameters
    ----------
    server : Server
    notebook : Path

    Returns
    -------
    bool
        Whether there is a browser.
    """
    page = door(server)
    address = html.escape(server.address(notebook, token=True))
    with paths.secure_write(str(page)) as file:
        file.write(f'<!doctype html><meta charset="utf-8"><meta http-equiv="refresh" content="0; url={address}">')
    return webbrowser.open(page.as_uri())


def door(server: Server) -> Path:
    """The page by which `show` leads to a server; of no use once that has ended.

    Parameters
    ----------
    server : Server

    Returns
    -------
    Path
    """
    return Path(paths.jupyter_runtime_dir()) / f"jpserver-{server.pid}-bench.html"


class Kernel:
    """A kernel on this machine, spoken to beside whoever else does.

    Parameters
    ----------
    number : str
        Its id at the server.

    Raises
    ------
    UnansweredError
        When it does not come up.
    """

    def __init__(self, number: str) -> None:
        file = Path(paths.jupyter_runtime_dir()) / f"kernel-{number}.json"
        self._client = client.BlockingKernelClient(connection_file=str(file))
        try:
            self._client.load_connection_file()
            self._client.start_channels()
        except OSError as error:
            raise UnansweredError(f"the kernel cannot be reached: {error}") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.stop_channels()

    def run(self, source: str, say: Callable[[str], object]) -> tuple[int | None, list[Any]]:
        """Run a cell.

        Parameters
        ----------
        source : str
        say : callable
            Is told what the cell prints, as it does.

        Returns
        -------
        count : int or None
            The number that Jupyter gives it.
        outputs : list
            As a notebook has them, but for what was printed.

        Raises
        ------
        UnansweredError
            When the kernel does not come up, or dies.
        """
        self._wait()
        ours, count = self._client.execute(source, allow_stdin=False), None
        outputs: list[Any] = []
        while True:
            with suppress(Empty):
                message = self._client.get_iopub_msg(timeout=1)
                kind, content = message["msg_type"], message["content"]
                if kind == "status" and content["execution_state"] == "starting":  # by its server, once more
                    raise UnansweredError("its kernel died; perhaps there is not enough memory for this stack")
                if message["parent_header"].get("msg_id") != ours:
                    continue
                if kind == "status" and content["execution_state"] == "idle":
                    return count, outputs
                if kind == "execute_input":
                    count = content["execution_count"]
                if kind == "stream":
                    say(content["text"].strip())
                if kind in _OUTPUTS:
                    outputs.append(v4.output_from_msg(message))

    def _wait(self) -> None:
        """Wait until it answers. One whose heart has not beaten for a second counts as dead, but may be starting."""
        end = time.monotonic() + START
        while True:
            try:
                return self._client.wait_for_ready(timeout=end - time.monotonic())
            except RuntimeError as error:
                if time.monotonic() > end:
                    raise UnansweredError(f"its kernel does not come up: {error}") from error

    def has_widget(self, model: str) -> bool | None:
        """Whether a widget lives here; None while the kernel is busy.

        Parameters
        ----------
        model : str
            Its id.

        Returns
        -------
        bool or None
        """
        ask: Callable[..., dict[str, Any]] = self._client.comm_info
        try:
            reply = ask(target_name="jupyter.widget", reply=True, timeout=3)
        except (TimeoutError, Empty):
            return None
        return model in reply["content"].get("comms", {})

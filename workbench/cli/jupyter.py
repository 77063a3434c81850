"""JupyterLab for the commands that open it: started with defaults of ours, and waited for.

Nothing of a person's Jupyter is changed. What we want otherwise than by default is told to the one server that we
start, in a folder that goes with it; what the person has set wins.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.cli.faults import DONE, STOPPED, UNUSABLE, tell
from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use

if TYPE_CHECKING:
    from ipykernel import ipkernel
    from jupyter_client import kernelspec
else:
    ipkernel = on_first_use("ipykernel.ipkernel")
    kernelspec = on_first_use("jupyter_client.kernelspec")

__all__ = [
    "KERNEL",
    "begun",
    "check_installed",
    "finished",
    "language_of_kernels",
    "our_defaults",
    "port_options",
    "waited_for",
]

#: Name of the kernel that runs the Python of its server.
KERNEL = "python3"

#: Defaults of JupyterLab in place of its own: no question about news stands in front of what was asked for.
_DEFAULTS = {"@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False}}


def check_installed() -> None:
    """Refuse, in a sentence, where there is no JupyterLab.

    Raises
    ------
    WorkbenchError
    """
    if find_spec("jupyterlab") is None:
        raise WorkbenchError("JupyterLab is not installed here: python -m pip install jupyterlab")


def port_options(port: int | None) -> list[str]:
    """Options by which JupyterLab listens at this port and no other; none where any will do.

    Parameters
    ----------
    port : int, optional

    Returns
    -------
    list of str

    Raises
    ------
    WorkbenchError
        When something else listens there.
    """
    if port is None:
        return []
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if os.name == "posix":  # a port just given up counts as free, as it does for the server
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            raise WorkbenchError(
                f"port {port} is in use by another program: choose another, or leave --port out"
            ) from None
    return [f"--ServerApp.port={port}", "--ServerApp.port_retries=0"]


@contextmanager
def our_defaults(*, layout: bool = False) -> Iterator[dict[str, str]]:
    """Environment of a server that has defaults of ours, as long as this lasts.

    Parameters
    ----------
    layout : bool
        Whether it begins with a layout of its own, and leaves the one that the person has as it is.

    Yields
    ------
    dict of str to str
    """
    with tempfile.TemporaryDirectory(prefix="workbench-lab-", ignore_cleanup_errors=True) as folder:
        place = Path(folder) / "labconfig" / "default_setting_overrides.json"
        place.parent.mkdir()
        place.write_text(json.dumps(_DEFAULTS), encoding="utf-8")
        others = os.environ.get("JUPYTER_CONFIG_PATH")
        ours = {"JUPYTER_CONFIG_PATH": os.pathsep.join([folder, *([others] if others else [])])}
        yield os.environ | ours | ({"JUPYTERLAB_WORKSPACES_DIR": str(Path(folder) / "layout")} if layout else {})


def language_of_kernels() -> dict[str, Any]:
    """What a notebook says of its kernel once JupyterLab has opened it.

    A notebook that says otherwise, or less, counts as changed as soon as it is open. JupyterLab then saves it after two
    minutes, and asks in every other tab that has it open why the file has changed.

    Returns
    -------
    dict
        ``kernelspec`` and ``language_info`` of a notebook's metadata.
    """
    spec = kernelspec.KernelSpecManager().get_kernel_spec(KERNEL)
    named = {"name": KERNEL, "display_name": spec.display_name, "language": spec.language}
    return {"kernelspec": named, "language_info": dict(ipkernel.IPythonKernel.language_info)}


def begun(command: Sequence[str], environment: dict[str, str]) -> subprocess.Popen[bytes]:
    """Start JupyterLab.

    Parameters
    ----------
    command : sequence of str
        What follows its name.
    environment : dict of str to str

    Returns
    -------
    subprocess.Popen

    Raises
    ------
    WorkbenchError
        When the system refuses.
    """
    sys.stdout.flush()
    try:
        # This Python, and what the person typed.
        return subprocess.Popen([sys.executable, "-m", "jupyterlab", *command], env=environment)  # noqa: S603
    except OSError as error:
        raise WorkbenchError(f"JupyterLab could not be started: {error.strerror or error}") from None


def waited_for(child: subprocess.Popen[bytes]) -> int:
    """Wait for a program's end. The interrupt key is its own affair: JupyterLab asks before it shuts down.

    Parameters
    ----------
    child : subprocess.Popen

    Returns
    -------
    int
        Its exit code.
    """
    before = {
        signal.SIGINT: signal.signal(signal.SIGINT, signal.SIG_IGN),
        signal.SIGTERM: signal.signal(signal.SIGTERM, lambda *_: child.terminate()),
    }
    try:
        return child.wait()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def finished(code: int) -> int:
    """Our exit code, after JupyterLab ended with ``code``.

    Parameters
    ----------
    code : int

    Returns
    -------
    int
    """
    if code == 0:
        return DONE
    if code in {-signal.SIGINT, -signal.SIGTERM, STOPPED, 128 + signal.SIGTERM}:
        return STOPPED
    tell(f"JupyterLab ended with code {code}; what it says above tells why")
    return UNUSABLE

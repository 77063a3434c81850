"""The command line: ``workbench COMMAND``, each answering in sentences and an exit code.

Exit codes: 0 done; 1 done, but a check failed; 2 the request or an input was unusable (one sentence on standard
error, nothing written); 130 stopped by the person.
"""

import gc

from workbench.cli.app import app
from workbench.cli.faults import guarded

__all__ = ["app", "main"]

#: New objects from which on garbage is looked for. Libraries make a hundred thousand that stay, and to look through
#: them every 700, as Python does by itself, takes a twentieth of the time that loading them takes.
_BETWEEN_COLLECTIONS = 50_000


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : list of str, optional
        Default: those the program was called with.

    Returns
    -------
    int
        Exit code.
    """
    gc.set_threshold(max(gc.get_threshold()[0], _BETWEEN_COLLECTIONS), *gc.get_threshold()[1:])
    return guarded(lambda: app(args=arguments, prog_name="workbench", standalone_mode=False))

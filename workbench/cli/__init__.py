"""The command line: ``workbench COMMAND``, each answering in sentences and an exit code.

Exit codes: 0 done; 1 done, but a check failed; 2 the request or an input was unusable (one sentence on standard
error, nothing written); 130 stopped by the person.
"""

from workbench.cli.app import app
from workbench.cli.faults import guarded
from workbench.memory import collect_seldom

__all__ = ["app", "main"]


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
    collect_seldom()
    return guarded(lambda: app(args=arguments, prog_name="workbench", standalone_mode=False))

"""Sample stacks to work on, wherever the workbench is installed."""

from __future__ import annotations

import getpass
import os
import tempfile
from pathlib import Path

from workbench import io
from workbench.errors import WorkbenchError
from workbench.simulate import SCENES, write_simulation
from workbench.teach.demo import sample

__all__ = ["sample_file"]


def sample_file(name: str, folder: str | os.PathLike[str] | None = None) -> Path:
    """A working copy of a sample stack, with the file beside it that says how it was taken.

    Copied from the shipped sample; simulated where the installation has none. A copy that is there already is kept,
    so the recipe that the bench keeps beside it is found again.

    Parameters
    ----------
    name : str
        A scene, such as ``lantern_nebula``.
    folder : path, optional
        Where to put it; made if missing. Default: a folder of your own among the temporary files.

    Returns
    -------
    Path
        The TIFF, 1200 x 1720 pixels, about 7 MB.

    Raises
    ------
    WorkbenchError
        When there is no such sample, or the folder cannot be written.
    """
    if name not in SCENES:
        raise WorkbenchError(f"there is no sample {name!r}; there are: {', '.join(SCENES)}")
    place = Path(tempfile.gettempdir()) / f"workbench-samples-{getpass.getuser()}" if folder is None else Path(folder)
    target = place / f"{name}.tif"
    if target.is_file():
        return target
    try:
        place.mkdir(parents=True, exist_ok=True)
        shipped = sample(name)
        if shipped is None:
            write_simulation(name, target)
        else:
            for source in (shipped.with_suffix(".acquisition.json"), shipped):
                with io.atomic_write(place / source.name, overwrite=True) as file:
                    file.write(source.read_bytes())
    except OSError as error:
        raise WorkbenchError(f"cannot put the sample into {place}: {error.strerror or error}") from None
    return target

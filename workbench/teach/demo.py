"""The main job from end to end on a sample stack."""

from __future__ import annotations

from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path

from workbench import io
from workbench.checkup import check, suggest
from workbench.simulate import write_simulation
from workbench.stack import read
from workbench.teach.sheet import step_sheet

__all__ = ["NAMES", "SCENE", "Demo", "make_demo"]

#: The sample that the demo works on; it ships in ``sample_stacks``, and is simulated anew where that folder is not.
SCENE = "lantern_nebula"
_STEM = "lantern"
_STACK, _SIDE = f"{_STEM}.tif", f"{_STEM}.acquisition.json"
_PICTURE, _VIEW = f"{_STEM}.picture.tif", f"{_STEM}.picture.jpg"
_RECIPE, _RECORD, _SHEET = f"{_STEM}.recipe.json", f"{_STEM}.record.json", f"{_STEM}.steps.html"

#: Files that the demo may write.
NAMES = (_STACK, _SIDE, _PICTURE, _VIEW, _RECIPE, _RECORD, _SHEET)


@dataclass(frozen=True, slots=True)
class Demo:
    """What the demo made.

    Attributes
    ----------
    stack : Path
        The stack it worked on.
    recipe, sheet : Path
    files : dict of Path to str
        Everything written, and what it is.
    """

    stack: Path
    recipe: Path
    sheet: Path
    files: dict[Path, str] = field(default_factory=dict)


def sample(name: str) -> Path | None:
    """A shipped sample stack, or None when this installation has none."""
    folder = Path(__file__).resolve().parents[2] / "sample_stacks"
    found = folder / f"{name}.tif"
    return found if found.is_file() else None


def make_demo(folder: str | PathLike[str], *, overwrite: bool = False, shape: tuple[int, int] | None = None) -> Demo:
    """Suggest a recipe for a sample stack, run it, and leave picture, recipe, record and step sheet in ``folder``.

    Parameters
    ----------
    folder : path
        Must exist.
    overwrite : bool
        Replace files of an earlier demo.
    shape : (int, int), optional
        Simulate the sample at this height and width in place of the shipped stack.

    Returns
    -------
    Demo
    """
    place = Path(folder)
    files: dict[Path, str] = {}
    source = sample(SCENE) if shape is None else None
    if source is None:
        source = place / _STACK
        write_simulation(SCENE, source, shape=shape, overwrite=overwrite)
        files[source] = "the stack, simulated"
    stack = read(source)
    found = check(stack)
    recipe = suggest(stack, found)
    result = recipe.run(stack)
    made = {_PICTURE: "the picture, 16-bit TIFF", _VIEW: "the picture, JPEG to look at and to show"}
    for name, what in made.items():
        result.save(place / name, overwrite=overwrite)
        files[place / name] = what
    texts = {
        _RECIPE: (recipe.dumps(), "the recipe: every step, setting and reason"),
        _RECORD: (result.record.dumps(), "the record: what was measured, and digests to verify a replay"),
        _SHEET: (step_sheet(stack, recipe, result.record, found), "the step sheet: every step before and after"),
    }
    for name, (text, what) in texts.items():
        io.write_text(place / name, text, overwrite)
        files[place / name] = what
    return Demo(source, place / _RECIPE, place / _SHEET, files)

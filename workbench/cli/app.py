"""The commands and their options. What a command does is imported when it runs, so that help is instant."""
# ruff: noqa: PLC0415 - asking for help must not load numba, astropy and the compiled kernels (2 seconds)

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["app"]

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From a black linear stack to a finished deep-sky picture, every step in a recipe.",
)


def _known_ending(value: str) -> str:
    """The end of a picture's name, when it is that of a format."""
    from workbench.io import FORMATS, SUFFIXES

    if f".{value}" not in SUFFIXES:
        usual = ", ".join(repr(f.suffixes[0].removeprefix(".")) for f in FORMATS.values())
        raise typer.BadParameter(f"{value!r} is not one of {usual}.")
    return value


def _scheduler(value: str | None) -> str | None:
    """The scheduler that ``--on`` names: "dask" for one of this computer, or an address."""
    if value is None or value == "dask":
        return value
    kind, _, address = value.partition("=")
    if kind != "dask" or not address:
        raise typer.BadParameter(f"{value!r} is neither 'dask' nor 'dask=ADDRESS'.")
    return address


StackFile = Annotated[Path, typer.Argument(metavar="STACK", help="Linear stack: TIFF or FITS (PNG and JPEG too).")]
RecipeFile = Annotated[
    Path, typer.Argument(metavar="RECIPE", help="Recipe file, or a record or finished picture that carries one.")
]
RecipeOutput = Annotated[
    Path | None,
    typer.Option("--output", "-o", metavar="R.recipe.json", help="Recipe file to write; printed if left out."),
]
Facts = Annotated[
    Path | None,
    typer.Option("--facts", metavar="RECORD", help="Use what an earlier run measured (its record, or its picture)."),
]
Force = Annotated[bool, typer.Option("--force", help="Replace files that exist.")]
White = Annotated[
    float | None,
    typer.Option(
        "--white-level",
        metavar="VALUE",
        help="Number in the file that means white, such as 16383 in a stack of 14 bits.",
    ),
]
Linear = Annotated[
    bool, typer.Option("--linear", help="Take the file for linear light, whatever it says or looks like.")
]
Browser = Annotated[bool, typer.Option("--browser/--no-browser", help="Open a browser window.")]
Port = Annotated[
    int | None, typer.Option("--port", min=1, max=65535, metavar="N", help="Default: the first that is free.")
]
LabOptions = Annotated[
    list[str] | None,
    typer.Option("--option", metavar="OPTION", help="Hand an option to JupyterLab as it is; may be repeated."),
]
Scratch = Annotated[
    Path | None,
    typer.Option("--scratch", metavar="FOLDER", help="Work on disk, in this folder: for stacks larger than memory."),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Say nothing when all goes well.")]


def _say_version(wanted: bool) -> None:
    if not wanted:
        return
    try:
        number = version("post-stack-workbench")
    except PackageNotFoundError:
        number = "(not installed)"
    typer.echo(f"workbench {number}")
    raise typer.Exit


@app.callback()
def _common(
    show_version: Annotated[
        bool, typer.Option("--version", callback=_say_version, is_eager=True, help="Say the version and exit.")
    ] = False,
) -> None:
    """From a black linear stack to a finished deep-sky picture, every step in a recipe."""


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the results; made if missing.")] = Path(
        "workbench-demo"
    ),
    force: Force = False,
) -> None:
    """Do the whole job on a sample stack.

    Leaves the picture, its recipe, its record and a page that shows every step before and after.
    """
    from workbench.cli.making import demo as work

    work(folder, force=force)


@app.command()
def check(
    stack: StackFile,
    as_json: Annotated[bool, typer.Option("--json", help="Print plain data instead of words.")] = False,
    white_level: White = None,
    linear: Linear = False,
    scratch: Scratch = None,
) -> None:
    """Measure a stack and say what it needs."""
    from workbench.cli.files import Reading
    from workbench.cli.judging import check as work

    work(stack, as_json=as_json, reading=Reading(white_level, linear=linear), scratch=scratch)


@app.command()
def suggest(
    stack: StackFile,
    output: RecipeOutput = None,
    force: Force = False,
    white_level: White = None,
    linear: Linear = False,
    scratch: Scratch = None,
) -> None:
    """Make a recipe for a stack, with reasons.

    Every setting comes from what is measured in the stack, and every step says why it is there.
    """
    from workbench.cli.files import Reading
    from workbench.cli.judging import suggest as work

    work(stack, output, force=force, reading=Reading(white_level, linear=linear), scratch=scratch)


FocalLength = Annotated[
    float | None, typer.Option("--focal-length", min=1, metavar="MM", help="Default: what the file says.")
]
PixelSize = Annotated[
    float | None, typer.Option("--pixel-size", min=0.1, metavar="UM", help="Micrometres. Default: what the file says.")
]
FieldOfView = Annotated[
    float | None,
    typer.Option("--field", min=0.1, max=179, metavar="DEGREES", help="Long side of the frame, in place of both."),
]
OwnCatalog = Annotated[
    Path | None,
    typer.Option("--catalog", metavar="FILE", help="Your own star catalogue: CSV, FITS table or VOTable."),
]


@app.command()
def solve(
    stack: StackFile,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="OUT", help="Copy of the stack with its sky solution, TIFF or FITS."),
    ] = None,
    focal_length: FocalLength = None,
    pixel_size: PixelSize = None,
    field_of_view: FieldOfView = None,
    catalog: OwnCatalog = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print plain data instead of words.")] = False,
    force: Force = False,
    white_level: White = None,
    linear: Linear = False,
) -> None:
    """Find where a stack lies on the sky, by its stars.

    Nothing is asked of a network: the catalogues come with the extra "sky". Focal length and pixel size may be wrong by
    a tenth.
    """
    from workbench.cli.files import Reading
    from workbench.cli.locating import Field
    from workbench.cli.locating import solve as work

    field = Field(focal_length, pixel_size, field_of_view, catalog)
    work(stack, output, field, as_json=as_json, force=force, reading=Reading(white_level, linear=linear))


@app.command()
def annotate(
    picture: Annotated[Path, typer.Argument(metavar="PICTURE", help="Finished picture of a stack that was located.")],
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="OUT", help="Labelled copy; a name in .svg gets the labels alone.")
    ],
    grid: Annotated[bool, typer.Option("--grid/--no-grid", help="Lines of right ascension and declination.")] = True,
    objects: Annotated[bool, typer.Option("--objects/--no-objects", help="Names of deep-sky objects.")] = True,
    stars: Annotated[bool, typer.Option("--stars/--no-stars", help="Names of bright stars.")] = True,
    force: Force = False,
) -> None:
    """Write names, north and scale on a copy of a picture.

    The picture must be made of a stack that "workbench solve" located: it then carries where it lies on the sky.
    """
    from workbench.cli.locating import annotate as work

    work(picture, output, grid=grid, objects=objects, stars=stars, force=force)


@app.command()
def proof(
    picture: Annotated[Path, typer.Argument(metavar="PICTURE", help="Finished picture.")],
    profile: Annotated[
        Path, typer.Argument(metavar="PROFILE", help="ICC profile of the printer and its paper, from who makes them.")
    ],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="OUT", help="Picture to write, as the print will look.")
    ] = None,
    intent: Annotated[
        str,
        typer.Option(
            "--intent",
            metavar="relative|perceptual",
            help="Rendering intent: only colors out of gamut are changed, or all make room for them.",
        ),
    ] = "relative",
    mark: Annotated[bool, typer.Option("--mark", help="Write what is out of gamut in middle gray.")] = False,
    force: Force = False,
) -> None:
    """Say how much of a picture a printer cannot print, and show how it will look.

    A soft proof: colors go to the printer by its profile and back to the screen.
    """
    from workbench.cli.showing import proof as work

    work(picture, profile, output, intent=intent, mark=mark, force=force)


@app.command()
def run(
    recipe: RecipeFile,
    stacks: Annotated[list[Path], typer.Argument(metavar="STACK", help="One or more linear stacks.")],
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="OUT", help="Picture to write, or a folder for several stacks."),
    ] = None,
    record: Annotated[bool, typer.Option("--record", help="Write the run record beside the picture.")] = False,
    layers: Annotated[
        bool,
        typer.Option("--layers", help="Write the starless picture and the stars beside it, as they last lie apart."),
    ] = False,
    as_float: Annotated[bool, typer.Option("--float", help="Write 32-bit float samples (TIFF, FITS).")] = False,
    upto: Annotated[int | None, typer.Option("--upto", min=1, metavar="N", help="Run the first N steps only.")] = None,
    facts: Facts = None,
    verify: Annotated[
        Path | None,
        typer.Option(
            "--verify", metavar="RECORD", help="Compare with an earlier run; exit code 1 if the pixels differ."
        ),
    ] = None,
    force: Force = False,
    quality: Annotated[
        int | None, typer.Option("--quality", min=1, max=100, metavar="N", help="JPEG quality; 92 if left out.")
    ] = None,
    file_format: Annotated[
        str,
        typer.Option(
            "--format",
            metavar="KIND",
            callback=_known_ending,
            help="Pictures written to a folder: tif, png, jpg or fits.",
        ),
    ] = "tif",
    white_level: White = None,
    linear: Linear = False,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, max=256, metavar="N", help="Cores to use; all if left out.")
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Skip stacks whose picture is there, made by this recipe from this file.")
    ] = False,
    summary: Annotated[
        Path | None,
        typer.Option("--summary", metavar="FILE.json", help="Write what became of each stack, as plain data."),
    ] = None,
    scratch: Scratch = None,
    on: Annotated[
        str | None,
        typer.Option(
            "--on",
            metavar="dask[=ADDRESS]",
            callback=_scheduler,
            help="Work on a cluster: processes of this computer, or those of the scheduler at an address.",
        ),
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Run a recipe on one or many stacks.

    Of many, one that cannot be used does not stop the others; a table at the end says what became of each.
    On a cluster one stack is cut into tiles for all its workers; of many, each is the work of one worker.
    The format of a picture follows the end of its name: .tif, .png, .jpg or .fits.
    """
    from workbench.cli.files import Reading
    from workbench.cli.running import Wishes
    from workbench.cli.running import run as work

    wishes = Wishes(
        record=record,
        layers=layers,
        as_float=as_float,
        upto=upto,
        facts=facts,
        verify=verify,
        force=force,
        quality=quality,
        suffix=f".picture.{file_format}",
        reading=Reading(white_level, linear=linear),
        threads=threads,
        resume=resume,
        summary=summary,
        quiet=quiet,
        scratch=scratch,
        on=on,
    )
    raise typer.Exit(work(recipe, stacks, output, wishes))


@app.command()
def steps(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="A step, such as stretch; all of them if left out.")
    ] = None,
    schema: Annotated[bool, typer.Option("--schema", help="Print the JSON Schema of recipe files.")] = False,
) -> None:
    """Show the steps that recipes are made of.

    What they do, when to use them, and their settings.
    """
    from workbench.cli.showing import steps as work

    work(name, schema=schema)


@app.command()
def recipe(
    picture: Annotated[Path, typer.Argument(metavar="PICTURE", help="Finished picture.")],
    output: RecipeOutput = None,
    force: Force = False,
) -> None:
    """Give back the recipe that a finished picture carries."""
    from workbench.cli.showing import recipe as work

    work(picture, output, force=force)


@app.command()
def diff(
    first: Annotated[Path, typer.Argument(metavar="A", help="Recipe, record or picture.")],
    second: Annotated[Path, typer.Argument(metavar="B", help="Another of the same kind.")],
) -> None:
    """Say how two recipes, or two records, differ."""
    from workbench.cli.showing import diff as work

    work(first, second)


@app.command()
def lesson(
    recipe: RecipeFile,
    stack: StackFile,
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="SHEET.html|.ipynb", help="Page or notebook to write.")
    ],
    facts: Facts = None,
    force: Force = False,
    white_level: White = None,
    linear: Linear = False,
) -> None:
    """Make a page or a notebook that shows every step.

    Before and after, with settings, what was measured, and the reason of each step. The end of the name decides:
    .html is a page to read and print; .ipynb is a notebook that builds the recipe cell by cell, with something to try.
    """
    from workbench.cli.files import Reading
    from workbench.cli.making import lesson as work

    work(recipe, stack, output, facts=facts, force=force, reading=Reading(white_level, linear=linear))


@app.command()
def simulate(
    name: Annotated[str | None, typer.Argument(metavar="NAME", help="A scene; they are listed if left out.")] = None,
    output: Annotated[Path | None, typer.Option("--output", "-o", metavar="STACK.tif", help="Stack to write.")] = None,
    size: Annotated[
        str | None, typer.Option("--size", metavar="WIDTHxHEIGHT", help="Frame size in pixels, such as 1720x1200.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, metavar="N", help="Draw other stars, noise and framing.")
    ] = None,
    truth: Annotated[
        Path | None, typer.Option("--truth", metavar="FOLDER", help="Also write the light the stack is made of.")
    ] = None,
    force: Force = False,
) -> None:
    """Make a sample stack with known truth."""
    from workbench.cli.making import simulate as work

    work(name, output, size=size, seed=seed, truth=truth, force=force)


@app.command()
def bench(stack: StackFile, browser: Browser = True, port: Port = None, option: LabOptions = None) -> None:
    """Open the bench on a stack, in a browser.

    A small notebook beside the stack holds it, and what you do is kept there, too. A JupyterLab that runs already is
    used, and so is a bench that is still open in it.
    """
    from workbench.cli.bench import bench as work

    raise typer.Exit(work(stack, browser=browser, port=port, options=option or ()))


@app.command()
def lab(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder for your copies of the notebooks; made if missing.")
    ] = Path("workbench-notebooks"),
    browser: Browser = True,
    port: Port = None,
    option: LabOptions = None,
) -> None:
    """Open JupyterLab on the workbench's notebooks.

    Copies of them go into DIR; what you changed there is never replaced.
    """
    from workbench.cli.lab import lab as work

    raise typer.Exit(work(folder, browser=browser, port=port, options=option or ()))

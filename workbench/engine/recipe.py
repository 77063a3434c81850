"""The recipe a person holds: steps as data, with running, saving and loading."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any, Self

from workbench import io
from workbench.engine.cluster import pool_for
from workbench.engine.digest import digest
from workbench.engine.progress import Cancel, Progress, progress_bar, watched
from workbench.engine.record import Record, software
from workbench.engine.run import Run
from workbench.errors import WorkbenchError
from workbench.io.metadata import sky_solution
from workbench.memory import free_memory, in_gigabytes
from workbench.outputs import Output, output_file, placed, save_output
from workbench.recipe.diff import recipe_diff
from workbench.recipe.facts import Given
from workbench.recipe.model import RecipeData
from workbench.recipe.store import dumps, loads, read_text
from workbench.stack import Stack

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["Recipe", "Result", "layer_files", "output_files"]


@dataclass(frozen=True)
class Result:
    """What a run made.

    Attributes
    ----------
    image : Stack
        Where the recipe ends with stars apart, its layers are joined here as `JoinStars` joins them by default.
    record : Record
    starless, stars : Stack or None
        The layers, where the recipe ends with stars apart.
    """

    image: Stack
    record: Record
    starless: Stack | None = None
    stars: Stack | None = None

    def save(self, path: str | os.PathLike[str], *, overwrite: bool = False, **options: Any) -> None:
        """Write the image with its recipe and record in the file's metadata.

        Times are left out of the record there, so the same stack and recipe give the same bytes.

        Parameters
        ----------
        path : path
        overwrite : bool
            Whether an existing file may be replaced. The stack itself never is.
        **options
            As of `workbench.io.encode`.
        """
        embedded = {"recipe": dumps(self.record.recipe), "record": self.record.timeless().dumps()}
        self.image.save(path, overwrite=overwrite, **embedded, **options)

    def save_outputs(
        self, picture: str | os.PathLike[str], outputs: Iterable[Output], *, overwrite: bool = False
    ) -> tuple[Path, ...]:
        """Write outputs of the image beside the file of its picture, and return their paths.

        Each is written whole or not at all. Whether all of them can be made of the image, and may be written, is asked
        before the first one is.

        Parameters
        ----------
        picture : path
            The file of the picture, which need not be there.
        outputs : iterable of Output
        overwrite : bool
            Whether existing files may be replaced. The stack itself never is.

        Returns
        -------
        tuple of Path

        Raises
        ------
        WorkbenchError
            When one cannot be made or written.
        """
        wanted = tuple(outputs)
        files = output_files(Path(os.fspath(picture)), wanted)
        protect = [self.image.source.path] if self.image.source.path else []
        for path, output in zip(files, wanted, strict=True):
            placed(self.image, output)
            io.checked_output(path, overwrite, protect=protect)
        for path, output in zip(files, wanted, strict=True):
            save_output(self.image, output, path, overwrite=overwrite, protect=protect)
        return files


def output_files(picture: Path, outputs: Iterable[Output]) -> tuple[Path, ...]:
    """Where the outputs of a picture go: ``night.picture.tif`` has ``night.web.jpg`` beside it.

    Parameters
    ----------
    picture : Path
    outputs : iterable of Output

    Returns
    -------
    tuple of Path
    """
    return tuple(output_file(picture, output) for output in outputs)


def layer_files(picture: Path) -> tuple[Path, Path]:
    """Where starless layer and stars of a picture go: ``night.picture.tif`` has ``night.starless.tif`` beside it.

    The suffix, and with it the format, is the picture's.

    Parameters
    ----------
    picture : Path

    Returns
    -------
    tuple of (Path, Path)
        Of the starless layer and of the stars.
    """
    packed = ".gz" if picture.suffix.lower() == ".gz" else ""
    name = picture.name[: len(picture.name) - len(packed)]
    stem, ending = Path(name).stem.removesuffix(".picture"), Path(name).suffix + picture.name[len(name) :]
    return picture.with_name(f"{stem}.starless{ending}"), picture.with_name(f"{stem}.stars{ending}")


class Recipe(RecipeData):
    """An ordered list of steps that can be run on a stack.

    Parameters
    ----------
    steps : iterable of Operation or Step
    title : str
    outputs : iterable of Output
        Files for screen and paper that `Result.save_outputs` writes.

    Examples
    --------
    >>> import workbench as wb
    >>> recipe = wb.Recipe([wb.LevelSky(), wb.Stretch(curve="asinh")], title="quick look")
    >>> [step.operation.id for step in recipe]
    ['level_sky', 'stretch']
    """

    def run(
        self,
        stack: Stack,
        *,
        facts: Mapping[int, Given] | Record | None = None,
        progress: Progress | bool | None = None,
        cancel: Cancel | None = None,
        threads: int | None = None,
        scratch: str | os.PathLike[str] | None = None,
        scheduler: str | Client | None = None,
    ) -> Result:
        """Run all steps that are on.

        Parameters
        ----------
        stack : Stack
            Never changed.
        facts : Record or mapping of step index (from 0) to Facts or dict, optional
            Frozen facts used in place of measuring.
        progress : callable, bool or None
            Called with (share, doing); True: a bar; None: a bar when a person is watching.
        cancel : Cancel, optional
        threads : int, optional
            Default: all cores. The result does not depend on it.
        scratch : path, optional
            A folder on a disk with room for three frames, which lie there in place of memory: for a stack larger than
            memory, read by ``workbench.read(path, scratch=...)``. The image of the result lies there too, and its file
            goes with it.
        scheduler : str or distributed.Client, optional
            Make the tiles on a Dask cluster (extra ``cluster``): "dask" for processes of this computer, the address
            of a scheduler, or a client. Frames then lie in ``scratch`` (by default the folder for temporary files),
            which all workers must see. The result is the same to the last bit.

        Returns
        -------
        Result
            The image, its tone and the record of the run.

        Raises
        ------
        WorkbenchError
            When the order of steps breaks the tone rule or the stack cannot serve a step.
        Cancelled
            When ``cancel`` was set.
        """
        if isinstance(facts, Record):
            facts = self._facts_of(facts)
        began = perf_counter()
        if progress is None:
            progress = watched()
        with progress_bar(self.title or "recipe") if progress is True else nullcontext(progress or None) as tell:
            try:
                with pool_for(threads, cancel, scratch, scheduler) as pool:
                    run = Run(stack, self, pool, facts=facts, progress=tell)
                    state = run.execute()
                    array, layers, fingerprint = run.finished(state)
            except MemoryError:
                free, need = free_memory(), in_gigabytes(2 * stack.pixels.nbytes)
                left = "" if free is None else f", {in_gigabytes(free)} are free now"
                raise WorkbenchError(
                    f"there is not enough free memory: a run needs about {need} beside this stack, "
                    f"and tens of MB to measure{left}; close other programs, bin the stack first, or work on disk with "
                    "--scratch FOLDER (in Python scratch=)"
                ) from None
        about = (state.tone, state.acquisition, state.wcs, state.coverage, stack.source)
        image = Stack(array, *about)
        starless, stars = (None, None) if layers is None else (Stack(layer, *about) for layer in layers)
        steps = run.step_records()
        record = Record(
            recipe=self.to_dict(),
            input=_identity(stack),
            steps=steps,
            output={
                "shape": list(image.shape),
                "tone": str(image.tone),
                "digest": digest(image.pixels),
                "fingerprint": fingerprint.encoded(),
            },
            software=software(),
            seconds=round(perf_counter() - began, 3),
        )
        return Result(image, record, starless, stars)

    def layers_of(
        self,
        stack: Stack,
        result: Result,
        *,
        progress: Progress | bool | None = None,
        cancel: Cancel | None = None,
        threads: int | None = None,
        scratch: str | os.PathLike[str] | None = None,
        scheduler: str | Client | None = None,
    ) -> tuple[Stack, Stack]:
        """The starless layer and the stars, as they last lie apart: before they are joined, or at the end.

        Parameters
        ----------
        stack : Stack
        result : Result
            What this recipe made of this stack; what it measured is used again.
        progress, cancel, threads, scratch, scheduler
            As of `run`.

        Returns
        -------
        tuple of (Stack, Stack)
            The starless layer and the stars.

        Raises
        ------
        WorkbenchError
            When no step takes the stars off.
        """
        if (count := self.apart) is None:
            raise WorkbenchError("no step of this recipe takes the stars off: put split_stars into it")
        if result.starless is None or result.stars is None:
            result = self.upto(count).run(
                stack,
                facts=result.record,
                progress=progress,
                cancel=cancel,
                threads=threads,
                scratch=scratch,
                scheduler=scheduler,
            )
        assert result.starless is not None
        assert result.stars is not None
        return result.starless, result.stars

    def save_layers(
        self,
        picture: str | os.PathLike[str],
        layers: tuple[Stack, Stack],
        *,
        overwrite: bool = False,
        **options: Any,
    ) -> tuple[Path, Path]:
        """Write starless layer and stars beside a picture, with the steps that led to them, and return their paths.

        Light below black or above white is kept by files of 32-bit float samples only.

        Parameters
        ----------
        picture : path
            The file of the picture, beside which they go.
        layers : tuple of (Stack, Stack)
            What `layers_of` gives.
        overwrite : bool
            Whether existing files may be replaced.
        **options
            As of `workbench.io.encode`.

        Returns
        -------
        tuple of (Path, Path)
        """
        count = self.apart
        files = layer_files(Path(os.fspath(picture)))
        for path, layer in zip(files, layers, strict=True):
            layer.save(path, overwrite=overwrite, recipe=dumps(self.upto(count or 0).to_dict()), **options)
        return files

    def _facts_of(self, record: Record) -> dict[int, Given]:
        mine = {i: s.operation.id for i, s in self.active}
        theirs = {s.index: s.do for s in record.steps}
        for index, name in mine.items():
            if theirs.get(index) != name:
                has = theirs.get(index, "nothing")
                raise WorkbenchError(
                    f"the record's facts do not fit this recipe: step {index + 1} is {name} here and {has} there"
                )
        return {i: f for i, f in record.facts.items() if i in mine}

    def save(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
        """Write the recipe file, whole or not at all.

        Parameters
        ----------
        path : path
        overwrite : bool
            Whether an existing file may be replaced.
        """
        io.write_text(path, self.dumps(), overwrite=overwrite)

    def dumps(self) -> str:
        """The recipe as JSON text."""
        return dumps(self.to_dict())

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Self:
        """Read a recipe file of this or an older version. Nothing in it is ever executed.

        Parameters
        ----------
        path : path

        Returns
        -------
        Recipe
        """
        return cls.loads(read_text(Path(path), "the recipe"), f"the recipe {os.fspath(path)}")

    @classmethod
    def loads(cls, text: str, what: str = "the recipe") -> Self:
        """Read a recipe from JSON text; ``what`` names it in error messages.

        Parameters
        ----------
        text : str
        what : str
            Its name in sentences about mistakes.

        Returns
        -------
        Recipe
        """
        return cls(*loads(text, what))

    def diff(self, other: RecipeData) -> list[str]:
        """Lines saying how ``other`` differs; empty when it does not.

        Parameters
        ----------
        other : RecipeData

        Returns
        -------
        list of str
        """
        return recipe_diff(self, other)

    def titled(self, title: str) -> Self:
        """The same steps under another title.

        Parameters
        ----------
        title : str

        Returns
        -------
        Recipe
        """
        return type(self)(self.steps, title, self.outputs)

    def switched(self, index: int, *, on: bool) -> Self:
        """The recipe with step ``index`` (from 0) on or off.

        Parameters
        ----------
        index : int
            From 0.
        on : bool

        Returns
        -------
        Recipe
        """
        steps = list(self.steps)
        steps[index] = replace(steps[index], on=on)
        return self.with_steps(steps)


def _identity(stack: Stack) -> dict[str, Any]:
    told = ("name", "format", "sha256", "sample", "white_level", "white_rule", "invalid")
    kept = {name: getattr(stack.source, name) for name in told}
    pixels = {"shape": list(stack.shape), "tone": str(stack.tone), "pixels": digest(stack.pixels)}
    header = None if stack.wcs is None else sky_solution.header_of(stack.wcs, stack.shape[0])
    sky = {} if header is None else {"sky_solution": sky_solution.text_of(header).split("\n")}
    return kept | pixels | {"acquisition": stack.acquisition.to_dict()} | sky

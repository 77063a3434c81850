"""Commands that write files: recipe, record, picture, layers, outputs, labels, step sheet."""

from __future__ import annotations

from collections.abc import Callable
from os import PathLike, fspath
from pathlib import Path
from typing import Any

from workbench import io
from workbench.bench.commands.dispatch import background, command, from_page
from workbench.bench.events import Written
from workbench.bench.exporting import Export, Writer
from workbench.bench.model import Session
from workbench.engine import layer_files, output_files
from workbench.errors import WorkbenchError
from workbench.sky.labels import checked_solution

__all__ = ["SaveCommands"]

AnyPath = str | PathLike[str]


class SaveCommands:
    """What the session has made, written to files. An existing file is replaced only where that is said."""

    session: Session
    _export: Export
    _writer: Writer

    @command
    def save_recipe(self, path: AnyPath, overwrite: bool = False) -> None:
        """Write the recipe file.

        Parameters
        ----------
        path : path
        overwrite : bool
            Whether an existing file may be replaced.
        """
        self._must_be_free(Path(fspath(path)), overwrite=overwrite)
        self.session.recipe.save(path, overwrite=overwrite)
        self.session.tell(Written(str(path)))

    @background
    def save_record(self, path: AnyPath, overwrite: bool = False) -> None:
        """Run the recipe and write the run record.

        Parameters
        ----------
        path : path
        overwrite : bool
            Whether an existing file may be replaced.
        """
        self._write(path, self._export.record, overwrite=overwrite)

    @background
    def save_picture(self, path: AnyPath, overwrite: bool = False, **options: Any) -> None:
        """Run the recipe and write the picture, as ``workbench run`` would; the suffix says the format.

        Parameters
        ----------
        path : path
        overwrite : bool
        **options
            As of `workbench.io.encode`: ``quality`` of a JPEG, ``float32``, ``bits``, ``compression``.
        """
        self._write(path, self._export.picture, overwrite=overwrite, **options)

    @background
    def save_layers(self, path: AnyPath, overwrite: bool = False, **options: Any) -> None:
        """Run the recipe and write its starless layer and its stars, as they last lie apart.

        Parameters
        ----------
        path : path
            Of a picture, beside which they go: ``night.tif`` has ``night.starless.tif`` and ``night.stars.tif``.
        overwrite : bool
        **options
            As of `save_picture`.
        """
        picture = Path(fspath(path))
        starless, stars = layer_files(picture)
        self._must_be_free(stars, overwrite=overwrite)

        def write(_: Path, *args: Any, **wanted: Any) -> None:
            self._export.layers(picture, *args, **wanted)
            self.session.tell(Written(str(stars)))

        self._write(starless, write, overwrite=overwrite, **options)

    @background
    def save_outputs(self, path: AnyPath, overwrite: bool = False) -> None:
        """Run the recipe and write its outputs for screen and paper, each beside the picture.

        Parameters
        ----------
        path : path
            Of a picture, which need not be there: beside ``night.tif`` go ``night.web.jpg``, ``night.print.tif``.
        overwrite : bool
            Whether existing files may be replaced.

        Raises
        ------
        WorkbenchError
            When the recipe has none, or a file exists.
        """
        picture = Path(fspath(path))
        files = output_files(picture, self.session.recipe.outputs)
        if not files:
            raise WorkbenchError("the recipe has no outputs yet: add one, for the web or for print")
        for file in files[1:]:
            self._must_be_free(file, overwrite=overwrite)

        def write(_: Path, *args: Any, **wanted: Any) -> None:
            self._export.outputs(picture, *args, **wanted)
            for file in files[1:]:
                self.session.tell(Written(str(file)))

        self._write(files[0], write, overwrite=overwrite)

    @background
    def save_labelled(self, path: AnyPath, overwrite: bool = False, *, grid: bool = True, names: bool = True) -> None:
        """Run the recipe and write a copy of the picture with names, grid, north and scale on it.

        Parameters
        ----------
        path : path
            Where it ends in ``.svg`` the labels are written alone, to be laid over.
        overwrite : bool
            Whether an existing file may be replaced.
        grid, names : bool
            Lines of right ascension and declination; names of objects and bright stars.

        Raises
        ------
        WorkbenchError
            When where the stack lies on the sky is not known, or the extra ``sky`` is not installed.
        """
        checked_solution(self.session.opened_stack())
        self._write(path, self._export.labelled, overwrite=overwrite, grid=grid, names=names)

    @background
    def save_sheet(self, path: AnyPath, overwrite: bool = False) -> None:
        """Run the recipe and write before, after, settings, facts and reason of every step, as a page or a notebook.

        The suffix decides: ``.html`` or ``.ipynb``.

        Parameters
        ----------
        path : path
        overwrite : bool
            Whether an existing file may be replaced.
        """
        self._write(path, self._export.sheet, overwrite=overwrite)

    def _must_be_free(self, target: Path, *, overwrite: bool) -> None:
        """Refuse before any work what cannot be written, in words that fit the screen as well as a cell."""
        place = io.checked_output(target, overwrite=True)
        if self.session.path is not None and place == self.session.path.resolve():
            raise WorkbenchError(f"{target} is the stack itself, which is never written to: choose another name")
        if place.exists() and not overwrite:
            raise WorkbenchError(f"{target} exists already: choose another name, or allow replacing it")

    def _write(self, path: AnyPath, write: Callable[..., None], *, overwrite: bool, **options: Any) -> None:
        target = Path(fspath(path))
        with self.session.lock:
            stack, snapshot = self.session.opened_stack(), self.session.now
        self._must_be_free(target, overwrite=overwrite)
        # A cell goes on when the file is there; the screen must stay alive meanwhile.
        self._writer.write(
            target,
            lambda cancel: write(target, stack, snapshot, cancel, overwrite=overwrite, **options),
            wait=not from_page(),
        )

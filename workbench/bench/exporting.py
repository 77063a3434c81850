"""Writing the picture, the record or the step sheet on a thread of its own, while the screen stays alive."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from workbench.acquisition import Tone
from workbench.bench.events import FilesProgress, Said, Tell, Written
from workbench.bench.snapshot import Snapshot
from workbench.bench.wording import sentence_of
from workbench.bench.worker import LatestWins
from workbench.engine import Cancel, Result
from workbench.engine.progress import Progress
from workbench.errors import Cancelled, WorkbenchError
from workbench.io.formats import checked_format
from workbench.sky.labels import save_labelled
from workbench.stack import Stack
from workbench.teach import write_lesson
from workbench.teach.writing import checked_suffix

__all__ = ["Export", "Writer"]


class Writer:
    """Writes one file at a time on its own thread, and tells how far it is; it can be stopped.

    Parameters
    ----------
    tell : callable
        Takes events: `FilesProgress`, `Said`, `Written`.
    """

    def __init__(self, tell: Tell) -> None:
        self._tell = tell
        self._thread = LatestWins("bench export", self._failed, interrupt=False)
        self._lock = threading.Lock()
        self._writing: Path | None = None
        self._told: FilesProgress | None = None
        self._cancel = Cancel()

    def write(self, target: Path, work: Callable[[Cancel], None], *, wait: bool) -> None:
        """Write a file.

        Parameters
        ----------
        target : Path
        work : callable
            Does it, heeding the `Cancel` that it gets.
        wait : bool
            Return when it is written, and raise what goes wrong; else return at once, and tell it.

        Raises
        ------
        WorkbenchError
            When another file is still being written, or, where it waits, what ``work`` raises.
        """
        with self._lock:
            if self._writing is not None:
                raise WorkbenchError(f"{self._writing.name} is still being written: wait for it, or stop it")
            self._writing = target
            # Its own, not the thread's: a stop that comes before the thread has begun must still end in words.
            cancel = self._cancel = Cancel()
        failures: list[BaseException] = []

        def job(_: Cancel) -> None:
            try:
                cancel.check()
                work(cancel)
            except Cancelled as stopped:
                self._tell(Said(f"stopped; {target.name} was not written"))
                failures.append(stopped)
            except Exception as error:  # noqa: BLE001 - told on the screen, or raised where somebody waits
                self._failed(error)
                failures.append(error)
            else:
                self._tell(Written(str(target)))
            finally:
                self._told = None
                self._tell(FilesProgress())
                with self._lock:
                    self._writing = None

        self._tell(Said(None))
        self.progress(0.0, f"starting {target.name}")
        self._thread.give(job)
        if wait:
            self._waited(failures)

    def _waited(self, failures: list[BaseException]) -> None:
        try:
            self._thread.wait()
        except KeyboardInterrupt:
            self.stop()
            self._thread.wait()
            raise
        if failures:
            raise failures[0]

    def _failed(self, error: BaseException) -> None:
        self._tell(Said(sentence_of(error), error=True))

    def progress(self, share: float, doing: str) -> None:
        """Tell how far a file is, not oftener than people can see.

        Parameters
        ----------
        share : float
            0..1.
        doing : str
        """
        last = self._told
        if last is None or share >= 1 or share - last.share >= 0.01 or doing != last.doing:
            self._told = FilesProgress(share, doing)
            self._tell(self._told)

    def stop(self) -> None:
        """Stop writing; nothing is left half-written."""
        self._cancel.set()

    def wait(self, timeout: float | None) -> bool:
        """Wait until nothing is being written.

        Parameters
        ----------
        timeout : float or None
            In seconds; None: as long as it takes.

        Returns
        -------
        bool
            False when the time passed before.
        """
        return self._thread.wait(timeout)

    def close(self) -> None:
        """Stop writing, and end the thread."""
        self.stop()
        self._thread.close()


class Export:
    """Runs the whole recipe for a file, keeping the last result for the next file of the same recipe.

    Parameters
    ----------
    told : callable
        Called with (share 0..1, doing).
    """

    def __init__(self, told: Progress) -> None:
        self._told = told
        self._last: tuple[Stack, Snapshot, Result] | None = None

    def result(self, stack: Stack, snapshot: Snapshot, cancel: Cancel) -> Result:
        """The finished image and its record.

        Parameters
        ----------
        stack : Stack
        snapshot : Snapshot
            The recipe as it stood.
        cancel : Cancel

        Returns
        -------
        Result
        """
        if self._last is not None and self._last[0] is stack and self._last[1] == snapshot:
            return self._last[2]
        self.forget()
        result = snapshot.recipe.run(stack, facts=snapshot.frozen, progress=self._told, cancel=cancel)
        self._last = (stack, snapshot, result)
        return result

    def picture(
        self, path: Path, stack: Stack, snapshot: Snapshot, cancel: Cancel, *, overwrite: bool, **options: Any
    ) -> None:
        """Write the picture with its recipe and record, as ``workbench run`` would.

        Parameters
        ----------
        path : Path
        stack : Stack
        snapshot : Snapshot
            The recipe as it stood.
        cancel : Cancel
        overwrite : bool
        **options
            As of `workbench.io.encode`.
        """
        checked_format(path, snapshot.recipe.tones(stack.tone)[-1])
        result = self.result(stack, snapshot, cancel)
        self._told(1.0, f"writing {path.name}")
        result.save(path, overwrite=overwrite, **options)

    def layers(
        self, path: Path, stack: Stack, snapshot: Snapshot, cancel: Cancel, *, overwrite: bool, **options: Any
    ) -> None:
        """Write starless layer and stars beside the picture ``path``.

        Parameters
        ----------
        path : Path
        stack : Stack
        snapshot : Snapshot
            The recipe as it stood.
        cancel : Cancel
        overwrite : bool
        **options
            As of `workbench.io.encode`.
        """
        recipe = snapshot.recipe
        checked_format(path, recipe.tones(stack.tone)[recipe.apart or 0])
        result = self.result(stack, snapshot, cancel)
        layers = recipe.layers_of(stack, result, progress=self._told, cancel=cancel)
        recipe.save_layers(path, layers, overwrite=overwrite, **options)

    def outputs(self, path: Path, stack: Stack, snapshot: Snapshot, cancel: Cancel, *, overwrite: bool) -> None:
        """Write the recipe's outputs beside the picture ``path``.

        Parameters
        ----------
        path : Path
        stack : Stack
        snapshot : Snapshot
            The recipe as it stood.
        cancel : Cancel
        overwrite : bool
        """
        _must_be_shown("an output", stack, snapshot)
        result = self.result(stack, snapshot, cancel)
        self._told(1.0, "writing the outputs")
        result.save_outputs(path, snapshot.outputs, overwrite=overwrite)

    def labelled(
        self,
        path: Path,
        stack: Stack,
        snapshot: Snapshot,
        cancel: Cancel,
        *,
        overwrite: bool,
        grid: bool,
        names: bool,
    ) -> None:
        """Write a copy of the picture with labels on it, or with a name in .svg the labels alone.

        Parameters
        ----------
        path : Path
        stack : Stack
        snapshot : Snapshot
            The recipe as it stood.
        cancel : Cancel
        overwrite : bool
        grid, names : bool
            Lines of right ascension and declination; names of objects and bright stars.
        """
        if path.suffix.lower() != ".svg":
            checked_format(path)
        _must_be_shown("a labelled copy", stack, snapshot)
        result = self.result(stack, snapshot, cancel)
        self._told(1.0, f"writing {path.name}")
        save_labelled(result.image, path, grid=grid, objects=names, stars=names, overwrite=overwrite)

    def record(self, path: Path, stack: Stack, snapshot: Snapshot, cancel: Cancel, *, overwrite: bool) -> None:
        """Write the run record.

        Parameters
        ----------
        path : Path
        stack : Stack
        snapshot : Snapshot
            The recipe as it stood.
        cancel : Cancel
        overwrite : bool
        """
        self.result(stack, snapshot, cancel).record.save(path, overwrite=overwrite)

    def sheet(self, path: Path, stack: Stack, snapshot: Snapshot, cancel: Cancel, *, overwrite: bool) -> None:
        """Write what every step does as a page (.html) or a notebook (.ipynb).

        Parameters
        ----------
        path : Path
        stack : Stack
        snapshot : Snapshot
            The recipe as it stood.
        cancel : Cancel
        overwrite : bool
        """
        checked_suffix(path)
        result = self.result(stack, snapshot, cancel)
        write_lesson(path, stack, snapshot.recipe, result, overwrite=overwrite, progress=self._told, cancel=cancel)

    def forget(self, snapshot: Snapshot | None = None) -> None:
        """Free the last result's memory; with ``snapshot``, only where it is of another one.

        Parameters
        ----------
        snapshot : Snapshot, optional
        """
        if self._last is not None and self._last[1] != snapshot:
            self._last = None


def _must_be_shown(what: str, stack: Stack, snapshot: Snapshot) -> None:
    """Refuse what is made of a finished picture where the recipe ends with linear light."""
    if snapshot.recipe.tones(stack.tone)[-1] is Tone.LINEAR:
        raise WorkbenchError(
            f"{what} is made of a finished picture, and the recipe ends with linear light: put a stretch into it"
        )

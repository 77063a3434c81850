"""Who works off the stacks of a batch: this process, a child of it that may die, or the workers of a cluster."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Iterator
from contextlib import closing, suppress
from functools import partial
from multiprocessing.connection import Connection
from time import monotonic
from typing import Any

from typer import echo

from workbench.cli.batch import Outcome
from workbench.cli.faults import ended_as_interrupted, tell
from workbench.cli.jobs import StackJob, Voice, Work, outcome
from workbench.engine.cluster import LOCAL, connected
from workbench.engine.progress import progress_bar, watched

__all__ = ["here", "in_child", "on_cluster"]

_BETWEEN = 0.1  #: seconds between two words about progress
#: How often a stack is tried again when its worker died.
_RETRIES = 2
Results = Iterator[tuple[StackJob, Outcome]]


def here(jobs: list[StackJob], work: Work) -> Results:
    """One after the other in this process."""
    for job in jobs:
        yield job, outcome(job, work, Voice())


def in_child(jobs: list[StackJob], work: Work) -> Results:
    """One after the other in a process of its own: what kills it there costs one stack, and a new process.

    Compiled decoders unpack bytes from anywhere; a fault in one of them ends the process that it runs in.
    """
    with closing(_Child(work)) as child:
        for job in jobs:
            yield job, child.outcome(job)


class _Child:
    """A process that works off jobs, started when there is one and again after it has died."""

    def __init__(self, work: Work) -> None:
        self._work = work
        self._process: Any = None
        self._pipe: Connection | None = None

    def outcome(self, job: StackJob) -> Outcome:
        pipe = self._pipe or self._started()
        shows = not self._work.wishes.quiet and watched()
        try:
            pipe.send(job)
            if not shows:
                return self._heard(pipe, None)
            with progress_bar(job.stack.name) as bar:
                return self._heard(pipe, bar)
        except (EOFError, ConnectionError):
            says = f"the process that worked on it ended early ({self._ended()}): its file may be damaged"
            tell(f"{job.stack}: {says}")
            return Outcome(str(job.stack), "failed", says)

    def _heard(self, pipe: Connection, bar: Any) -> Outcome:
        while True:
            kind, what = pipe.recv()
            if kind == "became":
                became: Outcome = what
                return became
            if kind == "raised":
                raise what
            if kind == "progress":
                if bar is not None:
                    bar(*what)
            else:
                (echo if kind == "said" else tell)(what)

    def _started(self) -> Connection:
        # Not forked: a copy of a process with threads may stand still.
        context = multiprocessing.get_context("spawn")
        mine, other = context.Pipe()
        self._process = context.Process(target=_serve, args=(other, self._work), daemon=True)
        self._process.start()
        other.close()
        self._pipe = mine
        return mine

    def _ended(self) -> str:
        """How the process ended, in words; the next job starts another."""
        process, pipe = self._process, self._pipe
        self._process = self._pipe = None
        if pipe is not None:
            pipe.close()
        process.join()
        code = process.exitcode or 0
        if code >= 0:
            return f"exit code {code}"
        with suppress(ValueError):
            return signal.Signals(-code).name
        return f"signal {-code}"

    def close(self) -> None:
        """End the process: at once when it is idle, else as an interrupt would, so that it takes half files away."""
        if self._process is None:
            return
        if self._pipe is not None:
            self._pipe.close()
        self._process.join(0.2)
        if self._process.is_alive():
            self._process.terminate()
            self._process.join(10)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()


def _serve(pipe: Connection, work: Work) -> None:
    """What the child does: jobs from the pipe, and everything it has to say into it."""
    last = 0.0

    def progress(share: float, doing: str) -> None:
        nonlocal last
        if monotonic() - last > _BETWEEN:
            last = monotonic()
            pipe.send(("progress", (share, doing)))

    voice = Voice(lambda text: pipe.send(("said", text)), lambda text: pipe.send(("complained", text)), progress)
    with suppress(EOFError, ConnectionError, KeyboardInterrupt), ended_as_interrupted():
        while True:
            job = pipe.recv()
            try:
                pipe.send(("became", outcome(job, work, voice)))
            except Exception as error:  # noqa: BLE001 - raised again by who listens
                pipe.send(("raised", error))


def on_cluster(jobs: list[StackJob], work: Work) -> Results:
    """Each the task of one worker of a cluster, which must see the files by the same names."""
    with connected(work.wishes.on or LOCAL) as client:
        from distributed import as_completed  # noqa: PLC0415 - an extra

        tasks = client.map(partial(_told, work=work), jobs, retries=_RETRIES, pure=False)
        of_task = dict(zip((task.key for task in tasks), jobs, strict=True))
        shows = not work.wishes.quiet and watched()
        try:
            for done, task in enumerate(as_completed(tasks), 1):
                job = of_task[task.key]
                if task.status == "finished":
                    became, said = task.result()
                    for words, wrong in said:
                        (tell if wrong else echo)(words)
                else:
                    says = f"its worker ended early, {_RETRIES + 1} times ({type(task.exception()).__name__})"
                    tell(f"{job.stack}: {says}")
                    became = Outcome(str(job.stack), "failed", says)
                if shows:
                    tell(f"{done} of {len(jobs)} stacks are done")
                yield job, became
        except BaseException:
            client.cancel(tasks)
            raise


def _told(job: StackJob, work: Work) -> tuple[Outcome, list[tuple[str, bool]]]:
    """What became of a job, and what was said about it (True: on standard error)."""
    said: list[tuple[str, bool]] = []
    voice = Voice(lambda t: said.append((t, False)), lambda t: said.append((t, True)), lambda _share, _doing: None)
    return outcome(job, work, voice), said

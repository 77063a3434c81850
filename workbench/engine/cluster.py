"""Tiles made by other processes, of this computer or of a cluster (extra ``cluster``: dask, distributed).

Frames lie in files of a scratch folder that all processes see. A task is one row of the fixed grid's tiles: it reads
the rows it needs, with the group's reach around them, makes the tiles as a thread of this process would, and writes
them to their places in the next frame. So the bytes are those of a run on one computer, whoever makes which tile.

A task reads one frame and writes its own part of another, hence can be made again: a worker that dies in the middle
costs the rows it was at. Measuring stays in this process, over frames that are paged in from their files.
"""

from __future__ import annotations

import logging
import tempfile
import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.engine.chain import BoundStep
from workbench.engine.groups import Workspace, make_tile
from workbench.engine.progress import Cancel
from workbench.engine.tile_pool import OnTile, TilePool, Traces, watched
from workbench.engine.tiles import cut, tile_rects
from workbench.engine.trace import Trace
from workbench.errors import WorkbenchError
from workbench.io.atomic import locked, temporary_name
from workbench.io.scratch import Scratch, StoredArray, stored
from workbench.io.source_file import reason
from workbench.operations.base import Planes, Rect
from workbench.threads import default_threads, use_threads

if TYPE_CHECKING:
    from distributed import Client, LocalCluster

__all__ = ["LOCAL", "ClusterPool", "connected", "pool_for"]

#: The word for a cluster of processes of this computer.
LOCAL = "dask"
#: How often a task is made again when it fails, or its worker dies.
_RETRIES = 3
CONNECT_SECONDS = 10


@dataclass(frozen=True, slots=True)
class _Pass:
    """What all tasks of a pass share; it lies in a file, as plans may be large."""

    group: Sequence[BoundStep]
    source: StoredArray
    target: StoredArray
    traced: bool


class ClusterPool(TilePool):
    """A tile pool whose tiles are made by the workers of a cluster.

    Parameters
    ----------
    client : distributed.Client
    scratch : Scratch
        In a folder that all workers see.
    threads : int, optional
        Of this process, for measuring. Default: all cores.
    cancel : Cancel, optional
        Heeded when a task is done.
    """

    # A task that is made again must find its input as it was.
    in_place = False

    def __init__(
        self, client: Client, scratch: Scratch, threads: int | None = None, cancel: Cancel | None = None
    ) -> None:
        super().__init__(threads, cancel, scratch)
        self._client, self._folder = client, scratch.folder

    def _pass(
        self, group: Sequence[BoundStep], source: Planes, target: Planes, traces: Traces, on_tile: OnTile | None
    ) -> None:
        import cloudpickle  # noqa: PLC0415 - comes with the extra
        from distributed import as_completed  # noqa: PLC0415

        read, written = stored(source), stored(target)
        assert read is not None, "frames of a cluster lie in files"
        assert written is not None
        rects = tile_rects(group[-1].after.height, group[-1].after.width, group[0].size)
        rows = [[r for r in rects if r.y0 == y0] for y0 in sorted({r.y0 for r in rects})]
        shared = cloudpickle.dumps(_Pass(group, read, written, traced=traces is not None))
        with _in_a_file(self._folder / "pass", shared) as work:
            # Not pure: a pass over the same frames is new work, whatever its arguments.
            tasks = self._client.map(_made, [str(work)] * len(rows), rows, retries=_RETRIES, pure=False)
            try:
                for _, found in as_completed(tasks, with_results=True):
                    for index, trace in found.items():
                        (traces or {})[index].merge(trace)
                    if on_tile:
                        on_tile(group, 1.0 / len(rows))
                    self.cancel.check()
            except BaseException:
                self._client.cancel(tasks)
                raise


@contextmanager
def _in_a_file(name: Path, data: bytes) -> Iterator[Path]:
    """Data in a file that goes with the block, or with whoever uses the folder next after this process was killed."""
    path = temporary_name(name)
    with ExitStack() as held:
        held.callback(path.unlink, missing_ok=True)
        try:
            file = held.enter_context(path.open("xb"))
            locked(file)
            file.write(data)
            file.flush()
        except OSError as error:
            raise WorkbenchError(f"cannot write in {name.parent}: {reason(error)}") from error
        yield path


def _made(work: str, rects: Sequence[Rect]) -> dict[int, Trace]:
    """Make a row of tiles; what their traces saw, by place of the step in the recipe."""
    try:
        return _made_between_files(work, rects)
    except OSError as error:
        raise WorkbenchError(
            f"a worker cannot use the scratch folder {Path(work).parent}, which all of them must see: {reason(error)}"
        ) from error


def _made_between_files(work: str, rects: Sequence[Rect]) -> dict[int, Trace]:
    shared = _loaded(work)
    source = shared.source.opened()
    traces = {b.index: Trace(b.after) for b in shared.group} if shared.traced else None

    def fill(rect: Rect, out: Planes) -> None:
        cut(source, rect, out)

    with use_threads(1):
        for rect in rects:
            tile = make_tile(shared.group, rect, fill, _workspace(), watched(traces, rect))
            shared.target.write(tile, rect.y0, rect.x0)
    return traces or {}


_OF_A_THREAD = threading.local()


def _workspace() -> Workspace:
    """That of this thread of a worker."""
    if not hasattr(_OF_A_THREAD, "space"):
        _OF_A_THREAD.space = Workspace()
    space: Workspace = _OF_A_THREAD.space
    return space


@lru_cache(maxsize=1)
def _loaded(work: str) -> _Pass:
    import cloudpickle  # noqa: PLC0415 - comes with the extra

    loaded: _Pass = cloudpickle.loads(Path(work).read_bytes())
    return loaded


@contextmanager
def connected(scheduler: str | Client) -> Iterator[Client]:
    """A client of a cluster; one that is started here ends with the block.

    Parameters
    ----------
    scheduler : str or distributed.Client
        "dask" for one process a core of this computer; the address of a scheduler; or a client, which stays open.

    Yields
    ------
    distributed.Client

    Raises
    ------
    WorkbenchError
        When the extra is not installed, or no scheduler answers.
    """
    try:
        import distributed  # noqa: PLC0415 - an extra
    except ImportError:
        raise WorkbenchError(
            "work on a cluster needs the packages of the extra 'cluster': pip install 'post-stack-workbench[cluster]'"
        ) from None
    if isinstance(scheduler, distributed.Client):
        yield scheduler
        return
    if scheduler == LOCAL:
        with _local(default_threads()) as cluster, distributed.Client(cluster) as client:
            yield client
        return
    try:
        client = distributed.Client(scheduler, timeout=CONNECT_SECONDS)
    except (OSError, ValueError, TypeError) as error:
        raise WorkbenchError(
            f"no scheduler answers at {scheduler!r} ({type(error).__name__}): start one with 'dask scheduler', and "
            "give the address it says, such as tcp://192.168.1.20:8786"
        ) from None
    with client:
        yield client


@contextmanager
def _local(workers: int) -> Iterator[LocalCluster]:
    """So many processes of this computer, which nobody else can send work to: their keys are made for this run."""
    import dask  # noqa: PLC0415 - an extra
    import distributed  # noqa: PLC0415

    quiet: dict[str, Any] = {
        f"distributed.{who}.http.routes": [] for who in ("scheduler", "worker")
    }  # pages that nobody asked for
    # Mapped files count as a worker's memory though the system may drop them, so workers keep no watch on it.
    options: dict[str, Any] = {"threads_per_worker": 1, "memory_limit": 0, "dashboard_address": "127.0.0.1:0"}
    with (
        dask.config.set(quiet),
        distributed.LocalCluster(
            n_workers=workers, processes=True, security=True, silence_logs=logging.ERROR, **options
        ) as cluster,
    ):
        yield cluster


@contextmanager
def pool_for(
    threads: int | None, cancel: Cancel | None, scratch: Any = None, scheduler: str | Client | None = None
) -> Iterator[TilePool]:
    """The tile pool that a run asks for: threads, frames in memory or on disk, this process or a cluster.

    Parameters
    ----------
    threads : int or None
    cancel : Cancel or None
    scratch : path or Scratch, optional
    scheduler : str or distributed.Client, optional
        As of `Recipe.run`.

    Yields
    ------
    TilePool
    """
    if scratch is None and scheduler is None:
        yield TilePool(threads, cancel)
        return
    folder = Scratch(tempfile.gettempdir() if scratch is None else scratch)
    try:
        if scheduler is None:
            yield TilePool(threads, cancel, folder)
        else:
            with connected(scheduler) as client:
                yield ClusterPool(client, folder, threads, cancel)
    except BaseException:
        folder.discard()
        raise

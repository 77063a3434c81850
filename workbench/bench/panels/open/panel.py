"""The drawer for opening a stack or a recipe: by path, by looking through folders, by upload."""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar

from workbench.bench.commands.dispatch import beside, request
from workbench.bench.context import Context
from workbench.bench.drawer import Drawer
from workbench.bench.events import Event, StackOpened
from workbench.bench.panel import Panel
from workbench.bench.panels.open.files import Files, listing, stack_suffixes
from workbench.bench.recent import recent_stacks
from workbench.io.formats import titles

__all__ = ["OpenDrawer"]


#: Sample stacks that come with the workbench, and what they show.
SAMPLES = {
    "lantern_nebula": "gas lit by a knot of young stars, cut by dust lanes",
    "millwheel_galaxy": "a two-armed spiral with two small companions",
    "beehouse_cluster": "young blue stars drifting through dust that they light",
    "woodsmoke_nebulosity": "faint dust from edge to edge, no empty sky anywhere",
}


class OpenDrawer(Panel):
    """Opening a stack or a recipe."""

    module = "open"
    place: ClassVar[Drawer] = Drawer("Open…", "another stack, or a recipe", stands="start", needs_stack=False)

    def __init__(self, context: Context, **kwargs: Any) -> None:
        samples = [{"name": name, "words": words} for name, words in SAMPLES.items()]
        state: dict[str, Any] = {"opened": False, "folder": None, "samples": samples, "recent": _recent(), "tone": None}
        state |= {"kinds": titles("or", linear_only=True), "suffixes": stack_suffixes()}
        super().__init__(context, state=state, **kwargs)
        self._session, self._call = context.session, context.call
        self.files = Files(Path.cwd())

    @property
    def owners(self) -> tuple[Any, ...]:
        return self, self.files

    def hear(self, event: Event) -> None:
        if isinstance(event, StackOpened):
            path = self._session.path
            self.files.home = Path.cwd() if path is None else path.resolve().parent
            self.put(opened=True, folder=None, tone=str(self._session.opened_stack().tone))

    @request
    def recent(self) -> None:
        """List the stacks that were open last."""
        self.put(recent=_recent())

    @request
    def browse(self, path: str | None = None) -> None:
        """List a folder.

        Parameters
        ----------
        path : str, optional
            Default: the folder of the stack.
        """
        self.put(folder=listing(path, self.files.home))

    @beside("background")
    def upload_end(self, token: str) -> str:
        """Give an uploaded file its name, and open it.

        Parameters
        ----------
        token : str

        Returns
        -------
        str
            The file's path.
        """
        path = str(self.files.upload_finish(token))
        self._call("open", path=path)
        return path

    def close(self) -> None:
        """Forget uploads, and leave the page."""
        self.files.close()
        super().close()


def _recent() -> list[dict[str, str]]:
    """The stacks that were open last: name, path, folder."""
    return [{"name": path.name, "path": str(path), "folder": str(path.parent)} for path in recent_stacks()]

"""The picture: takes views to every page that shows them, and what lies over them; answers what is done with it."""

from __future__ import annotations

import base64
import threading
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from workbench.bench.commands.dispatch import beside, request
from workbench.bench.commands.draw import drawings
from workbench.bench.context import Context
from workbench.bench.events import (
    Busy,
    Event,
    Failed,
    Opening,
    OverlaysChanged,
    Picked,
    Pointed,
    RecipeChanged,
    SelectionChanged,
    Settled,
    StackOpened,
    VariantsChanged,
    ViewChanged,
)
from workbench.bench.limits import MASK_TOOLS
from workbench.bench.panel import Panel
from workbench.bench.panels.viewer.overlays import mask_picture, offered, overlay_data, picked_data, pointed_data
from workbench.bench.panels.viewer.probe import probe
from workbench.bench.panels.viewer.sky import SKY_OVERLAYS, StackSky, sky_of
from workbench.bench.sides import Comparison
from workbench.bench.views import Viewed, encoded
from workbench.bench.wording import sentence_of
from workbench.engine import View
from workbench.engine.transform import Transform
from workbench.errors import WorkbenchError
from workbench.measure.stars import Stars, find_stars
from workbench.operations.base import registered
from workbench.operations.drawing import Drawing, Strokes

__all__ = ["Viewer"]

#: Largest blocks of pixels whose means make a close-up.
_LARGEST_BLOCK = 4
#: Width in pixels of a mask that lies over the picture.
_MASK_WIDTH = 800

_START: dict[str, Any] = {
    "frame": None,
    "tool": "look",
    "tools": [],
    "overlays": [],
    "overlay_data": {},
    "compare": {"kind": "none", "step": None, "name": None},
    "steps": [],
    "variants": [],
    "divider": 0.5,
    "busy": False,
    "message": "",
    "frame_of": None,
    "stack": None,
    "opening": None,
    "brightened": True,
    "proof": None,
    "layers": {"offered": False, "shown": "both", "before": None},
}


class Viewer(Panel):
    """The picture: zoom, exact pixels, before and after, overlays, and what is drawn on it."""

    module = "viewer"
    place: ClassVar[Literal["main"]] = "main"

    def __init__(self, context: Context, **kwargs: Any) -> None:
        self._last: dict[str, tuple[dict[str, Any], list[bytes]]] = {}
        # Reentrant: a page that is gone may answer a send with a message of its own.
        self._sending = threading.RLock()
        self._context = context
        self._on: set[str] = set()
        self._pointed = Pointed()
        self._picked = Picked()
        self._stars: Stars | None = None
        self._stars_of: object = None
        self._sky: StackSky | None = None
        super().__init__(context, state=dict(_START), **kwargs)

    # -- what is shown -------------------------------------------------------------------------------------------

    def hear(self, event: Event) -> None:
        match event:
            case Viewed():
                self.send_frame(*_fit_message(event))
                return
            case Opening(name=name):
                self.put(opening=name)
                return
            case StackOpened():
                self._context.tools.take("look")
                self._stars = self._stars_of = None
                self._sky = sky_of(self._context.session.opened_stack())
                self._on -= set() if self._sky else set(SKY_OVERLAYS)
                self._pointed, self._picked = Pointed(), Picked()
                self.put(stack=self._context.session.opened_stack().source.name)
                return
            case Busy():
                self.put(busy=True, message="")
                return
            case Failed(error=error):
                self.put(busy=False, message=sentence_of(error))
            case Settled():
                self.put(busy=False, message="")
            case SelectionChanged():
                self._context.tools.put_down()
            case Pointed() | Picked():
                self._point(event)
            case RecipeChanged() | VariantsChanged() | ViewChanged() | OverlaysChanged():
                pass
            case _:
                return
        self._show()

    def _show(self) -> None:
        session, views, tools = self._context.session, self._context.views, self._context.tools
        data: dict[str, Any] = {}
        if views.preview is not None:
            data = overlay_data(session, views.facts, self._way, self._on, tools.name, self._stars, self._sky)
            data["mask"] = self._mask()
            data["picked"] = picked_data(session, views.facts, self._way, self._picked)
            if (of_stack := self._way(0)) is not None:
                data["shown"] += pointed_data(self._pointed, of_stack)
        state = {
            "compare": views.comparison.state(),
            "steps": [held.step.operation.id for held in session.steps],
            "variants": list(session.variants),
            "tool": tools.name,
            "tools": [
                {
                    "id": name,
                    "step": name.partition(".")[0],
                    "kind": drawing.kind,
                    "words": drawing.tool,
                    "help": drawing.help,
                    "item": drawing.item,
                    "many": drawing.many,
                    "radius": drawing.radius if isinstance(drawing, Strokes) else None,
                }
                for name, drawing in self._drawings()
            ],
            "overlays": [
                {"id": name, "words": words, "on": name in self._on} for name, words in self._offered().items()
            ],
            "overlay_data": data,
            "frame_of": tools.shown_before,
            "brightened": views.brightened,
            "proof": None if views.printer is None else views.printer.name,
            "layers": self._layers(),
        }
        self.put(**state)

    def _offered(self) -> dict[str, str]:
        """The overlays that there are for this stack and recipe, with words for their switches."""
        return offered(self._context.session, located=self._sky is not None)

    def _drawings(self) -> list[tuple[str, Drawing]]:
        """All that can be drawn, by the names of tools; masks where the chosen step can be limited."""
        session = self._context.session
        mine = [(name, drawing) for name, (_, drawing) in drawings().items()]
        limited = session.selected is not None and session.steps[session.selected].step.blends
        return [*mine, *(MASK_TOOLS.items() if limited else ())]

    def _mask(self) -> dict[str, Any] | None:
        """The mask of the chosen step as a picture and where that lies in the frame shown; None where none is wanted.

        It lies over the picture while one of its tools is in hand, too.
        """
        session, preview, index = self._context.session, self._context.views.preview, self._context.session.selected
        alone = "mask_alone" in self._on
        if not (alone or "mask" in self._on or self._context.tools.name in MASK_TOOLS):
            return None
        if preview is None or index is None or (where := session.steps[index].step.where) is None:
            return None
        seen, way = preview.mask(index, _MASK_WIDTH), self._way(0)
        if seen is None or way is None:
            return {"says": "mask: what it goes by is not measured yet"}
        matrix = way.matrix @ seen.place[:, :2]
        place = np.column_stack([matrix, way.matrix @ seen.place[:, 2] + way.shift])
        picture = base64.b64encode(mask_picture(seen.weights, alone=alone)).decode("ascii")
        return {
            "says": f"mask: the step changes only what lies {where.words()}",
            "picture": f"data:image/png;base64,{picture}",
            "place": _edges(place),
        }

    def _point(self, event: Pointed | Picked) -> None:
        """Mark the place of a finding, or a point, in place of the last one."""
        if isinstance(event, Picked):
            self._picked = event
            return
        self._on -= set(self._pointed.switches)
        self._on |= set(event.switches)
        if "stars" in event.switches:
            self.find_stars()
        self._pointed = event

    def _layers(self) -> dict[str, Any]:
        """Whether layers can be seen alone, which one is, and before which step of the recipe (None: at its end)."""
        recipe, upto = self._context.session.recipe, self._context.views.upto
        offered = recipe.apart is not None
        before = upto if offered and self._context.views.layer != "both" else None
        return {"offered": offered, "shown": self._context.views.layer, "before": before}

    def _way(self, start: int) -> Transform | None:
        """From the frame after ``start`` steps to the one shown."""
        return self._context.views.way(start, self._context.views.upto)

    def send_frame(self, message: dict[str, Any], buffers: list[bytes]) -> None:
        """Send pixels to the page, from any thread; the last whole frame of each side is kept for pages that come.

        Parameters
        ----------
        message : dict
            ``kind`` "fit" (a JPEG of the whole frame), "loupe" or "lens" (RGB bytes of a part, to lie over it or under
            the magnifier), ``side`` "now" or "before", ``generation``, and what belongs to the kind. By the places on
            the stack that come with each fit view the page lines up the two sides.
        buffers : list of bytes
        """
        with self._sending:
            if message["kind"] == "fit":
                self._last[message["side"]] = (message, buffers)
            self.send(message, buffers)

    # -- what the page asks for ----------------------------------------------------------------------------------

    @request
    def hello(self) -> int:
        """Send the last frames again, marked so that pages that have them do nothing; returns how many."""
        with self._sending:
            newest = max((message["generation"] for message, _ in self._last.values()), default=0)
            current = [frame for frame in self._last.values() if frame[0]["generation"] == newest]
            for message, buffers in current:
                self.send({**message, "again": True}, buffers)
        return len(current)

    @request
    def view_width(self, width: int) -> None:
        """The picture's width on the screen changed.

        Parameters
        ----------
        width : int
            In pixels of the screen.
        """
        feed, width = self._context.views.feed, int(np.clip(width, 200, 4000))
        if width != feed.width:
            feed.resize(width)

    @beside("look")
    def loupe(
        self, y0: int, x0: int, height: int, width: int, before: bool = False, draft: bool = False, block: int = 1
    ) -> dict[str, Any] | None:
        """Send the pixels of a region: exact, or those of a draft, of which there may be none.

        Of blocks of ``block`` x ``block`` pixels the means are sent.

        Parameters
        ----------
        y0, x0 : int
            First row and column.
        height, width : int
            In pixels.
        before : bool
            Whether of the other side of the divider.
        draft : bool
        block : int

        Returns
        -------
        dict or None
        """
        return self._send_part("loupe", y0, x0, height, width, before=before, draft=draft, block=block)

    @beside("look")
    def magnify(self, y0: int, x0: int, height: int, width: int, before: bool = False, draft: bool = False) -> bool:
        """Send the pixels under the magnifier.

        Parameters
        ----------
        y0, x0, height, width : int
            The region at 1:1, in pixels of the frame shown.
        before : bool
            Whether of the other side of the divider.
        draft : bool
            Whether facts that are not measured yet may be guessed.

        Returns
        -------
        bool
            Whether there are any yet.
        """
        return self._send_part("lens", y0, x0, height, width, before=before, draft=draft) is not None

    def _send_part(
        self, kind: str, y0: int, x0: int, height: int, width: int, *, before: bool, draft: bool, block: int = 1
    ) -> dict[str, Any] | None:
        """Send the pixels of a region, and return its place; None where there are none yet."""
        y0, x0, block = max(0, int(y0)), max(0, int(x0)), int(np.clip(block, 1, _LARGEST_BLOCK))
        height, width = int(np.clip(height, 1, 2400 * block)), int(np.clip(width, 1, 3200 * block))
        feed = self._context.views.feed
        generation, seen = feed.loupe(y0, x0, height, width, before=before, draft=draft, block=block)
        if seen is None:
            return None
        h, w, _ = seen.pixels.shape
        about = {"side": "before" if before else "now", "generation": generation, "draft": seen.draft}
        place = {"y0": y0, "x0": x0, "height": h * block, "width": w * block}
        image = {"block": block, "size": [h, w]}
        self.send_frame({"kind": kind, **about, **place, **image}, [seen.pixels.tobytes()])
        return place

    @beside("look")
    def probe(self, y: int, x: int, before: bool = False, near: float = 4.0) -> dict[str, Any]:
        """Values under the pointer, on one side of the divider.

        Parameters
        ----------
        y, x : int
            Row and column.
        before : bool
            Whether of the other side of the divider.
        near : float
            How far off a star of a catalogue may lie, in pixels of the frame.

        Returns
        -------
        dict
            As `probe.probe` gives it.
        """
        self._context.session.opened_stack()
        views = self._context.views
        side = (views.before() if before else None) or views.now()
        return probe(side, int(y), int(x), self._stars, self._sky, near=float(near))

    @request
    def compare(self, step: int | None = None, variant: str | None = None, upto: int | None = None) -> None:
        """Show the picture before ``step``, or a variant, on the other side of the divider; neither: no divider.

        ``upto`` is how many steps the near side shows (default: all), so that any two places can be compared.

        Parameters
        ----------
        step : int, optional
            From 0.
        variant : str, optional
        upto : int, optional

        Raises
        ------
        WorkbenchError
            When there is no such step or variant.
        """
        if variant is not None and variant not in self._context.session.variants:
            raise WorkbenchError(f"there is no variant {variant!r}")
        step, upto = (None if place is None else int(place) for place in (step, upto))
        self._context.views.compare(Comparison(step, variant, upto))

    @request
    def brighten(self, on: bool) -> None:
        """Brighten linear light for the screen, or show it as it is.

        Parameters
        ----------
        on : bool
        """
        self._context.views.brighten(bool(on))

    @request
    def end_proof(self) -> None:
        """Show finished pictures as they are, not as a printer will print them."""
        self._context.views.proof(None)

    @request
    def see(self, layer: str) -> None:
        """Show the starless layer or the stars alone, or both, where stars lie apart.

        Parameters
        ----------
        layer : {"starless", "stars", "both"}

        Raises
        ------
        WorkbenchError
            When there is no such layer.
        """
        match layer:
            case "both" | "starless" | "stars":
                self._context.views.see(layer)
            case _:
                raise WorkbenchError(f"there is no layer {layer!r}; there are both, starless and stars")

    @request
    def tool(self, name: str) -> None:
        """Choose what dragging on the picture does.

        Parameters
        ----------
        name : str
        """
        self._context.tools.take(name)
        self._context.tell(ViewChanged())

    @beside("look")
    def overlay(self, name: str, on: bool) -> None:
        """Switch an overlay on or off; stars are measured, names looked up, when they are first wanted.

        Parameters
        ----------
        name : str
        on : bool

        Raises
        ------
        WorkbenchError
            When there is no such overlay, or what it takes is not installed.
        """
        if name not in self._offered():
            raise WorkbenchError(f"there is no overlay {name!r}; there are {', '.join(self._offered())}")
        if name == "stars" and on:
            self.find_stars()
        if name == "names" and on and self._sky is not None:
            self._sky.find()
        (self._on.add if on else self._on.discard)(name)
        self._context.tell(OverlaysChanged())

    @request
    def pick(self, overlay: str | None = None, number: int = 0) -> None:
        """Mark one of the points that an operation shows, on the picture and in its plots.

        Parameters
        ----------
        overlay : str or None
            The overlay of the points; None: none is marked any more.
        number : int
            Of the point, from 0.

        Raises
        ------
        WorkbenchError
            When no step with such points is measured.
        """
        if overlay is None:
            self._context.tell(Picked())
            return
        session, facts = self._context.session, self._context.views.facts
        kind = next((kind for kind in registered() if overlay.startswith(f"{kind.id}.")), None)
        place = None if kind is None else session.place_of(kind)
        if place is None or place not in facts or number < 0:
            raise WorkbenchError(f"nothing is measured that {overlay!r} would show")
        self._context.tell(Picked(overlay, int(number), facts[place]))

    def find_stars(self) -> Stars | None:
        """The stars of the stack, measured once for each; None without a stack."""
        stack = self._context.session.stack
        if stack is not None and self._stars_of is not stack:
            self._stars = find_stars(stack.planes, stack.coverage)
            self._stars_of = stack
        return self._stars


def _fit_message(made: Viewed) -> tuple[dict[str, Any], list[bytes]]:
    """A view of the whole frame as it goes to the page."""
    view = made.view
    height, width, _ = view.pixels.shape
    message = {
        "kind": "fit",
        "side": made.name,
        "generation": made.generation,
        "draft": view.draft,
        "linear": made.side.linear,
        "scale": view.scale,
        "frame": list(view.shape),
        "size": [height, width],
        **_places(view),
    }
    return message, [encoded(view.pixels, draft=view.draft)]


def _places(view: View) -> dict[str, list[float] | None]:
    """Where the full frame and the view lie on the stack, each as the six numbers of a canvas's transform.

    A draft whose frame is not settled fills it from edge to edge, as far as can be told.
    """
    if view.place is None:
        return {"place": None, "image_place": None}
    place = _edges(view.place)
    if view.full_place is not None:
        return {"place": _edges(view.full_place), "image_place": place}
    across, down = view.pixels.shape[1] / view.shape[1], view.pixels.shape[0] / view.shape[0]
    a, b, c, d, x, y = place
    return {"place": [a * across, b * across, c * down, d * down, x, y], "image_place": place}


def _edges(place: NDArray[np.float64]) -> list[float]:
    """A place for coordinates in which pixel i covers i .. i + 1, column by column."""
    first = place[:, 2] + 0.5 - 0.5 * place[:, :2].sum(axis=1)
    return [*place[:, 0].tolist(), *place[:, 1].tolist(), *first.tolist()]

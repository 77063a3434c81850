"""What lies over the picture, as plain data for the page: what operations show and what is drawn, stars, masks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.measure import find_contours

from workbench.bench.commands.draw import drawings
from workbench.bench.events import Picked, Pointed
from workbench.bench.limits import MASK_TOOLS, masks_of
from workbench.bench.model import Session
from workbench.bench.panels.viewer.sky import SKY_OVERLAYS, StackSky
from workbench.engine.transform import Transform
from workbench.masks import DrawnMask
from workbench.measure.stars import Stars
from workbench.operations.base import Facts, Geometry, Operation, registered
from workbench.operations.drawing import Contours, Drawing, Outline, Overlay, Points
from workbench.operations.scatter_plot import ScatterPlot

__all__ = [
    "FRAME_OVERLAYS",
    "drawn_data",
    "mask_picture",
    "offered",
    "overlay_data",
    "picked_data",
    "plain_overlay",
    "pointed_data",
    "shown_data",
    "star_overlay",
]

#: Overlays of the frame itself, which belong to no operation: name -> words for the switch.
FRAME_OVERLAYS = {"stars": "Stars", "clipped": "Clipped", "mask": "Mask", "mask_alone": "Mask alone"}
#: More marks than this only hide the picture.
_MOST_STARS = 3000

#: The veil over what a mask leaves out: blue, green, red and cover, of 255. Slate is seen on dark and on bright.
_VEIL = (138, 116, 92, 150)

#: From the frame before a step (its place) to the frame shown; None while that is not known.
Way = Callable[[int], Transform | None]


def offered(session: Session, *, located: bool) -> dict[str, str]:
    """The overlays that there are, by name: words for the switch; of operations those whose step is in the recipe.

    Parameters
    ----------
    session : Session
    located : bool
        Whether it is known where the stack lies on the sky.

    Returns
    -------
    dict of str to str
    """
    kinds = (kind for kind in registered() if session.place_of(kind) is not None)
    of_steps = {f"{kind.id}.{name}": words for kind in kinds for name, words in kind.overlays.items()}
    return FRAME_OVERLAYS | (SKY_OVERLAYS if located else {}) | of_steps


def star_overlay(stars: Stars, way: Transform) -> list[list[float]]:
    """[y, x, fwhm, elongation, angle in degrees, saturated 0/1] of the brightest stars, where ``way`` leads to.

    Parameters
    ----------
    stars : Stars
    way : Transform

    Returns
    -------
    list of list of float
    """
    order = np.argsort(-np.asarray(stars.flux))[:_MOST_STARS]
    x, y = way.points(stars.x, stars.y)
    fwhm, angle = way.size * np.asarray(stars.fwhm), way.angle(stars.angle_deg)
    columns = (y, x, fwhm, stars.elongation, angle, stars.saturated)
    return [[round(float(c[i]), 2) for c in columns] for i in order]


def shown_data(session: Session, facts: dict[int, Facts], way: Way, on: set[str], tool: str) -> list[dict[str, Any]]:
    """What operations lay over the picture: what is switched ``on``, and what belongs to the tool in hand.

    Parameters
    ----------
    session : Session
    facts : dict of int to Facts
        By place in the recipe.
    way : Transform or callable
        From the frame of a step to the one shown.
    on : set of str
        Overlays that are on.
    tool : str
        The one in hand.

    Returns
    -------
    list of dict
        ``id``, ``words``, ``kind`` (points, contours, outline, or none where there is nothing to show yet), ``says``
        (a sentence for the legend), and what belongs to the kind; ``plotted``: whether its points are in a plot, too.
    """
    told: list[dict[str, Any]] = []
    for kind in registered():
        here = session.place_of(kind) is not None
        at_hand = _of_tool(kind, tool)
        wanted = [name for name in kind.overlays if (here and f"{kind.id}.{name}" in on) or name in at_hand]
        if not wanted:
            continue
        found = _of_step(session, kind, facts, way)
        for name in wanted:
            words = kind.overlays[name]
            nothing = {"kind": "none", "says": f"{words.lower()}: nothing is measured yet"}
            told.append({"id": f"{kind.id}.{name}", "words": words, **found.get(name, nothing)})
    return told


def _of_tool(kind: type[Operation], tool: str) -> set[str]:
    """Overlays of an operation that are shown while a tool is in hand."""
    return {d.overlay for d in kind.drawn if d.overlay and f"{kind.id}.{d.setting}" == tool}


def _of_step(session: Session, kind: type[Operation], facts: dict[int, Facts], way: Way) -> dict[str, dict[str, Any]]:
    place = session.place_of(kind)
    if place is None or place not in facts or session.stack is None or (here := way(place)) is None:
        return {}
    geometry = Geometry(*here.frame, session.stack.shape[2])
    shown = session.steps[place].step.operation.shown(facts[place], geometry)
    told = {o.name: plain_overlay(o, here, kind.overlays.get(o.name, "")) for o in shown}
    plotted = {o.points for o in shown if isinstance(o, ScatterPlot)}
    return {name: data | {"plotted": name in plotted} for name, data in told.items() if data is not None}


def picked_data(session: Session, facts: dict[int, Facts], way: Way, picked: Picked) -> dict[str, Any] | None:
    """Where the point lies that was picked, in the frame shown; None where it is of facts that are no more.

    Parameters
    ----------
    session : Session
    facts : dict of int to Facts
        By place in the recipe.
    way : Transform or callable
        From the frame of a step to the one shown.
    picked : Picked

    Returns
    -------
    dict or None
        ``x``, ``y``.
    """
    name, _, overlay = picked.overlay.partition(".")
    for place, known in facts.items():
        if known is not picked.facts or session.steps[place].step.operation.id != name:
            continue
        here, stack = way(place), session.opened_stack()
        if here is None:
            return None
        shown = session.steps[place].step.operation.shown(known, Geometry(*here.frame, stack.shape[2]))
        for points in shown:
            if isinstance(points, Points) and points.name == overlay and picked.number < len(points.x):
                x, y = here.points(points.x[picked.number], points.y[picked.number]).tolist()
                return {"overlay": picked.overlay, "number": picked.number, "x": x, "y": y}
    return None


def plain_overlay(overlay: Overlay, way: Transform, words: str) -> dict[str, Any] | None:
    """An overlay as plain data; None for what lies on the histogram.

    Parameters
    ----------
    overlay : Overlay
    way : Transform
    words : str
        For the legend.

    Returns
    -------
    dict or None
    """
    match overlay:
        case Points():
            return _points(overlay, way, words.lower())
        case Contours():
            return _contours(overlay, way)
        case Outline():
            return {"kind": "outline", "says": overlay.words, "region": way.region(overlay.region)}
        case _:
            return None


def _points(points: Points, way: Transform, words: str) -> dict[str, Any]:
    x, y = way.points(points.x, points.y)
    used = np.asarray(points.used, np.float64)
    count = int(used.sum())
    return {
        "kind": "points",
        "says": points.words or f"{words}: {count} used (rings), {len(used) - count} left out (crosses)",
        "points": np.round(np.stack([y, x, used], axis=-1), 2).tolist(),
    }


def _contours(field: Contours, way: Transform) -> dict[str, Any]:
    """The field's lines of equal value, a tenth of its range apart."""
    low, high = float(field.values.min()), float(field.values.max())
    share = (field.values - low) / (high - low or 1.0)
    # Node (row, column) is the middle of its cell.
    down, along = np.divide(way.frame, field.values.shape)
    lines = []
    for tenth in range(1, 10):
        for row, column in (line.T for line in find_contours(share, tenth / 10)):
            x, y = way.points((column + 0.5) * along - 0.5, (row + 0.5) * down - 0.5)
            lines.append({"tenth": tenth, "points": np.round(np.stack([y, x], axis=-1), 1).tolist()})
    return {"kind": "contours", "says": f"{field.words}; lines: every tenth of that range", "lines": lines}


def drawn_data(session: Session, facts: dict[int, Facts], way: Way, on: set[str], tool: str) -> list[dict[str, Any]]:
    """What is drawn on the picture: of the tool in hand, and of those that share an overlay that is on with it.

    Parameters
    ----------
    session : Session
    facts : dict of int to Facts
        By place in the recipe.
    way : Transform or callable
        From the frame of a step to the one shown.
    on : set of str
        Overlays that are on.
    tool : str
        The one in hand.

    Returns
    -------
    list of dict
        ``tool``, ``kind``, ``item``, ``says`` and ``items``: regions, places and rectangles in the frame shown,
        margins as they are.
    """
    told = []
    for name, (kind, drawing) in drawings().items():
        place = session.place_of(kind)
        at_hand = name == tool or f"{kind.id}.{drawing.overlay}" in on or drawing.overlay in _of_tool(kind, tool)
        if place is None or not at_hand or (way_here := way(place)) is None:
            continue
        settings = session.steps[place].step.operation.model_dump(mode="json")
        items = [_moved(drawing, item, way_here) for item in drawing.drawn(settings, facts.get(place))]
        says = f"hatched: {len(items)} {drawing.item}" if drawing.kind == "regions" and items else ""
        about = {"tool": name, "kind": drawing.kind, "item": drawing.item, "says": says}
        told.append({**about, "items": items, "count": len(items)})
    return [*told, *_mask_data(session, way, tool)]


def _mask_data(session: Session, way: Way, tool: str) -> list[dict[str, Any]]:
    """What the tool in hand has drawn of a mask of the chosen step; strokes are seen in the mask itself."""
    drawing, index = MASK_TOOLS.get(tool), session.selected
    if drawing is None or index is None:
        return []
    drawn = (m for m in masks_of(session.steps[index].step.where) if isinstance(m, DrawnMask) and m.drawn is drawing)
    mask = next(drawn, None)
    here = None if mask is None else way(0 if mask.frame == "stack" else index)
    if mask is None or here is None:
        return []
    items = [_moved(drawing, item, here) for item in drawing.drawn(mask.model_dump(mode="json"), None)]
    told = {"tool": tool, "kind": drawing.kind, "item": drawing.item, "says": ""}
    return [{**told, "items": items if drawing.kind != "strokes" else [], "count": len(items)}]


def mask_picture(weights: NDArray[np.float32], *, alone: bool) -> bytes:
    """A mask as a PNG to lie over the picture.

    Parameters
    ----------
    weights : ndarray, shape (h, w), float32
        0..1.
    alone : bool
        Whether it hides the picture: black to white; otherwise a veil lies over what the step does not change.

    Returns
    -------
    bytes
    """
    if alone:
        image = np.rint(255 * weights).astype(np.uint8)
    else:
        image = np.empty((*weights.shape, 4), np.uint8)
        image[..., :3] = _VEIL[:3]
        image[..., 3] = np.rint(_VEIL[3] * (1 - weights))
    done, data = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    assert done
    return data.tobytes()


def _moved(drawing: Drawing, item: Any, way: Transform) -> Any:
    """A drawn thing in the frame shown."""
    match drawing.kind:
        case "regions" | "strokes" | "segment" | "circle":
            return way.region(item)
        case "places":
            x, y = way.points(item["x"], item["y"]).tolist()
            return {"x": x, "y": y}
        case "rectangle":
            top, left, height, width = item
            edges = {
                "shape": "rectangle",
                "x0": left - 0.5,
                "y0": top - 0.5,
                "x1": left + width - 0.5,
                "y1": top + height - 0.5,
            }
            moved = way.region(edges)
            if "points" in moved:
                (left, top), (right, bottom) = (end(moved["points"], axis=0) for end in (np.min, np.max))
                moved = {"x0": left, "y0": top, "x1": right, "y1": bottom}
            return [moved["y0"] + 0.5, moved["x0"] + 0.5, moved["y1"] - moved["y0"], moved["x1"] - moved["x0"]]
        case _:
            return item


def pointed_data(finding: Pointed, way: Transform) -> list[dict[str, Any]]:
    """The marks of a finding, as of `shown_data`.

    Parameters
    ----------
    finding : Pointed
    way : Transform
        From the frame of the stack to the one shown.

    Returns
    -------
    list of dict
        Plain data for the page.
    """
    about = {"id": f"finding.{finding.about}", "words": finding.about}
    marks = (plain_overlay(mark, way, str(finding.about)) for mark in finding.marks)
    return [{**about, **data} for data in marks if data is not None]


def overlay_data(
    session: Session,
    facts: dict[int, Facts],
    way: Way,
    on: set[str],
    tool: str,
    stars: Stars | None,
    sky: StackSky | None,
) -> dict[str, Any]:
    """Everything that lies over the picture now.

    Parameters
    ----------
    session : Session
    facts : dict of int to Facts
        By place in the recipe.
    way : Transform or callable
        From the frame of a step to the one shown.
    on : set of str
        Overlays that are on.
    tool : str
        The one in hand.
    stars : Stars or None
    sky : StackSky or None

    Returns
    -------
    dict
    """
    data: dict[str, Any] = {
        "shown": shown_data(session, facts, way, on, tool),
        "drawn": drawn_data(session, facts, way, on, tool),
    }
    of_stack = way(0)
    if of_stack is None:
        return data
    if "stars" in on and stars is not None:
        data["stars"] = star_overlay(stars, of_stack)
    if "names" in on and sky is not None:
        data["names"] = sky.names(of_stack)
    if "grid" in on and sky is not None:
        data["grid"] = sky.grid(of_stack)
    return data

"""What pages that know single tools are told and ask for, until they take tools and overlays from the state."""

from __future__ import annotations

from typing import Any

from workbench.bench.commands import request

__all__ = ["OldRequests", "new_name", "old_histogram", "old_viewer"]

_NEW = {
    "crop": "crop.margins",
    "exclude": "remove_gradient.exclude",
    "sample": "remove_gradient.samples",
    "white": "calibrate_color.region",
}
_NEW_OVERLAYS = {"samples": "remove_gradient.samples", "gradient": "remove_gradient.gradient", "crop": "crop.crop"}
_OLD = {new: old for old, new in _NEW.items()}


def new_name(name: str, *, overlay: bool = False) -> str:
    """A tool's or an overlay's name as the bench knows it."""
    return (_NEW_OVERLAYS if overlay else _NEW).get(name, name)


def old_settings(state: dict[str, Any]) -> dict[str, Any]:
    """The settings' state with the old names of tools."""
    for field in state["fields"]:
        field["tool"] = _OLD.get(field["tool"], field["tool"])
        for first in field["first"].values():
            if "tool" in first:
                first["tool"] = _OLD.get(first["tool"], first["tool"])
    return state | {"tool": _OLD.get(state["tool"], state["tool"])}


def old_viewer(state: dict[str, Any]) -> dict[str, Any]:
    """The picture's state in the old form."""
    data = dict(state["overlay_data"])
    shown = {each["id"]: each for each in data.get("shown", [])}
    drawn = {each["tool"]: each["items"] for each in data.get("drawn", [])}
    points = shown.get("remove_gradient.samples", {})
    if "points" in points:
        data["samples"] = points["points"]
    contours = shown.get("remove_gradient.gradient", {})
    if "at" in contours:
        data["gradient"] = {"at": contours["at"], "values": contours["values"], "range": contours["says"].split(";")[0]}
    crop = shown.get("crop.crop", {})
    if drawn.get("crop.margins"):
        data["crop"] = dict(drawn["crop.margins"][0])
    if "region" in crop:
        data.setdefault("crop", {})["outline"] = crop["region"]
    data["excludes"] = drawn.get("remove_gradient.exclude", [])
    data["given_samples"] = drawn.get("remove_gradient.samples", [])
    on = {each["id"]: each["on"] for each in state["overlays"]}
    old = {old: on.get(new, False) for old, new in _NEW_OVERLAYS.items()}
    overlays = old | {name: on[name] for name in ("stars", "clipped", "mask")}
    return state | {"tool": _OLD.get(state["tool"], state["tool"]), "overlays": overlays, "overlay_data": data}


def old_histogram(state: dict[str, Any]) -> dict[str, Any]:
    """The histogram's state with the old names beside the new ones."""
    names = {"stretch": "line", "black": "line_at", "black_zero": "line_zero", "black_per_unit": "line_per_unit"}
    return state | {old: state[new] for old, new in names.items()}


class OldRequests:
    """Requests for single tools."""

    _context: Any

    @request
    def crop_to(self, top: int, right: int, bottom: int, left: int) -> Any:
        margins = {"top": top, "right": right, "bottom": bottom, "left": left}
        return self._context.call("draw", what="crop.margins", value=margins)

    @request
    def exclude(self, region: dict[str, Any]) -> Any:
        return self._context.call("draw", what="remove_gradient.exclude", value=region)

    @request
    def remove_exclude(self, number: int) -> Any:
        return self._context.call("erase", what="remove_gradient.exclude", number=number)

    @request
    def sample(self, y: float, x: float) -> Any:
        return self._context.call("draw", what="remove_gradient.samples", value={"x": x, "y": y})

    @request
    def move_sample(self, number: int, y: float, x: float) -> Any:
        return self._context.call("redraw", what="remove_gradient.samples", number=number, value={"x": x, "y": y})

    @request
    def remove_sample(self, number: int) -> Any:
        return self._context.call("erase", what="remove_gradient.samples", number=number)

    @request
    def white_region(self, y0: float, x0: float, y1: float, x1: float) -> Any:
        value = {"x0": x0, "y0": y0, "x1": x1, "y1": y1}
        return self._context.call("draw", what="calibrate_color.region", value=value)

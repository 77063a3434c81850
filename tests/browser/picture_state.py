"""What the picture panel is told: tools and overlays as operations declare them."""

from typing import Any

TOOLS = [
    {"id": "crop.margins", "kind": "margins", "words": "Crop", "help": "Drag the edges.", "item": "crop"},
    {"id": "remove_gradient.exclude", "kind": "regions", "words": "Exclude", "help": "Draw.", "item": "no sky"},
    {"id": "remove_gradient.samples", "kind": "places", "words": "Sky sample", "help": "Click.", "item": "sky sample"},
    {"id": "calibrate_color.region", "kind": "rectangle", "words": "White", "help": "Draw.", "item": "white region"},
]
SWITCHES = {
    "stars": "Stars",
    "clipped": "Clipped",
    "mask": "Mask",
    "crop.crop": "Crop",
    "remove_gradient.samples": "Sky samples",
    "remove_gradient.gradient": "Sky model",
    "calibrate_color.stars": "Catalogue stars",
}


def switched(*on: str) -> list[dict[str, Any]]:
    """All overlays that are offered, these of them switched on."""
    return [{"id": name, "words": words, "on": name in on} for name, words in SWITCHES.items()]


def drawn(tool: str, *items: Any, says: str = "") -> dict[str, Any]:
    """Overlay data of what was drawn with a tool."""
    of = next(each for each in TOOLS if each["id"] == tool)
    return {"drawn": [{"tool": tool, "kind": of["kind"], "item": of["item"], "says": says, "items": list(items)}]}


def shown(name: str, kind: str, says: str, **data: Any) -> dict[str, Any]:
    """Overlay data of facts that an operation shows."""
    return {"shown": [{"id": name, "kind": kind, "words": SWITCHES[name], "says": says, **data}]}

"""Tools on the picture: what dragging does, which overlays are on, and the step whose frame is shown meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from workbench.bench.overlays import crop_overlay, gradient_overlay, sample_overlay, star_overlay
from workbench.engine.transform import Transform
from workbench.errors import WorkbenchError
from workbench.measure.stars import Stars, find_stars
from workbench.operations.base import Facts, Operation
from workbench.operations.color import CalibrateColor
from workbench.operations.frame import Crop, CropFacts
from workbench.operations.gradient import RemoveGradient, RemoveGradientFacts

if TYPE_CHECKING:
    from workbench.bench.bench import Bench

__all__ = ["OVERLAYS", "TOOLS", "Tools"]

#: Tool -> operation whose settings it edits (None: none).
TOOLS: dict[str, type[Operation] | None] = {
    "look": None,
    "place": None,
    "crop": Crop,
    "exclude": RemoveGradient,
    "sample": RemoveGradient,
    "white": CalibrateColor,
}
OVERLAYS = ("stars", "samples", "gradient", "clipped", "mask", "crop")


class Tools:
    """Which tool is in hand and what lies over the picture."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.name = "look"
        self.stars: Stars | None = None
        self._stars_of: object = None
        self._on = dict.fromkeys(OVERLAYS, False)

    def take(self, name: str) -> None:
        """Take a tool up."""
        if name not in TOOLS:
            raise WorkbenchError(f"there is no tool {name!r}; there are {', '.join(TOOLS)}")
        self.name = name

    def switch(self, name: str, *, on: bool) -> None:
        """Switch an overlay on or off; stars are measured when they are first wanted."""
        if name not in OVERLAYS:
            raise WorkbenchError(f"there is no overlay {name!r}; there are {', '.join(OVERLAYS)}")
        if name == "stars" and on:
            self.find_stars()
        self._on[name] = on

    def forget(self) -> None:
        """Another stack was opened."""
        self.name, self.stars, self._stars_of = "look", None, None

    @property
    def shown_before(self) -> int | None:
        """While a tool edits a step, the frame before that step is shown, so that places are the step's own."""
        kind = TOOLS[self.name]
        if kind is None:
            return None
        place = self._bench.place_of(kind)
        if place is not None:
            return place
        return 0 if kind is Crop else len(self._bench.recipe)

    def find_stars(self) -> None:
        """Measure the stars of the linear frame shown, once for each stack."""
        stack = self._bench.stack
        if stack is not None and self._stars_of is not stack:
            self.stars = find_stars(stack.planes, stack.coverage)
            self._stars_of = stack

    def state(self, upto: int | None) -> dict[str, Any]:
        """What the picture panel shows of it, over the frame after ``upto`` steps (None: all)."""
        return {
            "tool": self.name,
            "overlays": dict(self._on),
            "overlay_data": self._data(upto),
            "frame_of": self.shown_before,
        }

    def _way(self, start: int, upto: int | None) -> Transform | None:
        stack, preview = self._bench.stack, self._bench.preview
        if stack is None or preview is None:
            return None
        return Transform.between(stack, preview.recipe, preview.known_facts, start, upto)

    def _data(self, upto: int | None) -> dict[str, Any]:
        bench, data = self._bench, dict[str, Any]()
        if bench.preview is None:
            return data
        facts = bench.preview.known_facts
        if self._on["stars"] and self.stars is not None and (way := self._way(0, upto)):
            data["stars"] = star_overlay(self.stars, way)
        if (place := bench.place_of(RemoveGradient)) is not None:
            data |= self._sky_data(place, upto, facts.get(place))
        if self._on["crop"] or self.name == "crop":
            place = bench.place_of(Crop)
            cut = None if place is None else facts.get(place)
            if place is not None and isinstance(cut, CropFacts) and (way := self._way(place, upto)):
                data["crop"] = crop_overlay(cut, way)
        if bench.selected is not None:
            where = bench.recipe[bench.selected].where
            way = None if where is None else self._way(bench.selected, upto)
            data["mask"] = None if where is None or way is None else way.region(where.model_dump(mode="json"))
        return data

    def _sky_data(self, place: int, upto: int | None, facts: Facts | None) -> dict[str, Any]:
        """What `RemoveGradient` was told and has found, where it lies in the frame shown."""
        step = self._bench.recipe[place]
        settings, data = step.operation.model_dump(mode="json"), dict[str, Any]()
        data["excludes"], data["given_samples"] = settings["exclude"], settings["samples"]
        samples, gradient = self._on["samples"] or self.name == "sample", self._on["gradient"]
        if not (samples or gradient or settings["exclude"]):
            return data
        way = self._way(place, upto)
        if way is None:
            return data | {"excludes": []}
        data["excludes"] = [way.region(region) for region in settings["exclude"]]
        if isinstance(facts, RemoveGradientFacts) and samples:
            data["samples"] = sample_overlay(facts, way)
        if isinstance(facts, RemoveGradientFacts) and gradient:
            data["gradient"] = gradient_overlay(step, facts, way)
        return data

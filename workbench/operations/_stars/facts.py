"""What `ReduceStars` finds: the stars of a frame, as facts."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from workbench.operations._stars.star_model import TERMS, StarModel
from workbench.operations.facts import Array, Facts, FactsPart
from workbench.operations.packed import Packed

__all__ = ["MOST_STARS", "ReduceStarsFacts", "StarFacts"]

#: The star list holds at most this many stars, the brightest; about 150 bytes each as JSON.
MOST_STARS = 20_000
#: Columns that are packed.
_PACKED = ("fwhm", "elongation", "angle_deg", "edge", "core", "wings", "peak", "ground")

Position = Annotated[NDArray[np.float64], Array("<f8", "stars", ge=-1e7, le=1e7)]


def _column(description: str, unit: str, *shape: str | int) -> Any:
    return Field(description=description, json_schema_extra={"unit": unit, "shape": ["stars", *shape]})


class StarFacts(FactsPart):
    """Stars of a frame, brightest first, with the radial profile that they share."""

    x: Position = Field(description="Column of the center", json_schema_extra={"unit": "px"})
    y: Position = Field(description="Row of the center", json_schema_extra={"unit": "px"})
    fwhm: Packed = _column("Full width at half maximum, geometric mean of both axes", "px")
    elongation: Packed = _column("Longer over shorter axis", "x")
    angle_deg: Packed = _column("Direction of the longer axis, from +x towards +y", "deg")
    edge: Packed = _column("Radius of the footprint, beyond which nothing is changed", "FWHM")
    core: Packed = _column("Radius within which the star hides the ground", "FWHM")
    wings: Packed = _column("The star's own wings, from the core on, as a share of the field's", "x")
    peak: Packed = _column("Height at the center, as if it were not cut off", "of white", "channels")
    ground: Packed = _column(
        "Ground under the star: level, slope (2), saddle (2) and bowl", "of white", "channels", TERMS
    )
    cut_off: Annotated[NDArray[np.int32], Array("<i4", "saturated", ge=0)] = Field(
        description="Which stars are saturated, by their place in the list"
    )
    limit: Annotated[NDArray[np.float64], Array("<f8", "saturated", "channels")] = Field(
        description="Height above the ground at which a saturated star is cut off",
        json_schema_extra={"unit": "of white"},
    )
    rho: Annotated[NDArray[np.float64], Array("<f8", "nodes", ge=0, le=1e4)] = Field(
        description="Radius at the nodes of the profile", json_schema_extra={"unit": "FWHM"}
    )
    profile: Annotated[NDArray[np.float64], Array("<f8", "nodes", "channels", ge=0, le=1e3)] = Field(
        description="Profile at the nodes, 1 at the center and never rising"
    )

    @model_validator(mode="after")
    def _possible(self) -> Self:
        stars = self.x.size
        if stars > MOST_STARS:
            raise ValueError(f"at most {MOST_STARS} stars are kept, not {stars}")
        for name in ("fwhm", "elongation", "edge", "core", "wings"):
            values = getattr(self, name).values
            if values.size and not 0 < values.min() <= values.max() < 1e6:
                raise ValueError(f"{name!r} must be above 0 and below a million everywhere")
        if self.cut_off.size and self.cut_off.max() >= stars:
            raise ValueError(f"'cut_off' names star {self.cut_off.max()} of {stars}")
        if self.rho.size < 2 or not (np.diff(self.rho) > 0).all():
            raise ValueError("'rho' must have two nodes at least, each farther out than the one before")
        return self

    @classmethod
    def of(cls, model: StarModel) -> Self:
        """Facts of a star model."""
        cut = np.flatnonzero(np.isfinite(model.limit).any(axis=1))
        return cls(
            x=model.x,
            y=model.y,
            **{name: Packed.of(getattr(model, name)) for name in _PACKED},
            cut_off=cut,
            limit=model.limit[cut],
            rho=model.rho,
            profile=model.profile,
        )

    def model(self) -> StarModel:
        """The star model that kernels work with."""
        limit = np.full((self.x.size, self.profile.shape[1]), np.inf)
        limit[self.cut_off] = self.limit
        columns = {name: getattr(self, name).values for name in _PACKED}
        return StarModel(x=self.x, y=self.y, **columns, limit=limit, rho=self.rho, profile=self.profile)


class ReduceStarsFacts(Facts):
    """Stars of the frame and the noise they stand in."""

    version: ClassVar[int] = 3

    found: int = Field(ge=0, description="Stars found in the frame", json_schema_extra={"unit": "stars"})
    sigma: float = Field(
        ge=0,
        le=1e30,
        description="Noise of a pixel of the mean of all channels",
        json_schema_extra={"unit": "of white"},
    )
    snr: Annotated[NDArray[np.float64], Array("<f8", "stars", ge=0)] = Field(
        description="Signal-to-noise ratio of each star of the list", json_schema_extra={"unit": "sigma"}
    )
    stars: StarFacts | None = Field(description="The stars, the brightest 20,000 of them; none where none was found")

"""What `RemoveGradient` finds: the sky's samples and the surface fitted to them, as facts."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from workbench.errors import WorkbenchError
from workbench.operations._gradient.surfaces import Surface, surface_from_dict
from workbench.operations.base import Geometry
from workbench.operations.facts import Array, Facts, FactsPart, Real

__all__ = ["RemoveGradientFacts", "SampleFacts", "TriedFacts"]

End = Annotated[float, Field(gt=0, le=1.0)]
Intervals = Annotated[int, Field(ge=1, le=4096)]
Degree = Annotated[int, Field(ge=0, le=40)]
Count = Annotated[int, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]


class _SurfaceFacts(FactsPart):
    def surface(self) -> Surface:
        """The surface that fitting and painting work with."""
        return surface_from_dict(self.model_dump())


class CornerFacts(FactsPart):
    """Glow in a corner of the sensor, which falls off exponentially from there."""

    u: Annotated[float, Field(ge=-1.01, le=1.01)] = Field(
        description="The corner, down from the middle of the frame", json_schema_extra={"unit": "half the longer side"}
    )
    v: Annotated[float, Field(ge=-1.01, le=1.01)] = Field(
        description="The corner, across from the middle of the frame",
        json_schema_extra={"unit": "half the longer side"},
    )
    length: Annotated[float, Field(ge=0.01, le=2)] = Field(
        description="Distance over which it falls to 1/e", json_schema_extra={"unit": "half the longer side"}
    )

    @property
    def named(self) -> str:
        """Where it is, as the frame is seen."""
        return f"{'top' if self.u < 0 else 'bottom'} {'left' if self.v < 0 else 'right'}"


class PolynomialFacts(_SurfaceFacts):
    """A low-order surface: products of Chebyshev polynomials up to a total degree, and glow in corners behind them."""

    kind: Literal["surface"] = Field(description="Low-order surface")
    degree: Degree = Field(description="Total degree")
    corners: tuple[CornerFacts, ...] = Field(
        (),
        max_length=4,
        description="Corners of the sensor that glow, each with a coefficient of its own, the last ones",
    )


class ThinPlateFacts(_SurfaceFacts):
    """A smoothing thin plate."""

    kind: Literal["thin_plate"] = Field(description="Thin plate")
    knots: Annotated[NDArray[np.float64], Array("<f8", "knots", 2, ge=-1, le=1)] = Field(
        description="Knots, down and across from the middle of the frame",
        json_schema_extra={"unit": "half the longer side"},
    )


class MeshFacts(_SurfaceFacts):
    """A mesh of cubic splines."""

    kind: Literal["mesh"] = Field(description="Mesh of splines")
    rows: Intervals = Field(description="Intervals down the frame")
    columns: Intervals = Field(description="Intervals across the frame")
    u_end: End = Field(description="Half the height of the frame", json_schema_extra={"unit": "half the longer side"})
    v_end: End = Field(description="Half the width of the frame", json_schema_extra={"unit": "half the longer side"})


class SampleFacts(FactsPart):
    """The grid of sky samples."""

    y: Annotated[NDArray[np.float64], Array("<f8", "rows", ge=-1, le=1e7)] = Field(
        description="Row of the middle of each row of samples", json_schema_extra={"unit": "px"}
    )
    x: Annotated[NDArray[np.float64], Array("<f8", "columns", ge=-1, le=1e7)] = Field(
        description="Column of the middle of each column of samples", json_schema_extra={"unit": "px"}
    )
    state: tuple[str, ...] = Field(
        description="A row of letters for each row of samples: '.' sky and used, 'b' brighter than the sky, "
        "'x' excluded, 'n' not covered",
        json_schema_extra={"shape": ["rows"]},
    )

    @model_validator(mode="after")
    def _lettered(self) -> Self:
        for row, letters in enumerate(self.state):
            if len(letters) != self.x.size or set(letters) - set(".bxn"):
                raise ValueError(f"row {row + 1} of 'state' must be {self.x.size} letters out of . b x n")
        return self

    @property
    def letters(self) -> NDArray[np.str_]:
        """Letter of each sample, (rows, columns)."""
        return np.array([list(row) for row in self.state])


class TriedFacts(FactsPart):
    """One surface that was tried."""

    kind: Literal["surface", "thin_plate", "mesh"] = Field(description="Kind of surface")
    degree: Degree | None = Field(None, description="Total degree of a low-order surface")
    rows: Intervals | None = Field(None, description="Intervals of a mesh down the frame")
    columns: Intervals | None = Field(None, description="Intervals of a mesh across the frame")
    beside: bool = Field(False, description="Whether a galaxy's light was fitted beside it")
    regularization: float = Field(ge=0, le=1e12, description="Weight of bending against the misfit")
    agree: Share = Field(description="Share of the samples that lie on it within their noise")
    used: Count = Field(description="Samples taken as sky", json_schema_extra={"unit": "samples"})


class RemoveGradientFacts(Facts):
    """The sky's uneven brightness as a smooth surface, and what it was fitted to."""

    version: ClassVar[int] = 3

    shape: tuple[Annotated[int, Field(ge=1, le=2**20)], Annotated[int, Field(ge=1, le=2**20)]] = Field(
        description="Height and width of the frame that was measured", json_schema_extra={"unit": "px", "shape": [2]}
    )
    surface: PolynomialFacts | ThinPlateFacts | MeshFacts = Field(
        discriminator="kind", description="Kind and form of the surface"
    )
    regularization: float = Field(ge=0, le=1e12, description="Weight of bending against the misfit")
    coefficients: Annotated[NDArray[np.float64], Array("<f8", "channels", "coefficients")] = Field(
        description="Coefficients of the surface by channel", json_schema_extra={"unit": "of white"}
    )
    sky: tuple[Real, ...] = Field(
        description="Median of the surface by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    pedestal: tuple[Real, ...] = Field(
        description="Level added back, or multiplied with, by channel",
        json_schema_extra={"unit": "of white", "shape": ["channels"]},
    )
    peak_to_peak: tuple[Real, ...] = Field(
        description="Greatest less least value of the surface by channel",
        json_schema_extra={"unit": "of white", "shape": ["channels"]},
    )
    cells: Count = Field(description="Samples in the grid", json_schema_extra={"unit": "samples"})
    used: Count = Field(
        description="Samples taken as sky, placed ones among them", json_schema_extra={"unit": "samples"}
    )
    samples: SampleFacts = Field(description="The grid of samples")
    placed: tuple[bool, ...] = Field(
        (),
        max_length=1000,
        description="Whether each sample placed by hand is used, in their order",
        json_schema_extra={"shape": ["placed samples"]},
    )
    agree: Share | None = Field(
        None, description="Share of the samples that lie on the best surface within their noise; none in old records"
    )
    uncertainty: float | None = Field(
        None,
        ge=0,
        le=1e6,
        description="Likely error of the surface (68 %), RMS without its mean; none where nothing tells it",
        json_schema_extra={"unit": "of its peak-to-peak height"},
    )
    taken: Share = Field(
        1.0, description="Share of the surface that is taken off: less than all of it where its likely error is large"
    )
    one_color: bool = Field(
        False, description="Whether the sky was read from sums of the channels that objects of one color leave free"
    )
    galaxy: bool = Field(False, description="Whether a galaxy's light was fitted beside the glow, and left")
    tried: tuple[TriedFacts, ...] = Field(description="All surfaces that were tried")

    @model_validator(mode="after")
    def _as_many_as_the_surface_has(self) -> Self:
        surface = self.surface
        most = 4096  # a thin plate is solved with a square table of its knots
        if isinstance(surface, ThinPlateFacts) and not 3 <= len(surface.knots) <= most:
            raise ValueError(f"a thin plate has 3 to {most} knots, not {len(surface.knots)}")
        size, given = surface.surface().size, self.coefficients.shape[1]
        if size != given:
            raise ValueError(f"'coefficients' has {given} for each channel, but the surface needs {size}")
        return self

    def fits(self, geometry: Geometry) -> None:
        super().fits(geometry)
        if geometry.scale == 1.0 and self.shape != (geometry.height, geometry.width):
            raise WorkbenchError(
                "'shape' is {} x {} px, but the frame is {} x {} px".format(
                    *reversed(self.shape), geometry.width, geometry.height
                )
            )

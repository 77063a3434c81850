"""What masks measure of the light that a step sees; kept among the step's facts, so that a record replays them."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.operations.fact_parts import Array, FactsPart, Real

__all__ = ["BrightnessMaskFacts", "ColorMaskFacts", "MaskFacts", "ObjectMaskFacts", "StarMaskFacts"]


class BrightnessMaskFacts(FactsPart):
    """Level and noise of the sky's luminance."""

    kind: Literal["brightness"] = Field("brightness", description="Which mask measured it")
    sky: Real = Field(description="Luminance of the sky", json_schema_extra={"unit": "of white"})
    noise: Real = Field(ge=0, description="Noise of its pixels", json_schema_extra={"unit": "of white"})


class ColorMaskFacts(FactsPart):
    """The sky's two differences of channels, R - (G + B) / 2 and sqrt(3) / 2 (G - B), and their noise."""

    kind: Literal["color"] = Field("color", description="Which mask measured it")
    sky: tuple[Real, ...] = Field(
        description="Both differences in the sky", json_schema_extra={"unit": "of white", "shape": [2]}
    )
    noise: tuple[Annotated[Real, Field(ge=0)], ...] = Field(
        description="Their noise in a pixel", json_schema_extra={"unit": "of white", "shape": [2]}
    )


class StarMaskFacts(FactsPart):
    """Where stars stand, and how far each stands out of the noise."""

    kind: Literal["stars"] = Field("stars", description="Which mask measured it")
    x: Annotated[NDArray[np.float32], Array("<f4", "mask stars")] = Field(
        description="Columns of the stars", json_schema_extra={"unit": "px"}
    )
    y: Annotated[NDArray[np.float32], Array("<f4", "mask stars")] = Field(
        description="Rows of the stars", json_schema_extra={"unit": "px"}
    )
    radius: Annotated[NDArray[np.float32], Array("<f4", "mask stars", ge=0)] = Field(
        description="Where the star's light sinks below the noise", json_schema_extra={"unit": "px"}
    )


class ObjectMaskFacts(FactsPart):
    """How far extended light stands out of the sky, cell by cell, stars left out."""

    kind: Literal["object"] = Field("object", description="Which mask measured it")
    cell: Real = Field(gt=0, description="Side of a cell", json_schema_extra={"unit": "px"})
    significance: Annotated[NDArray[np.float32], Array("<f4", "mask rows", "mask columns")] = Field(
        description="Light above the sky, over the scatter of the sky's cells", json_schema_extra={"unit": "sigma"}
    )


MaskFacts = Annotated[
    BrightnessMaskFacts | ColorMaskFacts | StarMaskFacts | ObjectMaskFacts, Field(discriminator="kind")
]

"""What `Denoise` finds: the noise of a stack, as facts."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from workbench.operations.facts import Facts, Real

__all__ = ["SCALES", "TERMS", "DenoiseFacts"]

SCALES = 5  #: starlet scales whose noise is kept
TERMS = 6  #: coefficients of a quadratic over the frame

Spread = Annotated[float, Field(ge=0, le=1e30)]
Growth = Annotated[float, Field(ge=0, le=1e6)]
Share = Annotated[float, Field(ge=-1, le=1)]
Coefficient = Annotated[float, Field(ge=-1e6, le=1e6)]


class DenoiseFacts(Facts):
    """The noise of a frame: at the sky, with brightness, over the frame, and in each starlet scale."""

    sky: tuple[Real, ...] = Field(
        min_length=1, description="Sky level by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    sigma: tuple[Spread, ...] = Field(
        description="Noise of a sky pixel by channel; 0 where none was found",
        json_schema_extra={"unit": "of white", "shape": ["channels"]},
    )
    shot: tuple[Growth, ...] = Field(
        description="Growth of the variance, in units of the sky's, for each noise unit of light above the sky",
        json_schema_extra={"unit": "1/sigma", "shape": ["channels"]},
    )
    field: tuple[Coefficient, ...] = Field(
        description="Inverse of the noise over the frame, coefficients of 1, u, v, u2, uv, v2 with u across and v down "
        "from -1 to 1",
        json_schema_extra={"unit": "x", "shape": [TERMS]},
    )
    turn: tuple[tuple[Share, ...], ...] = Field(
        description="Mixes channels, in noise units, to luminance and color: a row for each",
        json_schema_extra={"unit": "x", "shape": ["channels", "channels"]},
    )
    scales: tuple[tuple[Spread, ...], ...] = Field(
        description="Noise of luminance and color in each starlet scale",
        json_schema_extra={"unit": "sigma", "shape": ["channels", SCALES]},
    )

"""What `Deconvolve` finds: how wide stars are in each channel and over the frame, and the noise."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.measure.blocks import together
from workbench.measure.noise import noises
from workbench.measure.stars import find_stars
from workbench.measure.stars.psf import field_psf
from workbench.measure.stars.table import Stars
from workbench.measure.surface import TERMS
from workbench.operations._denoise.noise_model import measure_noise
from workbench.operations.base import Frame
from workbench.operations.facts import LARGEST, Facts, Real

__all__ = ["DeconvolveFacts", "measure_spread"]

Width = Annotated[float, Field(gt=0, le=1e4)]
Spread = Annotated[float, Field(ge=0, le=LARGEST)]
Grain = Annotated[float, Field(ge=1, le=100)]

#: A frame with a shorter side cannot show a star and the sky around it.
_SMALLEST_FRAME = 24
#: Unsaturated stars of this signal-to-noise ratio speak for the point spread; with fewer nothing is done.
_SNR, _FEWEST = 20.0, 8
#: Share of the height of saturated stars from which on a pixel's record cannot be trusted.
_NEAR_CLIP = 0.9


class DeconvolveFacts(Facts):
    """The point spread of a frame by channel and place, and the noise."""

    stars: int = Field(ge=0, description="Stars that spoke for the point spread; 0: too few, nothing is done")
    fwhm: tuple[Width, ...] = Field(
        min_length=1, description="Width of a star by channel", json_schema_extra={"unit": "px", "shape": ["channels"]}
    )
    alpha: tuple[Width, ...] = Field(
        description="Index of the Moffat profile by channel: small with wide wings",
        json_schema_extra={"shape": ["channels"]},
    )
    elongation: float = Field(ge=1, le=100, description="Longer over shorter axis", json_schema_extra={"unit": "x"})
    angle_deg: Real = Field(
        description="Direction of the longer axis, from +x towards +y", json_schema_extra={"unit": "deg"}
    )
    field: tuple[Real, ...] = Field(
        description="Width over the frame by its median, coefficients of 1, u, v, u2, uv, v2 with u across and v down "
        "from -1 to 1",
        json_schema_extra={"unit": "x", "shape": [TERMS]},
    )
    sky: tuple[Real, ...] = Field(
        description="Sky level by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    sigma: tuple[Spread, ...] = Field(
        description="Noise of a sky pixel by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    shot: tuple[Spread, ...] = Field(
        description="Growth of the variance, in units of the sky's, for each noise unit of light above the sky",
        json_schema_extra={"unit": "1/sigma", "shape": ["channels"]},
    )
    grain: tuple[Grain, ...] = Field(
        description="How much coarser than from pixel to pixel the noise is, by channel: 1 for white noise",
        json_schema_extra={"unit": "x", "shape": ["channels"]},
    )
    clip: tuple[Real, ...] = Field(
        description="Level by channel from which a pixel counts as saturated",
        json_schema_extra={"unit": "of white", "shape": ["channels"]},
    )


def measure_spread(frame: Frame) -> DeconvolveFacts:
    """Point spread, noise and clip level of a frame."""
    planes, coverage = frame.planes, frame.coverage
    channels, height, width = planes.shape
    looked = min(height, width) >= _SMALLEST_FRAME and (coverage is None or bool(coverage.any()))
    if not looked:
        return _nothing(channels, "The frame is too small to show how wide its stars are.")
    noise, stars = together(lambda: measure_noise(planes, frame.covered), lambda: find_stars(planes, coverage))
    good = stars.select(~stars.saturated & (stars.snr >= _SNR))
    if len(good) < _FEWEST:
        return _nothing(channels, f"Too few stars are bright enough to tell how wide they are ({len(good)}).")
    if not all(s > 0 for s in noise.sigma):
        return _nothing(channels, "No noise was found to weigh light against.")
    spreads = [field_psf(planes[c : c + 1], good, coverage) for c in range(channels)]
    common = field_psf(planes, good, coverage)
    return DeconvolveFacts(
        stars=common.stars,
        fwhm=[s.fwhm_px for s in spreads],
        alpha=[s.alpha for s in spreads],
        elongation=common.elongation,
        angle_deg=common.angle_deg,
        field=list(common.field),
        sky=noise.sky,
        sigma=noise.sigma,
        shot=noise.shot,
        grain=[float(np.clip(found.correlation, 1, 100)) for found in noises(planes, coverage)],
        clip=_clip(planes, stars).tolist(),
    )


def _nothing(channels: int, why: str) -> DeconvolveFacts:
    return DeconvolveFacts(
        stars=0,
        fwhm=[1.0] * channels,
        alpha=[3.0] * channels,
        elongation=1.0,
        angle_deg=0.0,
        field=[1.0, 0, 0, 0, 0, 0],
        sky=[0.0] * channels,
        sigma=[0.0] * channels,
        shot=[0.0] * channels,
        grain=[1.0] * channels,
        clip=[LARGEST] * channels,
        doubts=(why,),
    )


def _clip(planes: NDArray[np.float32], stars: Stars) -> NDArray[np.float64]:
    """Level by channel that the lowest tenth of saturated stars reach in their middles, less a tenth."""
    x, y = (np.rint(v[stars.saturated]).astype(int) for v in (stars.x, stars.y))
    if x.size == 0:
        return np.full(len(planes), LARGEST)
    return np.asarray(_NEAR_CLIP * np.quantile(planes[:, y, x].astype(np.float64), 0.1, axis=1))

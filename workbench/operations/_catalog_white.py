"""Channel gains from stars whose color is known: a straight line through measured against expected colors."""

from __future__ import annotations

from typing import Annotated, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.errors import WorkbenchError
from workbench.measure.blocks import together
from workbench.measure.stars import Stars, star_colors
from workbench.measure.stars.channel_sharpness import channel_light
from workbench.operations._frames import joint_sky
from workbench.operations._known_stars import BESIDE, KNOWN_COLOR, known_stars, share_beside
from workbench.operations._white import growth
from workbench.operations.base import Frame
from workbench.operations.facts import Array, FactsPart
from workbench.operations.scatter_plot import ScatterPlot
from workbench.sky.camera_response import response_of
from workbench.sky.catalog import StarCatalog
from workbench.sky.color_line import ColorLine, fit_line
from workbench.sky.star_light import camera_colors, temperature

__all__ = ["CatalogFacts", "CatalogGains", "fitted_plot", "gains_from_catalog"]

Floats = NDArray[np.float64]

#: Fewest stars that a line is fitted to.
_FEWEST = 12
#: The brightest so many are enough: their error is then far below that of what all stars share.
_MOST = 1500
#: Share of a star's light that others may have under its window, of stars that tell how sharp the channels are, where
#: none stands alone.
_BESIDE_CROWDED = 0.1
#: Errors that are believed at least: of B-V, and of the logarithm of a ratio of channels.
_LEAST_COLOR_ERROR, _LEAST_RATIO_ERROR = 0.005, 0.003
#: What a straight line may be wrong by for each unit of expected color away from the stars that it was fitted to.
_BENT = 0.03
#: What light of faint stars beside the known ones does to colors: found on scenes of crowded fields.
_CROWDED = 0.006
#: What a slope may be wrong by beside its scatter, as a share, by light of neighbors around a star and by what
#: is no straight line; found on scenes.
_STEEP = 0.015
#: A slope that differs from 1 by more than this, or a scatter above that, is no ordinary camera under a clear sky.
_ODD_SLOPE, _ODD_SCATTER = 0.35, 0.12

Measured = Annotated[NDArray[np.float64], Array("<f8", "stars", 2, ge=-100, le=100)]
Place = Annotated[NDArray[np.float64], Array("<f8", "stars", ge=-1, le=1e7)]
Two = tuple[
    Annotated[float, Field(ge=-100, le=100)],
    Annotated[float, Field(ge=-100, le=100)],
]


class CatalogFacts(FactsPart):
    """The straight lines, and the stars that they were fitted to."""

    white_kelvin: float = Field(
        ge=500, le=100_000, description="Temperature of the star that is white", json_schema_extra={"unit": "K"}
    )
    camera: str = Field(
        "generic", max_length=80, description="Whose sensitivity the expected colors are made for, by name"
    )
    slope: Two = Field(description="Slope of the lines: 1 where the camera is that one, red then blue")
    slope_error: Two = Field(description="Standard errors of the slopes")
    scatter: Two = Field(
        description="Scatter of the stars about the lines", json_schema_extra={"unit": "of the light in green"}
    )
    white: Two = Field(description="Expected color of the white star: ln red/green, ln blue/green, 0 for the Sun")
    level: Two = Field(description="Measured color of the white star by the lines: ln red/green, ln blue/green")
    x: Place = Field(description="Columns of the stars", json_schema_extra={"unit": "px"})
    y: Place = Field(description="Rows of the stars", json_schema_extra={"unit": "px"})
    expected: Measured = Field(description="Expected colors: ln red/green, ln blue/green, 0 for the Sun")
    measured: Measured = Field(description="Measured colors: ln red/green, ln blue/green")
    weight: Annotated[NDArray[np.float64], Array("<f8", "stars", 2, ge=0, le=1)] = Field(
        description="Whether a star belongs to each line, 0 to 1"
    )


class CatalogGains(NamedTuple):
    """Gains of red, green and blue (green 1), their standard errors, the lines, and what is not sure."""

    gains: tuple[float, float, float]
    uncertainty: tuple[float, float, float]
    fit: CatalogFacts
    doubts: tuple[str, ...]


def _light(frame: Frame, stars: Stars, picked: Stars) -> tuple[Floats, Floats]:
    """Light of stars in each channel, and the relative error of channels against green that all share."""
    width = float(np.median(stars.fwhm)) if len(stars) else 0.0
    beside = share_beside(stars, width)
    alone, crowded = stars.select(beside <= BESIDE), stars.select(beside <= _BESIDE_CROWDED)
    found = channel_light(frame.planes, picked, alone, crowded, frame.coverage)
    if np.isfinite(found.growth_error).all():
        return found
    outside, unsure = growth(frame, stars, star_colors(frame.planes, stars, frame.coverage))
    return found.light * outside, unsure


def gains_from_catalog(
    frame: Frame, saturation: float, white_kelvin: float | None, catalog: StarCatalog | None = None
) -> CatalogGains:
    """Gains that make a star of a temperature white; None: the average of the stars that were found.

    Model: for a star of expected color e (`camera_colors` of its B-V) the logarithm of red over green, or of blue over
    green, is ``a + b e``, give or take its errors and a scatter. The gain is exp(-(a + b e)) for the white star. What
    the camera is beside the generic one is in a and b; what light other than a star's own gets into the window, and
    stars that vary, are left out as what does not belong.
    """
    found, _ = together(lambda: known_stars(frame, saturation, catalog), lambda: joint_sky(frame))
    colored = np.flatnonzero(found.known.color_error <= KNOWN_COLOR)
    colored = np.sort(colored[np.argsort(-found.stars.snr[colored], kind="stable")[:_MOST]])
    picked, known = found.stars.select(colored), found.known.select(colored)
    flux, unsure = _light(found.frame, found.others, picked)
    light = (flux > 0).all(axis=1)
    picked, known, flux = picked.select(light), known.select(light), flux[light]
    if len(flux) < _FEWEST:
        raise WorkbenchError(
            f"CalibrateColor found {len(flux)} stars of known color that are not saturated and stand alone, and needs "
            f"{_FEWEST}; give a catalogue of fainter stars, or take reference='stars'"
        )
    kelvin = temperature(known.color)
    response = response_of(frame.acquisition.camera)
    expected = camera_colors(kelvin, response)
    measured = np.log(flux[:, [0, 2]] / flux[:, [1]])
    step = 0.01
    steep = np.abs(camera_colors(temperature(known.color + step), response) - expected) / step
    expected_error = steep * np.maximum(known.color_error, _LEAST_COLOR_ERROR)[:, None]
    ratio_error = np.hypot(_LEAST_RATIO_ERROR, np.sqrt(6) / picked.snr)
    lines = [fit_line(expected[:, k], measured[:, k], expected_error[:, k], ratio_error) for k in (0, 1)]
    if white_kelvin is None:
        # The median star, so that giants far off do not count for more than they are.
        white_kelvin = float(np.median(kelvin))
    white = camera_colors(np.array([white_kelvin]), response)[0]
    at = [line.at(float(w)) for line, w in zip(lines, white, strict=True)]
    (red, blue), errors = (
        [float(np.exp(-level)) for level, _ in at],
        [
            float(np.sqrt(error**2 + unsure[c] ** 2 + (_BENT * (w - line.middle)) ** 2 + _CROWDED**2))
            for (_, error), c, w, line in zip(at, (0, 2), white, lines, strict=True)
        ],
    )
    fit = CatalogFacts(
        white_kelvin=white_kelvin,
        camera="generic" if response is None else response.name,
        slope=(lines[0].slope, lines[1].slope),
        slope_error=(_slope_error(lines[0]), _slope_error(lines[1])),
        scatter=(lines[0].scatter, lines[1].scatter),
        white=(float(white[0]), float(white[1])),
        level=(at[0][0], at[1][0]),
        x=picked.x,
        y=picked.y,
        expected=expected,
        measured=measured,
        weight=np.clip(np.stack([line.weight for line in lines], axis=1), 0, 1),
    )
    return CatalogGains(
        (red, 1.0, blue), (red * errors[0], 0.0, blue * errors[1]), fit, tuple(_doubts(lines, expected, white))
    )


def _slope_error(line: ColorLine) -> float:
    """Standard error of a slope, with what its stars do not tell."""
    return float(np.hypot(line.slope_error, _STEEP * line.slope))


def fitted_plot(fit: CatalogFacts, number: int, channel: str) -> ScatterPlot:
    """Measured against expected colors of the stars, as it is shown.

    Parameters
    ----------
    fit : CatalogFacts
    number : int
        Of the line: 0 is red against green, 1 blue.
    channel : str
        The channel in words.

    Returns
    -------
    ScatterPlot
    """
    return ScatterPlot(
        channel,
        title=f"{channel.capitalize()} against green",
        across=f"expected {channel} / green",
        up=f"measured {channel} / green",
        x=fit.expected[:, number],
        y=fit.measured[:, number],
        used=fit.weight[:, number] > 0,
        line=(fit.level[number] - fit.slope[number] * fit.white[number], fit.slope[number]),
        scatter=fit.scatter[number],
        mark=fit.white[number],
        marked=f"white: a star of {fit.white_kelvin:,.0f} K",
        points="stars",
        ratios=True,
    )


def _doubts(lines: list[ColorLine], expected: Floats, white: Floats) -> list[str]:
    said = []
    if max(abs(line.slope - 1) for line in lines) > _ODD_SLOPE or max(line.scatter for line in lines) > _ODD_SCATTER:
        red, blue = lines
        said.append(
            f"The colors of the stars follow their catalogue with slopes of {red.slope:.2f} (red) and {blue.slope:.2f} "
            f"(blue) and a scatter of {100 * max(red.scatter, blue.scatter):.0f} %: a filter against light pollution, "
            "which cuts bands out of their light, does that; then only stars like the white one come out right."
        )
    low, high = np.quantile(expected[:, 0], [0.02, 0.98])
    if not low <= white[0] <= high:
        said.append("No star of the field is like the white one: its color is taken from the line beyond them.")
    return said

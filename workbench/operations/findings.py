"""What a checkup found: plain numbers, and the advice drawn from them; operations are asked about a stack by these."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from workbench.acquisition import Acquisition, Source, Tone
from workbench.measure.borders import Borders

__all__ = [
    "SEEN",
    "Advice",
    "Findings",
    "Gradient",
    "Severity",
    "SkyBrightness",
    "StarField",
    "compass",
    "of_the_sky",
    "percent",
]

#: Share of the frame that must show sky for the size to be sure. Of 150 independent scenes the size is off by 3 %
#: (median) and 6 % (worst fifth) from there on, below it by 14 % and 84 %, up to several times the truth.
SEEN = 0.65

#: ``note``: good to know; ``advice``: worth doing; ``warning``: the picture suffers otherwise.
Severity = Literal["note", "advice", "warning"]
_COMPASS = (
    "the right",
    "the upper right",
    "the top",
    "the upper left",
    "the left",
    "the lower left",
    "the bottom",
    "the lower right",
)


def percent(share: float, digits: int = 3) -> str:
    """A share as per cent with so many significant digits.

    Parameters
    ----------
    share : float
        0..1.
    digits : int

    Returns
    -------
    str
    """
    return f"{100 * share:.0f} %" if abs(share) >= 1 else f"{100 * share:.{digits}g} %"


def of_the_sky(change: Sequence[float], sky: Sequence[float]) -> str:
    """How much the sky changes, in words: as a share of its level, or of white where its level is smaller than that.

    Parameters
    ----------
    change, sky : sequence of float
        By channel, in units of the white level.

    Returns
    -------
    str
        "22 % of the sky"
    """
    if all(c < s for c, s in zip(change, sky, strict=True)):
        return f"{percent(max(c / s for c, s in zip(change, sky, strict=True)), 2)} of the sky"
    return f"{percent(max(change), 2)} of white (more than the sky's own level)"


def compass(degrees: float) -> str:
    """Where a direction points on the screen: 0 = right edge, 90 = top edge.

    Parameters
    ----------
    degrees : float

    Returns
    -------
    str
    """
    return _COMPASS[round(degrees / 45) % 8]


@dataclass(frozen=True, slots=True)
class Gradient:
    """Smooth change of the background over the frame.

    Attributes
    ----------
    peak_to_peak : tuple of float
        Highest minus lowest value of the smooth background, by channel.
    share : float
        Largest of these as a share of the channel's sky level.
    direction_deg : float
        Where the background grows: 0 = towards the right edge, 90 = towards the top edge, -180 .. 180.
    seen : float
        Share of the frame that agrees with one smooth surface within the noise: where it is below `SEEN`, the size may
        be several times too large, for light of objects fills the frame.
    """

    peak_to_peak: tuple[float, ...]
    share: float
    direction_deg: float
    seen: float = 1.0

    @property
    def sure(self) -> bool:
        """Whether enough sky is seen to tell the gradient from the light of objects."""
        return self.seen >= SEEN

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "peak_to_peak": list(self.peak_to_peak),
            "share": self.share,
            "direction_deg": self.direction_deg,
            "seen": self.seen,
        }


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing worth knowing about the stack.

    Attributes
    ----------
    about : str
        What it is about, in a word or two.
    severity : str
        ``note``, ``advice`` or ``warning``.
    says : str
        What was measured and what that means.
    do : str
        What to do about it.
    step : dict or None
        The recipe step that does it, as a recipe file holds it.
    """

    about: str
    severity: Severity
    says: str
    do: str
    step: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class SkyBrightness:
    """Zero points and the brightness of the sky by channel.

    Attributes
    ----------
    zero_point : tuple of float
        Magnitude of a star whose pixels sum to the white level in a channel; a star like the Sun has V in all channels.
    magnitude : tuple of float
        Of a square arcsecond of the sky.
    error : tuple of float
        Standard errors of both.
    stars : int
        That they rest on.
    """

    zero_point: tuple[float, ...]
    magnitude: tuple[float, ...]
    error: tuple[float, ...]
    stars: int

    @property
    def visual(self) -> float:
        """Of a square arcsecond in green, which is nearly V."""
        return self.magnitude[len(self.magnitude) // 2]

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "zero_point": list(self.zero_point),
            "mag_per_arcsec2": list(self.magnitude),
            "error": list(self.error),
            "stars": self.stars,
        }


@dataclass(frozen=True, slots=True)
class StarField:
    """The stars of the frame, seen together.

    Attributes
    ----------
    count : int
        Stars above 5 sigma.
    saturated : int
        Stars whose core reaches the white level.
    fwhm_px : float or None
        Median full width at half maximum of well measured stars; None when there are none.
    elongation, angle_deg : float or None
        Longer over shorter axis and its direction, from +x towards +y (down): of the mean star shape, so that
        random errors of single stars cancel.
    corner_growth : float or None
        Median FWHM in the corners over that in the middle.
    corner_elongation : float or None
        Median elongation of single stars in the corners.
    cover : float
        Share of the frame within 1.5 FWHM of a star above 20 sigma.
    """

    count: int = 0
    saturated: int = 0
    fwhm_px: float | None = None
    elongation: float | None = None
    angle_deg: float | None = None
    corner_growth: float | None = None
    corner_elongation: float | None = None
    cover: float = 0.0


@dataclass(frozen=True)
class Findings:
    """What was measured in a stack, and advice; `Checkup` shows it.

    All levels are in units of the white level; what is said of sky, noise, gradient and stars holds for the part of
    the frame inside the borders.

    Attributes
    ----------
    file : str
    shape : tuple of int
        (height, width, channels).
    tone : Tone
    sky, noise : tuple of float
        Most common value of each channel, and the noise of a pixel around it.
    correlation : float
        Noise of the middle channel over what it would be if neighboring pixels shared none of it.
    gradient : Gradient
    borders : Borders
    clipped_fraction : float
        Share of pixels in which a channel reaches the white level.
    black_fraction : float
        Share of pixels in which a channel lies on the lowest value of the frame.
    stars : StarField
    hot_pixels, dark_pixels : int
        Pixels that stand alone, by being too bright or too dark, see `MendPixels`.
    lateral_color : float or None
        How far red or blue stars lie from green ones in the corners, px; 0 where that is within its error, None where
        too few stars tell.
    banding : tuple of (float, float)
        How far rows, and columns, lie off in the middle channel: standard deviation of their offsets in noise units.
    color_halo : float
        Share of a star's red or blue light that the lens puts into a halo that green has not; 0 where none is sure.
    corner_light : float or None
        Light in the corners as a share of that in the middle, where falloff was told; the gradient is then that of the
        frame without falloff.
    sky_brightness : SkyBrightness or None
        In magnitudes per square arcsecond, where the stack has a sky solution and stars of the catalogue say it.
    acquisition : Acquisition
    source : Source
    advice : tuple of Advice
        Most pressing first.
    """

    file: str
    shape: tuple[int, int, int]
    tone: Tone
    sky: tuple[float, ...]
    noise: tuple[float, ...]
    correlation: float
    gradient: Gradient
    borders: Borders
    clipped_fraction: float
    black_fraction: float
    stars: StarField
    hot_pixels: int = 0
    dark_pixels: int = 0
    lateral_color: float | None = None
    banding: tuple[float, float] = (0.0, 0.0)
    color_halo: float = 0.0
    corner_light: float | None = None
    sky_brightness: SkyBrightness | None = None
    acquisition: Acquisition = field(default_factory=Acquisition)
    source: Source = field(default_factory=Source)
    advice: tuple[Advice, ...] = ()

    @property
    def arcsec_per_px(self) -> float | None:
        """Image scale, or None when focal length or pixel size is unknown."""
        return self.acquisition.arcsec_per_px

    @property
    def channel_names(self) -> tuple[str, ...]:
        """``red, green, blue``, or ``gray``."""
        return ("red", "green", "blue") if len(self.sky) == 3 else ("gray",)

    @property
    def has_borders(self) -> bool:
        """Whether any side has a border to crop."""
        return any(self.borders.to_dict().values())

    @property
    def borders_in_words(self) -> str:
        """``top 12 px, left 8 px``: the sides that have one."""
        return ", ".join(f"{side} {n} px" for side, n in self.borders.to_dict().items() if n)

    @property
    def empty(self) -> bool:
        """Whether the frame shows nothing at all: no noise, no gradient, no star."""
        return self.stars.count == 0 and not max(self.noise) > 0 and not max(self.gradient.peak_to_peak) > 1e-6

    def to_dict(self) -> dict[str, Any]:
        """Plain data, as ``workbench check --json`` prints it."""
        scale, total = self.arcsec_per_px, self.acquisition.total_s
        fwhm = self.stars.fwhm_px
        return {
            "file": self.file,
            "shape": list(self.shape),
            "tone": str(self.tone),
            "sky": list(self.sky),
            "noise": list(self.noise),
            "noise_correlation": self.correlation,
            "background_gradient": self.gradient.share,
            "background_gradient_peak_to_peak": list(self.gradient.peak_to_peak),
            "background_gradient_direction_deg": self.gradient.direction_deg,
            "background_gradient_seen": self.gradient.seen,
            "borders": self.borders.to_dict(),
            "clipped_fraction": self.clipped_fraction,
            "black_fraction": self.black_fraction,
            "hot_pixels": self.hot_pixels,
            "dark_pixels": self.dark_pixels,
            "stars": asdict(self.stars)
            | {"fwhm_arcsec": None if scale is None or fwhm is None else round(fwhm * scale, 3)},
            "lateral_color_px": self.lateral_color,
            "banding": list(self.banding),
            "color_halo": self.color_halo,
            "corner_light": self.corner_light,
            "sky_brightness": None if self.sky_brightness is None else self.sky_brightness.to_dict(),
            "acquisition": self.acquisition.to_dict(),
            "total_exposure_s": total,
            "arcsec_per_px": scale,
            "remarks": list(self.source.remarks),
            "advice": [asdict(a) for a in self.advice],
        }

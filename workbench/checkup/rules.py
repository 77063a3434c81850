"""Advice from what was measured: each rule looks at one thing and says what it means and what to do.

Here are the rules that look at the frame, and the order of them all; those that look at its stars are in `stars`.

The limits are chosen for stacks from ordinary cameras on a tracking mount. They decide what is mentioned; no pixel
depends on them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import PurePath

from workbench.acquisition import Tone
from workbench.checkup.remedy import remedy
from workbench.checkup.report import Checkup
from workbench.checkup.stars import color_halos, corners, elongation, few_stars, lateral_color, sampling
from workbench.checkup.text import NIGHT, duration
from workbench.operations.banding import WORTH_REMOVING as STRIPES_WORTH_REMOVING
from workbench.operations.banding import banding_words
from workbench.operations.defects import defects_why
from workbench.operations.findings import Advice, Severity, compass, of_the_sky, percent
from workbench.operations.gradient import WORTH_REMOVING

__all__ = ["RULES", "SMALLEST", "advise"]

Rule = Callable[[Checkup], Iterator[Advice]]

_ORDER: dict[Severity, int] = {"warning": 0, "advice": 1, "note": 2}

#: From where findings are worth a word, or a stronger one: common practice.
_GRADIENT_STRONG = 0.15  #: of the sky's level
_DARK_CORNERS = 0.85  #: of the light in the middle
_CAST = 0.05  #: of a channel's sky over green
_CLIPPED_MUCH = 0.003  #: of the pixels
_NOISY = 0.01  #: noise over sky level
_DARK, _BRIGHT = 0.008, 0.4  #: sky level
_BLACK_CUT = 0.002  #: of the pixels, cut off at zero
_COLORS = 3  #: channels of a color frame
SMALLEST = 32  #: px of a side below which nothing is suggested


def advise(found: Checkup) -> Checkup:
    """The checkup with its advice, most pressing first; of a finished picture, little can be said truthfully.

    Parameters
    ----------
    found : Checkup

    Returns
    -------
    Checkup
    """
    rules = RULES if found.tone == Tone.LINEAR else _ON_PICTURES
    advice = [a if a.step else replace(a, step=remedy(a.about, a.says)) for rule in rules for a in rule(found)]
    return replace(found, advice=tuple(sorted(advice, key=lambda a: _ORDER[a.severity])))


def _tone(c: Checkup) -> Iterator[Advice]:
    if c.tone == Tone.DISPLAY:
        evidence = "".join(f" {r[:1].upper()}{r[1:]}." for r in c.source.remarks)
        yield Advice(
            "Not linear any more",
            "warning",
            f"This image was stretched or encoded for a screen.{evidence} Gradient, color, noise and stars can only "
            "be measured and changed truthfully in linear light.",
            "Export the stack again from your stacking program as linear 16-bit or float TIFF or FITS, with no "
            "stretch, no curve and no automatic brightness.",
        )
    elif c.source.sample == "uint8":
        yield Advice(
            "Only 8 bits",
            "warning",
            "The file holds 256 levels. Faint nebulosity lies within a few of them, and a stretch shows them as steps.",
            "Export the stack again with 16 or 32 bits a channel.",
        )


def _empty(c: Checkup) -> Iterator[Advice]:
    height, width, _ = c.shape
    if min(height, width) < SMALLEST and not c.empty:
        yield Advice(
            "Too small",
            "warning",
            f"The image is {width} x {height} px: sky, noise and stars cannot be told apart in so few.",
            f"Give the whole stack, at least {SMALLEST} px a side.",
        )
    elif c.empty:
        yield Advice(
            "Nothing in it",
            "warning",
            "The pixels do not differ from each other: there is neither noise nor a star, so this is no exposure of "
            "the sky.",
            "Look at what your stacking program wrote, and give the stack itself.",
        )


def _borders(c: Checkup) -> Iterator[Advice]:
    if c.borders.doubtful:
        yield Advice(
            "Perhaps a border",
            "note",
            f"Noise is higher along an edge ({', '.join(c.borders.doubtful)}), but not evenly, as where an object "
            "reaches toward it: it need not be a border, and none is cut there.",
            "Look at that edge, and crop it by hand if fewer frames overlap there.",
        )
    if not c.has_borders:
        return
    yield Advice(
        "Borders",
        "warning",
        f"Along the edges ({c.borders_in_words}) fewer frames overlap, because the frames were shifted or turned "
        "against each other. There the noise is higher and the sky has steps, which would mislead every later "
        "measurement.",
        "Crop these edges first.",
        remedy("Borders", f"Borders measured: {c.borders_in_words}."),
    )


def _gradient(c: Checkup) -> Iterator[Advice]:
    if c.gradient.share < WORTH_REMOVING or not max(c.noise) > 0:
        return
    height = max(p / n for p, n in zip(c.gradient.peak_to_peak, c.noise, strict=True) if n > 0)
    change = of_the_sky(c.gradient.peak_to_peak, c.sky)
    says = (
        f"The background differs by {change} over the frame, {height:.0f} times the noise of a pixel, and "
        f"grows towards {compass(c.gradient.direction_deg)}: light of towns, the Moon, or what the flat frames "
        "left. Stretched, it would be brighter than faint nebulosity."
    )
    strong = c.gradient.share > _GRADIENT_STRONG
    yield Advice(
        "Gradient",
        "warning" if strong else "advice",
        says,
        "Remove it in linear light, before color and stretch.",
        remedy("Gradient", f"Gradient of {change}."),
    )


def _falloff(c: Checkup) -> Iterator[Advice]:
    if c.corner_light is None:
        return
    yield Advice(
        "Falloff",
        "warning" if c.corner_light < _DARK_CORNERS else "advice",
        f"The corners got {percent(c.corner_light, 2)} of the light in the middle, as lenses do it and flat frames "
        "would have measured: sky, stars and nebula are fainter there, all by the same share.",
        "Divide it out, before glow is subtracted. Flat frames do it better, next time.",
        remedy("Falloff", f"Corners at {percent(c.corner_light, 2)} of the light."),
    )


def _cast(c: Checkup) -> Iterator[Advice]:
    if len(c.sky) < _COLORS or not min(c.sky) > 0:
        return
    red, _, blue = (v / c.sky[1] - 1 for v in c.sky)
    if max(abs(red), abs(blue)) < _CAST:
        return
    words = " and ".join(
        f"{percent(abs(v), 2)} {'more' if v > 0 else 'less'} {name} than green"
        for v, name in ((red, "red"), (blue, "blue"))
        if abs(v) >= _CAST
    )
    yield Advice(
        "Color of the sky",
        "note",
        f"The sky holds {words}. That is the color of the town's light and of the sensor, not of the object.",
        "Set the color from the stars, and level the sky, before the stretch.",
        remedy("Color of the sky", f"Sky measured with {words}."),
    )


def _clipping(c: Checkup) -> Iterator[Advice]:
    if c.clipped_fraction <= 0:
        return
    much = c.clipped_fraction > _CLIPPED_MUCH
    stars = f" ({c.stars.saturated:,} star{'s' * (c.stars.saturated != 1)})" if c.stars.saturated else ""
    yield Advice(
        "Clipped cores",
        "advice" if much else "note",
        f"{percent(c.clipped_fraction, 2)} of the pixels reach the white level{stars}. What is "
        "clipped has lost its color and its inner detail; no step can bring it back.",
        (
            "Next time use shorter exposures or a lower ISO, or add a short series for the bright parts. " + NIGHT
            if much
            else "Nothing: clipped stars are left out of the measurements, and the stretch protects the highlights."
        ),
    )


def _noise(c: Checkup) -> Iterator[Advice]:
    shares = [n / s for n, s in zip(c.noise, c.sky, strict=True) if s > 0]
    if not shares or not max(shares) > 0:
        return
    share, frames = max(shares), c.acquisition.frames
    much = share > _NOISY
    total = c.acquisition.total_s
    exposed = f" after {duration(total)}" if total is not None else ""
    more = f"{4 * frames} frames in place of {frames}" if frames else "four times as many frames"
    yield Advice(
        "Noise",
        "advice" if much else "note",
        f"Pixel to pixel the sky flickers by {percent(share, 2)} of its level{exposed}. Light weaker than that is seen "
        "only where many pixels agree.",
        f"Smooth the noise in linear light. Only more light makes it truly smaller: {more} would halve it."
        + (" " + NIGHT if much else ""),
        remedy("Noise", f"Sky noise of {percent(share, 2)} of the sky level."),
    )


def _defects(c: Checkup) -> Iterator[Advice]:
    if why := defects_why(c):
        yield Advice(
            "Hot pixels",
            "advice",
            why,
            "Fill them before anything else is measured. Next time take dark frames as warm and as long as the others, "
            "and shift the camera a little between frames, so that stacking rejects what stays in place. " + NIGHT,
        )


def _stripes(c: Checkup) -> Iterator[Advice]:
    words = banding_words(c.banding, STRIPES_WORTH_REMOVING)
    if not words:
        return
    yield Advice(
        "Stripes",
        "advice",
        f"Whole rows or columns lie a little higher or lower than those around them: {words}. They drown in the noise "
        "of single pixels, and come out as stripes where faint light is stretched.",
        "Take them away first of all, while a row of the stack is a row of the sensor. Next time shift the camera a "
        "little between frames, so that stacking averages them away. " + NIGHT,
        remedy("Stripes", f"Stripes: {words}."),
    )


def _level(c: Checkup) -> Iterator[Advice]:
    low, high = min(c.sky), max(c.sky)
    if c.black_fraction > _BLACK_CUT:
        yield Advice(
            "Blacks cut off",
            "warning",
            f"{percent(c.black_fraction, 2)} of the pixels lie exactly on the lowest value: the dark side of the "
            "noise was cut off, and with it the faintest light.",
            "Stack again without clipping at black: keep an offset, or write float values.",
        )
    if c.tone == Tone.DISPLAY or c.empty:
        return
    if low < _DARK and c.source.sample.startswith("uint"):
        yield Advice(
            "Sky near black",
            "note",
            f"The sky lies at only {percent(low, 2)} of white. If single frames were that dark, the camera's own noise "
            "counts more than the sky's.",
            "If your sky allows, expose single frames longer next time, until the sky's hump stands clear of the "
            "left edge "
            "of the camera's histogram. " + NIGHT,
        )
    if high > _BRIGHT:
        yield Advice(
            "Sky very bright",
            "advice",
            f"The sky fills {percent(high, 2)} of the range up to white, so stars and bright parts clip early.",
            "Use shorter exposures or a lower ISO next time, or a darker place. " + NIGHT,
        )


def _unknown(c: Checkup) -> Iterator[Advice]:
    if c.source.invalid:
        yield Advice(
            "Samples without a value",
            "note",
            f"{c.source.invalid:,} samples were not numbers; their pixels are left out of every measurement.",
            "Nothing, if they lie at the edges. Otherwise look at what your stacking program did there.",
        )
    if c.arcsec_per_px is None:
        name = PurePath(c.file).stem or "night"
        yield Advice(
            "Acquisition unknown",
            "note",
            "The file does not say focal length and pixel size, so sizes are given in pixels only.",
            f'Put a file {name}.acquisition.json beside it, such as {{"focal_length_mm": 135, "pixel_size_um": 4.3, '
            '"exposure_s": 120, "frames": 60}.',
        )


RULES: tuple[Rule, ...] = (
    _empty,
    _tone,
    _borders,
    _defects,
    _stripes,
    _falloff,
    _gradient,
    _level,
    elongation,
    corners,
    lateral_color,
    color_halos,
    sampling,
    _clipping,
    _noise,
    _cast,
    few_stars,
    _unknown,
)
_ON_PICTURES: tuple[Rule, ...] = (_empty, _tone, _level, _unknown)

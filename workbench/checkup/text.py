"""A checkup in words and units that a photographer uses."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from workbench.acquisition import Acquisition, Tone
from workbench.checkup.sky_brightness import NATURAL
from workbench.operations.findings import compass, of_the_sky, percent

if TYPE_CHECKING:
    from workbench.operations.findings import Findings

__all__ = ["NIGHT", "acquired", "duration", "summary", "text"]

_WIDTH = 96
#: Added wherever advice sends somebody out at night.
NIGHT = (
    "For a night outdoors: use a place where you are allowed and safe to be, tell someone where you are, "
    "dress for the cold, light your way, and follow the local rules."
)
#: Noise counts as shared from this factor on.
_SHARED = 1.1
#: Of the sky level: rounding errors of an even frame are no gradient.
_NO_GRADIENT = 1e-6
_NOT_LOOKED_FOR = "not looked for, as this is no longer linear"
_MARKS = {"warning": "!!", "advice": " >", "note": "  "}


def duration(seconds: float) -> str:
    """A time as hours and minutes, or seconds when it is short.

    Parameters
    ----------
    seconds : float

    Returns
    -------
    str
    """
    if seconds < 120:
        return f"{seconds:g} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def acquired(a: Acquisition, shape: tuple[int, ...]) -> str:
    """How the frames were taken, as far as it is known, in one line.

    Parameters
    ----------
    a : Acquisition
    shape : tuple of int
        Rows and columns first.

    Returns
    -------
    str
    """
    parts = []
    if a.frames and a.exposure_s:
        parts.append(f"{a.frames} x {a.exposure_s:g} s = {duration(a.frames * a.exposure_s)}")
    elif a.frames or a.exposure_s:
        parts.append(f"{a.frames} frames" if a.frames else f"{a.exposure_s:g} s a frame")
    if a.iso:
        parts.append(f"ISO {a.iso:g}")
    lens = [f"{a.focal_length_mm:g} mm"] if a.focal_length_mm else []
    lens += [f"f/{a.f_number:g}"] if a.f_number else []
    parts += [" ".join(lens)] if lens else []
    parts += [a.camera] if a.camera else []
    scale, field = a.arcsec_per_px, a.field_deg(shape)
    if scale is not None and field is not None:
        parts.append(f"{scale:.2f} arcsec per pixel, field {field[1]:.1f} x {field[0]:.1f} degrees")
    parts += [", ".join(t for t in (a.place, a.date) if t)] if a.place or a.date else []
    return "; ".join(parts)


def summary(c: Findings) -> list[tuple[str, str]]:
    """(what, value) rows of everything measured.

    Parameters
    ----------
    c : Findings

    Returns
    -------
    list of (str, str)
    """
    h, w, n = c.shape
    kind = "color" if n > 1 else "gray"
    s = c.source
    stored = f"; {s.sample} {s.format.upper()}, white = {s.white_level:g}" if s.format != "array" else ""
    known = acquired(c.acquisition, c.shape)
    rows = [("Frame", f"{w} x {h} px ({w * h / 1e6:.1f} megapixels), {kind}, {c.tone}{stored}")]
    rows += [("Taken", known)] if known else []

    def by_channel(values: tuple[float, ...]) -> str:
        return ", ".join(f"{name} {percent(v)}" for name, v in zip(c.channel_names, values, strict=True))

    rows.append(("Sky", f"{by_channel(c.sky)} of white"))
    shared = f"; neighboring pixels share some of it, so it is {c.correlation:.1f} times what it looks like"
    spread = shared if c.correlation > _SHARED else ""
    rows.append(("Sky noise", f"{by_channel(c.noise)} of white, per pixel{spread}"))
    if c.sky_brightness is not None:
        rows.append(("Sky brightness", brightness_words(c)))
    rows.append(("Gradient", gradient_words(c)))
    margins = ", ".join(f"{side} {n}" for side, n in c.borders.to_dict().items() if n)
    sure = "none that is sure" if c.borders.doubtful else "none: all frames cover the whole image"
    whole = sure if c.tone == Tone.LINEAR else _NOT_LOOKED_FOR
    rows.append(("Borders", f"{margins} px" if margins else whole))
    rows.append(("Clipped", f"{percent(c.clipped_fraction, 2)} of the pixels at the white level"))
    rows.append(("Hot pixels", hot_words(c)))
    rows.append(("Stars", star_words(c)))
    return rows


def brightness_words(c: Findings) -> str:
    """Brightness of the sky on the astronomers' scale, and what a darker one would be worth."""
    found = c.sky_brightness
    assert found is not None
    middle = len(found.magnitude) // 2
    words = (
        f"{found.visual:.2f} ± {found.error[middle]:.2f} magnitudes per square arcsecond in "
        f"{c.channel_names[middle]} (nearly V), by {found.stars} stars"
    )
    if found.visual > NATURAL:
        return f"{words}; darker than any sky: the stacking program took a part of the sky off"
    times = 10 ** (0.4 * (NATURAL - found.visual))
    return (
        f"{words}; under a sky without lamps or Moon ({NATURAL:g}) faint light stands out as well after 1/{times:.0f} "
        "of the time, if the stacking program left the sky as it was"
    )


def gradient_words(c: Findings) -> str:
    """Size and direction of the gradient."""
    g = c.gradient
    if not max(g.peak_to_peak, default=0.0) > 0 or g.share < _NO_GRADIENT:
        return "none measured"
    towards = compass(g.direction_deg)
    words = f"{of_the_sky(g.peak_to_peak, c.sky)} from darkest to brightest part, growing towards {towards}"
    return words if g.sure else f"{words}; not sure: only {percent(g.seen, 2)} of the frame shows sky"


def hot_words(c: Findings) -> str:
    """How many pixels stand alone."""
    if c.tone != Tone.LINEAR:
        return _NOT_LOOKED_FOR
    dark = f", and {c.dark_pixels:,} too dark" if c.dark_pixels else ""
    return f"{c.hot_pixels:,} stand out alone{dark}" if c.hot_pixels or c.dark_pixels else "none stand out"


def star_words(c: Findings) -> str:
    """Number, size and shape of the stars."""
    s = c.stars
    if c.tone != Tone.LINEAR:
        return _NOT_LOOKED_FOR
    if s.fwhm_px is None:
        return "none found" if s.count == 0 else f"{s.count:,} found, too faint to measure their shape"
    arcsec = "" if c.arcsec_per_px is None else f" = {s.fwhm_px * c.arcsec_per_px:.1f} arcsec"
    words = f"{s.count:,} found, {s.saturated:,} of them with a clipped core; FWHM {s.fwhm_px:.2f} px{arcsec}"
    if s.elongation is not None:
        words += f"; elongation {s.elongation:.2f}"
    return words


def text(c: Findings) -> str:
    """The checkup as lines for the terminal.

    Parameters
    ----------
    c : Findings

    Returns
    -------
    str
    """
    rows = summary(c)
    margin = max(len(name) for name, _ in rows) + 2
    lines = [c.file, "=" * len(c.file)]
    for name, value in rows:
        lines += _wrapped(f"{name:<{margin}}", value)
    lines += [""] + [line for r in c.source.remarks for line in _wrapped("Note: ", r)] if c.source.remarks else []
    if not c.advice:
        return "\n".join([*lines, "", "Nothing stands out: this stack is ready for a recipe."])
    lines += ["", "What stands out (!! matters most)"]
    for a in c.advice:
        step = f" [step: {a.step['do']}]" if a.step else ""
        lines += ["", f"{_MARKS[a.severity]} {a.about}{step}"]
        lines += _wrapped("   ", a.says) + _wrapped("   To do: ", a.do)
    return "\n".join(lines)


def _wrapped(head: str, body: str) -> list[str]:
    return textwrap.wrap(
        body, _WIDTH, initial_indent=head, subsequent_indent=" " * len(head), break_long_words=False
    ) or [head.rstrip()]

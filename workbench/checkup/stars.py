"""Advice from the stars: rules of the same kind as those of `rules`, which look at the frame."""

from __future__ import annotations

from collections.abc import Iterator

from workbench.acquisition import Tone
from workbench.checkup.remedy import remedy
from workbench.checkup.report import Checkup
from workbench.checkup.text import NIGHT
from workbench.operations.findings import Advice, compass, percent
from workbench.operations.frame import COARSE, binning
from workbench.operations.lens import WORTH_ALIGNING
from workbench.operations.white import FEW_STARS

__all__ = ["color_halos", "corners", "elongation", "few_stars", "lateral_color", "sampling"]

_DRAWN_OUT, _DRAWN_OUT_MUCH = 1.15, 1.35  #: length over width worth a word, and a warning: common practice
_CORNERS_SOFT = 1.25  #: width in a corner over that in the middle: common practice
_FINE = 1.7  #: FWHM in pixels


def elongation(c: Checkup) -> Iterator[Advice]:
    """Stars drawn out alike over the whole frame.

    Parameters
    ----------
    c : Checkup

    Yields
    ------
    Advice
    """
    e, angle = c.stars.elongation, c.stars.angle_deg
    if e is None or angle is None or e < _DRAWN_OUT:
        return
    # Angles are counted downwards from the right; people read a slope upwards.
    yield Advice(
        "Stars drawn out",
        "warning" if e > _DRAWN_OUT_MUCH else "advice",
        f"Over the whole frame stars are {e:.2f} times longer than wide, all towards {compass(-angle)} and back. One "
        "direction everywhere means that the camera moved: drift of the mount, wind, or a cable that pulls.",
        "Next time align the mount more exactly, balance it, and use shorter exposures; leave out the worst frames "
        "when "
        "you stack. " + NIGHT,
    )


def corners(c: Checkup) -> Iterator[Advice]:
    """Stars wider in the corners than in the middle.

    Parameters
    ----------
    c : Checkup

    Yields
    ------
    Advice
    """
    growth, stretched = c.stars.corner_growth, c.stars.corner_elongation
    if growth is None or growth < _CORNERS_SOFT:
        return
    drawn = f" and {stretched:.2f} times longer than wide" if stretched and stretched > _DRAWN_OUT else ""
    yield Advice(
        "Soft corners",
        "advice",
        f"Stars in the corners are {percent(growth - 1, 2)} wider than in the middle{drawn}: the lens is not sharp "
        "there, or the sensor is tilted.",
        "Next time close the lens by one or two stops and focus on a star a third of the way out, or crop the corners "
        "away. " + NIGHT,
    )


def lateral_color(c: Checkup) -> Iterator[Advice]:
    """Red and blue stars beside green ones in the corners.

    Parameters
    ----------
    c : Checkup

    Yields
    ------
    Advice
    """
    apart = c.lateral_color
    if apart is None or apart < WORTH_ALIGNING:
        return
    yield Advice(
        "Lateral color",
        "advice",
        f"In the corners red or blue stars lie {apart:.2f} px beside the green ones, for the lens draws colors at "
        "different sizes or the air has bent them: stars get colored rims there.",
        "Bring the channels together before color is judged.",
        remedy("Lateral color", f"Colors lie {apart:.2f} px apart in the corners."),
    )


def color_halos(c: Checkup) -> Iterator[Advice]:
    """Stars with a halo of violet or red.

    Parameters
    ----------
    c : Checkup

    Yields
    ------
    Advice
    """
    if not c.color_halo:
        return
    share = percent(c.color_halo, 2)
    yield Advice(
        "Colored halos",
        "advice",
        f"Around its core a star has {share} of its red or blue light in a halo that green has not: the lens does not "
        "bring all colors to one focus.",
        "Take the halos away before color is judged. Next time close the lens by a stop. " + NIGHT,
        remedy("Colored halos", f"Halos around stars hold {share} of their red or blue light."),
    )


def sampling(c: Checkup) -> Iterator[Advice]:
    """Stars many pixels wide, or hardly wider than one.

    Parameters
    ----------
    c : Checkup

    Yields
    ------
    Advice
    """
    fwhm = c.stars.fwhm_px
    if fwhm is None:
        return
    arcsec = "" if c.arcsec_per_px is None else f" ({fwhm * c.arcsec_per_px:.1f} arcsec)"
    if fwhm > COARSE:
        bins = binning(fwhm)
        yield Advice(
            "Stars many pixels wide",
            "advice",
            f"Half of a star's light spans {fwhm:.1f} px{arcsec}. The image holds fewer details than pixels.",
            f"Average blocks of {bins} x {bins} pixels: less noise and a smaller file at no loss. If stars should be "
            "smaller, check the focus next time. " + NIGHT,
            remedy("Stars many pixels wide", f"Stars are {fwhm:.1f} px wide.", bin=bins),
        )
    elif fwhm < _FINE:
        yield Advice(
            "Stars hardly wider than a pixel",
            "note",
            f"A star's width is {fwhm:.1f} px{arcsec}, so its light falls into very few pixels and looks angular "
            "enlarged.",
            "Keep steps that sharpen small. Shifting the camera a little between frames, and stacking onto a finer "
            "grid, gives rounder stars.",
        )


def few_stars(c: Checkup) -> Iterator[Advice]:
    """Too few stars to measure color and size by.

    Parameters
    ----------
    c : Checkup

    Yields
    ------
    Advice
    """
    if c.tone == Tone.LINEAR and not c.empty and c.stars.count - c.stars.saturated < FEW_STARS:
        found = "No stars were" if c.stars.count == 0 else "Only 1 star was" if c.stars.count == 1 else ""
        yield Advice(
            "Few stars",
            "advice",
            f"{found or f'Only {c.stars.count} stars were'} found; color and star size measured from so few are "
            "uncertain.",
            "Check that this is a stack of the night sky in focus; give channel gains by hand if the color comes "
            "out wrong.",
        )

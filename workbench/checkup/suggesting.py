"""A recipe for a stack: every setting drawn from what was measured, every step with its reason."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

import numpy as np

from workbench.acquisition import Tone
from workbench.checkup.measuring import check as check_stack
from workbench.checkup.report import Checkup
from workbench.checkup.rules import COLORS, GRADIENT_WORTH_REMOVING, SMALLEST, defects_why
from workbench.checkup.stars import COARSE, FEW_STARS, binning
from workbench.checkup.text import compass, percent
from workbench.checkup.trial import Extended, colorfulness, extended_light, green_excess, window
from workbench.engine import Recipe
from workbench.errors import WorkbenchError
from workbench.io.source_file import AnyPath
from workbench.measure.background.sky import sky_levels
from workbench.operations.base import Facts, Frame
from workbench.operations.color import CalibrateColor, LimitGreen, Saturate
from workbench.operations.defects import MendPixels
from workbench.operations.frame import Crop, Resample
from workbench.operations.gradient import RemoveGradient
from workbench.operations.noise import Denoise
from workbench.operations.stars import ReduceStars
from workbench.operations.stretch import Stretch
from workbench.recipe.model import Step
from workbench.stack import Stack
from workbench.threads import one_thread_libraries

__all__ = ["suggest"]

#: Share of pixels with excess green that is worth a step.
_GREEN_WORTH = 0.002
#: Chroma (Oklab) that the more colorful light should have in the picture, and how far saturation may go.
_WANTED_CHROMA = 0.11
_MOST_SATURATION = 1.8
#: Share of the frame covered by stars from which they compete with the object.
_CROWDED = 0.01
#: Share of the frame with extended light from which it fills the frame.
_FILLS = 0.6


@one_thread_libraries()
def suggest(stack: Stack, check: Checkup | None = None, *, scratch: AnyPath | None = None) -> Recipe:
    """Make a recipe for a linear stack.

    Parameters
    ----------
    stack : Stack
    check : Checkup, optional
        What `check` found in this stack, to save measuring it again.
    scratch : path, optional
        As of `check`.

    Returns
    -------
    Recipe
        Every step's note holds its reason with the numbers it rests on. The steps measure anew when the recipe is
        run, so it also serves the next stack of the same kind.

    Raises
    ------
    WorkbenchError
        When the stack is not linear, or shows nothing.

    Notes
    -----
    Sky, borders, stars and noise come from the checkup. The settings that depend on what earlier steps leave (excess
    green, how bright the object may be shown, saturation) are measured on a trial run of the earlier steps over the
    middle of the frame (at most 6 megapixels).
    """
    if stack.tone != Tone.LINEAR:
        raise WorkbenchError(
            f"{stack.source.name} is a finished picture and not linear light, so no recipe can be suggested for it; "
            "if it is linear all the same, read it with --linear, or tone='linear' in Python"
        )
    if min(stack.shape[:2]) < SMALLEST:
        height, width, _ = stack.shape
        raise WorkbenchError(
            f"{stack.source.name} is {width} x {height} px, too small to measure sky and stars in, so no recipe can be "
            f"suggested for it; give a stack of at least {SMALLEST} px a side"
        )
    found = check or check_stack(stack, scratch=scratch)
    if found.empty:
        raise WorkbenchError(
            f"{stack.source.name} shows nothing, all its pixels are alike, so no recipe can be suggested for it; "
            "look at what your stacking program wrote"
        )
    steps = list(_on_sky(found))
    part = window(stack, found)
    even = Recipe(steps).run(part, progress=False).image
    if len(found.sky) == COLORS:
        white, facts = _calibrate(found, even)
        steps.append(white)
        even = Recipe([white]).run(even, facts=facts, progress=False).image
    if found.has_borders:
        steps.insert(0, _crop(found))
    sky = sky_levels(even.planes, even.coverage)
    if len(found.sky) == COLORS and (share := green_excess(even, sky)) > _GREEN_WORTH:
        steps.append(_limit_green(share))
    light = extended_light(even, sky)
    stretch = _stretch(found, light)
    steps += [*_on_stars(found, light), *_on_noise(found), stretch]
    if len(found.sky) == COLORS:
        steps += _saturate(colorfulness(Recipe([stretch]).run(even, progress=False).image))
    return Recipe(steps, title=_title(stack))


def _title(stack: Stack) -> str:
    name = stack.source.name.rsplit(".", 1)[0]
    return name.replace("_", " ").strip().capitalize() or "Suggested recipe"


def _crop(c: Checkup) -> Step:
    sides = ", ".join(f"{side} {n} px" for side, n in c.borders.to_dict().items() if n)
    return Step(Crop(), note=f"Fewer frames overlap along the edges ({sides}): cut before the sky is measured.")


def _on_sky(c: Checkup) -> Iterator[Step]:
    """Steps that make the pixels sound and few enough, and the sky even."""
    if why := defects_why(c):
        yield Step(MendPixels(), note=why)
    width = c.stars.fwhm_px
    if width is not None and width > COARSE:
        bins = binning(width)
        yield Step(Resample(bin=bins), note=f"Stars are {width:.1f} px wide: blocks of {bins} px lose nothing.")
    if c.gradient.share > GRADIENT_WORTH_REMOVING and max(c.noise) > 0:
        height = max(p / n for p, n in zip(c.gradient.peak_to_peak, c.noise, strict=True) if n > 0)
        yield Step(
            RemoveGradient(),
            note=f"The sky differs by {percent(c.gradient.share, 2)} over the frame, {height:.0f} times the noise, and "
            f"grows towards {compass(c.gradient.direction_deg)}.",
        )


def _calibrate(c: Checkup, even: Stack) -> tuple[Step, dict[int, Facts]]:
    """White from the stars, if a trial finds enough of them; with the facts of that trial."""
    usable = c.stars.count - c.stars.saturated
    planes = np.ascontiguousarray(even.planes)
    frame = Frame(planes, even.tone, even.coverage, even.acquisition, even.wcs)
    if even.wcs is not None:
        with suppress(WorkbenchError):  # it says that too few stars are known, or that the catalogue is not installed
            by_catalog = CalibrateColor(reference="catalogue")
            facts = by_catalog.measure(frame)
            red, _, blue = facts.gains
            note = (
                f"The field is known, and the colors of {facts.samples:,} stars in it: one like the Sun is taken "
                f"for white. In a trial they asked for red x {red:.2f} and blue x {blue:.2f}."
            )
            return Step(by_catalog, note=note), {0: facts}
    with suppress(WorkbenchError):  # it says that the stars are too few
        if usable >= FEW_STARS:
            facts = CalibrateColor().measure(frame)
            red, _, blue = facts.gains
            step = Step(
                CalibrateColor(),
                note=f"{usable:,} stars that are not clipped: enough for a white reference. In a trial they asked "
                f"for red x {red:.2f} and blue x {blue:.2f}.",
            )
            return step, {0: facts}
    red, green, blue = (max(s, 1e-6) for s in c.sky)
    gains = (round(float(np.clip(green / red, 0.2, 5)), 3), 1.0, round(float(np.clip(green / blue, 0.2, 5)), 3))
    step = Step(
        CalibrateColor(reference="given", gains=gains),
        note=f"{usable or 'No'} star{'s' * (usable != 1)} to measure, too few for a white reference: the sky's own "
        f"color is taken as gray (gains {gains[0]:g}, 1, {gains[2]:g}).",
    )
    return step, {}


def _limit_green(share: float) -> Step:
    return Step(LimitGreen(), note=f"Green stands above both red and blue in {percent(share, 2)} of the pixels.")


def _on_stars(c: Checkup, light: Extended) -> Iterator[Step]:
    """Stars are reduced where they compete with something else; before the noise, by which the step knows them."""
    if not light.there or c.stars.cover < _CROWDED or c.stars.fwhm_px is None:
        return
    size = round(float(np.clip(0.95 - 6 * c.stars.cover, 0.75, 0.9)), 2)
    yield Step(
        ReduceStars(size=size, brightness=0.9),
        note=f"{c.stars.count:,} stars, the brighter ones covering {percent(c.stars.cover, 2)} of the frame, compete "
        f"with extended light in {percent(light.share, 2)} of it: made a little smaller, not taken away.",
    )


def _on_noise(c: Checkup) -> Iterator[Step]:
    if not max(c.noise) > 0:
        return
    share = _noise_share(c)
    amount = round(float(np.clip(0.8 + 20 * share, 0.8, 1.0)), 2)
    left = "all of it that is found is taken away" if amount == 1 else "a little is left, which looks natural"
    yield Step(Denoise(amount=amount), note=f"The noise of a pixel is {percent(share, 2)} of the sky level; {left}.")


def _noise_share(c: Checkup) -> float:
    return max((n / s for n, s in zip(c.noise, c.sky, strict=True) if s > 0), default=0.0)


def _stretch(c: Checkup, light: Extended) -> Step:
    """The noisier the stack, the darker its sky is shown; light that fills the frame may not glare."""
    sky = round(float(np.clip(0.11 - 2 * _noise_share(c), 0.07, 0.1)), 3)
    if not light.there:
        return Step(
            Stretch(sky=sky), note=f"Nothing but stars stands out of the sky, which is shown at {sky:g} of white."
        )
    fills = light.share > _FILLS
    bright = 0.55 if fills else 0.65
    return Step(
        Stretch(sky=sky, bright=bright),
        note=f"Extended light lies in {percent(light.share, 2)} of the frame, up to {light.over_noise:.0f} times the "
        f"noise of a pixel above the sky: shown up to {bright:g} of white, the sky at {sky:g}.",
    )


def _saturate(chroma: float) -> Iterator[Step]:
    if chroma <= 0:
        return
    amount = round(float(np.clip(_WANTED_CHROMA / chroma, 1.0, _MOST_SATURATION)), 2)
    if amount > 1:
        yield Step(
            Saturate(amount=amount),
            note=f"After the stretch the more colorful light has a chroma of {chroma:.3f} (0 is gray, {_WANTED_CHROMA} "
            f"shows well): colors are made {amount:g} times as strong"
            + (", and no stronger, for the sake of the noise." if amount == _MOST_SATURATION else "."),
        )

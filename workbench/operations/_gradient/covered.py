"""Glow in frames that objects cover in part or whole: no single fit is trusted there.

Where the objects have one color, glow is read from what is blind to it (`blind`). Where one galaxy overfills the frame,
glow is fitted beside it (`profile`). Where neither shows the sky, a constant is left: it does no harm.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.operations._gradient.blind import DEGREE, glow_beside_one_color
from workbench.operations._gradient.consensus import sample_noise
from workbench.operations._gradient.fit import Samples
from workbench.operations._gradient.surfaces import Polynomial
from workbench.operations._gradient.trials import Trial, galaxy_trial, height_of

__all__ = ["beside_galaxy", "beside_one_color", "between", "mixed", "nothing", "spread"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Likely error (68 %) of the glow that is blind to the objects' color, in terms of what it says itself: first x
#: uncertainty^second x (variance in a second color over that in the first + third)^fourth. Of 250 independent scenes it
#: tells the error to a factor of 2.2.
_ERROR_OF_BLIND = (4.0, 0.8, 0.003, 0.4)
#: That ratio from which objects have more than one color, and below which they have one: 0.000-0.007 were seen of dust,
#: star clouds and galaxies, 0.009 of a galaxy with a yellow core and blue arms, 0.04-0.37 of nebulae in hydrogen and
#: oxygen. Half or double change the mean error by a hundredth.
_ONE_COLOR = (0.04, 0.015)
#: Deviations by which a sample lies below a surface that is too high there, for no object's light is negative; and the
#: share of such samples that says nothing. Of 300 independent scenes the mean error (of the logarithm) falls from 1.28
#: to 1.25 %, the worst from 100 to 66 %. Three deviations gain half of that; 0.4 to 4 times the share do the same.
_BELOW, _SOME_BELOW = 2.0, 0.005
#: Of two surfaces each counts by this power of the other's likely error: 3 to 6 do the same.
_SURER = 4.0
#: Share of the samples that agree with another surface from which no galaxy overfills the frame, and below which one
#: may; and degrees of the glow beside it. With more agreeing the other surface is right: 0.4 in place of 4 times the
#: noise beside a galaxy that fills half of the frame (0.62).
_OVERFILLED = (0.55, 0.48)
_BESIDE_GALAXY = (1, 2, 3)
#: Share of the light beside such a glow that no galaxy explains from which there is none, and below which there is one:
#: whatever the surface looks like, and where the surface rises to a top of its own under the brightest object.
_UNEXPLAINED, _UNEXPLAINED_TOP = (0.08, 0.06), (0.2, 0.18)
#: Such a top rises above the frame's rim by this share of the surface's height (none, surely), and lies this close to
#: the object, in mean sides of the frame.
_TOP, _TOP_NEAR = (0.1, 0.18), (0.25, 0.18)
#: Width (samples) of the blur in which the brightest object is sought.
_OBJECT_WIDTH = 2.5
#: Likely error of the median of such surfaces where all samples agree with another one, in deviations of the surfaces
#: about it; where fewer do, it grows as their share falls, down to the second number.
_ERROR_OF_SPREAD, _LEAST_SHARE = 1.8, 0.1


def nothing(samples: Samples, trial: Trial) -> Trial:
    """A constant at the level of a trial's surface: nothing is taken off."""
    flat = np.median(trial.model, axis=0)[None]
    return Trial(Polynomial(0), 0.0, flat, samples.open, np.repeat(flat, len(samples.u), axis=0))


def beside_one_color(samples: Samples, held: Trial, taken: Trial) -> Trial:
    """The glow that is blind to the objects' color in place of ``taken``, as far as it is surer than ``held`` is.

    ``taken`` is what was held, or less of it. Their likely errors know nothing of each other; the samples judge both:
    the surface above more of them is so many times less sure.
    """
    found = glow_beside_one_color(samples)
    if found is None:
        return taken
    factor, power, least, growth = _ERROR_OF_BLIND
    error = factor * found.uncertainty**power * (found.second_color + least) ** growth
    surface = Polynomial(DEGREE)
    model = surface.design(samples.u, samples.v) @ found.coefficients
    one = Trial(surface, 0.0, found.coefficients, found.used, model, error=error, one_color=True)
    other = 0.0 if held.error is None else held.error
    above, other_above = (_SOME_BELOW + _above(samples, m) for m in (model, held.model))
    ratio = error * above / max(other * other_above, 1e-9)
    share = between(found.second_color, *_ONE_COLOR) / (1.0 + ratio**_SURER)
    return mixed(one, taken, round(share, 2))  # a hundredth more or less is none


def _above(samples: Samples, model: F64) -> float:
    """Share of the samples that a surface lies above, beyond their noise, in any channel."""
    below = samples.value - model < -_BELOW * sample_noise(samples)
    return float(below[samples.open].any(axis=1).mean())


def beside_galaxy(samples: Samples, trial: Trial, share: float) -> Trial:
    """Glow beside a galaxy that overfills the frame in place of a trial's, where one is seen.

    No sample shows the sky there, and a surface through the darkest follows the galaxy's outskirts: it has its top
    where the galaxy is. Surfaces fitted together with a galaxy tell less of the glow and more of the galaxy; they
    differ by what is not known. ``share`` of the samples agree with the best surface.
    """
    may = between(share, *_OVERFILLED)
    if trial.one_color or may == 0.0:
        return trial
    found = [g for d in _BESIDE_GALAXY if (g := galaxy_trial(samples, d)) is not None]
    if not found:
        return trial
    unexplained = float(np.median([u for _, u in found]))  # one good fit of three is luck
    topped = between(unexplained, *_UNEXPLAINED_TOP) * _under_object(samples, trial.model)
    seen = may * max(between(unexplained, *_UNEXPLAINED), topped)
    return mixed(_median([t for t, _ in found], samples, share), trial, seen)


def _under_object(samples: Samples, model: F64) -> float:
    """How surely a surface has a top of its own under the brightest object, 0 to 1."""
    n, grid = samples.cells, samples.grid
    shape = (model / np.maximum(np.ptp(model, axis=0), 1e-12)).mean(axis=1)[:n].reshape(grid)
    rim = max(float(edge.max()) for edge in (shape[0], shape[-1], shape[:, 0], shape[:, -1]))
    beyond = samples.value - model
    light = np.maximum((beyond / np.maximum(beyond.std(axis=0), 1e-12)).mean(axis=1)[:n], 0)
    light = cv2.GaussianBlur(
        np.where(samples.open[:n], light, 0).reshape(grid), (0, 0), _OBJECT_WIDTH, borderType=cv2.BORDER_CONSTANT
    )
    top, object_ = (np.unravel_index(int(v.argmax()), grid) for v in (shape, light))
    apart = float(np.hypot(top[0] - object_[0], top[1] - object_[1]) / np.sqrt(n))
    height = (float(shape.max()) - rim) / max(float(np.ptp(shape)), 1e-12)
    return between(height, *_TOP) * between(apart, *_TOP_NEAR)


def _median(several: list[Trial], samples: Samples, share: float) -> Trial:
    """Surface through the median of several beside a galaxy at every sample, whatever their levels."""
    models = np.stack([t.model for t in several])
    levels = np.median(models, axis=1, keepdims=True)
    middle = np.median(models - levels, axis=0) + np.median(levels, axis=0)
    surface = max((t.surface for t in several), key=lambda s: s.size)
    design = surface.design(samples.u, samples.v)
    coefficients = np.asarray(np.linalg.lstsq(design, middle, rcond=None)[0], np.float64)
    used = np.mean([t.used for t in several], axis=0) >= 0.5
    out = Trial(surface, 0.0, coefficients, used, design @ coefficients, beside=True)
    apart = np.sqrt(np.mean([(t.model - out.model).var(axis=0) for t in several], axis=0))
    error = _ERROR_OF_SPREAD / max(share, _LEAST_SHARE) * float((apart / height_of(out)).max())
    return replace(out, error=error)


def spread(a: Trial, b: Trial) -> float:
    """RMS difference of two surfaces without its mean, as a share of the first's height; worst channel."""
    return float(((a.model - b.model).std(axis=0) / height_of(a)).max())


def mixed(a: Trial, b: Trial, share: float) -> Trial:
    """``share`` of polynomial ``a`` and the rest of ``b``: no small change of the samples makes a large one here."""
    if share in {0.0, 1.0}:
        return a if share else b
    size = max(a.surface.size, b.surface.size)
    first, second = (np.pad(t.coefficients, ((0, size - len(t.coefficients)), (0, 0))) for t in (a, b))
    coefficients = share * first + (1.0 - share) * second
    errors = [(part, t.error) for part, t in ((share, a), (1.0 - share, b)) if t.error is not None]
    return replace(
        a if share >= 0.5 else b,
        surface=max((a.surface, b.surface), key=lambda s: s.size),
        coefficients=coefficients,
        model=share * a.model + (1.0 - share) * b.model,
        error=sum(p * e for p, e in errors) / sum(p for p, _ in errors) if errors else None,
    )


def between(value: float, none: float, all_: float) -> float:
    """0 at ``none`` and beyond, 1 at ``all_``, smooth between them."""
    t = float(np.clip((value - none) / (all_ - none), 0.0, 1.0))
    return t * t * (3.0 - 2.0 * t)

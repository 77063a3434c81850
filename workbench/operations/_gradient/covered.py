"""Glow in frames that objects cover in part or whole: no single fit is trusted there.

Where the objects have one color, glow is read from what is blind to it (`blind`). Where that does not show the sky
either, a constant is left: it does no harm.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from workbench.operations._gradient.blind import DEGREE, glow_beside_one_color
from workbench.operations._gradient.fit import Samples
from workbench.operations._gradient.surfaces import Polynomial
from workbench.operations._gradient.trials import Trial, height_of

__all__ = ["beside_one_color", "between", "mixed", "nothing", "spread"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Variance in a second color over that in the first from which objects have more than one, and below which they have
#: one: 0.000-0.007 were seen of dust, star clouds and galaxies of one color, 0.009 of a galaxy with a yellow core and
#: blue arms, beside which the glow read so is wrong by 3 %, 0.04-0.37 of nebulae in hydrogen and oxygen.
_ONE_COLOR = (0.0095, 0.0055)
#: Uncertainty of the glow found so from which it is not trusted, and below which it is.
_TRUSTED = (0.6, 0.25)
#: Share of the samples that agree with another surface from which objects are too few to matter, and below which not.
_FEW_OBJECTS = (0.74, 0.66)
#: It takes a trial's place where the two lie further apart than this many likely errors, and wholly from the second on.
_APART = (0.5, 1.5)


def nothing(samples: Samples, trial: Trial) -> Trial:
    """A constant at the level of a trial's surface: nothing is taken off."""
    flat = np.median(trial.model, axis=0)[None]
    return Trial(Polynomial(0), 0.0, flat, samples.open, np.repeat(flat, len(samples.u), axis=0))


def beside_one_color(samples: Samples, trial: Trial, share: float) -> Trial:
    """The glow that is blind to the objects' color in place of a trial's, where objects have one and it matters.

    ``share`` of the samples agree with the best surface.
    """
    found = glow_beside_one_color(samples)
    if found is None:
        return trial
    surface = Polynomial(DEGREE)
    model = surface.design(samples.u, samples.v) @ found.coefficients
    one = Trial(surface, 0.0, found.coefficients, found.used, model, error=found.uncertainty, one_color=True)
    matters = between(found.second_color, *_ONE_COLOR) * between(share, *_FEW_OBJECTS)
    apart = spread(one, trial)
    trusted = between(found.uncertainty, *_TRUSTED) * between(apart / max(found.uncertainty, 1e-9), *_APART)
    out = mixed(one, trial, matters * trusted)
    if out.error is None:
        return out
    # What it says and is not taken for is a doubt about what is taken.
    return replace(out, error=float(np.hypot(out.error, matters * (1.0 - trusted) * apart)))


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

"""ICC profiles: the sRGB profiles that pictures carry, and whether a file's profile says that its tone is curved.

Four profiles lie beside this file: ``srgb.icc`` (version 2.4, which every viewer knows; the primaries and the media
white that the ICC publishes for IEC 61966-2-1; its tone curve in 1024 steps), ``gray.icc``, its sibling of one channel,
and of the same form ``display_p3.icc`` (the primaries of SMPTE EG 432-1, the tone curve of sRGB) and ``rec2020.icc``
(primaries and tone curve of ITU-R BT.2020), their primaries brought to D50 by littleCMS. As files they give the same
picture the same bytes on every day: profile writers put the hour into the header. littleCMS reads the profiles of
others.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import imagecodecs
import numpy as np

__all__ = ["PROFILES", "profile", "srgb_profile", "tone_curve"]

_MAX_PROFILE = 1 << 24
#: Color space, in bytes 16 to 19 of the header (ICC.1:2022, 7.2): littleCMS' name and the number of channels.
_SPACES = {b"RGB ": ("rgb", 3), b"GRAY": ("gray", 1)}
#: Deviation from a straight line, at mid-range, above which a tone curve counts as one.
_STRAIGHT = 0.02


@cache
def srgb_profile(channels: int) -> bytes:
    """The sRGB profile for pictures of 3 channels, or its gray sibling (same tone curve, D50 white) for 1.

    Parameters
    ----------
    channels : {1, 3}

    Returns
    -------
    bytes
    """
    return (files(__package__) / ("gray.icc" if channels == 1 else "srgb.icc")).read_bytes()


#: Color spaces that a picture can be written in, and the profile of each.
PROFILES = {"srgb": "srgb.icc", "display_p3": "display_p3.icc", "rec2020": "rec2020.icc"}


@cache
def profile(space: str) -> bytes:
    """The profile of a color space, for pictures of 3 channels.

    Parameters
    ----------
    space : {"srgb", "display_p3", "rec2020"}

    Returns
    -------
    bytes
    """
    return (files(__package__) / PROFILES[space]).read_bytes()


@cache
def _linear_gray() -> bytes:
    return bytes(imagecodecs.cms_profile("gray", gamma=1.0))


def tone_curve(profile: bytes | None) -> str | None:
    """How a profile encodes tone: ``curved``, ``straight``, or None when it does not say.

    Asks littleCMS for the light that a gray of half the range stands for. Damaged profiles, and those of other color
    spaces than gray and RGB, say nothing.

    Parameters
    ----------
    profile : bytes or None

    Returns
    -------
    {"curved", "straight"} or None
    """
    space, channels = _SPACES.get(profile[16:20], ("", 0)) if profile else ("", 0)
    if not profile or not channels or len(profile) > _MAX_PROFILE:
        return None
    middle = np.full((1, 1, 3) if channels > 1 else (1, 1), 0.5, np.float32)
    try:
        light = imagecodecs.cms_transform(
            middle, profile, _linear_gray(), colorspace=space, outcolorspace="gray", outdtype="float32"
        )
    except imagecodecs.CmsError:
        return None
    value = float(light.reshape(-1)[0])
    if not np.isfinite(value):
        return None
    return "straight" if abs(value - 0.5) < _STRAIGHT else "curved"

"""The real frames, read as a person would read them."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import astropy
import numpy as np
import skimage.data

import workbench as wb

_HERE = Path(__file__).parent / "frames"
_ASTROPY = Path(astropy.__file__).parent

FILES = {
    "saao": _HERE / "saao_field.fits.gz",
    "emmi": _HERE / "emmi_field.fits.gz",
    "m51": _HERE / "m51.fits.gz",
    "orion": _HERE / "orion.png",
    "m13": _ASTROPY / "io/fits/hdu/compressed/tests/data/m13.fits",
    "dss": _ASTROPY / "wcs/tests/data/dss.14.29.56-62.41.05.fits.gz",
    "hubble": Path(skimage.data.__file__).parent / "hubble_deep_field.jpg",
}
LINEAR = ("saao", "emmi", "m51", "m13", "dss")
FINISHED = ("orion", "hubble")


@cache
def frame(name: str) -> wb.Stack:
    """Read one of `FILES`."""
    return wb.read(FILES[name])


@cache
def overscan_cut() -> wb.Stack:
    """The SAAO frame's part that saw light: columns 17 to 528 (TRIMSEC of its header), less eight dark rows."""
    return wb.Stack.from_array(np.ascontiguousarray(frame("saao").pixels[8:, 16:528]))


@cache
def as_light(name: str) -> wb.Stack:
    """A finished picture taken back to linear light (IEC 61966-2-1): real objects in color; 500 px."""
    code = np.clip(frame(name).pixels.astype(float), 0, 1)
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return wb.Stack.from_array(np.ascontiguousarray(light[-500:, -500:], np.float32))


def taken(name: str) -> wb.Stack:
    """What is worked on: linear frames as they are but for the overscan, finished ones as light."""
    if name == "saao":
        return overscan_cut()
    return as_light(name) if name in FINISHED else frame(name)


@cache
def finished(name: str) -> wb.Result:
    """The suggested recipe run whole; its picture is kept where `WORKBENCH_SCREENSHOTS` says."""
    result = wb.suggest(taken(name)).run(taken(name), progress=False)
    if folder := os.environ.get("WORKBENCH_SCREENSHOTS"):
        Path(folder).mkdir(parents=True, exist_ok=True)
        result.image.save(Path(folder) / f"real-{name}.png", overwrite=True)
    return result

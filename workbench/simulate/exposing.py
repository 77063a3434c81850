"""From a scene to a stack."""

from __future__ import annotations

import difflib
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Source
from workbench.errors import WorkbenchError
from workbench.simulate import camera
from workbench.simulate.light import Light
from workbench.simulate.scene import MIN_SIDE, Scene
from workbench.simulate.scenes import SCENES
from workbench.simulate.truth import HotPixels, Simulation, Truth, bands
from workbench.stack import Stack

__all__ = ["MAX_PIXELS", "simulate"]

#: Largest frame, in pixels: the sensors of 60 megapixels have a few more.
MAX_PIXELS = 61_000_000


def simulate(
    scene: str | Scene, *, seed: int | None = None, shape: tuple[int, int] | None = None, **overrides: Any
) -> Simulation:
    """Make a linear stack with known truth.

    Parameters
    ----------
    scene : str or Scene
        A name in `SCENES`, or a scene of your own.
    seed : int, optional
        Draws other stars, noise and framing; objects keep their own seeds.
    shape : (int, int), optional
        Height and width in pixels, up to 60 million pixels; the scene is scaled to fill it.
    **overrides
        Fields of the scene to replace; a dict replaces only the fields it names, as in ``frames={"count": 10}``.

    Returns
    -------
    Simulation
        ``stack``, ``truth``, ``scene``. The same arguments give the same bytes.

    Raises
    ------
    WorkbenchError
        When the scene, a field or the shape cannot be used.
    """
    if isinstance(scene, str):
        if scene not in SCENES:
            near = difflib.get_close_matches(scene.lower(), SCENES, n=1, cutoff=0.4)
            meant = f" (did you mean {near[0]}?)" if near else ""
            raise WorkbenchError(f"there is no scene {scene!r}; there are: {', '.join(SCENES)}{meant}")
        scene = SCENES[scene]
    if seed is not None:
        overrides["seed"] = seed
    if shape is not None:
        if min(shape) < MIN_SIDE:
            raise WorkbenchError(
                f"the shape of a simulated stack is at least {MIN_SIDE} pixels a side, not {_size(shape)}"
            )
        overrides["shape"] = tuple(shape)
    scene = scene.changed(**overrides)
    height, width = scene.shape
    if height * width > MAX_PIXELS:
        raise WorkbenchError(f"a simulated stack has at most 60 million pixels, not {_size(scene.shape)}")
    light = Light(scene, (height, width))
    hot = _draw_hot_pixels(light)
    truth = Truth(light, hot)
    pixels, truth.stars.saturated[:] = _expose(light, truth, hot)
    source = Source(name=f"simulated {scene.name}, seed {scene.seed}", format="array")
    return Simulation(Stack(pixels, acquisition=scene.acquisition, source=source), truth, scene)


def _size(shape: tuple[int, int]) -> str:
    return f"{shape[1]} x {shape[0]} (width x height)"


def _draw_hot_pixels(light: Light) -> HotPixels:
    height, width = light.shape
    rng = np.random.default_rng(light.hot_seed)
    n = int(rng.poisson(light.scene.camera.hot_pixels_per_megapixel * height * width * 1e-6))
    y, x = rng.integers(0, height, n), rng.integers(0, width, n)
    channel = np.where((x + y) % 2 == 1, 1, np.where(y % 2 == 0, 0, 2))  # a red-green / green-blue mosaic
    value = np.minimum(0.01 * (1.0 + rng.pareto(1.3, n)), 0.9)
    return HotPixels(x, y, channel, value)


def _expose(light: Light, truth: Truth, hot: HotPixels) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Record the light: (H, W, 3) float32, and which stars reach the white level."""
    height, width = light.shape
    reach = camera.REACH
    out = np.zeros((height, width, 3), np.float32)
    count = truth.frame_count
    all_bands = list(bands(height))
    star_row, star_col = np.rint(light.stars.y).astype(int), np.rint(light.stars.x).astype(int)
    full = np.zeros(len(star_row), np.bool_)
    for rows, seed in zip(all_bands, light.noise_seed.spawn(len(all_bands)), strict=True):
        recorded = light.recorded(rows)
        here = (star_row >= rows.start) & (star_row < rows.stop)
        full[here] = (recorded[:, star_row[here] - rows.start, star_col[here]] >= 1.0).any(axis=0)
        mean, variance = camera.clipped(recorded, light.scene.camera)
        n = count[rows]
        variance /= np.maximum(n, 1)
        sigma = np.sqrt(variance, out=variance)
        out[rows] += np.moveaxis(mean, 0, 2)
        rng = np.random.default_rng(seed)
        first, last = rows.start == 0, rows.stop == height
        for c in range(3):
            _add_noise(out[:, :, c], sigma[c], rows, rng, channel=c, before=reach * first, after=reach * last)
    for x, y, c, value in zip(hot.x, hot.y, hot.channel, hot.value, strict=True):
        _add_hot_pixel(out[:, :, c], int(x), int(y), float(value))
    np.minimum(out, 1.0, out=out)
    out[count == 0] = 0.0
    return out, full


def _add_noise(
    out: NDArray[np.float32],
    sigma: NDArray[np.float32],
    rows: slice,
    rng: np.random.Generator,
    *,
    channel: int,
    before: int,
    after: int,
) -> None:
    """Add the filtered noise of a band's sites, with what it spills into the rows around.

    Sites beyond the frame's edges (``before`` and ``after`` rows, `REACH` columns) are like those at the edge: the
    frame is cut from a larger one.
    """
    reach = camera.REACH
    deviation = np.pad(sigma, ((before, after), (reach, reach)), mode="edge")
    white = rng.standard_normal(deviation.shape, dtype=np.float32)
    white *= deviation
    framed = np.asarray(cv2.copyMakeBorder(white, reach, reach, 0, 0, cv2.BORDER_CONSTANT, value=0), np.float32)
    noise = camera.correlate(framed, channel)[:, reach:-reach]
    top = rows.start - before - reach
    skip = max(0, -top)
    end = min(out.shape[0], top + noise.shape[0])
    out[top + skip : end] += noise[skip : end - top]


def _add_hot_pixel(out: NDArray[np.float32], x: int, y: int, value: float) -> None:
    """Add one site's excess as demosaicing spreads it."""
    tent = np.array([0.5, 1.0, 0.5], np.float32)
    y0, y1, x0, x1 = max(y - 1, 0), min(y + 2, out.shape[0]), max(x - 1, 0), min(x + 2, out.shape[1])
    out[y0:y1, x0:x1] += value * np.outer(tent, tent)[y0 - y + 1 : y1 - y + 1, x0 - x + 1 : x1 - x + 1]

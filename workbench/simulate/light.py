"""The light of a scene, row by row: object, stars, sky, falloff. `Light` is the one place where they are made.

Model of the light. In white-level units, for channel c and pixel p,

    clean(c, p)     = object_light(c, p) + star_light(c, p)                 a white star is equal in all channels
    recorded(c, p)  = falloff(p) (channel_gains(c) clean(c, p) + sky(c, p))  what one frame would record without limit
    noiseless(c, p) = E[min(recorded + noise of one frame, 1)]               the mean of frames clipped at white
    stack(c, p)     = noiseless(c, p) + noise(c, p) + hot pixels, at most 1

``channel_gains`` is what the camera's red, green and blue record of a star of the reference temperature, relative to
green. ``sky`` is in recorded units (gains included). Away from the white level ``noiseless`` equals ``recorded``.
Noise: see `workbench.simulate.camera`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.simulate import camera as cameras
from workbench.simulate import framing, galaxy, nebula, optics, skyglow, spectrum, starfield
from workbench.simulate.fields import Canvas
from workbench.simulate.scene import EmissionNebula, FaintNebulosity, Reflection, Scene, SpiralGalaxy, StarCluster

__all__ = ["Light", "StarTable"]

Planes = NDArray[np.float32]
Table = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StarTable:
    """Every star in the frame, brightest first.

    Attributes
    ----------
    x, y : ndarray (n,)
        Pixel coordinates, centres at integers.
    flux : ndarray (n, 3)
        White-referenced light, summed over all pixels; the channels record ``channel_gains`` times this.
    magnitude, temperature_k : ndarray (n,)
        Before dust.
    fwhm_px, elongation, angle_deg : ndarray (n,)
        Geometric-mean FWHM; major over minor axis; angle of the major axis from +x towards +y.
    saturated : ndarray (n,), bool
        A channel of the pixel nearest to the star reaches the white level.
    """

    x: Table
    y: Table
    flux: Table
    magnitude: Table
    temperature_k: Table
    fwhm_px: Table
    elongation: Table
    angle_deg: Table
    saturated: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.x)


class Light:
    """The light of a scene at a given size, made in bands of rows on demand."""

    def __init__(self, scene: Scene, shape: tuple[int, int]) -> None:
        self.scene = scene
        self.shape = shape
        self.gains = spectrum.white_gains(scene.stars.white_k)
        seeds = np.random.SeedSequence(scene.seed).spawn(4)
        self.noise_seed, self.hot_seed = seeds[2], seeds[3]
        self.canvas = Canvas.of(shape)
        self._object, depth = self._draw_objects()
        self.placements = framing.place_frames(scene.frames, np.random.default_rng(seeds[1]))
        self._catalogue(np.random.default_rng(seeds[0]), depth)

    # ---- made once

    def _draw_objects(self) -> tuple[Planes, Planes]:
        c = self.canvas
        light = np.zeros((3, c.height, c.width), np.float32)
        depth = np.zeros((c.height, c.width), np.float32)
        white_k = self.scene.stars.white_k
        for item in self.scene.objects:
            match item:
                case EmissionNebula():
                    layer = nebula.emission_nebula(item, c, white_k)
                case SpiralGalaxy():
                    layer = galaxy.spiral_galaxy(item, c, white_k)
                case Reflection():
                    layer = nebula.reflection(item, c, white_k)
                case FaintNebulosity():
                    layer = nebula.faint_nebulosity(item, c, white_k)
                case StarCluster():
                    continue
            for k in range(3):
                light[k] *= np.exp(-layer.depth * nebula.REDDENING[k])
            light += layer.light
            depth += layer.depth
        sigma = self.scene.optics.fwhm_px / 2.3548 * c.side / max(self.shape)
        for plane in light:
            cv2.GaussianBlur(plane, (0, 0), sigma, dst=plane)
        return light, depth

    def _catalogue(self, rng: np.random.Generator, depth: Planes) -> None:
        scene, shape = self.scene, self.shape
        stars = starfield.field_stars(scene, shape, rng)
        behind = rng.random(len(stars.x)) < 0.8
        for item in scene.objects:
            if isinstance(item, StarCluster):
                stars += starfield.cluster_stars(item, shape)
        behind = np.concatenate([behind, np.zeros(len(stars.x) - len(behind), bool)])
        row = np.clip(((stars.y + 0.5) * self.canvas.height / shape[0]).astype(int), 0, self.canvas.height - 1)
        col = np.clip(((stars.x + 0.5) * self.canvas.width / shape[1]).astype(int), 0, self.canvas.width - 1)
        tau = np.where(behind, depth[row, col], 0.0)
        flux = starfield.zero_point(scene) * 10.0 ** (-0.4 * stars.magnitude)
        color = spectrum.star_color(stars.temperature_k, scene.stars.white_k)
        fluxes = flux[:, None] * color * np.exp(-tau[:, None] * nebula.REDDENING)
        order = np.argsort(-fluxes.sum(axis=1), kind="stable")
        x, y, fluxes = stars.x[order], stars.y[order], fluxes[order]
        form = optics.shapes(scene.optics, x, y, shape)
        sigma = float(self.noise_sigma(self.sky_at_centre()).min())
        self._stamps = optics.stamps(scene.optics, x, y, fluxes, form, faintest=0.03 * sigma)
        self.stars = StarTable(
            x, y, fluxes, stars.magnitude[order], stars.temperature_k[order],
            form.fwhm_px, form.elongation, form.angle_deg, np.zeros(len(x), bool),
        )  # fmt: skip

    def sky_at_centre(self) -> Table:
        """Sky of the three channels at the frame's centre, white-level units: (3,)."""
        mid = self.shape[0] // 2
        return self.sky(slice(mid, mid + 1))[:, 0, self.shape[1] // 2].astype(np.float64)

    def noise_sigma(self, level: Table) -> Table:
        """Standard deviation of a fully covered pixel's noise at given light levels, (3,).

        Parameters
        ----------
        level : ndarray, shape (3,)
            In white levels.

        Returns
        -------
        ndarray, shape (3,)
            In white levels.
        """
        cam = self.scene.camera
        one = level / cam.full_well_e + (cam.read_noise_e / cam.full_well_e) ** 2
        return np.asarray(np.sqrt(one * cameras.correlated_share() / self.scene.frames.count))

    # ---- made per band of rows

    def objects(self, rows: slice) -> Planes:
        """Object light of some rows: (3, rows, W).

        Parameters
        ----------
        rows : slice
            Of the frame.

        Returns
        -------
        ndarray, shape (3, rows, W), float32
        """
        height, width = self.shape
        c = self.canvas
        if (c.height, c.width) == self.shape:
            return self._object[:, rows].copy()
        y = (np.arange(rows.start, rows.stop) + 0.5) * c.height / height - 0.5
        base = np.floor(y).astype(int)
        t = y - base
        out = np.zeros((3, len(y), c.width), np.float32)
        for tap in range(-1, 3):
            weight = cameras.cubic(t - tap).astype(np.float32)
            out += self._object[:, np.clip(base + tap, 0, c.height - 1)] * weight[None, :, None]
        wide = [cv2.resize(plane, (width, len(y)), interpolation=cv2.INTER_CUBIC) for plane in out]
        return np.maximum(np.stack(wide), 0.0)

    def star_light(self, rows: slice) -> Planes:
        """Star light of some rows: (3, rows, W).

        Parameters
        ----------
        rows : slice
            Of the frame.

        Returns
        -------
        ndarray, shape (3, rows, W), float32
        """
        out = np.zeros((3, rows.stop - rows.start, self.shape[1]), np.float32)
        optics.draw_stars(out, rows.start, self._stamps)
        return out

    def sky(self, rows: slice) -> Planes:
        """Sky of some rows in recorded units: (3, rows, W).

        Parameters
        ----------
        rows : slice
            Of the frame.

        Returns
        -------
        ndarray, shape (3, rows, W), float32
        """
        return skyglow.draw_sky(self.scene.sky, self.gains, self.shape, rows)

    def falloff(self, rows: slice) -> Planes:
        """Falloff of some rows: (rows, W).

        Parameters
        ----------
        rows : slice
            Of the frame.

        Returns
        -------
        ndarray, shape (rows, W), float32
            0..1.
        """
        return skyglow.draw_falloff(self.scene.optics, self.shape, rows)

    def recorded(self, rows: slice) -> Planes:
        """Light of some rows before the white level and noise: (3, rows, W).

        Parameters
        ----------
        rows : slice
            Of the frame.

        Returns
        -------
        ndarray, shape (3, rows, W), float32
        """
        out = self.objects(rows)
        out += self.star_light(rows)
        out *= self.gains.astype(np.float32)[:, None, None]
        out += self.sky(rows)
        out *= self.falloff(rows)
        return out

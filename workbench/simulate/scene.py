"""A scene is data: what is in the sky, and the sky, lens, camera and frames through which it is recorded.

Lengths and places on the sky are relative to the frame, so a scene can be rendered at any size: a place is
``(across, down)`` from (0, 0), the upper left corner, to (1, 1), the lower right; sizes are shares of the longer
side. What belongs to lens and sensor (star size, dither) is in pixels, and star counts are per megapixel: a larger
frame is a larger sensor behind the same optics, with the objects grown to fill it.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from workbench.acquisition import Acquisition
from workbench.errors import WorkbenchError

__all__ = [
    "MIN_SIDE",
    "Camera",
    "Dome",
    "EmissionNebula",
    "FaintNebulosity",
    "FieldStars",
    "Frames",
    "NightSky",
    "Optics",
    "Reflection",
    "Scene",
    "SpiralGalaxy",
    "StarCluster",
]

Place = tuple[float, float]
Color = tuple[float, float, float]
Positive = Annotated[float, Field(gt=0)]
Share = Annotated[float, Field(ge=0, le=1)]
#: Shortest side of a frame, in pixels.
MIN_SIDE = 16
Side = Annotated[int, Field(ge=MIN_SIDE)]


class _ScenePart(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class EmissionNebula(_ScenePart):
    """Gas ionised by a hot star, with ionisation fronts, dust lanes and dark globules."""

    kind: Literal["emission_nebula"] = "emission_nebula"
    at: Place = (0.5, 0.5)
    radius: Positive = 0.3
    peak: Positive = Field(0.08, description="brightest part above the sky, white-level units")
    dust: float = Field(1.0, ge=0, description="strength of dust lanes and globules")
    seed: int = 1


class SpiralGalaxy(_ScenePart):
    """An inclined disc with spiral arms, bulge, dust and star-forming knots."""

    kind: Literal["spiral_galaxy"] = "spiral_galaxy"
    at: Place = (0.5, 0.5)
    radius: Positive = Field(0.3, description="where the disc has faded, share of the longer side")
    axis_ratio: float = Field(0.4, gt=0.05, le=1)
    angle_deg: float = 30.0
    arms: int = Field(2, ge=1, le=6)
    pitch_deg: float = Field(16.0, gt=3, lt=60)
    peak: Positive = 0.2
    knots: int = Field(160, ge=0)
    companions: int = Field(2, ge=0, le=8)
    seed: int = 1


class StarCluster(_ScenePart):
    """Stars bound together: a table of members by a core-and-halo profile."""

    kind: Literal["star_cluster"] = "star_cluster"
    at: Place = (0.5, 0.5)
    core: Positive = Field(0.04, description="radius within which the star density has not yet halved")
    members: int = Field(220, ge=1)
    brightest: float = Field(6.0, description="magnitude")
    faintest: float = Field(15.5, description="magnitude")
    slope: float = Field(0.18, gt=0, description="d log10 N / d magnitude of the members")
    hottest_k: Positive = 16000.0
    giants: Share = Field(0.04, description="share of cool giants among the brighter third")
    seed: int = 1


class Reflection(_ScenePart):
    """Dust lit by nearby stars: bluer than they are, combed into fine parallel wisps."""

    kind: Literal["reflection"] = "reflection"
    at: Place = (0.5, 0.5)
    radius: Positive = 0.12
    peak: Positive = 0.01
    angle_deg: float = 35.0
    temperature_k: Positive = 14000.0
    lights: int = Field(5, ge=1, le=50, description="stars that light it")
    seed: int = 1


class FaintNebulosity(_ScenePart):
    """High dust lit by the whole Galaxy: faint, brownish, filling the frame to every edge, with dark cores."""

    kind: Literal["faint_nebulosity"] = "faint_nebulosity"
    peak: Positive = 0.006
    floor: float = Field(0.12, ge=0, lt=1, description="faintest part, as a share of the peak")
    dark: float = Field(1.0, ge=0, description="optical depth of the darkest cores")
    hydrogen: Share = Field(0.15, description="share of glowing hydrogen mixed in")
    seed: int = 1


SkyObject = Annotated[
    EmissionNebula | SpiralGalaxy | StarCluster | Reflection | FaintNebulosity, Field(discriminator="kind")
]


class Dome(_ScenePart):
    """The glow of a town outside the frame: falls off with distance from ``at``."""

    at: Place
    strength: float = Field(ge=0, description="glow at its centre, as a share of the sky level")
    reach: Positive = Field(1.0, description="distance over which it falls by 1/e, in longer sides")
    color: Color = (1.25, 1.0, 0.72)


class NightSky(_ScenePart):
    """Light of the night and of the suburb, added by the air in front of everything."""

    level: Positive = Field(0.12, description="green sky level at the frame's centre, white-level units")
    color: Color = Field((1.12, 1.0, 0.86), description="of the even part, relative to a white star")
    domes: tuple[Dome, ...] = ()
    slope: Place = Field((0.0, 0.0), description="even slope (across, down) of a moonlit sky, share of the level")
    slope_color: Color = (0.9, 1.0, 1.15)


class FieldStars(_ScenePart):
    """The stars of the field."""

    per_megapixel: float = Field(3000.0, ge=0)
    slope: float = Field(0.34, gt=0, description="d log10 N / d magnitude")
    brightest: float = 5.0
    faintest: float = 16.5
    white_k: Positive = Field(5772.0, description="temperature of the median star, and of the white reference")
    spread: float = Field(42.0, ge=0, description="standard deviation of 10^6 / temperature, in mired")


class Optics(_ScenePart):
    """The lens, seeing and tracking, as they shape a star in the finished stack."""

    fwhm_px: Positive = Field(2.7, description="round star at the frame's centre")
    alpha: float = Field(3.0, gt=1.2, description="Moffat exponent: smaller means wider wings")
    elongation: float = Field(1.06, ge=1, description="major over minor axis at the centre, from tracking")
    angle_deg: float = Field(25.0, description="of the drift, from +x towards +y")
    curvature: float = Field(0.14, ge=0, description="growth of the FWHM at the corners")
    coma: float = Field(0.12, ge=0, description="further radial growth of the FWHM at the corners")
    halo_share: Share = Field(0.02, description="share of the light scattered into a wide halo")
    halo_px: Positive = Field(16.0, description="FWHM of the halo")
    halo_color: Color = (0.9, 0.85, 1.25)
    falloff: float = Field(0.03, ge=0, lt=0.9, description="vignetting that the flats left at the corners")
    falloff_at: Place = (0.5, 0.5)


class Camera(_ScenePart):
    """The sensor at the chosen ISO."""

    full_well_e: Positive = Field(12000.0, description="electrons that make the white level")
    read_noise_e: float = Field(3.2, ge=0)
    throughput: Share = Field(0.3, description="electrons per photon, lens and filter included")
    hot_pixels_per_megapixel: float = Field(4.0, ge=0, description="left after calibration and rejection")
    iso: float = 800.0
    pixel_size_um: Positive = 4.3
    model: str = "garden camera, filter glass changed for H-alpha"


class Frames(_ScenePart):
    """How many frames were averaged, and how they lay over each other."""

    count: int = Field(60, ge=1)
    exposure_s: Positive = 120.0
    sessions: int = Field(3, ge=1, description="nights; each is framed a little differently")
    session_px: float = Field(28.0, ge=0, description="spread of the nights' offsets")
    session_deg: float = Field(0.2, ge=0, description="spread of the nights' camera angles")
    dither_px: float = Field(3.0, ge=0, description="half width of the random steps between frames")


class Scene(_ScenePart):
    """A whole night's work. See the module for how places and sizes are given."""

    name: str
    title: str
    story: str = ""
    seed: int = 1
    shape: tuple[Side, Side] = (1200, 1720)
    objects: tuple[SkyObject, ...] = ()
    sky: NightSky = NightSky()
    stars: FieldStars = FieldStars()
    optics: Optics = Optics()
    camera: Camera = Camera()
    frames: Frames = Frames()
    focal_length_mm: Positive = 135.0
    f_number: Positive = 3.5
    date: str = "2031-10-18"
    place: str = ""

    @property
    def acquisition(self) -> Acquisition:
        """How the frames were taken, as a stacking program would note it."""
        return Acquisition(
            exposure_s=self.frames.exposure_s,
            frames=self.frames.count,
            iso=self.camera.iso,
            focal_length_mm=self.focal_length_mm,
            pixel_size_um=self.camera.pixel_size_um,
            f_number=self.f_number,
            camera=self.camera.model,
            date=self.date,
            place=self.place or None,
        )

    def changed(self, **changes: Any) -> Scene:
        """A scene with some fields replaced; a dict changes only the fields it names.

        Parameters
        ----------
        **changes
            New values by the name of the field.

        Returns
        -------
        Scene

        Raises
        ------
        WorkbenchError
            When a name is unknown or a value is out of range.
        """
        data = self.model_dump()
        for name, value in changes.items():
            given = value.model_dump() if isinstance(value, BaseModel) else value
            if isinstance(given, dict) and isinstance(data.get(name), dict):
                data[name] = {**data[name], **given}
            else:
                data[name] = given
        try:
            return Scene.model_validate(data)
        except ValidationError as e:
            first = e.errors()[0]
            where = ".".join(str(p) for p in first["loc"])
            raise WorkbenchError(f"scene {self.name!r}: {where}: {first['msg']} (got {first['input']!r})") from None

"""The scenes: invented objects, as the stargazing group of an invented allotment garden recorded them."""

from __future__ import annotations

from workbench.simulate.scene import (
    Dome,
    EmissionNebula,
    FaintNebulosity,
    FieldStars,
    Frames,
    NightSky,
    Optics,
    Reflection,
    Scene,
    SpiralGalaxy,
    StarCluster,
)

__all__ = ["SCENES"]

_PLACE = "Brookmeadow allotments, on the edge of a small town"

# The town lies to the lower left, a row of lit greenhouses to the right.
_TOWN = Dome(at=(-0.1, 1.25), strength=0.55, reach=0.75, color=(1.35, 1.0, 0.62))
_GREENHOUSES = Dome(at=(1.3, 0.9), strength=0.25, reach=0.55, color=(1.2, 1.0, 0.8))

_ALL = (
    Scene(
        name="lantern_nebula",
        title="The Lantern Nebula",
        story="Gas lit by a knot of young stars, cut by dust lanes; three autumn nights over the bean rows.",
        seed=11,
        objects=(
            EmissionNebula(at=(0.5, 0.47), radius=0.25, peak=0.11, seed=2),
            StarCluster(at=(0.5, 0.47), core=0.012, members=14, brightest=7.0, faintest=12.5, giants=0, seed=21),
        ),
        sky=NightSky(level=0.13, domes=(_TOWN, _GREENHOUSES), slope=(0.05, -0.06)),
        frames=Frames(count=72, sessions=3),
        date="2031-10-18",
        place=_PLACE,
    ),
    Scene(
        name="millwheel_galaxy",
        title="The Millwheel Galaxy",
        story="A two-armed spiral with two small companions; four spring nights, town glow to the left.",
        seed=12,
        objects=(SpiralGalaxy(at=(0.5, 0.5), radius=0.36, axis_ratio=0.42, angle_deg=-28, peak=0.22, seed=2),),
        sky=NightSky(level=0.16, domes=(_TOWN,), slope=(-0.06, 0.03)),
        stars=FieldStars(per_megapixel=1300, slope=0.30),
        focal_length_mm=300.0,
        f_number=5.6,
        optics=Optics(fwhm_px=2.9, elongation=1.1, angle_deg=-40),
        frames=Frames(count=96, sessions=4),
        date="2031-03-22",
        place=_PLACE,
    ),
    Scene(
        name="beehouse_cluster",
        title="The Beehouse Cluster",
        story="Young blue stars drifting through dust that they light; two clear winter nights.",
        seed=13,
        objects=(
            StarCluster(at=(0.5, 0.48), core=0.06, members=300, brightest=5.0, seed=3),
            Reflection(at=(0.5, 0.48), radius=0.24, peak=0.016, angle_deg=-30, seed=7),
        ),
        sky=NightSky(level=0.11, domes=(_GREENHOUSES, _TOWN)),
        frames=Frames(count=40, sessions=2),
        date="2031-12-09",
        place=_PLACE,
    ),
    Scene(
        name="woodsmoke_nebulosity",
        title="The Woodsmoke Clouds",
        story="Faint dust from edge to edge with a dark pillar in it: no patch of empty sky anywhere; four nights.",
        seed=14,
        objects=(
            FaintNebulosity(peak=0.008, seed=6),
            Reflection(at=(0.7, 0.4), radius=0.04, peak=0.01, seed=6),
        ),
        sky=NightSky(level=0.1, domes=(_TOWN, _GREENHOUSES), slope=(0.03, 0.04)),
        frames=Frames(count=120, sessions=4),
        date="2031-11-14",
        place=_PLACE,
    ),
    Scene(
        name="thistledown_cluster",
        title="The Thistledown Cluster",
        story="A ball of thousands of old stars, crowded to a blur in the middle; one short night.",
        seed=16,
        objects=(
            StarCluster(
                at=(0.52, 0.5),
                core=0.028,
                members=6000,
                brightest=11.5,
                faintest=18.0,
                slope=0.3,
                hottest_k=7000.0,
                giants=0.25,
                seed=4,
            ),
        ),
        sky=NightSky(level=0.14, domes=(_TOWN,), slope=(-0.03, -0.02)),
        stars=FieldStars(per_megapixel=1800),
        focal_length_mm=200.0,
        f_number=4.0,
        frames=Frames(count=36, sessions=1),
        date="2031-05-17",
        place=_PLACE,
    ),
    Scene(
        name="hayfield_stars",
        title="Stars over the Hayfield",
        story="Stars and sky only, one night: for judging stars, color and gradients by themselves.",
        seed=15,
        sky=NightSky(level=0.12, domes=(_TOWN,), slope=(0.04, 0.0)),
        stars=FieldStars(per_megapixel=3500),
        frames=Frames(count=30, sessions=1),
        date="2031-08-30",
        place=_PLACE,
    ),
)

#: Every scene by its name.
SCENES: dict[str, Scene] = {scene.name: scene for scene in _ALL}

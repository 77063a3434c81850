"""Stacks with known truth: a scene described as data, seen through a sky, a lens and a camera.

    from workbench.simulate import simulate
    made = simulate("lantern_nebula", shape=(600, 860))
    made.stack.pixels, made.truth.object_light, made.truth.borders

The model of the light is written in `workbench.simulate.light`.
"""

from workbench.simulate.exposing import simulate
from workbench.simulate.light import StarTable
from workbench.simulate.scene import Scene
from workbench.simulate.scenes import SCENES
from workbench.simulate.stack_files import write_simulation
from workbench.simulate.truth import Simulation, Truth

__all__ = ["SCENES", "Scene", "Simulation", "StarTable", "Truth", "simulate", "write_simulation"]

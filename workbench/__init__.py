"""Post-stack workbench: from a black linear stack to a finished picture, every step in a recipe.

>>> import workbench as wb
>>> stack = wb.read("night.tif")                     # doctest: +SKIP
>>> result = wb.suggest(stack).run(stack)            # doctest: +SKIP
>>> result.save("night.picture.tif")                 # doctest: +SKIP

Names are loaded when they are first used, so that asking the command line for help does not load a compiler.
Every operation is here under its class name, your own ones too once they are defined.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from workbench.acquisition import Acquisition as Acquisition
    from workbench.acquisition import Source as Source
    from workbench.acquisition import Tone as Tone
    from workbench.bench import Bench as Bench
    from workbench.checkup import Checkup as Checkup
    from workbench.checkup import check as check
    from workbench.checkup import suggest as suggest
    from workbench.engine import Cancel as Cancel
    from workbench.engine import Preview as Preview
    from workbench.engine import Recipe as Recipe
    from workbench.engine import Record as Record
    from workbench.engine import Result as Result
    from workbench.errors import Cancelled as Cancelled
    from workbench.errors import WorkbenchError as WorkbenchError
    from workbench.masks import BrightnessMask as BrightnessMask
    from workbench.masks import BrushMask as BrushMask
    from workbench.masks import ColorMask as ColorMask
    from workbench.masks import IntersectionMask as IntersectionMask
    from workbench.masks import LinearMask as LinearMask
    from workbench.masks import ObjectMask as ObjectMask
    from workbench.masks import RadialMask as RadialMask
    from workbench.masks import RegionMask as RegionMask
    from workbench.masks import StarMask as StarMask
    from workbench.masks import UnionMask as UnionMask
    from workbench.operations.banding import RemoveBanding as RemoveBanding
    from workbench.operations.base import Facts as Facts
    from workbench.operations.base import Frame as Frame
    from workbench.operations.base import FrameOperation as FrameOperation
    from workbench.operations.base import Geometry as Geometry
    from workbench.operations.base import Operation as Operation
    from workbench.operations.base import Rect as Rect
    from workbench.operations.base import Tile as Tile
    from workbench.operations.color import LimitGreen as LimitGreen
    from workbench.operations.color import Saturate as Saturate
    from workbench.operations.defects import MendPixels as MendPixels
    from workbench.operations.frame import Crop as Crop
    from workbench.operations.frame import Resample as Resample
    from workbench.operations.frame import Turn as Turn
    from workbench.operations.fringe import RemoveFringe as RemoveFringe
    from workbench.operations.gradient import LevelSky as LevelSky
    from workbench.operations.gradient import RemoveGradient as RemoveGradient
    from workbench.operations.layers import JoinStars as JoinStars
    from workbench.operations.layers import SplitStars as SplitStars
    from workbench.operations.lens import AlignChannels as AlignChannels
    from workbench.operations.lens import CorrectFalloff as CorrectFalloff
    from workbench.operations.mend import Mend as Mend
    from workbench.operations.noise import Denoise as Denoise
    from workbench.operations.stars import ReduceStars as ReduceStars
    from workbench.operations.straighten import Straighten as Straighten
    from workbench.operations.stretch import Stretch as Stretch
    from workbench.operations.white import CalibrateColor as CalibrateColor
    from workbench.outputs import Output as Output
    from workbench.outputs import soft_proof as soft_proof
    from workbench.recipe.model import Step as Step
    from workbench.sky import Solution as Solution
    from workbench.sky import solve as solve
    from workbench.sky.labels import annotate as annotate
    from workbench.stack import Stack as Stack
    from workbench.stack import read as read

#: Module -> names it gives to this package. Operations are found through their registry.
_HOMES = {
    "workbench.acquisition": ("Acquisition", "Source", "Tone"),
    "workbench.bench": ("Bench",),
    "workbench.checkup": ("Checkup", "check", "suggest"),
    "workbench.engine": ("Cancel", "Preview", "Recipe", "Record", "Result"),
    "workbench.errors": ("Cancelled", "WorkbenchError"),
    "workbench.masks": (
        "BrightnessMask",
        "BrushMask",
        "ColorMask",
        "IntersectionMask",
        "LinearMask",
        "ObjectMask",
        "RadialMask",
        "RegionMask",
        "StarMask",
        "UnionMask",
    ),
    "workbench.operations.base": ("Facts", "Frame", "FrameOperation", "Geometry", "Operation", "Rect", "Tile"),
    "workbench.outputs": ("Output", "soft_proof"),
    "workbench.recipe.model": ("Step",),
    "workbench.sky": ("Solution", "annotate", "solve"),
    "workbench.stack": ("Stack", "read"),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def _operations() -> dict[str, Any]:
    import_module("workbench.operations")
    registry = import_module("workbench.operations.base").REGISTRY
    return {cls.__name__: cls for cls in registry.values()}


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    if name[:1].isupper() and name in (operations := _operations()):
        return operations[name]
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME, *_operations()})

"""Masks: which part of the frame a step changes, as data in the recipe.

Drawn: regions, brush strokes, gradients from a line or a point (`shapes`). By measured light: brightness, color, stars,
extended light (`light`). And unions, intersections and complements of them (`union`).
"""

from workbench.masks.base import Affine, DrawnMask, Mask, Plane, Site
from workbench.masks.light import BrightnessMask, ColorMask, ObjectMask, StarMask
from workbench.masks.shapes import BrushMask, LinearMask, RadialMask, RegionMask, Stroke
from workbench.masks.union import WHERE, IntersectionMask, UnionMask, Where

__all__ = [
    "WHERE",
    "Affine",
    "BrightnessMask",
    "BrushMask",
    "ColorMask",
    "DrawnMask",
    "IntersectionMask",
    "LinearMask",
    "Mask",
    "ObjectMask",
    "Plane",
    "RadialMask",
    "RegionMask",
    "Site",
    "StarMask",
    "Stroke",
    "UnionMask",
    "Where",
]

"""The stars of a frame: `find` runs the parts in order, each part is a file of its own."""

from workbench.measure.stars.find import find_stars
from workbench.measure.stars.photometry import star_colors
from workbench.measure.stars.table import Stars

__all__ = ["Stars", "find_stars", "star_colors"]

"""Where the camera pointed, and what is there: star catalogues, sky solution, photometry of known stars, labels.

The extra ``sky`` brings the catalogues and the pattern solver. `solve` finds the field, `annotate` labels it.
"""

from workbench.sky.catalog import StarCatalog, bundled
from workbench.sky.labels import annotate, annotation_svg
from workbench.sky.own_catalog import read_catalog
from workbench.sky.solution import Solution, solve

__all__ = ["Solution", "StarCatalog", "annotate", "annotation_svg", "bundled", "read_catalog", "solve"]

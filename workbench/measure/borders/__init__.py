"""Borders of a stack, where fewer frames overlap."""

from workbench.measure.borders.find import Borders, find_borders, largest_rectangle

__all__ = ["Borders", "find_borders", "largest_rectangle"]

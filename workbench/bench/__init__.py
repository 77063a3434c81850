"""The bench: drive every step of a recipe in a notebook and see it on your own stack at once."""

from workbench.bench.bench import Bench

__all__ = ["Bench"]

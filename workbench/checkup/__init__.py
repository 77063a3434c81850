"""Judgement: what a stack is like, what it needs, and a recipe for it."""

from workbench.checkup.measuring import check
from workbench.checkup.report import Checkup
from workbench.checkup.suggesting import suggest
from workbench.operations.findings import Advice, StarField

__all__ = ["Advice", "Checkup", "StarField", "check", "suggest"]

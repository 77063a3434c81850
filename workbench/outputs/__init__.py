"""Outputs of a finished picture: sizes for screen and paper, as data beside the steps of a recipe, and their files."""

from workbench.outputs.proof import Proof, soft_proof
from workbench.outputs.settings import PRESETS, Output
from workbench.outputs.writing import output_file, placed, rendered, save_output

__all__ = ["PRESETS", "Output", "Proof", "output_file", "placed", "rendered", "save_output", "soft_proof"]

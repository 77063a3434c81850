"""Outputs of a finished picture: sizes for screen and paper, as data beside the steps of a recipe, and their files."""

from workbench.outputs.proof import Printer, Proof, out_of_gamut, soft_proof
from workbench.outputs.settings import PRESETS, Output
from workbench.outputs.writing import output_file, placed, rendered, save_output

__all__ = [
    "PRESETS",
    "Output",
    "Printer",
    "Proof",
    "out_of_gamut",
    "output_file",
    "placed",
    "rendered",
    "save_output",
    "soft_proof",
]

"""Make the picture at the top of the README: a sample stack as a screen shows it, and what its recipe makes of it.

python sample_stacks/make_picture.py
"""

from pathlib import Path

import numpy as np

import workbench as wb
from workbench import io

HERE = Path(__file__).parent
WIDTH = 760


def main() -> None:
    """Write before-after.jpg beside this script."""
    stack = wb.read(HERE / "lantern_nebula.tif")
    recipe = wb.suggest(stack)
    after = wb.Preview(stack, recipe).fit(WIDTH)
    # The stack as it is, cut like the finished picture: linear values sent to the screen as if they were a picture.
    cropped = wb.Preview(stack, wb.Recipe(recipe.steps[:1])).region(*_whole(stack, recipe))
    before = wb.Preview(wb.Stack(cropped, tone=wb.Tone.DISPLAY), wb.Recipe()).fit(WIDTH)
    rows = min(len(before), len(after))
    gap = np.full((rows, 12, 3), 255, np.uint8)
    both = np.concatenate([before[:rows], gap, after[:rows]], axis=1)
    io.encode(HERE / "before-after.jpg", both.astype(np.float32) / 255, tone=wb.Tone.DISPLAY, overwrite=True)


def _whole(stack: wb.Stack, recipe: wb.Recipe) -> tuple[int, int, int, int]:
    height, width, _ = wb.Preview(stack, wb.Recipe(recipe.steps[:1])).shape()
    return 0, 0, height, width


if __name__ == "__main__":
    main()

"""``python -m workbench.simulate NAME -o STACK.tif``: write a stack with known truth."""

from __future__ import annotations

import argparse
import sys

from workbench.errors import WorkbenchError
from workbench.simulate.scenes import SCENES
from workbench.simulate.writing import quantised, samples_sha256, write_simulation


def _shape(text: str) -> tuple[int, int]:
    """Read ``1200x1720``: height by width."""
    try:
        height, width = (int(part) for part in text.lower().split("x"))
    except ValueError:
        raise argparse.ArgumentTypeError(f"give height and width as in 1200x1720, not {text!r}") from None
    return height, width


def main(arguments: list[str] | None = None) -> int:
    """Run the command; 0 when the stack is written, 2 when the request cannot be used."""
    scenes = "\n".join(f"  {name:22} {scene.title}: {scene.story}" for name, scene in SCENES.items())
    parser = argparse.ArgumentParser(
        prog="python -m workbench.simulate",
        description="Write a linear stack whose truth is known.",
        epilog="scenes:\n" + scenes,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("name", metavar="NAME", help="a scene")
    parser.add_argument("-o", "--output", required=True, metavar="STACK.tif", help="the stack to write")
    parser.add_argument("--truth", metavar="FOLDER", help="also write what the stack is made of")
    parser.add_argument("--shape", type=_shape, metavar="HxW", help="height and width in pixels (1200x1720)")
    parser.add_argument("--seed", type=int, help="draws other stars, noise and framing")
    parser.add_argument("--force", action="store_true", help="replace existing files")
    given = parser.parse_args(arguments)
    try:
        made = write_simulation(
            given.name, given.output, truth=given.truth, seed=given.seed, shape=given.shape, overwrite=given.force
        )
    except WorkbenchError as e:
        sys.stderr.write(f"{e}\n")
        return 2
    height, width, _ = made.stack.shape
    digest = samples_sha256(quantised(made.stack.pixels))
    sys.stdout.write(f"{given.output}: {made.scene.title}, {height} x {width}, samples SHA-256 {digest}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())

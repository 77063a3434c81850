"""Whether a change of the code left recipes and pictures as they were: digests over the four sample stacks.

Keep the digests of one revision, then ask another one::

    python benchmarks/same_pictures.py --write before.json
    python benchmarks/same_pictures.py --against before.json

Compares, for each sample stack, the suggested recipe (steps, settings, reasons) and every float32 value of the picture.
Both must come from the same machine: curves differ in last bits from one processor to another.
"""

import argparse
import hashlib
import json
from pathlib import Path

import workbench as wb

SAMPLES = Path(__file__).parents[1] / "sample_stacks"


def digests() -> dict[str, dict[str, str]]:
    """SHA-256 of the suggested recipe and of the picture's pixels, by sample stack."""
    found = {}
    for path in sorted(SAMPLES.glob("*.tif")):
        stack = wb.read(path)
        recipe = wb.suggest(stack)
        pixels = recipe.run(stack).image.pixels
        found[path.stem] = {
            "recipe": hashlib.sha256(recipe.dumps().encode()).hexdigest(),
            "picture": hashlib.sha256(pixels.tobytes()).hexdigest(),
        }
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", type=Path, metavar="FILE", help="keep the digests")
    parser.add_argument("--against", type=Path, metavar="FILE", help="compare with digests that were kept")
    wanted = parser.parse_args()
    found = digests()
    if wanted.write:
        wanted.write.write_text(json.dumps(found, indent=1) + "\n")
    if wanted.against is None:
        print(json.dumps(found, indent=1))
        return 0
    before, changed = json.loads(wanted.against.read_text()), 0
    for name, now in found.items():
        for what, digest in now.items():
            same = before.get(name, {}).get(what) == digest
            changed += not same
            print(f"{name:24} {what:8} {'the same' if same else 'CHANGED'}")
    return min(changed, 1)


if __name__ == "__main__":
    raise SystemExit(main())

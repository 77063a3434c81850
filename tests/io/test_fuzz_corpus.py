"""Inputs by which the fuzzer (benchmarks/fuzz/readers.py) reached new code, and those that once did harm, again."""

from pathlib import Path

import numpy as np
import pytest

from workbench import io
from workbench.errors import WorkbenchError
from workbench.io import Limits
from workbench.io.metadata import side_file, xmp
from workbench.recipe import store

CORPUS = sorted(p for p in (Path(__file__).parent / "fuzz_corpus").rglob("*") if p.is_file())
LIMITS = Limits(pixels=1 << 18, free_memory=1 << 28, text_bytes=1 << 22, skipped_bytes=1 << 24)


def run(target, data, folder):
    if target == "xmp":
        xmp.parse(data, LIMITS)
    elif target == "side":
        (folder / "a.acquisition.json").write_bytes(data)
        side_file.read_side_file(folder / "a.tif")
    elif target == "recipe":
        (folder / "a.recipe.json").write_bytes(data)
        store.loads(store.read_text(folder / "a.recipe.json", "the recipe"))
    else:
        (folder / "input").write_bytes(data)
        io.embedded(folder / "input", limits=LIMITS)
        assert np.isfinite(io.decode(folder / "input", limits=LIMITS).pixels).all()


@pytest.mark.parametrize("target", sorted({p.parent.name for p in CORPUS}))
def test_what_the_fuzzer_kept_is_read_or_refused_in_one_sentence(target, tmp_path):
    for path in CORPUS:
        if path.parent.name != target:
            continue
        said = ""
        try:
            run(target, path.read_bytes(), tmp_path)
        except WorkbenchError as error:
            said = str(error)
        assert "\n" not in said, path.name
        assert len(said) < 1000, path.name

"""Zarr as it lies in folders: written by the library of its authors and by Dask, in the layouts of other fields."""

import json
import os

import numpy as np
import pytest

from workbench import io, stack
from workbench.bench.panels.open.files import listing
from workbench.cli import main
from workbench.errors import WorkbenchError
from workbench.io.formats import zarr as zarr_format
from workbench.recipe.store import dumps

zarr = pytest.importorskip("zarr")


def _written(folder, values, **options):
    chunks = tuple(min(n, 17) if n > 3 else 1 for n in values.shape)
    zarr.create_array(str(folder), data=values, chunks=chunks, **options)
    return folder


@pytest.mark.parametrize("form", [2, 3])
@pytest.mark.parametrize("dtype", ["uint16", "float32"])
@pytest.mark.parametrize(
    "shape", [(40, 50), (40, 50, 3), (3, 40, 50), (1, 3, 1, 40, 50), (1, 1, 3, 40, 50), (3, 1, 40, 50), (1, 40, 50, 1)]
)
def test_a_folder_is_read_in_every_layout(tmp_path, rng, form, dtype, shape):
    values = (rng.random(shape) * 200).astype(dtype)
    path = _written(tmp_path / "a.zarr", values, zarr_format=form)
    got = stack.read(path, white_level=200.0, tone="linear")
    wanted = values.reshape(40, 50, 3) if shape[-1] == 3 else values.reshape(-1, 40, 50).transpose(1, 2, 0)
    np.testing.assert_allclose(got.pixels, wanted / np.float32(200), rtol=1e-6)
    assert got.source.format == "zarr"


@pytest.mark.parametrize("shape", [(2, 40, 50), (4, 40, 50), (3, 3, 40, 50), (2, 1, 40, 50, 3), (40,), (1, 40)])
def test_what_is_no_picture_is_not_taken_for_one(tmp_path, rng, shape):
    path = _written(tmp_path / "a.zarr", rng.random(shape, np.float32))
    if shape == (1, 40):
        assert io.decode(path).pixels.shape == (1, 40, 1)
        return
    with pytest.raises(WorkbenchError, match="no array of rows and columns"):
        io.decode(path)


def test_what_dask_writes_is_read_with_a_scratch_folder_too(tmp_path, rng):
    array = pytest.importorskip("dask.array")
    values = rng.integers(0, 60000, (70, 90, 3)).astype(np.uint16)
    array.from_array(values, chunks=(32, 32, 3)).to_zarr(str(tmp_path / "mosaic.zarr"))
    (tmp_path / "disk").mkdir()
    for more in ({}, {"scratch": tmp_path / "disk"}):
        got = io.decode(tmp_path / "mosaic.zarr", **more)
        np.testing.assert_array_equal(got.pixels, values / np.float32(65535))


def test_of_a_pyramid_the_largest_level_is_read_and_oddities_beside_it_are_passed_over(tmp_path, rng):
    # The hierarchy of OME-Zarr 0.4 (Moore et al. 2023, Histochem. Cell Biol. 160, 223; layout from memory), its levels
    # in an unusual order, and arrays as xarray puts them beside an image.
    values = rng.random((1, 3, 1, 64, 80), np.float32)
    root = zarr.open_group(str(tmp_path / "a.zarr"), mode="w", zarr_format=2)
    for name, step in (("0", 4), ("1", 2), ("2", 1)):
        root.create_array(name, data=values[..., ::step, ::step], chunks=(1, 1, 1, 16, 16))
    root.create_array("spatial_ref", data=np.array(7, np.int64))
    root.create_array("x", data=np.arange(80, dtype=np.int64))
    root.attrs["multiscales"] = [{"version": "0.4", "datasets": [{"path": str(n)} for n in range(3)]}]
    got = io.decode(tmp_path / "a.zarr", white_level=1.0)
    np.testing.assert_array_equal(got.pixels, values[0, :, 0].transpose(1, 2, 0))
    assert got.source.remarks == ("the array '2' was read; 4 more were not",)


def test_a_side_file_lies_beside_the_folder(tmp_path, rng):
    path = _written(tmp_path / "a.zarr", rng.random((40, 50), np.float32))
    (tmp_path / "a.acquisition.json").write_text('{"frames": 7}')
    assert io.decode(path).acquisition.frames == 7


def test_the_digest_of_a_folder_is_that_of_names_and_bytes(tmp_path, rng):
    values = rng.random((40, 50), np.float32)
    one, same = (_written(tmp_path / f"{n}.zarr", values) for n in "ab")
    told = io.decode(one).source.sha256
    assert told == io.file_digest(same) == io.decode(same).source.sha256
    (same / "c" / "0" / "0").rename(same / "c" / "0" / "9")
    assert io.file_digest(same) != told
    (one / "c" / "0" / "0").write_bytes(b"another")
    assert io.file_digest(one) != told


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_no_link_is_followed_out_of_a_folder(tmp_path, rng):
    path = _written(tmp_path / "a.zarr", rng.random((40, 50), np.float32), compressors=None)
    secret = tmp_path / "secret"
    secret.write_bytes(b"\0\0\x80?" * (17 * 17))
    chunk = path / "c" / "0" / "0"
    chunk.unlink()
    chunk.symlink_to(secret)
    assert not io.decode(path, white_level=1.0).pixels[:17, :17].any()


def test_a_folder_that_changes_while_it_is_read_is_refused(tmp_path, rng, monkeypatch):
    path = _written(tmp_path / "a.zarr", rng.random((40, 50), np.float32))
    each_chunk = zarr_format.each_chunk

    def meddling(*arguments):
        each_chunk(*arguments)
        (path / "c" / "0" / "0").write_bytes(b"x")

    monkeypatch.setattr(zarr_format, "each_chunk", meddling)
    with pytest.raises(WorkbenchError, match="it changed while being read"):
        io.decode(path)


@pytest.mark.parametrize("change", ["cut", "no chunk size", "no json", "larger"])
def test_damage_is_one_sentence(tmp_path, rng, change):
    path = _written(tmp_path / "a.zarr", rng.random((40, 50), np.float32), compressors=None)
    text = path / "zarr.json"
    if change == "cut":
        (path / "c" / "0" / "0").write_bytes(b"123")
    elif change == "larger":
        (path / "c" / "0" / "0").write_bytes(bytes(1 << 20))
    elif change == "no json":
        text.write_text("{")
    else:
        data = json.loads(text.read_text())
        del data["chunk_grid"]["configuration"]["chunk_shape"]
        text.write_text(json.dumps(data))
    with pytest.raises(WorkbenchError, match=r"a\.zarr: as a Zarr file it is damaged"):
        io.decode(path)


def test_a_folder_is_run_resumed_and_never_written_into(tmp_path, rng, capsys):
    values = rng.integers(2000, 9000, (24, 32, 3), np.uint16)
    path = _written(tmp_path / "a.zarr", values)
    before = io.file_digest(path)
    (tmp_path / "r.json").write_text(
        dumps({"kind": "post-stack recipe", "version": 1, "title": "", "steps": [{"do": "turn"}]})
    )
    arguments = ["run", str(tmp_path / "r.json"), str(path), "-o", str(tmp_path / "p.tif")]
    assert main(arguments) == 0
    assert main([*arguments, "--resume"]) == 0
    assert "was made before" in capsys.readouterr().out
    for name in (path, path / "p.tif", path / "c" / "p.tif"):
        assert main([*arguments[:-1], str(name), "--force"]) == 2
    assert "which is never written to" in capsys.readouterr().err
    assert io.file_digest(path) == before
    assert next((e["name"], e["folder"]) for e in listing(str(path), tmp_path)["entries"]) == ("a.zarr", False)


def test_another_folder_is_no_image(tmp_path):
    (tmp_path / "night").mkdir()
    with pytest.raises(WorkbenchError, match="is a folder, not an image file"):
        io.decode(tmp_path / "night")

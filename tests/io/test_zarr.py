"""Zarr in a ZIP file, against the library that the specification's authors keep."""

import json
import zipfile

import numpy as np
import pytest

from workbench import io
from workbench.errors import WorkbenchError

zarr = pytest.importorskip("zarr")


def _theirs(path, values, **options):
    with zarr.storage.ZipStore(path, mode="w") as store:
        zarr.create_array(store, data=values, **options)
    return path


@pytest.mark.parametrize("form", [2, 3])
@pytest.mark.parametrize("packed", ["auto", None, "gzip", "blosc"])
@pytest.mark.parametrize("dtype", ["uint16", "float32", "uint8", ">i2"])
def test_what_the_library_writes_is_read(tmp_path, rng, form, packed, dtype):
    values = rng.integers(0, 120, (37, 53, 3)).astype(dtype)
    codecs = {2: zarr.codecs, 3: zarr.codecs}
    if packed == "gzip":
        import numcodecs

        packed = codecs[3].GzipCodec() if form == 3 else numcodecs.GZip()
    elif packed == "blosc":
        import numcodecs

        packed = codecs[3].BloscCodec(cname="lz4") if form == 3 else numcodecs.Blosc("lz4")
    path = _theirs(tmp_path / "a.zip", values, chunks=(16, 20, 3), compressors=packed, zarr_format=form)
    white = 1.0 if dtype == "float32" else float(np.iinfo(dtype).max)
    got = io.decode(path, white_level=white)
    np.testing.assert_array_equal(got.pixels, values.astype(np.float32) / np.float32(white))


@pytest.mark.parametrize("shape", [(40, 50), (3, 40, 50), (1, 40, 50), (40, 50, 1), (1, 1, 3, 40, 50)])
def test_rows_columns_and_channels_are_told_by_their_sizes(tmp_path, rng, shape):
    values = rng.random(shape, np.float32)
    chunks = tuple(min(n, 17) if n > 3 else 1 for n in shape)
    got = io.decode(_theirs(tmp_path / "a.zip", values, chunks=chunks), white_level=1.0, scratch=tmp_path)
    wanted = values.reshape(-1, 40, 50).transpose(1, 2, 0) if shape[-1] != 1 else values
    np.testing.assert_array_equal(got.pixels, wanted)


@pytest.mark.parametrize("bits", [8, 16, 32])
def test_what_is_written_is_read_by_the_library_and_back(tmp_path, rng, bits):
    values = rng.random((600, 530, 3), np.float32)
    coverage = rng.integers(1, 256, (600, 530)).astype(np.uint8)
    path = tmp_path / "a.zarr.zip"
    io.encode(path, values, tone="linear", coverage=coverage, bits=bits, recipe='{"a": 1}', record="{}")
    with zarr.storage.ZipStore(path, mode="r") as store:
        theirs = zarr.open_group(store, mode="r")
        pixels, covered = theirs["pixels"][...], theirs["coverage"][...]
    wanted = values if bits == 32 else np.floor(values * (2**bits - 1) + np.float32(0.5)).astype(f"u{bits // 8}")
    np.testing.assert_array_equal(pixels, wanted)
    np.testing.assert_array_equal(covered, coverage)
    got = io.decode(path)
    assert str(got.tone) == "linear"
    np.testing.assert_array_equal(got.coverage, coverage)
    np.testing.assert_array_equal(got.pixels, wanted / np.float32(1 if bits == 32 else 2**bits - 1))
    assert io.embedded(path).recipe == '{"a": 1}'
    io.encode(tmp_path / "b.zip", values, tone="linear", coverage=coverage, bits=bits, recipe='{"a": 1}', record="{}")
    assert (tmp_path / "b.zip").read_bytes() == path.read_bytes()


def test_chunks_that_are_not_there_have_the_fill_value(tmp_path):
    with zarr.storage.ZipStore(tmp_path / "a.zip", mode="w") as store:
        array = zarr.create_array(store, shape=(40, 40), chunks=(20, 20), dtype="float32", fill_value=np.nan)
        array[:20] = 0.25
    got = io.decode(tmp_path / "a.zip")
    assert (got.pixels[:20] == 0.25).all()
    assert (got.coverage[20:] == 0).all()
    assert "chunks that are not stored: 2 of 4; their pixels have no value" in got.source.remarks


@pytest.mark.parametrize("shape", [(64, 48), (64, 48, 3), (3, 64, 48)])
def test_some_chunks_that_are_not_there_change_no_other(tmp_path, rng, shape, monkeypatch):
    monkeypatch.setattr("workbench.io.formats.zarr.LARGE_CHUNK", 500)  # filled in several parts
    values = rng.integers(1, 200, shape).astype(np.uint8)
    chunks = tuple(min(n, 16) for n in shape)
    with zarr.storage.ZipStore(tmp_path / "a.zip", mode="w") as store:
        array = zarr.create_array(store, shape=shape, chunks=chunks, dtype="uint8", fill_value=7)
        rows = (slice(None),) * (len(shape) == 3 and shape[0] == 3)
        array[(*rows, slice(16, 32))] = values[(*rows, slice(16, 32))]
        wanted = array[...]
    got = io.decode(tmp_path / "a.zip", white_level=255.0)
    wanted = wanted[..., None] if len(shape) == 2 else np.moveaxis(wanted, 0, 2) if shape[0] == 3 else wanted
    np.testing.assert_array_equal(got.pixels, wanted / np.float32(255))


def test_chunks_that_are_not_there_cost_nothing_each(tmp_path, monkeypatch):
    with zarr.storage.ZipStore(tmp_path / "a.zip", mode="w") as store:
        zarr.create_array(store, shape=(3000, 3000), chunks=(1, 1), dtype="uint16", compressors=None)
    jobs = []
    monkeypatch.setattr("workbench.io.formats.zarr.on_all_cores", lambda _work, places: jobs.extend(places))
    assert not io.decode(tmp_path / "a.zip").pixels.any()
    assert jobs == []


def _changed(path, change):
    """The archive with its root's JSON text changed."""
    with zipfile.ZipFile(path) as file:
        members = {name: file.read(name) for name in file.namelist()}
    data = json.loads(members["zarr.json"])
    change(data)
    members["zarr.json"] = json.dumps(data).encode()
    with zipfile.ZipFile(path, "w") as file:
        for name, content in members.items():
            file.writestr(name, content)


CHANGES = {
    "more pixels than it holds": lambda d: d.update(shape=[1 << 30, 1 << 30]),
    "chunks larger than it": lambda d: d["chunk_grid"]["configuration"].update(chunk_shape=[1 << 20, 1 << 20]),
    "chunks of none": lambda d: d["chunk_grid"]["configuration"].update(chunk_shape=[0, 5]),
    "other chunks": lambda d: d["chunk_grid"]["configuration"].update(chunk_shape=[19, 20]),
    "no shape": lambda d: d.pop("shape"),
    "words for a shape": lambda d: d.update(shape="many"),
    "objects": lambda d: d.update(data_type="object"),
    "a codec that runs code": lambda d: d["codecs"].append({"name": "numcodecs.pickle"}),
    "names of chunks without a separator": lambda d: d["chunk_key_encoding"].update(configuration={"separator": ""}),
    "sharded": lambda d: d.update(codecs=[{"name": "sharding_indexed", "configuration": {}}]),
    "codecs that are none": lambda d: d.update(codecs=7),
    "no image": lambda d: d.update(shape=[40], chunk_grid={"name": "regular", "configuration": {"chunk_shape": [9]}}),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_changed_description_is_refused_in_a_sentence(tmp_path, rng, change):
    path = _theirs(tmp_path / "a.zip", rng.random((40, 40), np.float32), chunks=(20, 20))
    _changed(path, CHANGES[change])
    with pytest.raises(WorkbenchError) as told:
        io.decode(path)
    assert "\n" not in str(told.value)
    assert "a.zip" in str(told.value)


def test_damage_anywhere_is_refused_or_read_as_finite_pixels(tmp_path, rng):
    path = _theirs(tmp_path / "a.zip", rng.random((40, 40), np.float32), chunks=(20, 20))
    sound, said = path.read_bytes(), []
    for _ in range(150):
        data = bytearray(sound)
        for _ in range(rng.integers(1, 4)):
            data[rng.integers(0, len(data))] = rng.integers(0, 256)
        path.write_bytes(data[: rng.integers(len(data) // 2, len(data) + 1)] if rng.random() < 0.3 else data)
        try:
            pixels = io.decode(path).pixels
        except WorkbenchError as error:
            said.append(str(error))
        else:
            assert np.isfinite(pixels).all()
    assert said
    assert not any("\n" in text for text in said)

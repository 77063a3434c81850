"""Uploads and listings stay where they belong, and never harm a file."""

import pytest

from workbench import WorkbenchError
from workbench.bench.panels.open.files import PIECE_BYTES, Files, listing, safe_name


@pytest.fixture
def files(tmp_path):
    made = Files(tmp_path)
    yield made
    made.close()


def sent(files, name, data, piece=7):
    token = files.upload_begin(name, len(data))
    for at in range(0, len(data), piece):
        files.upload_piece(token, at, data[at : at + piece])
    return files.upload_finish(token)


def test_an_upload_arrives_whole_under_its_name_and_nothing_else_stays(files, tmp_path):
    data = bytes(range(256)) * 3
    path = sent(files, "night.tif", data)
    assert path == tmp_path / "night.tif"
    assert path.read_bytes() == data
    assert [f.name for f in tmp_path.iterdir()] == ["night.tif"]


def test_an_upload_never_replaces_a_file(files, tmp_path):
    (tmp_path / "night.tif").write_bytes(b"precious")
    assert sent(files, "night.tif", b"new").name == "night-2.tif"
    assert sent(files, "night.tif", b"newer").name == "night-3.tif"
    assert (tmp_path / "night.tif").read_bytes() == b"precious"


@pytest.mark.parametrize("name", ["../../etc/night.tif", "..\\..\\night.tif", "/abs/night.tif", "C:\\x\\night.tif"])
def test_only_the_bare_name_of_an_upload_counts(name):
    assert safe_name(name) == "night.tif"


@pytest.mark.parametrize(
    "name", ["", "..", "../", ".hidden.tif", "a\0b.tif", "a\nb.tif", "x" * 300 + ".tif", "run.sh", "tif", "a:b.tif"]
)
def test_names_that_could_do_harm_are_refused(name):
    with pytest.raises(WorkbenchError):
        safe_name(name)


def test_pieces_out_of_order_too_large_or_too_many_end_the_upload(files, tmp_path):
    for at, data in ((1, b"abc"), (0, b""), (0, b"x" * (PIECE_BYTES + 1)), (0, b"x" * 11)):
        token = files.upload_begin("night.tif", 10)
        with pytest.raises(WorkbenchError):
            files.upload_piece(token, at, data)
        with pytest.raises(WorkbenchError, match="not known"):
            files.upload_piece(token, 0, b"abc")
    assert list(tmp_path.iterdir()) == []


def test_an_upload_cut_short_leaves_nothing(files, tmp_path):
    token = files.upload_begin("night.tif", 10)
    files.upload_piece(token, 0, b"abc")
    with pytest.raises(WorkbenchError, match="3 of 10 bytes"):
        files.upload_finish(token)
    files.upload_stop(files.upload_begin("night.tif", 10))
    assert list(tmp_path.iterdir()) == []


def test_sizes_that_make_no_sense_are_refused(files):
    for size in (0, -1, 2**60):
        with pytest.raises(WorkbenchError):
            files.upload_begin("night.tif", size)


def test_forgotten_uploads_give_way_and_are_cleared_at_the_end(files, tmp_path):
    tokens = [files.upload_begin("night.tif", 10) for _ in range(4)]
    assert len(list(tmp_path.iterdir())) == 3
    with pytest.raises(WorkbenchError, match="not known"):
        files.upload_piece(tokens[0], 0, b"abc")
    files.close()
    assert list(tmp_path.iterdir()) == []


def test_a_listing_shows_folders_stacks_and_recipes_only(tmp_path):
    beside = [f"b.{what}.json" for what in ("record", "acquisition", "bench")]
    for name in ("b.tif", "A.fits", "notes.txt", ".secret.tif", "r.recipe.json", *beside):
        (tmp_path / name).write_bytes(b"1234")
    (tmp_path / "zeta").mkdir()
    (tmp_path / "loop.tif").symlink_to(tmp_path / "nowhere.tif")
    found = listing(None, tmp_path)
    assert [e["name"] for e in found["entries"]] == ["zeta", "A.fits", "b.tif", "r.recipe.json"]
    assert [e["recipe"] for e in found["entries"]] == [False, False, False, True]
    assert found["parent"] == str(tmp_path.parent)
    assert found["entries"][1]["size"] == 4


def test_a_listing_of_a_file_shows_its_folder_and_of_nothing_a_sentence(tmp_path):
    (tmp_path / "b.tif").write_bytes(b"1")
    assert listing("b.tif", tmp_path)["path"] == str(tmp_path)
    with pytest.raises(WorkbenchError, match="there is no folder"):
        listing("nowhere", tmp_path)

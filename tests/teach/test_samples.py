"""Working copies of the sample stacks."""

from pathlib import Path

import pytest

import workbench as wb
from workbench.teach import sample_file, samples

SHIPPED = Path(__file__).resolve().parents[2] / "sample_stacks"


def test_a_sample_is_copied_with_what_says_how_it_was_taken(tmp_path):
    path = sample_file("lantern_nebula", tmp_path / "new")
    assert path.read_bytes() == (SHIPPED / "lantern_nebula.tif").read_bytes()
    assert wb.read(path).acquisition.frames == 72


def test_a_copy_that_is_there_is_kept(tmp_path):
    path = sample_file("lantern_nebula", tmp_path)
    path.write_bytes(b"worked on")
    assert sample_file("lantern_nebula", tmp_path).read_bytes() == b"worked on"


def test_a_sample_is_simulated_where_none_is_shipped(tmp_path, monkeypatch):
    made = []
    monkeypatch.setattr(samples, "sample", lambda name: None)
    monkeypatch.setattr(samples, "write_simulation", lambda name, path: made.append((name, path)))
    assert sample_file("millwheel_galaxy", tmp_path) == tmp_path / "millwheel_galaxy.tif"
    assert made == [("millwheel_galaxy", tmp_path / "millwheel_galaxy.tif")]


def test_without_a_folder_it_goes_among_the_temporary_files(tmp_path, monkeypatch):
    monkeypatch.setattr(samples.tempfile, "gettempdir", lambda: str(tmp_path))
    assert sample_file("lantern_nebula").is_relative_to(tmp_path)


def test_an_unknown_sample_is_told_with_those_that_there_are(tmp_path):
    with pytest.raises(wb.WorkbenchError, match=r"there is no sample 'moon'.*lantern_nebula"):
        sample_file("moon", tmp_path)


def test_a_folder_that_cannot_be_made_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(wb.WorkbenchError, match="cannot put the sample into"):
        sample_file("lantern_nebula", tmp_path / "file" / "below")

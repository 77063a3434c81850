"""Files appear whole or not at all, and nothing is overwritten by accident."""

import copy
import dataclasses
import errno
import hashlib
import json
import os
import pickle
import stat
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from workbench import io
from workbench.errors import WorkbenchError
from workbench.io import atomic, formats, source_file
from workbench.stack import read

FRAME = np.zeros((8, 9, 3), np.float32)


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def test_an_existing_file_is_kept(tmp_path):
    path = tmp_path / "a.tif"
    path.write_bytes(b"precious")
    with pytest.raises(WorkbenchError, match="exists already"):
        io.encode(path, FRAME, tone="linear")
    assert path.read_bytes() == b"precious"
    io.encode(path, FRAME, tone="linear", overwrite=True)
    assert names(tmp_path) == ["a.tif"]
    assert path.read_bytes()[:2] == b"II"


def test_a_file_that_appears_meanwhile_is_kept(tmp_path):
    path = tmp_path / "a.txt"
    with pytest.raises(WorkbenchError, match="exists already"), io.atomic_write(path) as file:  # noqa: PT012
        file.write(b"ours")
        path.write_bytes(b"theirs")
    assert path.read_bytes() == b"theirs"
    assert names(tmp_path) == ["a.txt"]


def test_of_many_writers_one_wins_and_the_others_are_told(tmp_path):
    path, told = tmp_path / "a.txt", []
    start = threading.Barrier(8)

    def write(i):
        start.wait()
        try:
            io.write_text(path, str(i) * 1000)
        except WorkbenchError as error:
            told.append(str(error))

    threads = [threading.Thread(target=write, args=(i,)) for i in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(told) == 7
    assert len(set(path.read_text())) == 1
    assert names(tmp_path) == ["a.txt"]


@pytest.mark.parametrize("error", [KeyboardInterrupt, SystemExit, RuntimeError])
def test_an_interruption_leaves_what_was_there_and_no_debris(tmp_path, error):
    path = tmp_path / "a.txt"
    path.write_text("before")
    with pytest.raises(error), io.atomic_write(path, overwrite=True) as file:  # noqa: PT012
        file.write(b"half")
        raise error
    assert path.read_text() == "before"
    assert names(tmp_path) == ["a.txt"]


@pytest.mark.skipif(not Path("/dev/full").exists() or sys.platform != "linux", reason="needs a device that is full")
def test_a_full_disk_is_one_sentence_and_no_debris(tmp_path, monkeypatch):
    real = atomic.os.fsync

    def full(handle):
        # The system's own error, from a write to a device that is always full.
        device = os.open("/dev/full", os.O_WRONLY)
        try:
            os.write(device, b"x")
        finally:
            os.close(device)
        real(handle)

    monkeypatch.setattr(atomic.os, "fsync", full)
    for name in ("a.tif", "a.fits", "a.png"):
        with pytest.raises(WorkbenchError, match=r"no space is left on the disk .*; nothing was written$"):
            io.encode(tmp_path / name, FRAME, tone="display")
    assert not names(tmp_path)


def test_the_input_is_never_replaced_under_any_name(tmp_path):
    stack = tmp_path / "stack.tif"
    io.encode(stack, FRAME, tone="linear")
    before = stack.read_bytes()
    os.link(stack, tmp_path / "other.tif")
    (tmp_path / "sym.tif").symlink_to(stack)
    for name in ("stack.tif", "other.tif", "sym.tif", "../" + tmp_path.name + "/stack.tif"):
        with pytest.raises(WorkbenchError, match="never written to"):
            io.encode(tmp_path / name, FRAME, tone="linear", overwrite=True, protect=[stack])
    assert stack.read_bytes() == before


def test_a_stack_is_never_saved_over_the_file_it_was_read_from(tmp_path):
    path = tmp_path / "stack.tif"
    io.encode(path, FRAME, tone="linear")
    before = path.read_bytes()
    stack = read(path)
    with pytest.raises(WorkbenchError, match="never written to"):
        stack.with_pixels(stack.pixels + 1).save(path, overwrite=True)
    (tmp_path / "flat.tif").write_bytes(b"precious")
    with pytest.raises(WorkbenchError, match="never written to"):
        stack.save(tmp_path / "flat.tif", overwrite=True, protect=[tmp_path / "flat.tif"])
    stack.save(tmp_path / "flat.tif", overwrite=True)
    assert path.read_bytes() == before


def test_what_can_be_written_is_told_beforehand(tmp_path, monkeypatch):
    assert io.checked_output(tmp_path / "new.tif") == (tmp_path / "new.tif").resolve()
    (tmp_path / "old.tif").write_bytes(b"x")
    with pytest.raises(WorkbenchError, match=r"exists already.*--force.*overwrite=True"):
        io.checked_output(tmp_path / "old.tif")
    assert io.checked_output(tmp_path / "old.tif", overwrite=True).name == "old.tif"
    monkeypatch.setattr(atomic.os, "access", lambda *_: False)
    with pytest.raises(WorkbenchError, match="no permission"):
        io.checked_output(tmp_path / "new.tif")
    assert names(tmp_path) == ["old.tif"]


@pytest.mark.parametrize(
    ("name", "kind"),
    [("a.TIF", "tiff"), ("a.b.fits", "fits"), ("a.fits.gz", "fits"), ("a.tif.gz", None), ("a.gz", None), ("a", None),
     (".tif", None), ("a.jpeg", "jpeg"), ("a.png", "png"), ("a.bmp", None)],
)  # fmt: skip
def test_the_format_is_told_by_the_name(name, kind):
    assert io.format_of(name) == kind


def test_overwriting_through_a_link_keeps_the_link(tmp_path):
    (tmp_path / "real.txt").write_text("old")
    (tmp_path / "link.txt").symlink_to(tmp_path / "real.txt")
    io.write_text(tmp_path / "link.txt", "new", overwrite=True)
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "real.txt").read_text() == "new"


def test_rights_of_a_replaced_file_are_kept(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("old")
    path.chmod(0o640)
    io.write_text(path, "new", overwrite=True)
    assert path.stat().st_mode & 0o777 == 0o640


def test_folders_without_hard_links_are_served_without_a_race(tmp_path):
    def no_links(source, target):
        raise OSError(errno.EPERM, "no links here")

    source, target = tmp_path / "t.part", tmp_path / "a.txt"
    source.write_text("ours")
    atomic.rename_new(source, target, no_links)
    assert target.read_text() == "ours"
    assert names(tmp_path) == ["a.txt"]
    source.write_text("again")
    with pytest.raises(FileExistsError):
        atomic.rename_new(source, target, no_links)
    assert target.read_text() == "ours"


@pytest.mark.parametrize(
    ("name", "words"),
    [("missing/a.txt", "does not exist"), (".", "is a folder"), ("x" * 300 + ".txt", "name is too long"),
     ("file.txt/a.txt", "cannot write|does not exist"), ("nul\0.txt", "cannot write")],
)  # fmt: skip
def test_places_that_cannot_be_written_are_named(tmp_path, name, words):
    (tmp_path / "file.txt").write_text("x")
    with pytest.raises(WorkbenchError, match=words):
        io.write_text(f"{tmp_path}/{name}", "text")
    assert names(tmp_path) == ["file.txt"]


def test_text_is_utf8_with_line_feeds(tmp_path):
    io.write_text(tmp_path / "a.txt", "é\nb\n")
    assert (tmp_path / "a.txt").read_bytes() == b"\xc3\xa9\nb\n"


def test_reading_never_changes_the_file(tmp_path):
    path = tmp_path / "a.tif"
    io.encode(path, FRAME, tone="linear")
    path.chmod(0o444)
    before = path.read_bytes(), path.stat().st_mtime_ns
    io.decode(path)
    io.embedded(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert names(tmp_path) == ["a.tif"]


def test_the_digest_of_a_file_is_that_of_its_bytes_as_they_were_read(tmp_path):
    path = tmp_path / "a.tif"
    io.encode(path, FRAME, tone="linear")
    expected = hashlib.sha256(path.read_bytes()).hexdigest()
    stack = read(path)
    assert stack.source.sha256 == expected
    assert pickle.loads(pickle.dumps(stack)).source.sha256 == expected
    assert copy.deepcopy(stack.source) == stack.source


@pytest.mark.parametrize("fate", ["written anew", "deleted"])
def test_a_file_that_does_not_last_until_its_digest_is_taken_has_none(tmp_path, fate):
    path = tmp_path / "a.tif"
    path.write_bytes(b"as it was read")
    read_at = source_file.moment(path)
    path.unlink()
    if fate == "written anew":
        path.write_bytes(b"something else")
    assert source_file.FileDigest(path, read_at)() == ""


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "a.tif"
    io.encode(path, FRAME, tone="linear")
    real = formats.FORMATS["tiff"]
    gone = dataclasses.replace(real, read=lambda file, request: (real.read(file, request), file.unlink())[0])
    monkeypatch.setitem(formats.FORMATS, "tiff", gone)
    with pytest.raises(WorkbenchError, match="changed while being read"):
        read(path)


WRITER = """
import sys, time
from workbench import io
with io.atomic_write(sys.argv[1]) as file:
    file.write(b"half")
    file.flush()
    print("writing", flush=True)
    time.sleep(120)
"""


def test_what_a_killed_process_left_is_removed_and_what_another_writes_is_not(tmp_path):
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path / name)], stdout=subprocess.PIPE)
        for name in ("killed.tif", "alive.tif")
    ]
    try:
        assert all(writer.stdout.readline() == b"writing\n" for writer in writers)
        writers[0].kill()
        writers[0].wait()
        parts = [p for p in tmp_path.iterdir() if p.suffix == ".part"]
        assert len(parts) == 2
        stranger = tmp_path / ".night.tif.0123456789ab.part"
        stranger.write_bytes(b"of another program")
        io.write_text(tmp_path / "soon.txt", "x")
        assert len([p for p in tmp_path.iterdir() if p.suffix == ".part"]) == 3  # a moment ago is no proof of death
        for part in (*parts, stranger):
            os.utime(part, (1e9, 1e9))
        io.write_text(tmp_path / "later.txt", "x")
        left = sorted(p.name for p in tmp_path.iterdir() if p.suffix == ".part")
        assert len(left) == 2
        assert left[0].startswith(".alive.tif.")
        assert left[1] == stranger.name
    finally:
        for writer in writers:
            writer.kill()
            writer.wait()
            writer.stdout.close()


def test_a_pipe_or_a_device_is_never_replaced(tmp_path):
    pipe = tmp_path / "pipe.tif"
    os.mkfifo(pipe)
    link = tmp_path / "null.tif"
    link.symlink_to("/dev/null")
    (tmp_path / "folder.tif").mkdir()
    for path, words in (
        (pipe, "device or a pipe"),
        (link, "device or a pipe|permission"),
        (tmp_path / "folder.tif", "is a folder"),
    ):
        for overwrite in (False, True):
            with pytest.raises(WorkbenchError, match=words):
                io.encode(path, FRAME, tone="linear", overwrite=overwrite)
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)


def test_text_that_utf8_cannot_hold_is_written_all_the_same(tmp_path):
    io.write_text(tmp_path / "a.json", '{"note": "x\ud800y"}')
    assert json.loads((tmp_path / "a.json").read_text(encoding="utf-8")) == {"note": "x\ud800y"}

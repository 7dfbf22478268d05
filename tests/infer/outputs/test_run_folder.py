"""A folder is written by one program at a time, for its owner alone, and a full disk ends in one sentence."""

import contextlib
import errno
import os
import socket
import stat
import subprocess
import sys
import threading

import pytest

from raysplay.configs.load import shipped
from raysplay.configs.protocol import reported_measures
from raysplay.infer.outputs import run_folder, run_writer
from raysplay.infer.outputs.folder_lock import FolderInUseError, FolderLock
from raysplay.infer.outputs.landmarks_table import LandmarksTable
from raysplay.infer.outputs.owner_only import owner_only
from raysplay.infer.outputs.run_folder import RunFolder, RunFolderError, RunStoppedError
from raysplay.infer.outputs.run_writer import RunWriter

POSIX = pytest.mark.skipif(os.name != "posix", reason="POSIX modes")
HOLD = """
import sys, time
from pathlib import Path
from raysplay.infer.outputs.folder_lock import FolderLock
lock = FolderLock(Path(sys.argv[1]))
lock.take()
print("held", flush=True)
time.sleep(60)
"""


def full(*_, **__):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def finish(writer):
    return writer.finish(command=[], wall_seconds=1.0, weights={}, protocol=shipped("protocol.yaml"))


@pytest.fixture
def writer(tmp_path, schema):
    def made(**options):
        folder = RunFolder(tmp_path / "out", **options)
        return RunWriter(folder, schema, reported_measures(), overlays=True)

    return made


@contextlib.contextmanager
def holder(folder):
    """Another process that holds the folder."""
    process = subprocess.Popen([sys.executable, "-c", HOLD, str(folder)], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout.readline() == "held\n"
        yield process
    finally:
        process.kill()
        process.wait()


def test_another_process_is_kept_out_and_told_who_writes(tmp_path, writer):
    (tmp_path / "out").mkdir()
    with holder(tmp_path / "out") as other:
        with pytest.raises(RunFolderError, match=rf"process {other.pid} on {socket.gethostname()}, since 20\d\d-"):
            writer()
        assert not list((tmp_path / "out").glob("*.partial"))
    # A killed program's lock is free again, whatever it left behind.
    assert (tmp_path / "out" / ".raysplay.writer").exists()
    writer().close()


def test_who_writes_is_waited_for_and_a_killed_program_is_not_named(tmp_path):
    """Between taking the folder and saying who took it, the note of a killed program named one that was no more."""
    note = tmp_path / ".raysplay.writer"
    with holder(tmp_path) as other:
        sound = note.read_text()
        gone = subprocess.Popen([sys.executable, "-c", ""])
        gone.wait()
        note.write_text(sound.replace(str(other.pid), str(gone.pid)))
        threading.Timer(0.3, note.write_text, (sound,)).start()
        with pytest.raises(FolderInUseError, match=f"process {other.pid} on"):
            FolderLock(tmp_path).take()


def test_a_run_holds_its_folder_to_its_end(tmp_path, writer, film_record):
    first = writer()
    with pytest.raises(FolderInUseError, match=str(os.getpid())):
        FolderLock(tmp_path / "out").take()
    first.write(film_record(), None)
    finish(first)
    with FolderLock(tmp_path / "out"):
        pass
    assert not (tmp_path / "out" / ".raysplay.writer").exists()


def test_a_run_that_ended_in_the_meantime_is_not_overwritten(tmp_path, schema, writer, film_record):
    """Both programs looked at the empty folder; the second comes when the first is done."""
    late = RunFolder(tmp_path / "out")
    first = writer()
    first.write(film_record(), None)
    finish(first)
    with pytest.raises(RunFolderError, match="holds an earlier run"):
        late.begin()


def test_a_folder_that_is_full_from_the_start_is_not_held(tmp_path, monkeypatch):
    with monkeypatch.context() as patched:
        patched.setattr("pathlib.Path.write_text", full)
        with pytest.raises(OSError, match="No space left"):
            FolderLock(tmp_path).take()
    with FolderLock(tmp_path):
        pass


def test_a_drive_without_locks_still_keeps_others_out(tmp_path, monkeypatch):
    """ENOLCK and EOPNOTSUPP: flock(2) and what network file systems answer (common practice, no source)."""
    from filelock import FileLock

    def refuse(self):
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(FileLock, "_acquire", refuse)
    with FolderLock(tmp_path), pytest.raises(FolderInUseError, match="is writing into it"):
        FolderLock(tmp_path).take()
    with FolderLock(tmp_path):
        pass


@POSIX
@pytest.mark.parametrize("umask", [0o000, 0o022])
def test_what_a_run_leaves_is_for_its_owner_alone(tmp_path, writer, film, film_record, umask):
    """Mode 0600 for files and 0700 for folders, POSIX; partial files too."""
    before = os.umask(umask)
    try:
        with owner_only():
            run = writer()
            run.write(film_record(), film)
            modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in (tmp_path / "out").rglob("*")}
            assert len(modes) > 7
            assert all(
                mode == (0o700 if "." not in name[1:] or "overlays" in name else 0o600)
                for name, mode in modes.items()
                if not name.endswith(".png")
            )
            finish(run)
        assert os.umask(umask) == umask
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o700
    for path in (tmp_path / "out").rglob("*"):
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


@pytest.mark.parametrize("where", ["rows", "overlay", "landmarks", "workbook", "run.json", "commit"])
def test_a_full_disk_is_one_sentence_and_the_earlier_run_stays(writer, film, film_record, monkeypatch, where):
    first = writer()
    first.write(film_record("old.dcm"), film)
    run = finish(first)
    whole = {path.name: path.read_bytes() for path in run.iterdir() if path.is_file() and path.name[0] != "."}
    again = writer(overwrite=True)
    if where == "rows":
        monkeypatch.setattr(again._feet, "append", full)
    elif where == "overlay":
        monkeypatch.setattr("pathlib.Path.write_bytes", full)
    elif where == "landmarks":
        monkeypatch.setattr(LandmarksTable, "_flush", full)
    elif where == "workbook":
        monkeypatch.setattr(run_writer, "write_workbook", full)
    elif where == "run.json":
        monkeypatch.setattr(run_writer, "write_json", full)
    else:
        monkeypatch.setattr(run_folder, "_on_disk", full)

    def go_on():
        again.write(film_record("new.dcm"), film)
        finish(again)

    with pytest.raises(RunStoppedError, match=r"out: cannot be written any more \(No space left on device\)"):
        go_on()
    again.close()
    assert not again._folder.replacing
    assert {path.name: path.read_bytes() for path in run.iterdir() if path.name in whole} == whole
    monkeypatch.undo()
    after = writer(overwrite=True)  # the folder is free again
    after.write(film_record("new.dcm"), film)
    finish(after)


def test_a_folder_that_vanished_is_no_finished_run(tmp_path, writer, film_record):
    run = writer()
    run.write(film_record(), None)
    (tmp_path / "out").rename(tmp_path / "moved")
    with pytest.raises(RunStoppedError, match="No such file or directory"):
        finish(run)
    assert not (tmp_path / "out").exists()


def test_earlier_tables_that_were_begun_to_be_replaced_are_said(writer, film_record, monkeypatch):
    first = writer()
    first.write(film_record(), None)
    finish(first)
    again = writer(overwrite=True)
    monkeypatch.setattr(run_folder.os, "replace", full)
    with pytest.raises(RunStoppedError):
        finish(again)
    assert again._folder.replacing

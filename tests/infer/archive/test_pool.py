"""Several processes read: the same bytes of tables, and no film can end, hold or stop a run."""

import contextlib
import csv
import os
import signal
import threading
from pathlib import Path

import pytest

from raysplay.configs.load import shipped
from raysplay.infer import WeightsError, measure_into
from raysplay.infer.archive import reader_process
from raysplay.infer.archive.job import Answer, EngineError, Job, Reading, name_at, place_of
from raysplay.infer.archive.pool import Pool
from raysplay.infer.archive.settings import engine_settings
from raysplay.infer.films.film_identity import Stamp
from raysplay.infer.reason import ReasonKind

from .conftest import tables

READING = Reading(shipped("protocol.yaml"), False)
LOADER = "known_foot:known"


def feet(folder):
    with (folder / "feet.csv").open(encoding="utf-8", newline="") as stream:
        return {row["film"]: row for row in csv.DictReader(stream)}


def short(**seconds):
    """Limits of time that a test can wait for, on a machine that does much else."""
    return engine_settings().model_copy(update=seconds)


def test_the_number_of_workers_changes_no_byte(run, tmp_path):
    run("here")
    for workers in (1, 3):
        run(f"w{workers}", workers=workers)
        assert tables(tmp_path / f"w{workers}") == tables(tmp_path / "here")


def test_pictures_are_the_same_too(run, tmp_path):
    run("here", overlays=True)
    run("pool", overlays=True, workers=2)
    one, other = ({p.name: p.read_bytes() for p in (tmp_path / out / "overlays").iterdir()} for out in ("here", "pool"))
    assert len(one) == 12
    assert one == other


def test_a_reading_process_keeps_its_memory_where_dask_would_give_it_back(known_foot, monkeypatch):
    """``MALLOC_TRIM_THRESHOLD_`` is in the environment that Dask's nanny makes (distributed.yaml of Dask); with it, a
    film costs a quarter of a second more."""
    monkeypatch.setenv("MALLOC_TRIM_THRESHOLD_", "65536")
    with contextlib.closing(Pool(READING, 1, LOADER)) as pool:
        there = Path(f"/proc/{pool.processes[0].child_pid}/environ")
        if not there.exists():
            pytest.skip("no /proc here")
        names = {entry.partition(b"=")[0] for entry in there.read_bytes().split(b"\0")}
    assert b"OMP_NUM_THREADS" in names
    assert b"MALLOC_TRIM_THRESHOLD_" not in names


def test_a_film_that_ends_its_process_is_tried_again_and_then_set_aside(run, films, known_foot, tmp_path):
    known_foot.write_film(films / "kills.png", 300)
    known_foot.write_film(films / "kills-once.png", 301)
    run(workers=2)
    rows = feet(tmp_path / "out")
    assert len(rows) == 15
    assert rows["kills.png"]["reason_kinds"] == "process_died"
    assert (rows["kills.png"]["decision"], rows["kills.png"]["hva"]) == ("refused", "")
    assert rows["kills-once.png"]["hva"] == rows["0/00.png"]["hva"] != ""
    # It stays set aside until somebody asks for it.
    again = run(workers=2)
    assert "15 known, 0 new, 0 changed, 0 gone." in again.notices
    again = run(workers=2, retry=True)
    assert "14 known, 0 new, 0 changed, 0 gone, 1 to be tried again." in again.notices


def test_a_film_over_the_limit_of_time_is_set_aside(films, known_foot):
    """It would take ten minutes."""
    known_foot.write_film(films / "slow.png", 300)
    process = reader_process.ReaderProcess(READING, LOADER, short(film_seconds=10.0))
    try:
        answer = process.read(Job(b"", films / "slow.png", "slow.png"), "")
        assert (answer.trouble, answer.kinds) == (ReasonKind.TIME_LIMIT, ("time_limit",))
        assert len(answer.digest) == 64
        assert answer.seconds < 300
    finally:
        process.close()


def test_a_film_that_grows_while_it_is_read_is_not_measured(run, films, known_foot, tmp_path):
    """Its bytes before and after are not the same: what was read is of neither."""
    known_foot.write_film(films / "grows.png", 300)
    known_foot.write_film(films / "grows-once.png", 301)
    for options in ({"workers": 2}, {}):
        out = f"out{len(options)}"
        run(out, **options)
        rows = feet(tmp_path / out)
        assert rows["grows.png"]["reason_kinds"] == "changed"
        assert rows["grows-once.png"]["hva"] != ""
        (tmp_path / ".grows-once.done").unlink()
    # The next call reads it again, since nobody knows what it holds.
    (films / "grows.png").rename(films / "steady.png")
    run("out0")
    assert feet(tmp_path / "out0")["steady.png"]["hva"] != ""


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes")
def test_a_drive_that_stalls_is_not_waited_for(tmp_path, films, known_foot, monkeypatch):
    """The bytes of a file do not come: a named pipe in its place, which nobody writes into, opened unlooked."""
    hook = tmp_path / "hook"
    hook.mkdir()
    (hook / "stalled_foot.py").write_text(
        "import known_foot, raysplay.infer.films.film_identity as one\n"
        "one.open_regular = lambda path: path.open('rb')\n"
        "known = known_foot.known\n"
    )
    monkeypatch.setenv("PYTHONPATH", f"{hook}{os.pathsep}{os.environ['PYTHONPATH']}")
    os.mkfifo(films / "stalled.png")
    process = reader_process.ReaderProcess(READING, "stalled_foot:known", short(bytes_seconds=2.0))
    try:
        answer = process.read(Job(b"", films / "stalled.png", "stalled.png"), "")
        assert (answer.trouble, answer.digest) == (ReasonKind.BYTES_LATE, "")
        known = process.read(Job(b"", films / "0" / "00.png", "0/00.png"), "")
        assert known.trouble is None
    finally:
        process.close()


def test_networks_that_cannot_be_loaded_end_in_one_sentence(films, tmp_path):
    from raysplay.infer.measuring import networks

    with pytest.raises(EngineError, match=r"none\.safetensors") as raised:
        measure_into(films, tmp_path / "out", workers=1, landmark_weights=tmp_path / "none.safetensors", load=networks)
    assert raised.value.exit_status == WeightsError.exit_status
    assert not (tmp_path / "out").exists()


def test_a_pool_that_is_left_ends_its_processes(films, known_foot):
    pool = Pool(READING, 2, LOADER)
    jobs = iter([Job(bytes([i]), films / f"{i % 2}/{i:02}.png", f"{i % 2}/{i:02}.png") for i in range(8)])
    answers = pool.read(jobs, "")
    next(answers)
    pids = [process.child_pid for process in pool.processes if process.child_pid]
    assert pids
    answers.close()
    assert [process.child_pid for process in pool.processes] == [None, None]
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)
    assert not [one for one in threading.enumerate() if one.name.startswith("reads")]


def test_a_process_that_is_killed_from_outside_is_replaced(films, known_foot):
    """As the system does when memory runs out."""
    process = reader_process.ReaderProcess(READING, LOADER)
    try:
        job = Job(b"", films / "0" / "00.png", "0/00.png")
        first = process.read(job, "")
        os.kill(process.child_pid, signal.SIGKILL)
        again = process.read(job, "")
        assert (again.digest, again.trouble, again.kinds) == (first.digest, None, first.kinds)
    finally:
        process.close()


def test_an_answer_survives_the_way_between_processes():
    answer = Answer(b"\n{}", "review", ("a", "b"), "0" * 64, Stamp(1, 2, 3), (("x.png", b"\n1"), ("y.png", b"")), 0.5)
    assert Answer.of_bytes(answer.to_bytes()) == answer
    for cut in (answer.to_bytes()[:-1], answer.to_bytes() + b"x", b"{}\n", b""):
        with pytest.raises(ValueError, match=r"."):
            Answer.of_bytes(cut)


def test_places_are_in_the_order_of_names_folder_by_folder():
    """As ``collect`` sorts: by parts, so that a folder's films stay together."""
    names = ["a b/1", "a/1", "a/b/2", "a.png", "ä", "a\n", "=1", "\udcff", "z"]
    assert [name_at(place) for place in sorted(map(place_of, names))] == sorted(names, key=lambda name: name.split("/"))

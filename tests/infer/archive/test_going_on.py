"""The same command goes on, skips what is known, and never mixes what does not belong together."""

import csv
import hashlib
import json
import os
import shutil
import sqlite3
from contextlib import closing

import pytest

from raysplay.infer import RunFolderError, measure_into, read_run
from raysplay.infer.archive import reader_key
from raysplay.infer.archive.ledger import Ledger
from raysplay.infer.archive.status import status
from raysplay.infer.films.film_identity import Stamp
from raysplay.infer.outputs import earlier_run
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.outputs.run_files import LEDGER, TABLES
from raysplay.infer.outputs.run_folder import RunFolder
from raysplay.infer.overview import overview
from raysplay.infer.overview.report import report_blocks
from raysplay.infer.report.document import DataTable
from raysplay.infer.shipped_weights import WEIGHTS_DIR

from .conftest import tables


def rows(folder, name="feet.csv"):
    with (folder / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def everything(folder):
    return {name: ((folder / name).read_bytes(), (folder / name).stat().st_mtime_ns) for name in TABLES}


class Counting:
    """Counts the films that are really read."""

    def __init__(self, known_foot):
        self.feet, self.read = known_foot.known(), []

    def __call__(self, threads, weights):
        return self

    @property
    def digests(self):
        return self.feet.digests

    def find(self, film):
        self.read.append(film.path.name)
        return self.feet.find(film)

    def landmarks(self, film, foot):
        return self.feet.landmarks(film, foot)


@pytest.fixture
def counted(known_foot, films, tmp_path):
    def made(**options):
        counting = Counting(known_foot)
        options = {"overlays": False, "person_key": tmp_path / "persons.key"} | options
        run = measure_into(films, tmp_path / "out", load=counting, **options)
        return run, counting.read

    return made


def test_a_finished_run_measured_again_changes_no_byte_and_reads_nothing(counted, tmp_path):
    first, read = counted()
    assert len(read) == 12
    before = everything(tmp_path / "out")
    again, read = counted()
    assert read == []
    assert everything(tmp_path / "out") == before
    assert "13 known, 0 new, 0 changed, 0 gone." in again.notices
    assert (again.report.films, again.report.decisions) == (first.report.films, first.report.decisions)
    for name, numbers in first.values.items():  # the tables round
        assert list(again.values[name]) == pytest.approx(list(numbers), abs=0.051)
    assert again.report.reasons == first.report.reasons


def test_new_changed_and_vanished_films(counted, films, known_foot, tmp_path):
    """A vanished film keeps its numbers and is marked; a changed one is read anew; nothing else is touched."""
    counted()
    before = {row["film"]: row for row in rows(tmp_path / "out")}
    known_foot.write_film(films / "new" / "one.png", 100)
    known_foot.write_film(films / "1" / "01.png", 101)
    (films / "0" / "00.png").unlink()
    run, read = counted()
    assert sorted(read) == ["01.png", "one.png"]
    assert "11 known, 1 new, 1 changed, 1 gone." in run.notices
    after = {row["film"]: row for row in rows(tmp_path / "out")}
    assert after.keys() == before.keys() | {"new/one.png"}
    assert after["0/00.png"] == before["0/00.png"]
    marked = {row["film"] for row in rows(tmp_path / "out", "films.csv") if "gone" in row["remark_kinds"].split("; ")}
    assert marked == {"0/00.png"}
    assert len(read_run(tmp_path / "out")) == 14
    # It comes back: its mark goes, and it is not read again.
    known_foot.write_film(films / "0" / "00.png", 0)
    run, read = counted()
    assert read == []
    assert not any("gone" in row["remark_kinds"] for row in rows(tmp_path / "out", "films.csv"))


def test_a_run_that_was_ended_at_its_last_tables_is_finished_by_the_next_call(counted, tmp_path):
    """Which has no film to read; whoever looks must not be told that it was killed."""

    def end(step):
        if step.stage == "writing":
            raise InterruptedError

    with pytest.raises(InterruptedError):
        counted(progress=end)
    assert not status(tmp_path / "out").finished
    _, read = counted()
    assert read == []
    assert status(tmp_path / "out").finished


def test_what_grew_equals_what_was_measured_at_once(counted, films, known_foot, run, tmp_path):
    moved = tmp_path / "aside"
    shutil.move(films / "1", moved)
    counted()
    shutil.move(moved, films / "1")
    counted()
    run("at_once")
    assert tables(tmp_path / "out") == tables(tmp_path / "at_once")


def test_a_touched_film_is_not_read_again(counted, films, tmp_path):
    counted()
    before = everything(tmp_path / "out")
    os.utime(films / "0" / "00.png", (1, 1))
    run, read = counted()
    assert read == []
    assert "13 known, 0 new, 0 changed, 0 gone." in run.notices
    assert everything(tmp_path / "out") == before


def test_bytes_that_changed_behind_the_stamp_are_found_by_rehash(counted, films, known_foot, tmp_path):
    """A program that sets the time back; size, time and number of the file are as before."""
    path, other = films / "0" / "00.png", tmp_path / "other.png"
    for number, film in ((0, path), (15, other)):
        known_foot.write_film(film, number, compress_level=0)
    counted()
    was = path.stat()
    assert other.stat().st_size == was.st_size
    with path.open("r+b") as stream:
        stream.write(other.read_bytes())
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))
    _, read = counted()
    assert read == []
    run, read = counted(rehash=True)
    assert read == ["00.png"]
    assert "12 known, 0 new, 1 changed, 0 gone." in run.notices


def test_copies_are_read_once_and_listed(counted, films, tmp_path):
    shutil.copy(films / "1" / "03.png", films / "0" / "copy.png")
    _, read = counted()
    assert len(read) == 12
    listed = {row["film"]: row["reasons"] for row in rows(tmp_path / "out") if row["reason_kinds"] == "duplicate"}
    assert listed == {"1/03.png": "duplicate: same file as 0/copy.png"}
    # The copy of a known film that comes later is the copy.
    shutil.copy(films / "1" / "05.png", films / "0" / "a.png")
    _, read = counted()
    assert read == []
    listed = {row["film"]: row["reasons"] for row in rows(tmp_path / "out") if row["reason_kinds"] == "duplicate"}
    assert listed["0/a.png"] == "duplicate: same file as 1/05.png"
    # Its original vanishes: the same bytes are there still, once.
    (films / "1" / "05.png").unlink()
    _, read = counted()
    kept = {row["film"]: row["reason_kinds"] for row in rows(tmp_path / "out")}
    assert "1/05.png" not in kept
    assert "duplicate" not in kept["0/a.png"]
    assert read == []


def test_a_renamed_film_is_not_read_again_and_not_twice_in_the_tables(counted, films, tmp_path):
    counted()
    before = {row["film"]: row for row in rows(tmp_path / "out")}
    (films / "0" / "00.png").rename(films / "0" / "renamed.png")
    _, read = counted()
    assert read == []
    after = {row["film"]: row for row in rows(tmp_path / "out")}
    assert "0/00.png" not in after
    assert after["0/renamed.png"] | {"film": ""} == before["0/00.png"] | {"film": ""}


def test_a_renamed_film_gets_pictures_of_its_new_name(counted, films, tmp_path):
    counted(overlays=True)
    (films / "0" / "00.png").rename(films / "0" / "renamed.png")
    counted(overlays=True)
    listed = {row["overlay"] for row in rows(tmp_path / "out") if row["overlay"]}
    there = {f"overlays/{path.name}" for path in (tmp_path / "out" / "overlays").iterdir()}
    assert listed == there
    assert any("renamed" in name for name in there)
    assert not any("0_00" in name for name in there)


def test_a_picture_that_was_deleted_is_drawn_again(counted, tmp_path):
    counted(overlays=True)
    pictures = sorted((tmp_path / "out" / "overlays").iterdir())
    before = {path.name: path.read_bytes() for path in pictures}
    pictures[3].unlink()
    _, read = counted(overlays=True)
    assert len(read) == 1
    assert {path.name: path.read_bytes() for path in (tmp_path / "out" / "overlays").iterdir()} == before


@pytest.mark.parametrize("part", ["weights", "configuration", "code", "protocol"])
def test_what_was_read_under_another_key_is_refused_by_name(counted, tmp_path, monkeypatch, part):
    counted()
    before = everything(tmp_path / "out")
    changed = {
        "weights": "the weights known",
        "configuration": "the configuration decision.yaml",
        "code": "the code of Raysplay",
        "protocol": "the protocol",
    }[part]
    true_key = reader_key.reader_key
    monkeypatch.setattr(
        "raysplay.infer.archive.in_process.reader_key", lambda *a, **k: {**true_key(*a, **k), changed: "another"}
    )
    with pytest.raises(RunFolderError, match=rf"{changed}.*do not belong into one table.*--overwrite"):
        counted()
    assert everything(tmp_path / "out") == before
    _, read = counted(overwrite=True)
    assert len(read) == 12


def test_the_key_names_versions(tmp_path):
    before = {"torch": "2.12.0", "the code of Raysplay": "a"}
    assert reader_key.differences(before, {**before, "torch": "2.13.0"}) == ["torch (2.12.0 before, 2.13.0 now)"]
    assert reader_key.differences(before, {**before, "the code of Raysplay": "b"}) == ["the code of Raysplay"]
    assert reader_key.differences(before, dict(before)) == []


def test_other_paths_or_pictures_are_refused_where_a_run_is_finished(counted, run, films, tmp_path):
    counted()
    before = everything(tmp_path / "out")
    with pytest.raises(RunFolderError, match=r"an earlier run of other paths.*--overwrite"):
        run(paths=films / "0")
    with pytest.raises(RunFolderError, match=r"an earlier run with other pictures.*--overwrite"):
        run(overlays=True)
    assert everything(tmp_path / "out") == before


def test_tables_that_were_changed_or_deleted_are_written_anew_from_the_ledger(counted, tmp_path):
    counted()
    before = tables(tmp_path / "out")
    (tmp_path / "out" / "feet.csv").write_text("x")
    (tmp_path / "out" / "landmarks.parquet").unlink()
    _, read = counted()
    assert read == []
    assert tables(tmp_path / "out") == before


def test_a_ledger_of_another_version_is_refused(counted, tmp_path):
    counted()
    with sqlite3.connect(tmp_path / "out" / LEDGER) as opened:
        opened.execute("UPDATE ledger_about SET value = '\"99\"' WHERE name = 'layout'")
    opened.close()
    before = everything(tmp_path / "out")
    with pytest.raises(RunFolderError, match=r"another version of Raysplay \(layout 99, not 1\).*--overwrite"):
        counted()
    assert everything(tmp_path / "out") == before


@pytest.mark.parametrize("damaged", [b"no database at all", b"SQLite format 3\0" + b"\xff" * 4000])
def test_a_damaged_ledger_is_refused_and_left_alone(counted, tmp_path, damaged):
    counted()
    (tmp_path / "out" / LEDGER).write_bytes(damaged)
    with pytest.raises(RunFolderError, match="ledger"):
        counted()
    assert (tmp_path / "out" / LEDGER).read_bytes() == damaged


def test_codes_of_persons_go_on_with_the_key_and_not_without(counted, films, known_foot, tmp_path):
    """A person whose second film comes later must not become two persons."""
    counted()
    key = tmp_path / "persons.key"
    assert oct(key.stat().st_mode & 0o777) == "0o600"
    known_foot.write_film(films / "0" / "later.png", 200)
    kept = key.read_text()
    key.unlink()
    with pytest.raises(RunFolderError, match="the key by which this run codes persons is not there"):
        counted()
    key.write_text("0" * 64)
    with pytest.raises(RunFolderError, match="is not the key that this run began with"):
        counted()
    key.write_text(kept)
    _, read = counted()
    assert read == ["later.png"]
    with pytest.raises(RunFolderError, match="must not lie in the folder of the run"):
        counted(person_key=tmp_path / "out" / "persons.key", overwrite=True)


def test_the_folder_of_a_run_holds_no_key(counted, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    counted(person_key=None)
    (key,) = (tmp_path / "state" / "raysplay" / "keys").iterdir()
    digits = key.read_text().strip().encode()
    assert len(digits) == 64
    for path in (tmp_path / "out").rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert digits not in content
            assert bytes.fromhex(digits.decode()) not in content


def test_a_film_that_cannot_be_read_is_tried_again_and_changes_nothing_while_it_cannot(counted, films, tmp_path):
    (films / "lost.png").symlink_to(films / "nowhere.png")
    counted()
    before = everything(tmp_path / "out")
    run, read = counted()
    assert "13 known, 0 new, 0 changed, 0 gone, 1 to be tried again." in run.notices
    assert read == []
    assert everything(tmp_path / "out") == before
    shutil.copy(films / "0" / "00.png", films / "nowhere.png")
    (films / "lost.png").unlink()
    (films / "nowhere.png").rename(films / "lost.png")
    with (films / "lost.png").open("ab") as stream:
        stream.write(b"\0")
    _, read = counted()
    assert read == ["lost.png"]


def test_run_json_holds_the_counts_of_the_tables(counted, films, tmp_path):
    shutil.copy(films / "1" / "03.png", films / "0" / "copy.png")
    counted()
    about = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    feet = rows(tmp_path / "out")
    assert about["counts"]["films"] == len(rows(tmp_path / "out", "films.csv")) == 14
    for name, count in about["counts"]["rows_by_decision"].items():
        assert count == sum(row["decision"] == name for row in feet)
    assert about["counts"]["rows_by_reason"]["duplicate"] == 1


@pytest.mark.parametrize("name", ["side_letters.safetensors", "characters.safetensors", "beam_angle.safetensors"])
def test_other_weights_of_side_letters_or_of_the_beam_are_noticed(counted, tmp_path, name):
    """A letter can decide whose numbers a foot has, the beam whether two films compare; both read for every reader."""
    counted()
    out = tmp_path / "out"
    shipped = hashlib.sha256((WEIGHTS_DIR / name).read_bytes()).hexdigest()
    tables_of_report = [block for block in report_blocks(overview(out)) if isinstance(block, DataTable)]
    assert any((f"weights {name}", shipped) in block.rows for block in tables_of_report)
    assert FinishedRun(out).changes() == []
    before = shutil.copytree(out, tmp_path / "before")
    about = json.loads((before / "run.json").read_text(encoding="utf-8"))
    about["digests"]["weights"][name] = "ab" * 32
    (before / "run.json").write_text(json.dumps(about), encoding="utf-8")
    (said,) = FinishedRun(before).changes()
    assert name in said
    for folder in (before, out):
        (folder / LEDGER).unlink()
    assert overview(out, against=before).drift.read_otherwise == (f"the weights {name}",)


def test_work_for_one_film_does_not_grow_with_the_archive(tmp_path):
    """Films of one device have one size, so that each is looked for by its bytes; SQLite's own count of its steps."""
    steps = {}
    with closing(Ledger(tmp_path)) as ledger:
        for number in range(2000):
            ledger.keep(b"%06d" % number, str(number), Stamp(9, 9, number), f"{number:064}", b"", "accepted", ())
            if number not in (100, 1999):
                continue
            unseen = f"{number}".rjust(64, "f")
            with closing(ledger._engine.raw_connection()) as held:
                counted = []
                held.driver_connection.set_progress_handler(lambda counted=counted: counted.append(1), 1)
            assert ledger.original(unseen, b"new") is None
            assert ledger.original(f"{number:064}", b"new") == b"%06d" % number
            assert ledger.result_of(unseen) is None
            ledger.said_of(b"new")
            ledger.keep(b"new", "new", Stamp(9, 9, 0), unseen, b"", "accepted", ())
            with closing(ledger._engine.raw_connection()) as held:
                held.driver_connection.set_progress_handler(None, 1)
            steps[number] = len(counted)
            ledger.drop([b"new"])
    assert 0 < steps[1999] < 1.5 * steps[100]


def test_taking_a_folder_does_not_list_its_pictures(counted, tmp_path, monkeypatch):
    """There may be hundreds of thousands, and what matters is whether a run wrote the tables."""
    counted()

    def listed(folder, end):
        raise AssertionError("listed")

    monkeypatch.setattr(earlier_run, "_overlays", listed)
    RunFolder(tmp_path / "out", overwrite=True)
    with pytest.raises(RunFolderError, match="holds an earlier run"):
        RunFolder(tmp_path / "out")

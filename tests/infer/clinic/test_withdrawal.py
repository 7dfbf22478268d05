"""A film that was dropped by mistake goes whole: another person's, a private picture.

The harm: somebody's film, name or numbers stay in a folder after the page said that they are gone; or a film is gone by
half; or what people settled of other films goes with it. So every file of the desk is searched for every trace, free
pages of databases included, and the program is killed at many moments. That deleted rows stay in a database's free
pages unless the file is written anew: sqlite.org, "VACUUM" and pragma secure_delete.
"""

import hashlib
import io
import os
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from pathlib import Path

import pyarrow.parquet as pq
import pydicom
import pytest

from raysplay.infer.clinic.clinic import Clinic
from raysplay.infer.clinic.desk_folder import DeskFolder
from raysplay.infer.clinic.records import Records
from raysplay.infer.review.store import Key, ReadStore, StoreError, Subject

from .conftest import drop_and_wait
from .desk_calls import confirm_all, person

GIVEN = "Quillon Osgood private.dcm"
NOTE = "told by the mate of the tender"
PATIENT = "TENDER-4711"
ROUNDS = int(os.environ.get("RAYSPLAY_KILL_ROUNDS", "4"))


def withdraw(client, number, why="private", **sent):
    papers = client.get(f"/api/clinic/films/{number}/papers").json()
    body = {"why": why, "papers": [one["id"] for one in papers], **sent}
    return client.post(f"/api/clinic/films/{number}/withdrawal", json=body)


def say(client, number, version=0, **said):
    answer = client.post(f"/api/clinic/films/{number}/statements", json={"version": version, **said})
    assert answer.status_code == 200, answer.text


def states(client):
    return {foot["film"]: foot["state"] for foot in client.get("/api/feet").json()["feet"]}


def write(client, called, kind="report", **sent):
    ground = person(client, called).json()["ground"]
    body = {"kind": kind, "confirm": True, "ground": ground, **sent}
    answer = client.post("/api/clinic/documents", params={"called": called}, json=body)
    assert answer.status_code == 200, answer.text
    return answer.json()["document"]


def holds(path, needles):
    """Needles that a file holds, as it is and, of packed tables, unpacked."""
    contents = [path.name.encode(), path.read_bytes()]
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            contents += [book.read(name) for name in book.namelist()]
    if path.suffix == ".parquet":
        contents.append(repr(pq.read_table(path).to_pylist()).encode())
    return {name for name, needle in needles.items() if any(needle in content for content in contents)}


def left_in(folder, needles):
    """What is found where."""
    found = {}
    for path in folder.rglob("*"):
        if path.is_file() and (there := holds(path, needles)):
            found[path.relative_to(folder).as_posix()] = there
    return found


def traces(folder, content, name):
    """All by which a film could be known: of its file, of what was read of it, of its pictures."""
    film = pydicom.dcmread(io.BytesIO(content))
    run = folder / "run"
    with sqlite3.connect(run / "ledger.sqlite") as ledger:
        ((kept, pictures),) = ledger.execute(
            "SELECT r.content, r.pictures FROM ledger_results r JOIN ledger_films f USING (digest) WHERE f.name = ?",
            (name,),
        ).fetchall()
    drawn = [(run / "overlays" / picture).read_bytes() for picture in pictures.splitlines()]
    assert drawn
    middle = len(film.PixelData) // 2
    with sqlite3.connect(run / "review.sqlite") as reads:
        grounds = "SELECT DISTINCT ground FROM grounds JOIN history USING (run, item) WHERE film {} ?"
        ((ground,),) = reads.execute(grounds.format("="), (name,)).fetchall()
        others = [text for (text,) in reads.execute(grounds.format("<>"), (name,))]
        windows = (ground[at : at + 40] for at in range(0, len(ground), 20))
        read = next(window for window in windows if not any(window in text for text in others))
    return {
        "name of the user's file": GIVEN.encode(),
        "a word of it": b"Osgood",
        "name of its file": name.encode(),
        "name of the person": b"Invented^Person2",
        "identifier of the person": PATIENT.encode(),
        "identifier of the picture": str(film.SOPInstanceUID).encode(),
        "digest": hashlib.sha256(content).hexdigest().encode(),
        "digest, raw": hashlib.sha256(content).digest(),
        "pixels": film.PixelData[middle : middle + 400],
        "result": kept[40:120],
        "read": read.encode(),
        "statement": NOTE.encode(),
        **{f"picture {i}": one[len(one) // 2 : len(one) // 2 + 80] for i, one in enumerate(drawn)},
    }


def private(standin):
    """The film that must go: with names of its own."""
    film = pydicom.dcmread(io.BytesIO(standin.dicom(24, 12, seed=2, patient=PATIENT, day="20260601")))
    film.PatientName = "Invented^Person2"
    film.SOPInstanceUID = film.file_meta.MediaStorageSOPInstanceUID = "2.25.90210471190210"
    rows = bytearray(film.PixelData)
    middle = len(rows) // 2
    rows[middle : middle + 400] = bytes((17 * i * i + i) % 9 for i in range(400))  # like no other film's
    film.PixelData = bytes(rows)
    stream = io.BytesIO()
    film.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


def fill(served, standin):
    """Three films of two persons, all settled; the second one must go."""
    client = served.client()
    drop_and_wait(client, {"keeper.dcm": standin.dicom(30, 15, seed=1), GIVEN: private(standin)})
    # A second run: reads are carried over.
    drop_and_wait(client, {"later.dcm": standin.dicom(28, 14, seed=3, day="20260901")})
    say(client, 2, note=NOTE, person="P-66")
    say(client, 1, person="P-07")
    confirm_all(client)
    return client


@pytest.fixture
def at_once(serve, standin):
    """The desk as it stands after that, with whatever it holds open of the runs before."""
    served = serve()
    return served, fill(served, standin), private(standin)


@pytest.fixture(scope="module")
def filled(made_once):
    return made_once(fill)


@pytest.fixture
def full(serve_copy, filled, standin):
    """A later start of it."""
    served = serve_copy(filled)
    return served, served.client(), private(standin)


def test_nothing_of_it_is_left_in_any_file(at_once):
    served, client, content = at_once
    folder = served.clinic.folder.path
    before = (folder / "run" / "feet.csv").read_text().splitlines()
    needles = traces(folder, content, "film-00002.dcm")
    assert {name for found in left_in(folder, needles).values() for name in found} >= set(needles) - {"digest, raw"}
    answer = withdraw(client, 2, "wrong_person")
    assert answer.status_code == 200, answer.text
    (line,) = answer.json()
    assert {name: line[name] for name in ("number", "by", "why", "papers")} == {
        "number": 2, "by": "AB", "why": "wrong_person", "papers": [],
    }  # fmt: skip
    assert left_in(folder, needles | {"code": b"P-66"}) == {}
    # Other films are as they were, to the last sign, and what people settled of them stands.
    after = (folder / "run" / "feet.csv").read_text().splitlines()
    assert after == [row for row in before if "film-00002" not in row]
    assert states(client) == {"film-00001.dcm": "confirmed", "film-00003.dcm": "confirmed"}
    assert [one["called"] for one in client.get("/api/clinic/persons").json()] == ["P-07"]
    assert client.get("/api/clinic/films/2").status_code == 404
    assert client.get("/api/clinic").json()["films"] == 2
    served.stop()
    assert left_in(folder, needles) == {}


def test_dropped_again_it_is_new_and_nothing_comes_back(at_once, dropped, standin):
    served, client, content = at_once
    assert withdraw(client, 2).status_code == 200
    (again,) = dropped(client, {"again.dcm": content})
    assert (again["film"], again["known"]) == (4, False)
    film = client.get("/api/clinic/films/4").json()
    assert film["stated"]["version"] == 0
    assert film["person"] != "P-66"
    assert [foot["state"] for foot in film["feet"]] == ["open"]
    read = client.get(f"/api/feet/{film['feet'][0]['id']}").json()
    assert (read["version"], read["history"]) == (0, [])
    assert states(client)["film-00001.dcm"] == "confirmed"
    served.stop()


def test_a_later_start_and_a_next_batch_find_no_trace(at_once, serve, dropped, standin):
    served, client, content = at_once
    needles = traces(served.clinic.folder.path, content, "film-00002.dcm")
    assert withdraw(client, 2).status_code == 200
    served.stop()
    later = serve()
    client = later.client("CD")
    assert client.get("/api/clinic").json()["measuring"]["stage"] == "idle", "nothing is read again"
    dropped(client, {"next.dcm": standin.dicom(26, 13, seed=9)})
    assert left_in(later.clinic.folder.path, needles) == {}
    assert set(states(client)) == {"film-00001.dcm", "film-00003.dcm", "film-00004.dcm"}
    (line,) = client.get("/api/clinic/withdrawn").json()
    assert (line["number"], line["by"], line["why"]) == (2, "AB", "private")


def test_it_is_refused_while_a_foot_is_open_and_nothing_is_changed(full):
    served, client, _ = full
    other = served.client("CD")
    foot = next(one["id"] for one in client.get("/api/feet").json()["feet"] if one["film"] == "film-00002.dcm")
    assert other.post(f"/api/feet/{foot}/claim").status_code == 200
    refused = withdraw(client, 2)
    assert refused.status_code == 422
    assert "foot open" in refused.json()["error"]
    assert client.get("/api/clinic/films/2").json()["stated"]["note"] == NOTE
    assert states(client)["film-00002.dcm"] == "confirmed"
    assert client.get("/api/clinic/withdrawn").json() == []
    other.delete(f"/api/feet/{foot}/claim")
    assert withdraw(client, 2).status_code == 200


def test_it_is_refused_while_films_are_measured(at_once, standin, until, tmp_path):
    _, client, _ = at_once
    (tmp_path / "desk" / "slow").write_text("1.0")
    sent = client.post("/api/clinic/films", content=standin.dicom(seed=8), headers={"X-Film-Name": "8.dcm"})
    assert sent.status_code == 201
    until(lambda: client.get("/api/clinic").json()["measuring"]["stage"] == "measuring")
    refused = withdraw(client, 2)
    assert refused.status_code == 422
    assert "being measured" in refused.json()["error"]
    until(lambda: client.get("/api/clinic").json()["measuring"]["stage"] == "idle")
    assert states(client)["film-00002.dcm"] == "confirmed"
    assert withdraw(client, 2).status_code == 200


def test_papers_that_used_it_are_out_of_date_and_are_deleted_only_when_asked(full):
    served, client, _ = full
    say(client, 2, 1, note=NOTE, person="P-66")
    letter = write(client, "P-66", "letter", fields={"pain": "at the capstan"})
    report = write(client, "P-66")
    other = write(client, "P-07")
    papers = served.clinic.folder.documents
    assert [one["id"] for one in client.get("/api/clinic/films/2/papers").json()] == [report["id"], letter["id"]]

    stale = client.post("/api/clinic/films/2/withdrawal", json={"why": "private", "papers": [report["id"]]})
    assert stale.status_code == 422, "papers that the page has not shown are not decided on"
    (line,) = withdraw(client, 2).json()
    assert person(client, "P-66").status_code == 404
    assert [(one["id"], one["stale"], one["withdrawn"]) for one in line["papers"]] == [
        (report["id"], True, True), (letter["id"], True, True),
    ]  # fmt: skip
    assert (papers / f"{letter['name']}.pdf").exists(), "handed out, it is a record: nobody asked to delete it"
    assert client.get(letter["page"]).status_code == 404, "an address that was handed out before is no longer good"
    assert [one["stale"] for one in person(client, "P-07").json()["documents"]] == [False]

    assert client.post(f"/api/clinic/documents/{other['id']}/deletion").status_code == 422
    (line,) = client.post(f"/api/clinic/documents/{letter['id']}/deletion").json()
    gone = next(one for one in line["papers"] if one["id"] == letter["id"])
    assert (gone["page"], gone["pdf"], gone["deleted_by"], gone["confirmed"]) == (None, None, "AB", True)
    assert not list(papers.glob(f"{letter['name']}.*"))
    assert left_in(served.clinic.folder.path, {"field": b"at the capstan"}) == {}
    assert (papers / f"{report['name']}.html").exists()


def test_papers_go_with_it_where_that_was_asked(full):
    served, client, content = full
    needles = traces(served.clinic.folder.path, content, "film-00002.dcm")
    say(client, 2, 1, note=NOTE, person="P-66")
    written = write(client, "P-66", fields={"remarks": "she climbed the tower"})
    (line,) = withdraw(client, 2, delete_papers=True).json()
    (paper,) = line["papers"]
    assert (paper["id"], paper["page"], paper["deleted_by"]) == (written["id"], None, "AB")
    assert left_in(served.clinic.folder.path, needles | {"field": b"climbed the tower"}) == {}


def test_a_paper_under_an_earlier_code_is_found_too(full):
    _, client, _ = full
    paper = write(client, "P-66")
    say(client, 2, 1, person="P-67")
    assert [one["id"] for one in client.get("/api/clinic/films/2/papers").json()] == [paper["id"]]
    (line,) = withdraw(client, 2).json()
    assert [one["id"] for one in line["papers"]] == [paper["id"]]


def test_the_last_film_leaves_an_empty_desk_that_takes_films(serve, dropped, standin):
    served = serve()
    client = served.client()
    dropped(client, {"one.dcm": standin.dicom(seed=1)})
    confirm_all(client)
    assert withdraw(client, 1, "mistake").status_code == 200
    state = client.get("/api/clinic").json()
    assert (state["films"], state["withdrawn"], state["measured"], state["trouble"]) == (0, 1, "", "")
    assert left_in(served.clinic.folder.path, {"name": b"film-00001", "patient": b"SKERRY-7"}) == {}
    (taken,) = dropped(client, {"one.dcm": standin.dicom(seed=1)})
    assert taken["film"] == 2
    assert states(client) == {"film-00002.dcm": "open"}


def test_a_film_that_could_not_be_measured_goes_too(serve, standin, until, tmp_path):
    import signal

    served = serve()
    client = served.client()
    (tmp_path / "desk" / "slow").write_text("30")
    client.post("/api/clinic/films", content=standin.dicom(seed=1), headers={"X-Film-Name": "Osgood.dcm"})
    until(lambda: client.get("/api/clinic").json()["measuring"]["stage"] == "measuring")
    os.kill(served.clinic.measuring._process.pid, signal.SIGKILL)
    until(lambda: client.get("/api/clinic").json()["measuring"]["stage"] == "failed")
    assert withdraw(client, 1).status_code == 200
    assert left_in(tmp_path / "desk", {"name": b"Osgood", "film": b"film-00001", "patient": b"SKERRY-7"}) == {}


def test_out_of_a_run_of_another_version_it_goes_with_the_run_and_reads_stand(full, until):
    """The film must go whatever wrote the run; the other films are read again."""
    served, client, content = full
    folder = served.clinic.folder.path
    needles = traces(folder, content, "film-00002.dcm")
    about = folder / "run" / "run.json"
    about.write_text(about.read_text().replace('"format": ', '"format": 9'))
    assert withdraw(client, 2).status_code == 200

    def again():
        state = client.get("/api/clinic").json()
        return state["measuring"]["stage"] == "idle" and not state["waiting"]

    until(again)
    assert left_in(folder, needles) == {}
    assert states(client) == {"film-00001.dcm": "confirmed", "film-00003.dcm": "confirmed"}


def test_whoever_had_the_reads_open_before_saves_nothing_into_them_any_more(at_once):
    """An answer that is under way must not bring back a read of the film."""
    served, client, content = at_once
    run = served.clinic.desk.run
    with sqlite3.connect(run.folder / "review.sqlite") as raw:
        assert raw.execute("SELECT count(*) FROM history WHERE film = 'film-00002.dcm'").fetchone()[0]
    under_way = ReadStore.beside(run.folder, run.identity)
    assert withdraw(client, 2).status_code == 200
    subject = Subject("film-00002.dcm", hashlib.sha256(content).hexdigest(), 0)
    with pytest.raises(StoreError, match="not the store"):
        under_way.save(Key(2), 1, "AB", "confirm", subject, {}, {})
    under_way.close()
    with sqlite3.connect(run.folder / "review.sqlite") as raw:
        assert raw.execute("SELECT count(*) FROM history WHERE film = 'film-00002.dcm'").fetchone() == (0,)
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):  # the guards are back
            raw.execute("DELETE FROM history")


def test_a_paper_that_is_being_written_is_not_missed(full):
    """From what a paper reads of its films until it is noted that it stands on them, none of them goes."""
    import threading

    served, _, _ = full
    with served.clinic.papers:
        asked = threading.Thread(target=lambda: withdraw(served.client("CD"), 2))
        asked.start()
        asked.join(1.0)
        assert asked.is_alive()
        assert served.clinic.records.film(2) is not None
    asked.join(60)
    assert served.clinic.records.film(2) is None


def test_the_disk_refuses_and_the_next_start_goes_on(full, serve, monkeypatch):
    served, client, content = full
    needles = traces(served.clinic.folder.path, content, "film-00002.dcm")
    real = Path.unlink

    def refuses(path, *args, **options):
        if path.name == "film-00002.dcm":
            raise PermissionError(13, "Permission denied")
        real(path, *args, **options)

    monkeypatch.setattr(Path, "unlink", refuses)
    told = withdraw(client, 2)
    assert told.status_code == 507
    assert "not all of it" in told.json()["error"]
    state = client.get("/api/clinic").json()
    assert "not all of it" in state["trouble"]
    assert state["measured"] == "", "a run is not shown that still holds it"
    assert client.get("/api/clinic/films/2").status_code == 404
    monkeypatch.undo()
    served.stop()
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))
    clinic = Clinic(served.clinic.folder, loader="standin:known")
    assert left_in(clinic.folder.path, needles) == {}
    assert clinic.trouble == ""
    assert len(clinic.desk.run) == 2
    clinic.close()


def test_a_desk_of_the_earlier_version_is_taken_on(tmp_path):
    """Its papers do not say on which films they stand: those of the film's persons since it came count."""
    path = tmp_path / "desk.sqlite"
    records = Records(path)
    film = records.add_film("a" * 64, "one.dcm", 3, ".dcm", "AB")
    records.state(film.number, 0, "AB", {"person": "P-07"})
    records.close()
    with sqlite3.connect(path) as raw:
        triggers = [name for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
        for name in triggers:
            raw.execute(f"DROP TRIGGER {name}")
        for table in ("used", "withdrawn", "deleted"):
            raw.execute(f"DROP TABLE {table}")
        for person, at in (("P-07", "2020-01-01"), ("P-07", "2099-01-01"), ("P-08", "2099-01-01")):
            raw.execute(
                "INSERT INTO documents (person, kind, language, at, by, confirmed, ground, fields, name) "
                "VALUES (?, 'report', 'en', ?, 'AB', 1, '', '{}', ?)",
                (person, at, person + at),
            )
        raw.execute("PRAGMA user_version = 1")
    from raysplay.infer.clinic.withdrawal import papers_of

    records = Records(path)
    assert [(one.person, one.at) for one in papers_of(film, records, "")] == [("P-07", "2099-01-01")]
    with sqlite3.connect(path) as raw, pytest.raises(sqlite3.IntegrityError, match="kept"):
        raw.execute("DELETE FROM films")
    records.withdraw(film, "AB", "mistake", [], [])
    assert records.films() == []
    records.close()


class TestKilled:
    """The program ends without warning, at one touch of a file or database after the other."""

    @pytest.fixture
    def prepared(self, full, tmp_path):
        served, client, content = full
        needles = traces(served.clinic.folder.path, content, "film-00002.dcm")
        write(client, "P-66")
        served.stop()
        kept = tmp_path / "kept"
        shutil.copytree(served.clinic.folder.path, kept)
        return served.clinic.folder.path, kept, needles

    def run(self, desk, kept, end):
        shutil.rmtree(desk)
        shutil.copytree(kept, desk)
        here = Path(__file__).parent
        return subprocess.run(
            [sys.executable, str(here / "withdraw_until.py"), str(desk), "2", str(end)],
            # Bytecode that the first run alone writes would be counted among its touches.
            env={**os.environ, "PYTHONPATH": str(here), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            text=True,
            check=False,
        )

    def test_it_is_either_whole_or_gone_and_the_next_start_finishes(self, prepared, until, capfd):
        desk, kept, needles = prepared
        whole = self.run(desk, kept, 0)
        assert whole.returncode == 0, whole.stderr
        touches = int(whole.stdout.split()[-1])
        assert left_in(desk, needles) == {}
        ends = sorted({max(1, round((i + 1) * touches / (ROUNDS + 1))) for i in range(ROUNDS)} | {1, touches})
        outcomes = []
        for end in ends:
            assert self.run(desk, kept, end).returncode == 9
            clinic = Clinic(DeskFolder(desk), loader="standin:known")
            try:
                until(lambda: clinic.measuring.how_far.stage == "idle" and not clinic.waiting())  # noqa: B023
                clinic.desk.progress("")  # takes over reads
                names = {clinic.desk.run.film(i).name for i in range(clinic.desk.run.film_count)}
                reads = {clinic.desk.worklist.row(i)["state"] for i in range(len(names))}
                assert reads == {"confirmed"}, end
                there = clinic.records.film(2) is not None
                assert ("film-00002.dcm" in names) is there, end
                assert (desk / "films" / "film-00002.dcm").exists() is there
                if not there:
                    assert left_in(desk, needles) == {}, end
                    assert not list((desk / "documents").iterdir())
                else:
                    assert len(list((desk / "documents").iterdir())) == 2
                outcomes.append(there)
            finally:
                clinic.close()
        with capfd.disabled():
            print(
                f" {len(ends)} ends among {touches} touches, whole {sum(outcomes)}, gone {outcomes.count(False)}",
                end="",
            )
        assert set(outcomes) == {True, False}
        assert outcomes == sorted(outcomes, reverse=True)

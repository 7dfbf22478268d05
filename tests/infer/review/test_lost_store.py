"""The store's file taken away, replaced or spoilt under a running review: no read is acknowledged that is not kept.

Sources: sqlite.org, "How To Corrupt An SQLite Database File" (2.4, a file renamed or unlinked while in use), "Result
and Error Codes"; RFC 9110, 15.6.4 (503). The rule is the project's: acknowledged means found again by whoever opens
the store next.
"""

import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import time

import pytest

from raysplay.infer.outputs.run_files import STORE
from raysplay.infer.review.store import ClaimedError, Key, ReadStore, StoreError, Subject

pytestmark = pytest.mark.usefixtures("no_films_ahead")

RUN = "a" * 64
FOOT = Subject("harbour/a.dcm", "0" * 64, 0)


def save(store, item=1, version=0, reader="AB", **after):
    return store.save(Key(item), version, reader, "correct", FOOT, {"state": "open"}, {"state": "corrected", **after})


def kept(folder, name=STORE):
    """Reads as another program finds them."""
    with sqlite3.connect(f"file:{folder / name}?mode=ro", uri=True) as raw:
        return [row[0] for row in raw.execute("SELECT item FROM history ORDER BY id")]


@pytest.fixture
def store(tmp_path):
    with_store = ReadStore.beside(tmp_path, RUN)
    save(with_store, 1)
    save(with_store, 2)
    yield with_store
    with_store.close()


def test_a_file_moved_away_is_missed_and_known_again(store, tmp_path):
    (tmp_path / STORE).rename(tmp_path / "aside")
    with pytest.raises(StoreError, match=r"gone .* Put the file back"):
        save(store, 3)
    assert not (tmp_path / STORE).exists(), "no empty store begins in its place"
    (tmp_path / "aside").rename(tmp_path / STORE)
    save(store, 3)
    assert kept(tmp_path) == [1, 2, 3]


def test_a_deleted_file_is_written_back_with_all_reads(store, tmp_path, caplog):
    (tmp_path / STORE).unlink()
    save(store, 3)
    assert kept(tmp_path) == [1, 2, 3]
    assert "written again" in caplog.text
    assert stat.S_IMODE((tmp_path / STORE).stat().st_mode) == 0o600
    (tmp_path / STORE).unlink()
    assert [entry.version for entry in store.history(Key(3))] == [1]
    assert sorted(path.name for path in tmp_path.iterdir()) == [STORE]


def test_a_deleted_folder_is_one_sentence_until_it_is_back(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir()
    store = ReadStore.beside(folder, RUN)
    save(store, 1)
    shutil.rmtree(folder)
    with pytest.raises(StoreError, match="gone"):
        save(store, 2)
    folder.mkdir()
    save(store, 2)
    store.close()
    assert kept(folder) == [1, 2]


def test_an_older_copy_is_not_taken_for_the_store(store, tmp_path):
    """A backup put back while the review runs: two reads were acknowledged that it lacks."""
    shutil.copy(tmp_path / STORE, tmp_path / "backup")
    save(store, 3)
    newest = (tmp_path / STORE).read_bytes()
    os.replace(tmp_path / "backup", tmp_path / STORE)
    for use in (lambda: save(store, 4), lambda: store.state(Key(1)), lambda: store.claim(Key(4), "AB", 60)):
        with pytest.raises(StoreError, match=r"older copy .* newest file back"):
            use()
    assert kept(tmp_path) == [1, 2], "it is left as it is"
    (tmp_path / STORE).write_bytes(newest)
    save(store, 4)
    assert kept(tmp_path) == [1, 2, 3, 4]


def test_nor_is_one_that_was_written_over_it(store, tmp_path):
    """``cp backup review.sqlite``: the same file by its number, other content."""
    older = (tmp_path / STORE).read_bytes()
    save(store, 3)
    (tmp_path / STORE).write_bytes(older)
    with pytest.raises(StoreError, match="older copy"):
        save(store, 4)


def test_nor_is_one_in_which_somebody_else_read_on(store, tmp_path):
    """An older copy with as many entries, one of another reader: numbers alone would not tell."""
    shutil.copy(tmp_path / STORE, tmp_path / "backup")
    save(store, 3)
    os.replace(tmp_path / "backup", tmp_path / STORE)
    other = ReadStore.beside(tmp_path, RUN)
    save(other, 7, reader="CD")
    save(other, 8, reader="CD")
    other.close()
    with pytest.raises(StoreError, match="older copy"):
        save(store, 4)


def test_a_copy_that_lacks_nothing_is_the_store(store, tmp_path):
    shutil.copy(tmp_path / STORE, tmp_path / "copy")
    os.replace(tmp_path / "copy", tmp_path / STORE)
    save(store, 3)
    assert kept(tmp_path) == [1, 2, 3]


@pytest.mark.parametrize("content", ["empty", "other run", "other database", "folder", "fifo"])
def test_another_store_in_its_place_is_noticed(store, tmp_path, content):
    path = tmp_path / STORE
    path.rename(tmp_path / "aside")
    if content == "empty":
        path.touch()
    elif content == "other run":
        ReadStore.beside(tmp_path, "b" * 64).close()
    elif content == "other database":
        sqlite3.connect(path).execute("CREATE TABLE shells (name)")
    elif content == "folder":
        path.mkdir()
    else:
        os.mkfifo(path)
    with pytest.raises(StoreError, match="Nothing typed is lost"):
        save(store, 3)
    if content in ("empty", "other run", "other database"):
        with pytest.raises(StoreError, match="not the store that this review began with"):
            save(store, 3)
    path.rmdir() if content == "folder" else path.unlink()
    (tmp_path / "aside").rename(path)
    save(store, 3)
    assert kept(tmp_path) == [1, 2, 3]


@pytest.mark.parametrize("size", [0, 100, 4096, -4096])
def test_a_file_cut_off_under_the_review_acknowledges_nothing(store, tmp_path, size):
    path = tmp_path / STORE
    whole = path.read_bytes()
    os.truncate(path, size if size >= 0 else len(whole) + size)
    for use in (lambda: save(store, 3), lambda: store.state(Key(1))):
        with pytest.raises(StoreError, match="Nothing typed is lost"):
            use()
    path.write_bytes(whole)
    save(store, 3)
    assert kept(tmp_path) == [1, 2, 3]


def test_a_read_that_went_with_the_file_is_not_acknowledged(store, tmp_path, monkeypatch):
    """The file is replaced in the very moment of the commit."""
    path = tmp_path / STORE
    shutil.copy(path, tmp_path / "backup")
    acknowledge = ReadStore._acknowledge

    def replaced(self, mark):
        os.replace(tmp_path / "backup", path)
        acknowledge(self, mark)

    monkeypatch.setattr(ReadStore, "_acknowledge", replaced)
    with pytest.raises(StoreError, match="not found again"):
        save(store, 3)
    assert kept(tmp_path) == [1, 2]


def test_a_log_of_an_older_program_is_taken_in(tmp_path):
    """Stores were kept with a write-ahead log before: what lies in it is in the one file from now on."""
    store = ReadStore.beside(tmp_path, RUN)
    save(store, 1)
    store.close()
    path = tmp_path / STORE
    code = (
        "import os, sqlite3, sys; raw = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "raw.execute('PRAGMA journal_mode=WAL');"
        'raw.execute("INSERT INTO history SELECT 2, run, study, lane, 2, version, at, reader, film, film_sha256, '
        'foot_index, verdict, request, before, after FROM history");'
        "os._exit(0)"
    )
    subprocess.run([sys.executable, "-c", code, path], check=True)
    assert (tmp_path / f"{STORE}-wal").stat().st_size > 0
    store = ReadStore.beside(tmp_path, RUN)
    save(store, 3)
    store.close()
    assert [file.name for file in tmp_path.iterdir()] == [STORE]
    assert kept(tmp_path) == [1, 2, 3]


def test_a_copy_made_while_the_review_runs_is_whole(store, tmp_path):
    """What the guide tells users to do: copy the one file, between two saves."""
    for item in range(3, 30):
        save(store, item, filler="x" * 3000)
        (tmp_path / "copies").mkdir(exist_ok=True)
        shutil.copy(tmp_path / STORE, tmp_path / "copies" / STORE)
        assert len(kept(tmp_path / "copies")) == item
    with sqlite3.connect(tmp_path / "copies" / STORE) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_full_disk_is_said_and_nothing_is_half_saved(store, tmp_path):
    """sqlite.org, PRAGMA max_page_count: SQLITE_FULL as on a disk without room."""
    connect = store._file.connect
    pages = os.path.getsize(tmp_path / STORE) // 4096

    def full():
        raw = connect()
        raw.execute(f"PRAGMA max_page_count={pages}")
        return raw

    store._engine.pool._creator = full
    with pytest.raises(StoreError, match=r"no space is left on the disk.*Make room"):
        save(store, 3, filler="x" * 100_000)
    store._engine.pool._creator = connect
    save(store, 3)
    assert kept(tmp_path) == [1, 2, 3]


def test_a_locked_store_is_said(store, tmp_path, monkeypatch):
    monkeypatch.setattr("raysplay.infer.review.store_file._BUSY_SECONDS", 0.1)
    with sqlite3.connect(tmp_path / STORE, isolation_level=None) as other:
        other.execute("BEGIN EXCLUSIVE")
        for use in (lambda: save(store, 3), lambda: store.history(Key(1)), lambda: store.release(Key(1), "AB")):
            with pytest.raises(StoreError, match="another program holds it"):
                use()
        other.execute("ROLLBACK")
    save(store, 3)


def test_new_files_are_the_owners_alone_whatever_the_umask(tmp_path):
    """OWASP, file permissions: least privilege. The journal has the mode of its database (sqlite.org, os_unix.c)."""
    before = os.umask(0)
    try:
        store = ReadStore.beside(tmp_path, RUN)
        with store.writing():
            modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
        save(store)
        with store.writing() as connection:
            connection.exec_driver_sql("DELETE FROM claims")
            connection.exec_driver_sql("INSERT INTO about VALUES ('x', 'y')")
            modes |= {path.name: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
        store.close()
    finally:
        os.umask(before)
    assert modes == {STORE: 0o600, f"{STORE}-journal": 0o600}


def test_a_store_that_others_could_read_is_closed_to_them(tmp_path):
    ReadStore.beside(tmp_path, RUN).close()
    path = tmp_path / STORE
    path.chmod(0o664)
    ReadStore.beside(tmp_path, RUN).close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.chmod(0o400)
    ReadStore.beside(tmp_path, RUN).close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o400, "stricter is kept"


def test_a_claim_ends_though_the_clock_was_set_back(store, monkeypatch):
    """Claimed at three, clock set back to noon: it ends after its ten minutes, not at ten past three."""
    from raysplay.infer.review import store as module

    class Clock:
        wall, ticks = 1_000_000.0, 50.0

        def time(self):
            return self.wall

        def monotonic(self):
            return self.ticks

    clock = Clock()
    monkeypatch.setattr(module, "time", clock)
    store.claim(Key(5), "AB", 600)
    clock.wall -= 3 * 3600
    with pytest.raises(ClaimedError) as held:
        store.claim(Key(5), "CD", 600)
    assert held.value.claim.until <= clock.wall + 600
    clock.wall, clock.ticks = clock.wall + 599, clock.ticks + 599
    assert store.claimed(Key(5)).reader == "AB"
    clock.wall, clock.ticks = clock.wall + 2, clock.ticks + 2
    assert store.claimed(Key(5)) is None
    assert store.claims() == {}
    assert save(store, 5, reader="CD").version == 1
    assert store.claim(Key(5), "CD", 600).reader == "CD"


def test_a_renewed_claim_stays_though_the_clock_was_set_back(store, monkeypatch):
    from raysplay.infer.review import store as module

    class Clock:
        wall, ticks = 1_000_000.0, 50.0
        time = staticmethod(lambda: Clock.wall)
        monotonic = staticmethod(lambda: Clock.ticks)

    monkeypatch.setattr(module, "time", Clock)
    store.claim(Key(5), "AB", 600)
    Clock.wall -= 3600
    for _ in range(8):
        Clock.wall, Clock.ticks = Clock.wall + 200, Clock.ticks + 200
        assert store.claim(Key(5), "AB", 600).reader == "AB"
    assert store.claimed(Key(5)).reader == "AB"


CALLS = (
    ("GET", "/api/session", None),
    ("GET", "/api/feet", None),
    ("GET", "/api/feet/1", None),
    ("GET", "/api/feet/1/next", None),
    ("GET", "/api/feet/1/history", None),
    ("GET", "/api/progress", None),
    ("POST", "/api/measure", {"id": 1}),
    ("POST", "/api/feet/1/reads", {"version": 0, "verdict": "confirm"}),
    ("POST", "/api/feet/1/claim", None),
    ("DELETE", "/api/feet/1/claim", None),
)


@pytest.mark.parametrize("spoilt", ["noise", "empty", "locked", "gone"])
def test_every_call_on_a_store_that_fails_is_a_sentence(serve, harbour, tmp_path, spoilt, monkeypatch, capfd):
    """503 (RFC 9110, 15.6.4), one sentence that says what to do, and no trace on the terminal."""
    monkeypatch.setattr("raysplay.infer.review.store_file._BUSY_SECONDS", 0.1)
    page = serve(harbour).browser("AB")
    path = harbour / STORE
    whole = path.read_bytes()
    other = sqlite3.connect(path, isolation_level=None)
    if spoilt == "noise":
        path.write_bytes(b"\xa5" * len(whole))
    elif spoilt == "empty":
        os.truncate(path, 0)
    elif spoilt == "locked":
        other.execute("BEGIN EXCLUSIVE")
    else:
        path.rename(tmp_path / "aside")
    for method, where, body in CALLS:
        answer = page.request(method, where, json=body)
        if where == "/api/session":
            assert answer.status_code == 200, "the page itself opens"
            continue
        assert answer.status_code == 503, (where, answer.text)
        sentence = answer.json()["error"]
        assert "Nothing typed is lost: keep this page open." in sentence
        assert str(harbour) not in sentence
        for words in ("sqlite3", "sqlalchemy", "SELECT", "no such table", "malformed", "readonly", "unable to"):
            assert words not in sentence
    if spoilt == "locked":
        other.execute("ROLLBACK")
    elif spoilt == "gone":
        (tmp_path / "aside").rename(path)
    else:
        path.write_bytes(whole)
    other.close()
    assert page.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm"}).status_code == 200
    assert capfd.readouterr() == ("", "")


def test_a_failure_of_the_program_is_one_line_without_its_message(serve, harbour, monkeypatch, capfd, caplog):
    """The message of an exception may hold a name from a film; the terminal is not told it, nor the page."""
    from raysplay.infer.review.open_desk import OpenDesk

    def failing(self, reader):
        raise KeyError("Invented^Person")

    page = serve(harbour).browser("AB")
    monkeypatch.setattr(OpenDesk, "progress", failing)
    asked = time.monotonic()
    answer = page.get("/api/progress")
    assert answer.status_code == 500
    assert answer.json()["error"].startswith("Internal error (KeyError):")
    while not caplog.records and time.monotonic() < asked + 10:  # told by another thread, perhaps after the answer
        time.sleep(0.01)
    (record,) = caplog.records
    assert record.getMessage().startswith("The review's server failed: KeyError at infer/review/calls.py:")
    assert record.exc_info is None
    assert "Invented" not in caplog.text + answer.text
    assert capfd.readouterr() == ("", "")
    assert page.get("/api/feet").status_code == 200


def test_a_read_is_acknowledged_though_the_worklist_cannot_follow(serve, harbour, monkeypatch):
    """What is saved is never told as not saved."""
    page = serve(harbour).browser("AB")
    since = ReadStore.since

    def failing(self, *about):
        raise StoreError("not now")

    monkeypatch.setattr(ReadStore, "since", failing)
    assert page.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm"}).status_code == 200
    monkeypatch.setattr(ReadStore, "since", since)
    assert page.get("/api/progress").json()["done"] == 1

"""A run in a folder that may be read and not written: looking and exporting work, and nothing sound is called damaged.

Source: sqlite.org, "Write-Ahead Logging", 5 (read-only databases). Permissions are those of POSIX; root, whom they do
not bind, becomes nobody for the while.
"""

import contextlib
import csv
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from typer.testing import CliRunner

from raysplay.infer.outputs.run_files import STORE
from raysplay.infer.review.reads_found import ReadsFound, reads_in
from raysplay.infer.review.store import ReadStore, StoreError
from raysplay.train.cli import app

pytestmark = [
    pytest.mark.usefixtures("no_films_ahead"),
    pytest.mark.skipif(not hasattr(os, "seteuid"), reason="needs POSIX permissions"),
]
NOBODY = 65534


@contextlib.contextmanager
def as_nobody():
    """Permissions count, for root too."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@pytest.fixture
def archived(serve, harbour):
    """A run with two reads in a folder that may only be read, where anybody may get at it."""
    server = serve(harbour)
    page = server.browser("AB")
    for number in (1, 4):
        page.post(f"/api/feet/{number}/reads", json={"version": 0, "verdict": "confirm"}).raise_for_status()
    server.stop()
    with tempfile.TemporaryDirectory() as place:
        os.chmod(place, 0o755)
        run = Path(place, "run")
        shutil.copytree(harbour, run)
        yield run
        run.chmod(0o755)


def shut(run):
    """Nobody may write the folder or anything in it."""
    for path in run.iterdir():
        path.chmod(0o444)
    run.chmod(0o555)


def leave_a_log(run):
    """What a program that kept a write-ahead log leaves when it is killed: one read lies in the log alone."""
    code = (
        "import os, sqlite3, sys; raw = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "raw.execute('PRAGMA journal_mode=WAL');"
        'raw.execute("INSERT INTO history SELECT 9, run, study, lane, 2, version, at, reader, film, film_sha256, '
        'foot_index, verdict, request, before, after FROM history WHERE item = 1");'
        "os._exit(0)"
    )
    subprocess.run([sys.executable, "-c", code, run / STORE], check=True)
    (run / f"{STORE}-shm").unlink()
    assert (run / f"{STORE}-wal").stat().st_size > 0


def leave_a_journal(run):
    """What a program that is killed in the middle of a save leaves: a hot journal that takes the half save back."""
    code = (
        "import os, sqlite3, sys; raw = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "raw.execute('PRAGMA cache_size=1'); raw.execute('PRAGMA cache_spill=1'); raw.execute('BEGIN IMMEDIATE');"
        "raw.execute('DROP TRIGGER history_refuses_delete'); raw.execute('DELETE FROM history');"
        "raw.execute('CREATE TABLE filler (x)');"
        "raw.executemany('INSERT INTO filler VALUES (?)', [('x' * 5000,)] * 200);"
        "os._exit(0)"
    )
    subprocess.run([sys.executable, "-c", code, run / STORE], check=True)
    assert (run / f"{STORE}-journal").stat().st_size > 0


def states(out):
    with (out / "feet_reviewed.csv").open(newline="") as stream:
        return [row["state"] for row in csv.DictReader(stream)]


@pytest.mark.parametrize(
    ("left", "confirmed"),
    [
        (lambda run: None, [1, 4]),
        (lambda run: (run / STORE).unlink(), []),
        (leave_a_log, [1, 2, 4]),
        (leave_a_journal, [1, 4]),
    ],
    ids=["sound", "no store", "log left", "journal left"],
)
def test_export_works_from_a_folder_that_may_only_be_read(archived, left, confirmed):
    left(archived)
    shut(archived)
    before = {path.name: path.read_bytes() for path in archived.iterdir()}
    out = archived.parent / "out"
    out.mkdir()
    out.chmod(0o777)
    with as_nobody():
        assert reads_in(archived) == ReadsFound(len(confirmed), len(confirmed))
        result = CliRunner().invoke(app, ["export", str(archived), "--out", str(out)], env={"COLUMNS": "300"})
    assert result.exit_code == 0, result.output
    assert [number for number, state in enumerate(states(out), 1) if state == "confirmed"] == confirmed
    assert {path.name: path.read_bytes() for path in archived.iterdir()} == before


def test_a_review_there_is_for_looking_only(archived, serve):
    shut(archived)
    with as_nobody():
        server = serve(archived)
        page = server.browser("AB")
        session = page.get("/api/session").json()
        assert any("looking only" in notice for notice in session["run"]["notices"])
        assert page.get("/api/feet/1").json()["state"] == "confirmed"
        assert page.get("/api/progress").json()["done"] == 2
        for method, path, body in (
            ("POST", "/api/feet/2/reads", {"version": 0, "verdict": "confirm"}),
            ("POST", "/api/feet/2/claim", None),
        ):
            answer = page.request(method, path, json=body)
            assert answer.status_code == 503
            assert "looking only" in answer.json()["error"]
            assert "damaged" not in answer.text
        assert page.get("/api/feet/2").json()["version"] == 0
        server.stop()


def test_a_store_that_may_not_be_read_is_called_that(archived):
    (archived / STORE).chmod(0)
    with as_nobody(), pytest.raises(StoreError, match="may not be opened") as refused:
        ReadStore.beside(archived, "a" * 64)
    assert "damaged" not in str(refused.value)
    with as_nobody():
        assert "may not be opened" in reads_in(archived).problem


def test_a_disk_that_became_read_only_is_said(archived, serve):
    """The folder loses its permission while the review runs, and gets it back."""
    archived.chmod(0o777)
    for path in (archived, *archived.iterdir()):
        os.chown(path, NOBODY if os.geteuid() == 0 else -1, -1)
    with as_nobody():
        server = serve(archived)
        page = server.browser("AB")
        read = {"version": 0, "verdict": "confirm"}
        archived.chmod(0o555)
        answer = page.post("/api/feet/2/reads", json=read)
        assert answer.status_code == 503
        assert "may not be" in answer.json()["error"]
        assert "Nothing typed is lost" in answer.json()["error"]
        archived.chmod(0o755)
        assert page.post("/api/feet/2/reads", json=read).status_code == 200
        server.stop()
    with sqlite3.connect(archived / STORE) as raw:
        assert raw.execute("SELECT count(*) FROM history").fetchone() == (3,)
